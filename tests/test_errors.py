"""Errors as they are told, and carried between processes."""

from __future__ import annotations

import pickle
from pathlib import Path

import pytest

from pipeline.errors import (
    LessonwrightError,
    Problem,
    Problems,
    SourceError,
    UnusableError,
    in_order,
    nearest,
)
from pipeline.read.media import MediaError
from pipeline.sound.errors import SoundError


def test_nearest_names() -> None:
    assert nearest("Tunning", ["tuning", "tempo"]) == "tuning"
    assert nearest("xyz", ["tuning", "tempo"]) is None


def test_capitals_do_not_stand_in_the_way_of_the_nearest() -> None:
    """One room folded only the mistyped word, and so missed names written in capitals."""
    assert nearest("anser", ["OPENING CALL", "ANSWER"]) == "ANSWER"


@pytest.mark.parametrize("kind", [UnusableError, MediaError, SoundError])
def test_what_and_remedy_survive_the_way_between_processes(kind: type[UnusableError]) -> None:
    error = pickle.loads(pickle.dumps(kind("what", "remedy")))
    assert type(error) is kind
    assert isinstance(error, LessonwrightError)
    assert (error.what, error.remedy, error.exit_code) == ("what", "remedy", 1)
    assert str(error) == "what\n  remedy"
    assert str(kind("what")) == "what"


@pytest.mark.parametrize("column", [1, 2, 100, 5_000, 9_999, 10_000])
def test_a_long_line_is_shown_around_its_spot(column: int) -> None:
    """A tab of one endless line was printed whole, all its megabytes, below the message."""
    line = "-" * (column - 1) + "X" + "-" * (10_000 - column)
    shown, mark = Problem("what", line=1, column=column, offending=line).text().splitlines()[1:]
    assert len(shown) < 160
    assert shown[len(mark) - 1] == "X" and mark.strip() == "^"


def test_the_mark_stands_right_behind_tabs_and_nothing_steers_the_terminal() -> None:
    shown, mark = Problem("w", column=4, offending="a\t\x1bX").text().splitlines()[1:]
    assert shown == "    a ·X" and mark == "       ^"


def test_the_errors_of_a_file_come_before_its_cautions_and_those_before_remarks() -> None:
    """In a trial the one error of a tab was the last of nine things told about it."""
    tab, chart = Path("tab.txt"), Path("chart.txt")
    problems = Problems()
    problems.remark("style", path=tab, line=1)
    problems.caution("late", path=tab, line=9)
    problems.caution("early", path=tab, line=2)
    problems.error("second", path=tab, line=20, column=4)
    problems.error("first", path=tab, line=20, column=1)
    problems.error("whole chart", path=chart)
    problems.caution("whole tab", path=tab)
    problems.error("first", path=tab, line=20, column=1)
    told = [problem.what for problem in in_order(problems)]
    assert told == ["first", "second", "whole tab", "early", "late", "style", "whole chart"]


def test_three_levels_are_told_apart() -> None:
    problems = Problems()
    problems.error("wrong")
    problems.caution("odd")
    problems.remark("rare", path=Path("tab.txt"), line=3)
    assert [[p.what for p in kind] for kind in (problems.errors, problems.cautions, problems.remarks)] == [
        ["wrong"], ["odd"], ["rare"],
    ]  # fmt: skip
    assert [problem.error for problem in problems] == [True, False, False]
    assert problems.remarks[0].text() == "tab.txt:3: remark: rare"


def test_remarks_alone_stop_nothing() -> None:
    problems = Problems()
    problems.remark("rare")
    problems.raise_errors()
    problems.error("wrong")
    with pytest.raises(SourceError, match=r"^error: wrong$"):
        problems.raise_errors()
