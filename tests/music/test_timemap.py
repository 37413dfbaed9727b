"""The map from musical time to seconds: increasing, and its own inverse both ways."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction as F

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.music.errors import MusicError
from pipeline.music.tab import TempoMark
from pipeline.music.timemap import TimeMap, swung
from tests.music.strategies import time_maps
from tests.samples import lead_tab, waltz_tab


@given(time_maps(), st.lists(st.floats(-40, 240), min_size=2, max_size=30))
def test_there_and_back(time_map: TimeMap, quarters: list[float]) -> None:
    seconds = time_map.to_seconds(quarters)
    assert np.allclose(time_map.to_quarters(seconds), quarters, atol=1e-6)


@given(time_maps(), st.lists(st.floats(-40, 240), min_size=2, max_size=30, unique=True))
def test_later_in_music_is_later_in_seconds(time_map: TimeMap, quarters: list[float]) -> None:
    ordered = np.array(sorted(quarters))
    ordered = ordered[np.concatenate([[True], np.diff(ordered) > 1e-6])]
    assert (np.diff(time_map.to_seconds(ordered)) > 0).all()


@given(time_maps())
def test_it_goes_through_its_points_and_on_at_the_outer_slopes(time_map: TimeMap) -> None:
    assert np.allclose(time_map.to_seconds(time_map.quarters), time_map.seconds)
    q, s = time_map.quarters, time_map.seconds
    slope = (s[-1] - s[-2]) / (q[-1] - q[-2])
    assert time_map.seconds_at(q[-1] + 3) == pytest.approx(s[-1] + 3 * slope)
    first = (s[1] - s[0]) / (q[1] - q[0])
    assert time_map.seconds_at(q[0] - 3) == pytest.approx(s[0] - 3 * first)


@given(st.floats(20, 400), st.floats(-5, 30), st.floats(0, 500))
def test_a_steady_map_is_sixty_over_the_tempo(bpm: float, start: float, quarter: float) -> None:
    time_map = TimeMap.steady(bpm, start_s=start)
    assert time_map.seconds_at(quarter) == pytest.approx(start + quarter * 60 / bpm)
    assert time_map.bpm_at(quarter) == pytest.approx(bpm)


def test_shifted_moves_every_second() -> None:
    assert TimeMap.steady(120).shifted(2.5).seconds_at(4) == pytest.approx(4.5)


def test_a_tempo_mark_in_a_repeated_part_is_met_each_time() -> None:
    """Waltz: pickup of one quarter, |: two bars, first ending :| second ending; 60 from bar 2 on."""
    tab = waltz_tab()
    tab = replace(tab, tempos=(TempoMark(F(0), 120.0), TempoMark(F(4), 60.0)))
    time_map = TimeMap.of_tab(tab)
    # written bars: 0 (1 quarter), 1 (3 at 120), then all at 60; played: 0 1 2 3 1 2 4
    assert time_map.seconds_at(1) == pytest.approx(0.5)
    assert time_map.seconds_at(4) == pytest.approx(2.0)
    assert time_map.seconds_at(10) == pytest.approx(8.0)
    assert time_map.seconds_at(13) == pytest.approx(9.5)
    assert time_map.seconds_at(19) == pytest.approx(15.5)


def test_a_tempo_mark_within_a_bar() -> None:
    tab = replace(lead_tab(), tempos=(TempoMark(F(0), 60.0), TempoMark(F(6), 120.0)))
    assert TimeMap.of_tab(tab).seconds_at(8) == pytest.approx(7.0)


@pytest.mark.parametrize(
    ("quarters", "seconds", "says"),
    [
        ((0.0,), (0.0,), "two or more points"),
        ((0.0, 1.0), (0.0,), "two or more points, got 2 and 1"),
        ((0.0, float("nan")), (0.0, 1.0), "finite"),
        ((0.0, 1.0), (0.0, float("inf")), "finite"),
        ((0.0, 0.0), (0.0, 1.0), "forward"),
        ((0.0, 1.0), (1.0, 1.0), "forward"),
        ((0.0, 2.0, 1.0), (0.0, 1.0, 2.0), "forward"),
    ],
)
def test_maps_that_cannot_be(quarters: tuple[float, ...], seconds: tuple[float, ...], says: str) -> None:
    with pytest.raises(MusicError, match=says):
        TimeMap(quarters, seconds)


def test_no_tempo_of_nothing() -> None:
    with pytest.raises(MusicError, match="greater than nothing"):
        TimeMap.steady(0)


@given(st.lists(st.floats(0, 100), min_size=2, max_size=40), st.floats(0.5, 0.8))
def test_swing_keeps_order_and_whole_quarters(quarters: list[float], swing: float) -> None:
    ordered = np.array(sorted(quarters))
    bent = swung(ordered, swing)
    assert (np.diff(bent) >= -1e-9).all()
    assert np.allclose(swung(np.floor(ordered), swing), np.floor(ordered))
    assert np.allclose(swung(np.floor(ordered) + 0.5, swing), np.floor(ordered) + swing)


@given(st.lists(st.floats(0, 100), min_size=1, max_size=40))
def test_straight_swing_changes_nothing(quarters: list[float]) -> None:
    assert np.allclose(swung(quarters, F(1, 2)), quarters)
