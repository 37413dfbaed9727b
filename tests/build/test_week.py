"""A lesson built for real: what comes out, what is made again, and what a failure leaves."""

from __future__ import annotations

import hashlib
import json
import zipfile
from pathlib import Path
from typing import Any

import pytest

from pipeline.build.report import PlainReporter, SilentReporter
from pipeline.build.week import Summary, build
from pipeline.errors import MisuseError

TAB = """\
title: Ebb
instrument: guitar
key: Am
time: 4/4
tempo: 120

[Call]
  q q h   |  q q h   |
e|--------|----------|
B|--------|----------|
G|--------|----------|
D|-----2--|----2-0---|
A|-0-3----|-3--------|
E|--------|----------|
"""
CHART = "key: Am\n\n| Am | C Em |\n"
LESSON = """\
title = "Ebb"
tab = "tab.txt"
chart = "chart.txt"
rights = "own work"
credit = "A Teacher"

[backing]
keys = ["Am"]
tempos = [100]
guide = false
"""
CHANNEL = """\
name = "A Room by the Sea"
templates = "texts"

[[tier]]
id = "crew"
title = "Crew"
includes = ["texttab", "midi", "backing", "cover", "still"]
"""


class Desk:
    """A small lesson that can be changed and built."""

    def __init__(self, folder: Path) -> None:
        self.lesson, self.out = folder / "configs" / "ebb", folder / "out"
        (folder / "configs" / "texts").mkdir(parents=True)
        self.lesson.mkdir()
        (self.lesson / "tab.txt").write_text(TAB)
        (self.lesson / "chart.txt").write_text(CHART)
        (self.lesson / "lesson.toml").write_text(LESSON)
        (folder / "configs" / "channel.toml").write_text(CHANNEL)

    @property
    def release(self) -> Path:
        return self.out / "ebb"

    def build(self, **more: Any) -> Summary:
        return build([self.lesson], out=self.out, jobs=2, report=SilentReporter(), **more)

    def record(self) -> dict[str, Any]:
        found: dict[str, Any] = json.loads((self.release / "release.json").read_text("utf-8"))
        return found

    def made(self) -> set[str]:
        """Steps that the last build ran."""
        return {step["name"] for step in self.record()["steps"] if not step["reused"]}

    def rewrite(self, name: str, old: str, new: str) -> None:
        path = self.lesson / name
        text = path.read_text()
        assert old in text
        path.write_text(text.replace(old, new))

    def template(self, name: str, text: str) -> None:
        (self.lesson.parent / "texts" / name).write_text(text)

    def contents(self) -> dict[str, str]:
        """SHA-256 of every file of the release but its record."""
        return {
            path.relative_to(self.release).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
            for path in sorted(self.release.rglob("*"))
            if path.is_file() and path.name != "release.json"
        }


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Desk:
    """One cold build, which later tests start from and leave built."""
    desk = Desk(tmp_path_factory.mktemp("week"))
    summary = desk.build()
    assert summary.exit_code == 0, summary.to_json()
    return desk


def test_the_record_names_every_file_as_it_is(built: Desk) -> None:
    record = built.record()
    listed = {file["path"]: file for file in record["files"]}
    assert {path: file["sha256"] for path, file in listed.items()} == built.contents()
    for path, file in listed.items():
        assert file["bytes"] == (built.release / path).stat().st_size
    assert {file["path"] for file in record["files"] if file["tier"] == "public"} == {
        "public/description.txt",
        "public/still.png",
    }
    assert (record["lesson"], record["alignment"], record["chapters"]) == ("ebb", None, [])
    assert {Path(entry["path"]).name for entry in record["inputs"]} == {
        "lesson.toml",
        "channel.toml",
        "tab.txt",
        "chart.txt",
    }
    for entry in record["inputs"]:
        data = (built.release / entry["path"]).read_bytes()
        assert hashlib.sha256(data).hexdigest() == entry["sha256"]
    assert any("there is no take" in caution for caution in record["cautions"])


def test_the_backing_is_in_the_record(built: Desk) -> None:
    (entry,) = built.record()["backing"]
    assert (entry["key"], entry["tempo_bpm"], entry["lead"], entry["source"]) == (
        "Am",
        120.0,
        "none",
        "chart",
    )
    assert entry["path"] == "packs/crew/ebb - backing - A minor - 120 bpm.wav"
    assert entry["mp3_path"] == "packs/crew/ebb - backing - A minor - 120 bpm.mp3"
    assert abs(entry["integrated_lufs"] + 14) <= 0.3
    assert entry["true_peak_dbtp"] <= -1.0
    assert 4.0 < entry["seconds"] < 20.0


