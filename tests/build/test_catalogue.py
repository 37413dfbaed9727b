"""The catalogue over built, unbuilt and broken lessons: what it says of each, and what it leaves alone."""

from __future__ import annotations

import json
import shutil
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from pipeline.build.catalogue import Catalogue, read_catalogue, write_catalogue
from pipeline.build.catalogueentry import NOT_BUILT, OUT_OF_DATE, UNREADABLE, UP_TO_DATE, Entry
from pipeline.build.cataloguefacts import Facts, plain_chord
from pipeline.build.report import SilentReporter
from pipeline.build.week import build
from pipeline.cli import run
from pipeline.errors import MisuseError

TAB = """\
title: Ebb
instrument: guitar
key: {key}
time: 4/4
tempo: 120

[Call]
  q q h   |  q q h   |
e|--------|----------|
B|--------|----------|
G|--------|----------|
D|-----7--|----7-5b7-|
A|-5-8----|-8--------|
E|--------|----------|
"""
CHANNEL = """\
name = "A Room by the Sea"

[look]
plate = "#204060"

[[tier]]
id = "crew"
title = "Crew & friends"
includes = ["texttab", "midi"]
"""
FILES = ("catalogue.html", "catalogue.csv", "catalogue.json")


class Shelf:
    """Lessons that can be changed, and what was built of them."""

    def __init__(self, folder: Path) -> None:
        self.home, self.out = folder / "configs", folder / "out"
        self.home.mkdir(parents=True)
        (self.home / "channel.toml").write_text(CHANNEL)

    def add(
        self, name: str, title: str, *, key: str = "Am", chart: str = "| Am | C Em |", more: str = ""
    ) -> Path:
        """A lesson's folder."""
        home = self.home / name
        home.mkdir()
        (home / "tab.txt").write_text(TAB.format(key=key))
        (home / "chart.txt").write_text(chart + "\n")
        (home / "lesson.toml").write_text(
            f'title = "{title}"\ntab = "tab.txt"\nchart = "chart.txt"\nrights = "own work"\n{more}\n', "utf-8"
        )
        return home

    def build(self, *paths: Path) -> None:
        summary = build(paths, out=self.out, steps=("packs", "page"), jobs=1, report=SilentReporter())
        assert summary.exit_code == 0, summary.to_json()

    def read(self, *paths: Path) -> Catalogue:
        return read_catalogue(paths, out=self.out)

    def entry(self, lesson: str, *paths: Path) -> Entry:
        return next(entry for entry in self.read(*paths).entries if entry.lesson == lesson)


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Shelf:
    """Two lessons, built; tests leave them so."""
    shelf = Shelf(tmp_path_factory.mktemp("shelf"))
    ebb = shelf.add("ebb", "Ebb", more='level = "Easy"\ndate = 2026-11-02')
    flood = shelf.add("flood", "Flüt ♭", key="F#m", chart="| F#m7b5 | B7#9 Em/G |")
    shelf.build(ebb, flood)
    return shelf


def test_a_built_lesson_is_told_from_its_record(built: Shelf) -> None:
    entry = built.entry("ebb")
    assert (entry.title, entry.state, entry.why, entry.problems) == ("Ebb", UP_TO_DATE, (), ())
    row = entry.to_json()
    assert row["phrases"] == [{"name": "Call", "bars": [1, 2], "frets": [5, 8], "positions": [5]}]
    told = {
        "date": "2026-11-02", "grade": "Easy", "key": "Am", "tempo_bpm": 120.0, "metre": "4/4",
        "instrument": "guitar", "tuning": "E A D G B E", "bars": 2, "techniques": ["bends"], "positions": [5],
        "chords": ["Am", "C", "Em"], "review": "ebb/review.html",
    }  # fmt: skip
    assert {name: row[name] for name in told} == told
    (pack,) = row["packs"]
    assert (pack["tier"], pack["name"], pack["path"]) == (
        "crew",
        "Crew & friends",
        "ebb/packs/ebb-crew.zip",
    )
    assert pack["bytes"] == (built.out / pack["path"]).stat().st_size
    assert (built.out / row["source"]).resolve() == built.home / "ebb" / "lesson.toml"


