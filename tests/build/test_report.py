"""How a build is told."""

from __future__ import annotations

import io
import threading
from collections.abc import Iterator

import pytest
from rich.console import Console

from pipeline.build.bars import RichReporter
from pipeline.build.report import (
    PlainReporter,
    Reporter,
    SilentReporter,
    choose_reporter,
    listed,
    said_seconds,
)


class Clock:
    """A clock that stands until it is moved."""

    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


class Log:
    """A plain reporter, what it said, and its clock."""

    def __init__(self, clock: Clock) -> None:
        self.out, self.clock = io.StringIO(), clock
        self.report = PlainReporter(self.out, clock=clock)

    @property
    def lines(self) -> list[str]:
        return self.out.getvalue().splitlines()


@pytest.fixture
def log(clock: Clock) -> Iterator[Log]:
    log = Log(clock)
    yield log
    log.report.end()


def test_lines_for_a_log(log: Log) -> None:
    report = log.report
    report.begin(4)
    report.lesson_begun("tide", {"page": 3.0, "midi": 1.0, "words": 1.0})
    report.lesson_begun("ebb", {"page": 3.0})
    report.started("tide", "page")
    report.finished("tide", "page", seconds=1.25, reused=False)
    report.finished("tide", "midi", seconds=0.0, reused=True)
    report.failed("tide", "words", "a template stops")
    report.problem("tide", "tab.txt:3:1: error: a wrong note")
    report.lesson_done("ebb", "out/ebb", seconds=2.0, made=1, reused=0)
    report.lesson_done("low", "out/low", seconds=0.01, made=0, reused=3)
    report.lesson_failed("tide")
    report.lesson_done("neap", "out/neap", seconds=72.4, made=2, reused=20)
    log.clock.now += 80
    report.end()
    assert log.lines == [
        "tide: words: a template stops",
        "tab.txt:3:1: error: a wrong note",
        "ebb: done in 2.0 s, 1 step made → out/ebb",
        "tide: not built",
        "neap: done in 1 min 12 s, 2 steps made, 20 unchanged → out/neap",
        "4 lessons: 2 done, 1 unchanged, 1 not built (1 min 20 s)",
    ]


def test_three_hundred_unchanged_lessons_are_one_line(log: Log) -> None:
    log.report.begin(300)
    for n in range(300):
        log.report.lesson_done(f"lesson-{n}", f"out/lesson-{n}", seconds=0.01, made=0, reused=25)
    log.report.end()
    assert log.lines == ["300 lessons: 300 unchanged (0.0 s)"]


def test_one_unchanged_lesson_is_told_by_name(log: Log) -> None:
    log.report.begin(1)
    log.report.lesson_done("tide", "out/tide", seconds=0.01, made=0, reused=25)
    log.report.end()
    assert log.lines == ["tide: unchanged → out/tide"]


def test_of_one_lesson_that_is_not_built_only_the_reason_is_told(log: Log) -> None:
    log.report.begin(1)
    log.report.problem("tide", "tab.txt:3:1: error: a wrong note")
    log.report.lesson_failed("tide")
    log.report.end()
    assert log.lines == ["tab.txt:3:1: error: a wrong note"]


def test_a_dry_run_does_not_say_that_anything_is_done(clock: Clock) -> None:
    out = io.StringIO()
    report = PlainReporter(out, clock=clock, dry=True)
    report.begin(2)
    report.lesson_begun("tide", {"page": 1.0})
    report.lesson_done("tide", "out/tide", seconds=0.5, made=0, reused=0)
    report.problem("ebb", "tab.txt:3:1: error: a wrong note")
    report.lesson_failed("ebb")
    report.end()
    assert out.getvalue().splitlines() == ["tab.txt:3:1: error: a wrong note", "ebb: not built"]


def test_a_lesson_put_together_from_what_is_kept_is_done_not_unchanged(log: Log) -> None:
    """Its steps were all found in the store, but its release was not as it should be."""
    log.report.begin(2)
    log.report.lesson_begun("tide", {"page": 1.0})
    log.report.finished("tide", "page", seconds=0.0, reused=True)
    log.report.lesson_done("tide", "out/tide", seconds=0.5, made=0, reused=1)
    log.report.lesson_done("ebb", "out/ebb", seconds=0.1, made=0, reused=1)
    log.report.end()
    assert log.lines[0] == "tide: done in 0.5 s, 1 step unchanged → out/tide"
    assert log.lines[1].startswith("2 lessons: 1 done, 1 unchanged (")


