"""What README promises: its commands, its examples, its pictures."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

from pipeline.errors import Problems
from pipeline.read.lesson import read_lesson

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