def test_names_of_notes_are_typed_in_data_and_signs_for_readers(built: Shelf) -> None:
    entry = built.entry("flut")
    assert entry.to_json()["key"] == "F#m"
    assert entry.facts.key_words == "F♯ minor"
    assert entry.to_json()["chords"] == ["F#m7b5", "B7#9", "Em/G"]
    assert entry.facts.chords[:2] == ("F♯m7♭5", "B7♯9")
    assert entry.title == "Flüt ♭"


def test_the_newest_comes_first_and_the_undated_last(tmp_path: Path) -> None:
    shelf = Shelf(tmp_path)
    for name, day in (("a", "2025-01-31"), ("b", None), ("c", "2026-01-01"), ("d", None)):
        shelf.add(name, f"Tune {name}", more=f"date = {day}" if day else "")
    assert [entry.title[-1] for entry in shelf.read(shelf.home).entries] == ["c", "a", "b", "d"]


def test_a_change_is_seen_told_from_the_sources_and_forgotten(built: Shelf) -> None:
    path = built.home / "ebb" / "lesson.toml"
    before = path.read_text("utf-8")
    try:
        path.write_text(before.replace("Easy", "Hard"), "utf-8")
        entry = built.entry("ebb")
        assert (entry.state, entry.why) == (OUT_OF_DATE, ("lesson.toml changed",))
        assert (entry.facts.level, entry.facts.key, len(entry.packs)) == ("Hard", "Am", 1)
        assert built.read().exit_code == 0
    finally:
        path.write_text(before, "utf-8")
    assert built.entry("ebb").state == UP_TO_DATE  # by its contents, not by when it was written


def test_a_built_lesson_with_broken_sources_is_told_from_its_record(built: Shelf) -> None:
    path = built.home / "ebb" / "chart.txt"
    before = path.read_text()
    try:
        path.write_text("| Am | Qm |\n")
        found = built.read()
        entry = next(entry for entry in found.entries if entry.lesson == "ebb")
        assert entry.state == UNREADABLE
        assert len(entry.why) == 1
        assert entry.why[0].startswith("../configs/ebb/chart.txt:1:8: ")
        assert "Qm" in entry.why[0]
        assert (entry.title, entry.facts.key, len(entry.packs)) == ("Ebb", "Am", 1)
        assert found.exit_code == 1
        assert {e.lesson: e.state for e in found.entries}["flut"] == UP_TO_DATE
    finally:
        path.write_text(before)


def test_a_built_lesson_whose_file_is_broken_has_one_row(built: Shelf) -> None:
    """Its name cannot be read any more; the release tells whose it is."""
    path = built.home / "ebb" / "lesson.toml"
    before = path.read_text("utf-8")
    try:
        path.write_text("title = ")
        found = built.read(path)
        assert {e.lesson: e.state for e in found.entries} == {"ebb": UNREADABLE, "flut": UP_TO_DATE}
        assert len(found.entries) == 2
        assert found.entries[0].title == "Ebb"
    finally:
        path.write_text(before, "utf-8")


def test_a_released_file_that_was_meddled_with(built: Shelf) -> None:
    path = built.out / "ebb" / "packs" / "crew" / "ebb - tab.txt"
    before = path.read_bytes()
    try:
        path.unlink()
        path.write_text("mine now")
        entry = built.entry("ebb")
        assert entry.state == OUT_OF_DATE
        assert "ebb - tab.txt" in entry.why[0]
    finally:
        path.write_bytes(before)


def test_a_record_that_cannot_be_read(built: Shelf, tmp_path: Path) -> None:
    out = tmp_path / "out"
    for name, text in (("broken", "{"), ("empty", ""), ("list", "[]"), ("nofiles", '{"title": "x"}')):
        (out / name).mkdir(parents=True)
        (out / name / "release.json").write_text(text)
    found = read_catalogue(out=out)
    assert {entry.state for entry in found.entries} == {UNREADABLE}
    assert len(found.entries) == 4
    assert found.exit_code == 1
    assert all("build the lesson again" in entry.why[0] for entry in found.entries)


def test_a_release_without_a_receipt_is_out_of_date(built: Shelf, tmp_path: Path) -> None:
    """Brought here from elsewhere: what it was built from cannot be told."""
    shutil.copytree(built.out / "ebb", tmp_path / "out" / "ebb")
    (entry,) = read_catalogue(out=tmp_path / "out").entries
    assert (entry.state, entry.why) == (OUT_OF_DATE, ("there is no note here of what it was built from",))
    assert entry.facts.key == "Am"


