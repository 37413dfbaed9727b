"""What a build says in the end, read as its reader does: from the last line up."""

from __future__ import annotations

from pathlib import Path

from pipeline.build.summary import LessonResult, StepTold, Summary
from pipeline.errors import Problem


def told(name: str, state: str, why: str = "nothing it depends on changed") -> StepTold:
    return StepTold(name, name, (), state, 1.0 if state == "made" else 0.0, 4.0, (why,))  # type: ignore[arg-type]


READY = LessonResult(
    "low-tide", Path("out/low-tide"), steps=(told("page", "made", "tab.txt changed: bar 2"),)
)
BROKEN = LessonResult(
    "ebb", None, (Problem("unknown key `levle`", "Did you mean `level`?", Path("ebb/lesson.toml"), 3, 1),)
)


def test_what_is_missing_stands_last() -> None:
    missing = Problem("there is no lesson at flod", "Did you mean 'flood'?", Path("week.toml"), 2, 12)
    lines = Summary((READY, BROKEN), (missing,), 2.0).text().splitlines()
    assert lines[-1] == "left out: week.toml:2:12: there is no lesson at flod. Did you mean 'flood'?"
    assert lines[-2] == "2 lessons in 2.0 s: 1 step made, 0 reused; not built: ebb"
    assert lines[-4:-2] == [
        "ebb: not built, 1 error in the sources",
        "  - ebb/lesson.toml:3:1: unknown key `levle`. Did you mean `level`?",
    ]


def test_what_was_reused_takes_one_line() -> None:
    steps = (told("still", "reused"), told("page", "made", "tab.txt changed: bar 2"), told("midi", "reused"))
    lines = Summary((LessonResult("ebb", Path("out/ebb"), steps=steps),)).text(explain=True).splitlines()
    assert lines[-2:] == [
        "  made          page   1.0 s  tab.txt changed: bar 2",
        "  reused        still, midi: nothing it depends on changed",
    ]


def test_a_dry_run_tells_the_work() -> None:
    idle = LessonResult("ebb", Path("out/ebb"), steps=(told("page", "reused"),), dry=True)
    busy = LessonResult(
        "flood", Path("out/flood"), dry=True,
        steps=(told("page", "would be made", "tab.txt changed: bar 2"), told("pack", "may be made", "page may come out different")),
    )  # fmt: skip
    assert Summary((idle, idle)).text().splitlines()[-1] == "2 lessons: nothing would be made"
    text = Summary((idle, busy)).text().splitlines()
    assert text[0] == "ebb: nothing would be made"
    assert "flood: 1 step would be made, perhaps 1 more: up to about 8 s of work" in text
    assert text[-1] == "2 lessons: up to about 8 s of work"