def test_a_build_that_is_broken_off_says_how_much_is_not_finished(log: Log) -> None:
    log.report.begin(5)
    log.report.lesson_begun("tide", {"page": 1.0})
    log.report.end()
    assert log.lines == ["5 lessons: 5 not finished (0.0 s)"]


def test_a_long_build_says_how_far_it_is_once_a_minute_at_most(log: Log) -> None:
    """Ten minutes of a step in a second each, for a hundred lessons: ten lines of progress."""
    report = log.report
    report.begin(100)
    for n in range(100):
        name = f"lesson-{n}"
        report.lesson_begun(name, {f"step {k}": 2.0 for k in range(6)})
        for k in range(6):
            report.started(name, f"step {k}")
            log.clock.now += 1.0
            report.finished(name, f"step {k}", seconds=1.0, reused=False)
        report.lesson_done(name, f"out/{name}", seconds=6.0, made=6, reused=0)
    report.end()
    progress = [line for line in log.lines if " of 100 lessons" in line]
    assert len(progress) in (9, 10)
    assert progress[0].startswith("9 of 100 lessons, about 9 min left")
    assert "about 5 min left" in progress[4]
    assert len(log.lines) == 100 + len(progress) + 1


def test_one_long_lesson_says_its_steps(log: Log) -> None:
    report = log.report
    report.begin(1)
    report.lesson_begun("tide", {f"step {k}": 30.0 for k in range(8)})
    for k in range(6):
        report.started("tide", f"step {k}")
        log.clock.now += 30.0
        report.finished("tide", f"step {k}", seconds=30.0, reused=False)
    assert [line for line in log.lines if "left" in line] == [
        "tide: 4 of 8 steps, about 2 min left",
        "tide: 6 of 8 steps, about 1 min left",
    ]


def test_a_step_that_takes_minutes_does_not_look_like_a_hang(log: Log) -> None:
    """Nothing happens, but the time passes: the log is told what is being made."""
    told = threading.Event()
    write = log.out.write

    def written(text: str) -> int:
        if "now tide align" in text:
            told.set()
        return write(text)

    log.out.write = written  # type: ignore[method-assign]
    log.report.begin(2)
    log.report.lesson_begun("tide", {"align": 8.0})
    log.report.started("tide", "align")
    log.clock.now += 61.0
    assert told.wait(20)
    assert "0 of 2 lessons, now tide align" in log.lines


@pytest.mark.parametrize(
    ("seconds", "said"),
    [(0.04, "0.0 s"), (1.25, "1.2 s"), (9.96, "10 s"), (59.4, "59 s"), (59.6, "1 min"), (61, "1 min 1 s"),
     (3599.7, "1 h"), (7800, "2 h 10 min")],
)  # fmt: skip
def test_a_time_passed_in_words(seconds: float, said: str) -> None:
    assert said_seconds(seconds) == said


def test_long_lists_are_cut() -> None:
    assert listed(["a", "b"]) == "a, b"
    assert listed([str(n) for n in range(9)], 3) == "0, 1, 2 and 6 more"


# -- bars -----------------------------------------------------------------------------------------


class Screen:
    """A terminal of a given size; what it shows now is asked for."""

    def __init__(self, width: int, height: int, clock: Clock) -> None:
        self.out = io.StringIO()
        self.console = Console(
            file=self.out, force_terminal=True, width=width, height=height, color_system=None
        )
        self.report = RichReporter(self.console, clock=clock)

    def bars(self) -> list[str]:
        """The lines of the bars as they would be drawn."""
        bars = self.report._bars
        assert bars is not None
        lines = self.console.render_lines(bars.get_renderable(), pad=False)
        return ["".join(segment.text for segment in line).rstrip() for line in lines]


def test_bars_come_and_go_with_their_lessons(clock: Clock) -> None:
    screen = Screen(110, 24, clock)
    report = screen.report
    report.begin(3)
    report.lesson_begun("tide", {"page": 3.0, "midi": 1.0})
    report.lesson_begun("ebb", {"page": 3.0})
    report.started("tide", "page")
    report.started("tide", "midi")
    assert len(screen.bars()) == 2, "a lesson that waits for its first step has no bar yet"
    report.started("ebb", "page")
    first, second, last = screen.bars()
    assert first.startswith("tide ") and first.endswith("page, midi") and "0 of 2" in first
    assert second.startswith("ebb ")
    assert last.startswith("all lessons ") and "0 of 3" in last
    report.finished("tide", "page", seconds=1.0, reused=False)
    assert "1 of 2" in screen.bars()[0] and screen.bars()[0].endswith("midi")
    report.lesson_done("tide", "out/tide", seconds=1.0, made=2, reused=0)
    report.lesson_failed("ebb")
    (only,) = screen.bars()
    assert "2 of 3" in only
    report.end()