def test_a_release_whose_lesson_is_gone(tmp_path: Path) -> None:
    shelf = Shelf(tmp_path)
    home = shelf.add("ebb", "Ebb")
    shelf.build(home)
    shutil.rmtree(home)
    entry = shelf.entry("ebb")
    assert entry.state == OUT_OF_DATE
    assert entry.why[0] == "the lesson it was built from is gone"
    assert (entry.title, entry.facts.key, entry.source) == ("Ebb", "Am", "")


def test_a_lesson_that_was_never_built(built: Shelf, tmp_path: Path) -> None:
    shelf = Shelf(tmp_path)
    home = shelf.add("spring", "Spring Tide", key="D dorian", chart="| Dm7 | G7 |", more="date = 2026-12-01")
    for path in (home, home / "lesson.toml", shelf.home):
        entry = read_catalogue([path], out=built.out).entries[0]
        assert (entry.lesson, entry.title, entry.state) == ("spring-tide", "Spring Tide", NOT_BUILT)
        assert (entry.facts.key, entry.facts.chords, entry.facts.date) == (
            "D dorian",
            ("Dm7", "G7"),
            "2026-12-01",
        )
        assert (entry.packs, entry.links) == ((), {})


def test_what_was_built_stays_in_when_others_are_named(built: Shelf, tmp_path: Path) -> None:
    home = Shelf(tmp_path).add("spring", "Spring Tide")
    found = read_catalogue([home, built.home / "ebb"], out=built.out)
    assert {e.lesson: e.state for e in found.entries} == {
        "ebb": UP_TO_DATE,
        "flut": UP_TO_DATE,
        "spring-tide": NOT_BUILT,
    }


def test_a_lesson_named_like_another_that_was_built(built: Shelf, tmp_path: Path) -> None:
    """The release in place is not taken for the other lesson's."""
    home = Shelf(tmp_path).add("other", "Ebb")
    found = read_catalogue([home], out=built.out)
    assert sorted(e.state for e in found.entries if e.lesson == "ebb") == [NOT_BUILT, UP_TO_DATE]


def test_two_named_lessons_of_one_name(tmp_path: Path) -> None:
    shelf = Shelf(tmp_path)
    shelf.add("one", "Ebb")
    shelf.add("two", "EBB")
    found = shelf.read(shelf.home)
    assert [e.state for e in found.entries].count(UNREADABLE) == 1
    assert any("would both be called 'ebb'" in e.why[0] for e in found.entries if e.why)
    assert found.exit_code == 1


@pytest.mark.parametrize(
    ("file", "text", "said"),
    [
        ("lesson.toml", "title = ", "lesson.toml:1:"),
        (
            "lesson.toml",
            'title = "Ebb"\ntab = "tab.txt"\nchart = "gone.txt"\n',
            "there is no file 'gone.txt'",
        ),
        ("tab.txt", "e|--5", "tab.txt:"),
        ("chart.txt", "| Am | Qm |", "chart.txt:1:8: "),
    ],
)
def test_what_cannot_be_read_is_listed_with_its_first_error(
    tmp_path: Path, file: str, text: str, said: str
) -> None:
    shelf = Shelf(tmp_path)
    home = shelf.add("ebb", "Ebb")
    good = shelf.add("flood", "Flood")
    (home / file).write_text(text)
    found = shelf.read(home, good)
    states = {entry.lesson: entry.state for entry in found.entries}
    assert states == {"ebb": UNREADABLE, "flood": NOT_BUILT}
    (bad,) = (entry for entry in found.entries if entry.state == UNREADABLE)
    assert said in bad.why[0]
    assert len(bad.why) == 1
    assert bad.problems
    assert found.exit_code == 1


def test_recordings_stay_closed(tmp_path: Path) -> None:
    """Hundreds of takes would be decoded to write down what the tabs say."""
    shelf = Shelf(tmp_path)
    home = shelf.add("ebb", "Ebb", more='take = "take.flac"')
    (home / "take.flac").write_bytes(b"no sound at all")
    assert shelf.entry("ebb", home).state == NOT_BUILT


