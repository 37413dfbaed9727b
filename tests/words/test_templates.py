"""Texts read well with everything, with little and with nothing; mistakes are told in place."""

from __future__ import annotations

import copy
import pickle
import re
from pathlib import Path
from typing import Any

import pytest

from pipeline.errors import SourceError
from pipeline.words.templates import (
    BLANK,
    TemplateProblem,
    counted,
    figure,
    listed,
    own_templates,
    render,
    sentence,
)

FULL: dict[str, Any] = {
    "lesson": {
        "title": "Low Tide",
        "artist": "",
        "credit": "Composed for the channel",
        "blurb": "Four phrases over two chords.",
        "level": "early intermediate",
        "rights": "own work",
    },
    "facts": {
        "key": "A minor",
        "tempo": "104 bpm",
        "tempo_bpm": 104.0,
        "tuning": "",
        "techniques": ["bends", "hammer-ons", "vibrato"],
        "chords": ["Am7", "D9"],
        "fret_lo": 5,
        "fret_hi": 10,
        "bars": 16,
    },
    "chapters": [
        {"time": "0:00", "name": "Start", "seconds": 0.0},
        {"time": "0:12", "name": "Call", "seconds": 12.3},
        {"time": "0:40", "name": "Answer", "seconds": 40.0},
    ],
    "tiers": [
        {"title": "Friends", "files": [{"name": "tab.pdf", "what": "the tab to print"}]},
        {"title": "Band", "files": []},
    ],
    "pack": {"title": "Friends", "files": [{"name": "tab.pdf", "what": "the tab to print"}]},
    "links": [{"label": "All lessons", "url": "https://example.org"}],
    "channel": {
        "name": "Shoreline",
        "tagline": "slow and true",
        "contact": "a@example.org",
        "terms": "Do not resell.",
    },
    "version": "3",
}


def test_the_whole_description() -> None:
    assert render("description.txt", FULL) == (
        "Low Tide\n\nFour phrases over two chords.\n\nLevel: early intermediate\n\n"
        "Chapters\n0:00 Start\n0:12 Call\n0:40 Answer\n\n"
        "Key of A minor. Chords: Am7, D9.\n16 bars, 104 bpm.\nFrets 5 to 10.\n"
        "You will use bends, hammer-ons and vibrato.\n\n"
        "For supporters\nFriends:\n- the tab to print\n\n"
        "All lessons: https://example.org\n\n"
        "Composed for the channel.\nRights: Own work.\n\nShoreline: slow and true\nWrite to a@example.org\n"
    )


def test_the_whole_read_me() -> None:
    text = render("readme.txt", FULL)
    assert text.startswith("Low Tide\nFriends, from Shoreline\n\nThank you")
    assert "\ntab.pdf\n    The tab to print.\n" in text
    assert "Do not resell." in text
    assert "Stop when something hurts" in text
    assert "volume" in text
    assert text.endswith("Questions? Write to a@example.org\nMade with lessonwright 3.\n")


