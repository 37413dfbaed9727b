"""Lines: full where they can be, phrases at the left, nothing too wide."""

from __future__ import annotations

import itertools

import pytest

from pipeline.page.breaks import line_starts


def test_equal_bars_fill_lines() -> None:
    assert line_starts([100.0] * 8, 400.0, lead=0.0, phrases=()) == (4,)


def test_a_phrase_comes_to_the_left() -> None:
    """Six bars would fit; the phrase of bar 4 is worth a looser line."""
    assert line_starts([100.0] * 8, 600.0, lead=0.0, phrases={0, 4}) == (4,)


def test_a_phrase_far_from_filling_a_line_does_not_break_it() -> None:
    assert line_starts([100.0] * 5, 500.0, lead=0.0, phrases={0, 1}) == ()


@pytest.mark.parametrize("lead", [0.0, 60.0])
def test_no_line_is_wider_than_it_may_be(lead: float) -> None:
    widths = [90.0, 210.0, 130.0, 330.0, 80.0, 500.0, 120.0, 120.0, 240.0]
    starts = (0, *line_starts(widths, 400.0, lead=lead, phrases={3}), len(widths))
    for first, last in itertools.pairwise(starts):
        natural = sum(widths[first:last]) + (lead if first else 0)
        assert natural <= 400.0 or last - first == 1


def test_one_bar() -> None:
    assert line_starts([100.0], 400.0, lead=0.0, phrases={0}) == ()


def test_no_bar_is_left_over_alone() -> None:
    """A bass line printed its last four bars as three and one."""
    assert line_starts([100.0] * 4, 320.0, lead=0.0, phrases=()) == (2,)
    assert line_starts([300.0] * 2, 320.0, lead=0.0, phrases=()) == (1,)  # there is no other way
