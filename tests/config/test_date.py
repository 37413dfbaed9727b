"""The date of a lesson, as TOML dates (TOML 1.0.0, "Local Date") and as text."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from pipeline.config.load import load_lesson
from pipeline.errors import Problems


def loaded(folder: Path, written: str) -> tuple[date | None, Problems]:
    for name in ("tab.txt", "chart.txt"):
        (folder / name).write_text("x")
    path = folder / "lesson.toml"
    path.write_text(f'title = "Low Tide"\ntab = "tab.txt"\nchart = "chart.txt"\n{written}\n', "utf-8")
    problems = Problems()
    lesson = load_lesson(path, problems)
    assert lesson is not None
    return lesson.config.date, problems


@pytest.mark.parametrize("written", ["date = 2026-11-25", 'date = "2026-11-25"', 'date = " 2026-11-25 "'])
def test_a_day(tmp_path: Path, written: str) -> None:
    found, problems = loaded(tmp_path, written)
    assert (found, problems.found) == (date(2026, 11, 25), [])


def test_no_date_is_fine(tmp_path: Path) -> None:
    assert loaded(tmp_path, "")[0] is None


@pytest.mark.parametrize(
    ("written", "what", "remedy"),
    [
        ("date = 2026-11-25T18:00:00", "`date`: a date has no time of day, got 2026-11-25 18:00:00", "Write 2026-11-25."),
        ("date = 18:00:00", "`date`: a date is year, month and day, such as 2026-11-25, got 18:00:00", "Write a date, such as 2026-11-25."),
        ("date = 2026", "`date`: a date is year, month and day, such as 2026-11-25, got 2026", "Write a date, such as 2026-11-25."),
        ('date = "25.11.2026"', "`date`: a date is year, month and day, such as 2026-11-25, got '25.11.2026'", "Write a date, such as 2026-11-25."),
        ('date = "2026-02-30"', "`date`: there is no day 2026-02-30", "Write a date, such as 2026-11-25."),
        ('date = "2026-11-25T18:00"', "`date`: a date is year, month and day, such as 2026-11-25, got '2026-11-25T18:00'", "Write a date, such as 2026-11-25."),
    ],
)  # fmt: skip
def test_what_is_no_day(tmp_path: Path, written: str, what: str, remedy: str) -> None:
    _, problems = loaded(tmp_path, written)
    assert [(p.what, p.remedy, p.line, p.column) for p in problems.found] == [(what, remedy, 4, 8)]


def test_a_day_that_toml_refuses_is_told_where(tmp_path: Path) -> None:
    """The standard library's reader says it, before any model does."""
    path = tmp_path / "lesson.toml"
    path.write_text('title = "Low Tide"\ndate = 2026-02-30\n')
    problems = Problems()
    assert load_lesson(path, problems) is None
    assert [p.line for p in problems.errors] == [2]