def paths(tree: Any, before: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    inner = tree.items() if isinstance(tree, dict) else ()
    return [before] * bool(before) + [p for key, value in inner for p in paths(value, (*before, key))]


@pytest.mark.parametrize("name", ["description.txt", "readme.txt"])
@pytest.mark.parametrize("path", paths(BLANK), ids=lambda p: ".".join(p))
@pytest.mark.parametrize("value", ["missing", "none"])
def test_whatever_is_missing_leaves_no_empty_label(name: str, path: tuple[str, ...], value: str) -> None:
    facts = copy.deepcopy(FULL)
    home = facts
    for key in path[:-1]:
        home = home[key]
    if value == "none":
        home[path[-1]] = None
    else:
        home.pop(path[-1], None)
    text = render(name, facts)
    assert "None" not in text
    assert "\n\n\n" not in text
    assert not re.search(
        r"^\W*$(?<!^)|:\s*$(?<!Friends:)|^[.,;:]| ,|\.\.| \.", text.replace("\n\n", "\n").strip(), re.M
    )


@pytest.mark.parametrize(("name", "start"), [("description.txt", "X"), ("readme.txt", "X\n\nThank you")])
def test_a_title_is_enough(name: str, start: str) -> None:
    text = render(name, {"lesson": {"title": "X"}})
    assert text.startswith(start)
    assert ":" not in text.replace("hurts:", "")


def test_fewer_than_three_chapters_are_not_listed() -> None:
    facts = {**FULL, "chapters": FULL["chapters"][:2]}
    assert "Chapters" not in render("description.txt", facts)


@pytest.mark.parametrize(
    ("lo", "hi", "said"),
    [(5, 10, "Frets 5 to 10."), (0, 3, "From the open strings up to fret 3."), (7, 7, "Everything lies at fret 7."),
     (0, 0, "Everything is on open strings."), (None, 5, "Everything lies at fret 5.")],
)  # fmt: skip
def test_frets_read_aloud(lo: int | None, hi: int, said: str) -> None:
    assert said in render("description.txt", {"facts": {"fret_lo": lo, "fret_hi": hi}})


def test_one_bar_is_one_bar() -> None:
    assert "1 bar, 92.5 bpm." in render("description.txt", {"facts": {"bars": 1, "tempo": "92.5 bpm"}})


def test_words() -> None:
    assert [listed(x) for x in ([], ["a"], ["a", "b"], ["a", "b", "c"])] == ["", "a", "a and b", "a, b and c"]
    assert [counted(1, "bar"), counted(2, "bar"), counted(2, "foot", "feet")] == ["1 bar", "2 bars", "2 feet"]
    assert [figure(92.0), figure(92.5), figure(66.6666)] == ["92", "92.5", "66.67"]
    assert [sentence("own work"), sentence("Why?"), sentence(" ")] == ["Own work.", "Why?", ""]


def test_the_creators_template_goes_first_and_may_change_one_block(tmp_path: Path) -> None:
    mine = tmp_path / "description.txt.j2"
    mine.write_text("{{ lesson.title | upper }}", encoding="utf-8")
    assert render("description.txt", FULL, own=own_templates(tmp_path)) == "LOW TIDE\n"
    mine.write_text(
        '{% extends "standard/description.txt.j2" %}{% block closing %}See you at sea.{% endblock %}',
        encoding="utf-8",
    )
    text = render("description.txt", FULL, own=own_templates(tmp_path))
    assert text.startswith("Low Tide\n")
    assert text.endswith("https://example.org\n\nSee you at sea.\n")
    assert render("readme.txt", FULL, own=own_templates(tmp_path)) == render("readme.txt", FULL)


MISTAKES = [
    ("a\n{{ lesson.titel }}", 2, "asks for 'titel'", "did you mean lesson.title"),
    ("{{ chaptrs }}", 1, "asks for 'chaptrs'", "did you mean chapters?"),
    ("{% for c in chapters %}\n{{ c.nme }}\n{% endfor %}", 2, "asks for 'nme'", "chapters[].name"),
    ("x\n\n{% if %}", 3, "Expected an expression", ""),
    ("{% for c in chapters %}", 1, "endfor", ""),
    ("{{ ''.__class__ }}", 1, "unsafe", "only read the variables"),
    ("{{ 'a' * 999999999 }}", 1, "too large", ""),
    ("{{ 9 ** 9 ** 9 }}", 1, "too large", ""),
    ("{% for a in range(99999) %}{{ 'long text' }}{% endfor %}", None, "grows beyond 200000", ""),
    ("{{ 1 / 0 }}", 1, "division by zero", ""),
    ("{{ version + 1 }}", 1, "the template stops", ""),
    ('{% include "../secret" %}', None, "no template", "description.txt.j2"),
]


@pytest.mark.parametrize(("text", "line", "what", "remedy"), MISTAKES)
def test_mistakes_name_file_and_line(
    tmp_path: Path, text: str, line: int | None, what: str, remedy: str
) -> None:
    (tmp_path / "description.txt.j2").write_text(text, encoding="utf-8")
    with pytest.raises(TemplateProblem) as caught:
        render("description.txt", FULL, own=own_templates(tmp_path))
    problem = caught.value.problem
    assert problem.path == tmp_path / "description.txt.j2" or line is None
    if line is not None:
        assert problem.line == line
    assert what in problem.what
    assert remedy in problem.remedy
    assert isinstance(caught.value, SourceError)
    assert caught.value.exit_code == 1


def test_a_template_that_is_not_utf8(tmp_path: Path) -> None:
    (tmp_path / "readme.txt.j2").write_bytes(b"caf\xe9")
    with pytest.raises(TemplateProblem, match="not UTF-8"):
        render("readme.txt", FULL, own=own_templates(tmp_path))


def test_no_such_template() -> None:
    with pytest.raises(
        TemplateProblem, match=r"(?s)no template 'poem.txt.j2'.*description.txt.j2 and readme.txt.j2"
    ):
        render("poem.txt", FULL)


def test_the_problem_survives_the_way_between_processes() -> None:
    with pytest.raises(TemplateProblem) as caught:
        render("poem.txt", FULL)
    assert str(pickle.loads(pickle.dumps(caught.value))) == str(caught.value)


def test_facts_are_not_changed() -> None:
    before = copy.deepcopy(FULL)
    render("description.txt", FULL)
    assert before == FULL
    assert BLANK["pack"] is None
    assert BLANK["chapters"] == []


def tiers(*rows: tuple[str, str]) -> dict[str, Any]:
    """Tiers of (title, letters), each letter a file."""
    return {
        "tiers": [
            {"title": t, "files": [{"name": c, "what": f"file {c}"} for c in files]} for t, files in rows
        ]
    }


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ([("One", "ab"), ("Two", "abc")], "One:\n- file a\n- file b\n\nTwo: all of One, and\n- file c\n"),
        ([("One", "ab"), ("Two", "bac")], "Two: all of One, and\n- file c\n"),
        ([("One", "ab"), ("Two", "ac")], "Two:\n- file a\n- file c\n"),
        ([("One", "ab"), ("Two", "ab")], "Two: the same as One.\n"),
        ([("One", ""), ("Two", "ab")], "For supporters\nTwo:\n- file a\n- file b\n"),
        ([("One", "a"), ("Two", "ab"), ("Three", "abc")], "Three: all of Two, and\n- file c\n"),
    ],
)
def test_a_tier_that_holds_the_one_before_says_so(rows: list[tuple[str, str]], said: str) -> None:
    assert said in render("description.txt", tiers(*rows))