def test_the_pack_is_the_folder_packed(built: Desk) -> None:
    folder = built.release / "packs" / "crew"
    with zipfile.ZipFile(built.release / "packs" / "ebb-crew.zip") as archive:
        assert archive.testzip() is None
        packed = {name: archive.read(name) for name in archive.namelist()}
    assert packed == {path.name: path.read_bytes() for path in folder.iterdir()}
    assert {"READ-ME.txt", "SHA256SUMS.txt", "ebb - still.png", "ebb - tab.mid"} <= set(packed)
    # a supporter keeps the files of many lessons in one folder
    own = set(packed) - {"READ-ME.txt", "SHA256SUMS.txt"}
    assert all(name.startswith("ebb - ") and name.count("ebb - ") == 1 for name in own)
    readme = packed["READ-ME.txt"].decode()
    assert all(f"{name}\r\n" in readme for name in own)


def test_what_no_tier_includes_is_kept_aside(built: Desk) -> None:
    tiers = {file["path"]: file["tier"] for file in built.record()["files"]}
    assert tiers["review/ebb - tab.pdf"] == "none"
    assert tiers["review/page-01.svg"] == "review"


def test_the_review_page_stands_by_itself(built: Desk) -> None:
    import re
    from html import unescape
    from urllib.parse import unquote

    page = (built.release / "review.html").read_text("utf-8")
    assert "<h3>A minor, 120 bpm</h3>" in page and "Am, 120" not in page
    links = {unquote(unescape(link)) for link in re.findall(r'(?:src|href|poster)="([^"]+)"', page)}
    assert "packs/crew/ebb - backing - A minor - 120 bpm.mp3" in links
    for link in links:
        assert (built.release / link).is_file(), link
    assert "http" not in page.replace("https://", "").partition("</head>")[0]


def test_the_second_build_makes_nothing(built: Desk) -> None:
    before = built.contents()
    summary = built.build()
    assert (summary.lessons[0].made, summary.exit_code) == (0, 0)
    assert built.contents() == before


def test_a_build_elsewhere_gives_the_same_bytes(built: Desk, tmp_path: Path) -> None:
    other = Desk(tmp_path)
    assert (
        other.build(steps=["page", "texttab", "midi", "musicxml", "cover", "still", "words"]).exit_code == 0
    )
    mine, theirs = built.contents(), other.contents()
    shared = {path for path in theirs if path in mine and path != "review.html"}
    assert len(shared) >= 8
    assert {path: theirs[path] for path in shared} == {path: mine[path] for path in shared}


@pytest.mark.parametrize(
    ("file", "old", "new", "again", "not_again"),
    [
        ("chart.txt", "C Em", "C G", {"backing Am 120 bpm", "page", "words", "pack crew"}, {"midi", "texttab", "still"}),
        ("lesson.toml", '"A Teacher"', '"Another"', {"page", "words"}, {"backing Am 120 bpm", "midi", "still"}),
        ("tab.txt", "-0-3-", "-2-3-", {"midi", "texttab", "page"}, {"still", "cover"}),
    ],
)  # fmt: skip
def test_only_what_depends_on_a_change_is_made_again(
    built: Desk, file: str, old: str, new: str, again: set[str], not_again: set[str]
) -> None:
    before = built.contents()
    built.rewrite(file, old, new)
    try:
        assert built.build().exit_code == 0
        assert again <= built.made()
        assert not not_again & built.made()
    finally:
        built.rewrite(file, new, old)
        built.build()
    assert built.made() == set()  # the store still knows the old ones
    assert built.contents() == before


def test_a_new_colour_reaches_no_sound(built: Desk) -> None:
    channel = built.lesson.parent / "channel.toml"
    channel.write_text(CHANNEL + '\n[look]\naccent = "#5a1040"\n')
    try:
        built.build()
        assert {"still", "cover", "page", "pack crew", "tags Am 120 bpm"} <= built.made()
        assert (
            not {"backing Am 120 bpm", "mp3 Am 120 bpm", "midi", "texttab", "musicxml", "words"}
            & built.made()
        )
    finally:
        channel.write_text(CHANNEL)
        built.build()