@pytest.mark.parametrize("width", [60, 80, 200])
def test_forty_lessons_at_work_leave_room_on_the_terminal(clock: Clock, width: int) -> None:
    """The bar of all lessons stays in sight, and no line is longer than the terminal."""
    screen = Screen(width, 24, clock)
    screen.report.begin(300)
    for n in range(40):
        name = f"a-lesson-with-a-long-name-indeed-{n}"
        screen.report.lesson_begun(name, {"backing Am 104": 8.0, "page": 1.0})
        screen.report.started(name, "backing Am 104")
    lines = screen.bars()
    assert len(lines) < 24
    assert all(len(line) <= width for line in lines)
    assert lines[-1].startswith("all lessons ")
    assert "0 of 300" in lines[-1]
    if width >= 80:
        assert "21 more at work" in lines[-1]
    screen.report.end()


def test_one_lesson_has_one_bar_with_the_time_left(clock: Clock) -> None:
    screen = Screen(120, 24, clock)
    screen.report.begin(1)
    screen.report.lesson_begun("tide", {f"step {k}": 10.0 for k in range(8)})
    for k in range(4):
        screen.report.started("tide", f"step {k}")
        clock.now += 10.0
        screen.report.finished("tide", f"step {k}", seconds=10.0, reused=False)
    screen.report.started("tide", "step 4")
    (only,) = screen.bars()
    assert only.endswith("about 40 s left · step 4")
    screen.report.end()


def test_bars_leave_only_what_was_said(clock: Clock) -> None:
    screen = Screen(100, 24, clock)
    report = screen.report
    report.begin(2)
    report.lesson_begun("ebb [bold]", {"words": 1.0})
    report.failed("ebb [bold]", "words", "no [such] template")
    report.problem("ebb [bold]", "look [here]")
    report.lesson_failed("ebb [bold]")
    report.lesson_done("tide", "out/tide", seconds=0.1, made=0, reused=2)
    report.end()
    said = screen.out.getvalue()
    for line in ("ebb [bold]: words: no [such] template", "look [here]", "ebb [bold]: not built",
                 "2 lessons: 1 unchanged, 1 not built (0.0 s)"):  # fmt: skip
        assert line in said
    assert "→ out/tide" not in said


def test_bars_say_nothing_on_stdout(capsys: pytest.CaptureFixture[str]) -> None:
    report = RichReporter()
    report.begin(1)
    report.lesson_begun("tide", {"page": 1.0})
    report.lesson_done("tide", "out/tide", seconds=0.2, made=1, reused=0)
    report.end()
    told = capsys.readouterr()
    assert told.out == ""
    assert "tide: done in 0.2 s, 1 step made → out/tide" in told.err


@pytest.mark.parametrize("make", [SilentReporter, RichReporter, lambda: PlainReporter(io.StringIO())])
def test_any_order_is_borne(make: type[Reporter]) -> None:
    """Events of lessons never begun, of steps never declared, twice the same, and a new beginning."""
    report = make()
    report.problem("", "said before anything began")
    for lessons in (0, 2):
        report.begin(lessons)
        report.started("tide", "page")
        report.finished("tide", "page", seconds=1.0, reused=False)
        report.lesson_begun("tide", {})
        report.failed("tide", "release", "the disk is full")
        report.started("tide", "other")
        report.started("tide", "other")
        report.finished("tide", "other", seconds=1.0, reused=False)
        report.finished("tide", "other", seconds=1.0, reused=False)
        report.lesson_failed("tide")
        report.lesson_failed("ebb")
        report.end()


@pytest.mark.parametrize("make", [SilentReporter, RichReporter, lambda: PlainReporter(io.StringIO())])
def test_what_never_began_can_end(make: type[Reporter]) -> None:
    make().end()


def test_the_choice(capsys: pytest.CaptureFixture[str]) -> None:
    assert isinstance(choose_reporter(quiet=True), SilentReporter)
    assert isinstance(choose_reporter(), PlainReporter)
    assert capsys.readouterr().err == ""
