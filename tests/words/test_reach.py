"""What a template leads to, and what of the facts it reads."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.words.reach import reach
from pipeline.words.templates import own_templates, render

FACTS = {
    "lesson": {"title": "Low Tide", "blurb": "Slow.", "credit": "A Teacher"},
    "links": [{"label": "All", "url": "https://example.org"}],
    "channel": {"name": "A Room", "terms": "Yours."},
    "version": "1",
}


@pytest.fixture
def texts(tmp_path: Path) -> Path:
    (tmp_path / "parts").mkdir()
    files = {
        "description.txt.j2": '{% extends "base.j2" %}{% block body %}{{ lesson.title }}{% endblock %}',
        "base.j2": '{% from "parts/marks.txt" import line %}{% block body %}{% endblock %}{{ line }}',
        "parts/marks.txt": '{% set line = "---" %}',
        "readme.txt.j2": '{% include ["none.j2", "foot.j2"] %}',
        "foot.j2": "{{ channel.terms }}",
        "alone.j2": "{{ links }}",
    }
    for name, text in files.items():
        (tmp_path / name).write_text(text)
    return tmp_path


def names(texts: Path, name: str) -> list[str]:
    return list(reach(name, own_templates(texts)).own)


def test_files_are_followed(texts: Path) -> None:
    assert names(texts, "description.txt") == ["base.j2", "description.txt.j2", "parts/marks.txt"]
    assert names(texts, "readme.txt") == ["foot.j2", "readme.txt.j2"]
    (texts / "none.j2").write_text("")  # one that was looked for comes into being
    assert names(texts, "readme.txt") == ["foot.j2", "none.j2", "readme.txt.j2"]


def test_what_it_leads_to_is_enough_to_write_it(texts: Path) -> None:
    for name in ("description.txt", "readme.txt"):
        used = reach(name, own_templates(texts))
        assert render(name, used.of(FACTS), own=used.own) == render(name, FACTS, own=own_templates(texts))


def test_a_circle_ends(texts: Path) -> None:
    (texts / "foot.j2").write_text('{% include "readme.txt.j2" %}')
    assert names(texts, "readme.txt") == ["foot.j2", "readme.txt.j2"]


def test_ours_may_lead_to_theirs(texts: Path) -> None:
    """A creator's file takes the place of ours wherever ours is named."""
    (texts / "readme.txt.j2").write_text('{% include "description.txt.j2" %}')
    (texts / "description.txt.j2").unlink()
    assert names(texts, "readme.txt") == ["readme.txt.j2"]
    (texts / "description.txt.j2").write_text("mine")
    assert names(texts, "readme.txt") == ["description.txt.j2", "readme.txt.j2"]
    (texts / "readme.txt.j2").write_text('{% extends "standard/readme.txt.j2" %}')
    assert names(texts, "readme.txt") == ["readme.txt.j2"]
    assert "channel" in reach("readme.txt", own_templates(texts)).of(FACTS)


def test_a_name_that_is_worked_out_may_be_any(texts: Path) -> None:
    (texts / "readme.txt.j2").write_text('{% include lesson.level ~ ".j2" %}')
    used = reach("readme.txt", own_templates(texts))
    assert used.own == own_templates(texts)
    assert used.of(FACTS) == FACTS | {"lesson": FACTS["lesson"]}


@pytest.mark.parametrize(
    ("text", "read"),
    [
        ("{{ lesson.title }}", {"lesson": {"title": "Low Tide"}}),
        ("{{ lesson['title'] }}", {"lesson": {"title": "Low Tide"}}),
        ("{% set l = lesson %}{{ l.title }}", {"lesson": FACTS["lesson"]}),
        ("{{ lesson.items() }}", {"lesson": FACTS["lesson"]}),
        ("{{ lesson[version] }}", {"lesson": FACTS["lesson"], "version": "1"}),
        ("{{ lesson | attr('title') }}", {"lesson": FACTS["lesson"]}),
        ("{% for link in links %}{{ link.url }}{% endfor %}", {"links": FACTS["links"]}),
        ("{% macro m(c) %}{{ c.name }}{% endmacro %}{{ m(channel) }}", {"channel": FACTS["channel"]}),
        ("{% if lesson.blurb and version %}x{% endif %}", {"lesson": {"blurb": "Slow."}, "version": "1"}),
        ("{{ lesson.nothing }}", {"lesson": FACTS["lesson"]}),
        ("nothing", {}),
        ("{% if %}", FACTS),  # told when the text is made
    ],
)
def test_what_is_read(tmp_path: Path, text: str, read: dict[str, object]) -> None:
    (tmp_path / "readme.txt.j2").write_text(text)
    assert reach("readme.txt", own_templates(tmp_path)).of(FACTS) == read


def test_hidden_files_and_links_that_lead_out_are_none_of_theirs(texts: Path, tmp_path: Path) -> None:
    (texts / ".draft.j2").write_text("")
    outside = tmp_path.parent / "outside.j2"
    outside.write_text("secret")
    (texts / "out.j2").symlink_to(outside)
    (texts / "in.j2").symlink_to(texts / "foot.j2")
    found = own_templates(texts)
    assert "in.j2" in found and not {"out.j2", ".draft.j2"} & set(found)