def test_a_failed_build_leaves_the_release_whole(built: Desk) -> None:
    before, record = built.contents(), (built.release / "release.json").read_bytes()
    built.rewrite("tab.txt", "-0-3-", "-2-3-")
    built.template("description.txt.j2", "{{ lesson.title }}\n{{ lesson.titel }}\n")
    try:
        summary = built.build()
        assert summary.exit_code == 1
        (problem,) = summary.lessons[0].source_errors
        assert (problem.path or Path()).name == "description.txt.j2"
        assert problem.line == 2
        assert built.contents() == before
        assert (built.release / "release.json").read_bytes() == record
        assert list((built.out / ".store" / "making").iterdir()) == []
    finally:
        (built.lesson.parent / "texts" / "description.txt.j2").unlink()
        built.rewrite("tab.txt", "-2-3-", "-0-3-")


def test_a_planted_supporter_file_is_caught(built: Desk) -> None:
    planted = built.release / "public" / "holiday.jpg"
    planted.write_bytes((built.release / "packs" / "crew" / "ebb - tab.mid").read_bytes())
    try:
        summary = built.build()
        assert summary.exit_code == 3
        assert "holiday.jpg is the same as packs/crew/ebb - tab.mid, which is for supporters" in (
            summary.lessons[0].failure
        )
    finally:
        planted.unlink()
    assert built.build().exit_code == 0


def test_a_file_of_the_creators_own_stays(built: Desk) -> None:
    note, public = built.release / "my notes.txt", built.release / "public" / "thumb idea.txt"
    note.write_text("louder drums")
    public.write_text("a gull")
    try:
        built.rewrite("chart.txt", "C Em", "C D")
        summary = built.build()
        assert note.read_text() == "louder drums"
        assert public.read_text() == "a gull"
        assert "public/thumb idea.txt is in the public folder and was not made by lessonwright." in (
            summary.lessons[0].cautions
        )
    finally:
        note.unlink()
        public.unlink()
        built.rewrite("chart.txt", "C D", "C Em")
        built.build()


def test_a_file_of_the_creators_own_in_the_way_is_not_written_over(built: Desk) -> None:
    """It went with the old folder, without a word, when a release began to have a file of its name."""
    lesson = built.lesson / "lesson.toml"
    text = lesson.read_text()
    name = "packs/crew/ebb - backing with lead - A minor - 120 bpm.wav"
    channel = built.lesson.parent / "channel.toml"
    (built.release / name).write_bytes(b"my own take")
    try:
        lesson.write_text(text.replace("guide = false", "guide = true"))
        channel.write_text(CHANNEL.replace('"backing",', '"backing", "guide",'))
        summary = built.build()
        assert summary.exit_code == 3
        assert "is a file of your own, and one of the release is to stand there" in summary.lessons[0].failure
        assert (built.release / name).read_bytes() == b"my own take"
    finally:
        lesson.write_text(text)
        channel.write_text(CHANNEL)
        (built.release / name).unlink()
        built.build()


def test_a_damaged_release_is_put_right(built: Desk) -> None:
    before = built.contents()
    victim = built.release / "packs" / "crew" / "ebb - tab.mid"
    victim.write_bytes(b"MThd")
    (built.release / "public" / "still.png").unlink()
    assert built.build().exit_code == 0
    assert built.contents() == before


def test_a_damaged_store_is_made_good(built: Desk) -> None:
    before = built.contents()
    good = (built.release / "packs" / "crew" / "ebb - tab.mid").read_bytes()
    kept = (built.out / ".store" / "objects").rglob("ebb - tab.mid")
    victim = next(path for path in kept if path.read_bytes() == good)
    victim.write_bytes(b"MThd")
    assert built.build().exit_code == 0
    assert built.made() == {"midi"}
    assert built.contents() == before


def test_one_product_alone(built: Desk, tmp_path: Path) -> None:
    alone = Desk(tmp_path)
    assert alone.build(steps=["midi"]).exit_code == 0
    assert [step["name"] for step in alone.record()["steps"]] == ["midi"]
    assert {file["path"] for file in alone.record()["files"]} == {"packs/crew/ebb - tab.mid", "review.html"}
    # in a folder that holds more, the rest stays and is said to be older
    everything = {file["path"] for file in built.record()["files"]}
    summary = built.build(steps=["midi"])
    assert {file["path"] for file in built.record()["files"]} == everything
    assert any("Only midi was asked for" in caution for caution in summary.lessons[0].cautions)
    built.build()


