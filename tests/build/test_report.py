"""How a build is told."""

from __future__ import annotations

import io

import pytest

from pipeline.build.report import PlainReporter, RichReporter, SilentReporter, choose_reporter


def test_lines_for_a_log() -> None:
    out = io.StringIO()
    report = PlainReporter(out)
    report.begin({"tide": 3, "ebb": 1})
    report.started("tide", "page")
    report.finished("tide", "page", seconds=1.25, reused=False)
    report.finished("tide", "midi", seconds=0.0, reused=True)
    report.failed("tide", "words", "a template stops")
    report.problem("tide", "tab.txt:3:1: error: a wrong note")
    report.lesson_done("ebb", "out/ebb", seconds=2.0)
    report.lesson_done("tide", "out/tide", seconds=2.0)
    report.end()
    assert out.getvalue().splitlines() == [
        "tide: 3 steps",
        "ebb: 1 step",
        "tide: page (1.2 s)",
        "tide: words: a template stops",
        "tab.txt:3:1: error: a wrong note",
        "ebb: done in 2.0 s → out/ebb",
        "tide: done in 2.0 s, 1 step unchanged → out/tide",
    ]


def test_bars_on_a_terminal_end_in_any_order(capsys: pytest.CaptureFixture[str]) -> None:
    report = RichReporter()
    report.begin({"tide": 2, "ebb [bold]": 1})
    report.started("tide", "page")
    report.finished("tide", "page", seconds=0.1, reused=False)
    report.finished("tide", "midi", seconds=0.0, reused=True)
    report.failed("ebb [bold]", "words", "no [such] template")
    report.problem("ebb [bold]", "look [here]")
    report.lesson_done("tide", "out/tide", seconds=0.2)
    report.end()
    told = capsys.readouterr()
    assert told.out == ""
    assert "ebb [bold]: words: no [such] template" in told.err
    assert "look [here]" in told.err


def test_bars_that_never_began_can_end() -> None:
    RichReporter().end()


def test_the_choice(capsys: pytest.CaptureFixture[str]) -> None:
    assert isinstance(choose_reporter(quiet=True), SilentReporter)
    assert isinstance(choose_reporter(), PlainReporter)
    assert capsys.readouterr().err == ""
