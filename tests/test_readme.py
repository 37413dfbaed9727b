"""What README promises: its commands, its examples, its pictures."""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

from pipeline.cli import run
from pipeline.config.load import load_channel, load_week
from pipeline.errors import Problems
from pipeline.music.chord import Chord
from pipeline.music.instrument import INSTRUMENTS
from pipeline.music.key import Key
from pipeline.read.charttext import read_chart_text
from pipeline.read.lesson import read_lesson
from pipeline.read.texttab import read_text_tab
from pipeline.read.texttab_values import read_duration
from pipeline.sound.groove import groove_names

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text("utf-8")
BLOCKS = re.findall(r"^```(\w*)\n(.*?)^```", README, re.S | re.M)


def block(start: str) -> str:
    return next(text for _, text in BLOCKS if text.startswith(start))


def test_the_first_two_commands_are_one_line_each() -> None:
    first, second = [text for kind, text in BLOCKS if kind == "sh"][:2]
    assert first.count("\n") == second.count("\n") == 1
    assert "lessonwright build configs/demo_week.toml" in first
    assert "pytest" in second


def test_the_smallest_lesson_reads(tmp_path: Path) -> None:
    """The example lesson with the example tab and chart; its take is left out, none is shipped."""
    lesson = re.sub(r"^take = .*\n", "", block("title = "), flags=re.M)
    (tmp_path / "lesson.toml").write_text(lesson, "utf-8")
    (tmp_path / "tab.txt").write_text(block("title: "), "utf-8")
    (tmp_path / "chart.txt").write_text(block("key: "), "utf-8")
    problems = Problems()
    read = read_lesson(tmp_path, problems)
    assert read is not None, "\n".join(p.text() for p in problems)
    assert [p.what for p in problems if "take" not in p.what] == []
    assert len(read.tab.form.bars) == 2


def _inline(start: str) -> list[str]:
    """What stands in code signs in the item or paragraph of README that begins so."""
    begin = README.index(start)
    return re.findall(r"`([^`]+)`", README[begin : re.compile(r"\n(?:\n|- )").search(README, begin).start()])  # type: ignore[union-attr]


@pytest.mark.parametrize(
    "mark", [*_inline("- **Left hand:**"), *_inline("- **Bends:**"), *_inline("- **Right hand:**")]
)
def test_every_mark_reads_as_it_is_written(mark: str) -> None:
    """Each in a bar of its own, behind a note that it may come from."""
    line = f"-5--{mark}--"
    problems = Problems()
    text = f"instrument: guitar\ntempo: 90\n\ne|{line}|\n" + "".join(
        f"{s}|{'-' * len(line)}|\n" for s in "BGDAE"
    )
    tab = read_text_tab(text, path=Path("tab.txt"), problems=problems)
    assert tab is not None, "\n".join(p.text() for p in problems)
    assert any(note.techniques for note in tab.notes[1:]), mark


@pytest.mark.parametrize("length", [w for w in _inline("- **Lengths**") if w != "w h q e s t"])
def test_every_length_is_one(length: str) -> None:
    assert length == "." or length == "check" or read_duration(length) is not None


def test_the_chart_in_degrees_reads_in_any_key() -> None:
    for key in ("A", "Eb", "F#"):
        problems = Problems()
        chart = read_chart_text(block("[Blues]"), path=Path("c"), problems=problems, key=Key.parse(key))
        assert chart is not None, "\n".join(p.text() for p in problems)
        assert chart.bars[0].chords[0].chord == Chord.parse(f"{key}7")
        assert len(chart.bars) == 12


@pytest.mark.parametrize("bar", [w for w in _inline("Chords in a bar share") if "|" in w])
def test_the_bars_of_the_chart_read(bar: str) -> None:
    problems = Problems()
    assert read_chart_text(bar, path=Path("c"), problems=problems) is not None, [p.text() for p in problems]


def test_the_conversions_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """In a folder with the example tab and chart, the starter lesson, and something played."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "tab.txt").write_text(block("title: "), "utf-8")
    (tmp_path / "chart.txt").write_text(block("key: "), "utf-8")
    assert run(["new", "my-first-lesson"]) == 0
    assert run(["convert", "tab.txt", "played.mid"]) == 0
    for line in block("lessonwright convert").splitlines():
        assert run(shlex.split(line)[1:]) == 0, line
    assert "Cm7" in Path("in-c-minor.chart").read_text("utf-8")


def test_the_channel_and_the_week_read(tmp_path: Path) -> None:
    problems = Problems()
    (tmp_path / "channel.toml").write_text(block("name = "), "utf-8")
    assert load_channel(tmp_path / "channel.toml", problems) is not None
    (tmp_path / "week.toml").write_text(block('title = "First week"'), "utf-8")
    week = load_week(tmp_path / "week.toml", problems)
    assert week is not None
    assert [p.text() for p in problems.errors] == []
    assert "my-first-lesson" in str(week)


def test_every_groove_and_instrument_is_named() -> None:
    flat = " ".join(README.split())
    assert [name for name in groove_names() if name not in flat] == []
    assert [name for name in INSTRUMENTS if name not in flat] == []


@pytest.mark.parametrize("picture", re.findall(r"!\[.+?\]\((.+?)\)", README))
def test_its_pictures_are_there(picture: str) -> None:
    assert (ROOT / picture).stat().st_size > 1000


def test_every_command_in_the_table_is_a_command() -> None:
    promised = set(re.findall(r"^\| `lessonwright (\w+)", README, re.M))
    said = subprocess.run(
        [sys.executable, "-c", "from pipeline.cli import main; main()", "--help"],
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    assert promised == set(re.findall(r"^  ([a-z]+)  ", said, re.M))