def test_keys_and_tempos_of_the_command(built: Desk) -> None:
    """They once took the place of the lesson's own, so that its supporters got a pack without it."""
    summary = built.build(keys=["C"], tempos=["50%", "120 bpm"], steps=["backing"])
    found = {(entry["key"], entry["tempo_bpm"]) for entry in built.record()["backing"]}
    assert found == {("Am", 120.0), ("Am", 60.0), ("Cm", 120.0), ("Cm", 60.0)}
    cautions = summary.lessons[0].cautions
    assert any("C major was asked for, the lesson is in A minor" in c for c in cautions)
    for told in (
        "C was asked for on the command line; add it to keys in lesson.toml to keep it in the next build.",
        "50% was asked for on the command line; add it to tempos in lesson.toml to keep it in the next build.",
    ):
        assert told in cautions and told in built.record()["cautions"]
    assert all(f"\n  - {caution}\n" in summary.text() for caution in cautions)
    assert summary.text().endswith(f"  Everything on one page: {built.release / 'review.html'}")
    built.build()
    assert {(e["key"], e["tempo_bpm"]) for e in built.record()["backing"]} == {("Am", 120.0)}


@pytest.mark.parametrize(
    ("more", "message"),
    [
        ({"keys": ["H"]}, "--key H: not a key"),
        ({"tempos": ["fast"]}, "--tempo fast: not a tempo"),
        ({"tempos": ["9 bpm"]}, "--tempo 9 bpm: a tempo is 10 to 500"),
        ({"steps": ["bakcing"]}, "--step bakcing: no such step\n  Did you mean backing\\? There are align, "),
        ({"steps": ["pdf"]}, "--step pdf: no such step\n  There are align, "),
        ({"jobs": 0}, "at least one process"),
    ],
)
def test_misuse_is_told_before_any_work(built: Desk, more: dict[str, Any], message: str) -> None:
    before = built.contents()
    with pytest.raises(MisuseError, match=message):
        build([built.lesson], out=built.out, **{"jobs": 1, **more})
    assert built.contents() == before


def test_a_product_that_the_lesson_cannot_have(built: Desk) -> None:
    before = built.contents()
    summary = built.build(steps=["overlay", "clip"])
    assert summary.exit_code == 1
    assert (
        "nothing to make for --step clip, overlay: the lesson has no take"
        in summary.lessons[0].problems[-1].what
    )
    assert built.contents() == before
    assert built.build(steps=["overlay", "midi"]).exit_code == 0
    assert built.build(steps=["review"]).exit_code == 0
    built.build()
    assert built.contents() == before


def test_a_broken_lesson_does_not_stop_the_week(built: Desk, tmp_path: Path) -> None:
    import io

    broken = tmp_path / "broken"
    broken.mkdir()
    (broken / "lesson.toml").write_text('title = "Broken"\ntab = "tab.txt"\nchart = "missing.txt"\n')
    (broken / "tab.txt").write_text(TAB.replace("q q h   |  q q h", "q q q   |  q q h"))
    told = io.StringIO()
    summary = build([broken, built.lesson], out=built.out, jobs=2, report=PlainReporter(told))
    assert summary.exit_code == 1
    assert [lesson.ok for lesson in summary.lessons] == [False, True]
    assert "missing.txt" in told.getvalue()
    assert "broken: not built, " in summary.text()
    assert f"ebb: ready in {built.release}" in summary.text()
    assert (built.release / "release.json").is_file()
    assert not (built.out / "broken").exists()


def test_a_folder_where_a_released_file_should_be(built: Desk) -> None:
    """What is in it may be the creator's own: it stays, and the message names the folder."""
    still = built.release / "public" / "still.png"
    still.unlink()
    still.mkdir()
    (still / "mine.txt").write_text("mine")
    summary = built.build()
    told = f"nothing was released: {still} is a folder, and a file is to stand there"
    assert told in summary.lessons[0].failure
    assert (still / "mine.txt").read_text() == "mine"
    (still / "mine.txt").unlink()
    still.rmdir()
    assert built.build().exit_code == 0
    assert still.is_file()