def test_a_week_says_its_words_over_a_lesson(tmp_path: Path) -> None:
    shelf = Shelf(tmp_path)
    home = shelf.add("ebb", "Ebb", more='slug = "ebb"')
    week = shelf.home / "week.toml"
    week.write_text('[[lesson]]\npath = "ebb"\ntempo = 90\ndate = 2026-11-25\n')
    entry = shelf.entry("ebb", week)
    assert (entry.facts.tempo_bpm, entry.facts.date) == (90.0, "2026-11-25")
    shelf.build(week)
    assert shelf.entry("ebb").state == shelf.entry("ebb", week).state == UP_TO_DATE
    week.write_text('[[lesson]]\npath = "ebb"\ntempo = 80\ndate = 2026-11-25\n')
    entry = shelf.entry("ebb", week)
    assert (entry.state, entry.facts.tempo_bpm) == (OUT_OF_DATE, 80.0)
    assert home.is_dir()


def test_a_week_that_lists_what_is_not_there(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shelf = Shelf(tmp_path)
    shelf.add("ebb", "Ebb")
    week = shelf.home / "week.toml"
    week.write_text('lessons = ["ebb", "ebbb"]\n')
    assert run(["catalogue", str(week), "--out", str(shelf.out), "--json"]) == 1
    said = capsys.readouterr()
    document = json.loads(said.out)
    assert [row["lesson"] for row in document["lessons"]] == ["ebb"]
    assert len(document["problems"]) == 1
    assert "week.toml:1:" in document["problems"][0]
    assert "there is no lesson at" in said.err
    assert "there is no lesson at" in (shelf.out / "catalogue.html").read_text("utf-8")


def test_the_channel_of_the_first_lesson_gives_name_and_colours(built: Shelf) -> None:
    found = built.read()
    assert (found.channel, found.look.plate) == ("A Room by the Sea", "#204060")


def test_the_same_lessons_give_the_same_bytes(built: Shelf) -> None:
    write_catalogue(out=built.out)
    before = [(built.out / name).read_bytes() for name in FILES]
    write_catalogue(out=built.out)
    assert [(built.out / name).read_bytes() for name in FILES] == before
    assert json.loads(before[2]) == built.read().to_json()


def test_nothing_but_the_three_files_is_written(tmp_path: Path) -> None:
    shelf = Shelf(tmp_path)
    write_catalogue([shelf.add("ebb", "Ebb")], out=shelf.out)
    assert {path.name for path in shelf.out.rglob("*")} == set(FILES)


@pytest.mark.parametrize("kind", ["there is no such folder", "empty"])
def test_nothing_built_and_nothing_named(tmp_path: Path, kind: str) -> None:
    out = tmp_path / "out"
    if kind == "empty":
        out.mkdir()
    with pytest.raises(
        MisuseError, match=r"nothing has been built there yet\n  Name the lessons: .*catalogue PATH"
    ):
        write_catalogue(out=out)
    assert not list(tmp_path.rglob("catalogue*"))


def test_an_out_that_is_a_file(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("")
    with pytest.raises(MisuseError, match="this is a file, not a folder"):
        write_catalogue(out=tmp_path / "out")


def test_a_path_that_is_not_there(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["catalogue", str(tmp_path / "gone"), "--out", str(tmp_path)]) == 2
    assert "there is no such file or folder" in capsys.readouterr().err


def test_the_command_sums_up(built: Shelf, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["catalogue", "--out", str(built.out)]) == 0
    said = capsys.readouterr()
    assert said.out == f"2 lessons: 2 up to date\nThe catalogue: {built.out / 'catalogue.html'}\n"
    assert said.err == ""
    assert run(["catalogue", "--out", str(built.out), "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == json.loads(
        (built.out / "catalogue.json").read_text("utf-8")
    )


def test_the_command_names_what_wants_doing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shelf = Shelf(tmp_path)
    for number in range(23):
        shelf.add(f"l{number}", f"Tune {number:02}")
    (shelf.add("bad", "Bad") / "tab.txt").write_text("?")
    assert run(["catalogue", str(shelf.home), "--out", str(shelf.out)]) == 1
    said = capsys.readouterr()
    lines = said.out.splitlines()
    assert lines[0] == "24 lessons: 23 not built yet, 1 cannot be read"
    assert lines[1] == "tune-00: not built yet"
    assert lines[-2] == "and 3 more, on the page"
    assert "tab.txt" in said.err


DAMAGED: list[Any] = [
    None,
    [],
    "Am",
    {
        "key": 5,
        "tempo_bpm": "fast",
        "bars": True,
        "chords": "Am",
        "techniques": [1, None],
        "phrases": [{}, 3],
    },
    {"tempo_bpm": float("nan"), "positions": [0, 99, "V", True], "date": "soon", "level": ["x"]},
    {"phrases": [{"name": "A", "bars": "1-2", "frets": None}]},
]


@pytest.mark.parametrize("facts", DAMAGED)
def test_damaged_facts_are_left_out(tmp_path: Path, facts: object) -> None:
    """A record is somebody's file: it can hold anything."""
    home = tmp_path / "out" / "x"
    home.mkdir(parents=True)
    files = [
        {
            "path": "../../../etc/passwd",
            "tier": "a",
            "step": "s",
            "sha256": "",
            "bytes": 1,
            "product": "archive",
        },
        {"path": "/etc/passwd", "tier": "b", "step": "s", "sha256": "", "bytes": 1, "product": "still"},
    ]
    record = {"title": 3, "files": files, "facts": facts, "inputs": "?", "tiers": 7, "cautions": 1}
    (home / "release.json").write_text(json.dumps(record))
    (entry,) = write_catalogue(out=tmp_path / "out").entries
    assert (entry.title, entry.packs, entry.links, entry.cautions) == ("x", (), {}, 0)
    assert entry.facts.key == "" and entry.facts.tempo_bpm is None and entry.facts.positions == ()
    json.loads((tmp_path / "out" / "catalogue.json").read_text("utf-8"))


def test_signs_that_no_encoding_has(tmp_path: Path) -> None:
    home = tmp_path / "out" / "x"
    home.mkdir(parents=True)
    pack = {
        "path": "packs/\udce4.zip",
        "tier": "a",
        "step": "s",
        "sha256": "",
        "bytes": 1,
        "product": "archive",
    }
    (home / "release.json").write_text(json.dumps({"title": "A\ud800", "files": [pack]}))
    write_catalogue(out=tmp_path / "out")
    assert "A?" in (tmp_path / "out" / "catalogue.html").read_text("utf-8")


def test_a_key_or_chord_of_another_version_is_shown_as_it_is() -> None:
    facts = Facts(key="H lydian-ish", chords=("Zz♯",), tempo_bpm=90.0, metre="?")
    assert (facts.key_words, facts.plain_chords, facts.tempo_words) == ("H lydian-ish", ("Zz#",), "90 bpm")
    assert plain_chord("B♭maj7") == "Bbmaj7"


def test_a_date_goes_from_the_lesson_to_the_record(built: Shelf) -> None:
    record = json.loads((built.out / "ebb" / "release.json").read_text("utf-8"))
    assert date.fromisoformat(record["facts"]["date"]) == date(2026, 11, 2)
    assert record["tiers"] == [{"id": "crew", "name": "Crew & friends"}]


def test_a_lesson_that_has_another_name_now(tmp_path: Path) -> None:
    """Building it never brings the folder of its old name up to date, which is said."""
    shelf = Shelf(tmp_path)
    home = shelf.add("ebb", "Ebb")
    shelf.build(home)
    (home / "lesson.toml").write_text((home / "lesson.toml").read_text().replace("Ebb", "Neap"))
    summary = build([home], out=shelf.out, steps=("page",), jobs=1, report=SilentReporter())
    left = f"{shelf.out / 'ebb'} holds this lesson under the name it had before"
    assert any(caution.startswith(left) for caution in summary.lessons[0].cautions)
    assert shelf.entry("neap").state == UP_TO_DATE
    old = shelf.entry("ebb")
    assert old.state == OUT_OF_DATE
    assert old.why == ("its lesson is called neap now; delete this folder if nobody needs it",)
    again = build([home], out=shelf.out, steps=("page",), jobs=1, report=SilentReporter())
    assert not any("had before" in caution for caution in again.lessons[0].cautions)
