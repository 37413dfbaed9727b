"""What is shown when, and on which frame."""

from __future__ import annotations

import itertools
from fractions import Fraction as F

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.music.chord import Chord
from pipeline.music.metre import Form, Metre
from pipeline.music.timemap import TimeMap
from pipeline.picture.scenes import MOST_MARKS, NamedStretch, cues, frame_at, scenes
from tests.samples import chart_of, lead_spans, lead_tab, waltz_spans, waltz_tab


def test_chords_come_with_their_beats_and_the_next_one() -> None:
    shown = scenes(lead_spans(), lead_tab().form, title="Low Tide")
    quarters = [quarter for quarter, _ in shown]
    assert quarters == sorted(set(quarters))
    first = shown[0][1]
    assert first is not None
    assert first.chord == Chord.parse("Am7")
    assert first.ahead is not None
    assert first.ahead.chord == Chord.parse("D9")
    assert (first.place, first.bar, first.bars, first.mark, first.marks) == ("Low Tide", 1, 4, 1, 4)
    assert [s.mark for _, s in shown[:4] if s] == [1, 2, 3, 4]
    # the third bar is shared by two chords, two beats each
    third = [s for _, s in shown if s and s.bar == 3]
    assert [(s.chord.text() if s.chord else "", s.mark, s.marks) for s in third] == [
        ("Am7", 1, 2), ("Am7", 2, 2), ("Em7", 1, 2), ("Em7", 2, 2),
    ]  # fmt: skip
    last = shown[-2][1]
    assert last is not None
    assert last.ahead is None
    assert shown[-1] == (F(16), None)


def test_a_pickup_and_endings_follow_the_played_form() -> None:
    shown = scenes(waltz_spans(), waltz_tab().form)
    assert shown[0][1] is not None
    assert shown[0][1].bar == 0
    bars = [key for key, _ in itertools.groupby(s.bar for _, s in shown if s)]
    assert bars == [0, 1, 2, 3, 4, 5, 6]
    assert shown[-1][0] == waltz_tab().form.played.length


def test_a_pickup_that_the_chart_leaves_out_waits_for_its_first_chord() -> None:
    """It once said N.C., which the chart had not written."""
    shown = scenes(waltz_spans(), waltz_tab().form)
    first, second = shown[0][1], shown[1][1]
    assert first is not None and first.waiting and first.chord is None
    assert first.ahead is not None and first.ahead.chord == Chord.parse("G")
    assert second is not None and not second.waiting and second.chord == Chord.parse("G")
    assert [s.waiting for _, s in shown if s].count(True) == 1
    written = chart_of("N.C.", "G", "D7/F#", "Em", "C G/B").spans(waltz_tab().form)
    shown = scenes(written, waltz_tab().form)
    assert not any(s.waiting for _, s in shown if s)
    assert shown[0][1] is not None and shown[0][1].chord is None


def test_a_compound_metre_is_counted_in_felt_beats() -> None:
    form = Form.plain(2, Metre(6, 8))
    shown = scenes(chart_of("Am", "E7").spans(form), form)
    assert [(q, s.mark, s.marks) for q, s in shown if s] == [
        (F(0), 1, 2), (F(3, 2), 2, 2), (F(3), 1, 2), (F(9, 2), 2, 2),
    ]  # fmt: skip


@pytest.mark.parametrize(("bars", "marks"), [(4, 16), (5, 5), (16, 16), (40, MOST_MARKS)])
def test_a_long_chord_is_counted_in_bars(bars: int, marks: int) -> None:
    form = Form.plain(bars)
    shown = scenes(chart_of(*["Am"] * bars).spans(form), form)
    assert {s.marks for _, s in shown if s} == {marks}
    assert [s for _, s in shown if s][-1].mark == marks


def test_phrases_go_before_the_title() -> None:
    tab = lead_tab()
    stretches = [NamedStretch(*tab.phrase_spans(p)[0], p.name) for p in tab.phrases[1:]]
    shown = scenes(lead_spans(), tab.form, title="Low Tide", stretches=stretches)
    assert {(s.bar, s.place) for _, s in shown if s} == {
        (1, "Low Tide"), (2, "Low Tide"), (3, "Answer"), (4, "Answer"),
    }  # fmt: skip


def test_no_chords_is_an_error() -> None:
    with pytest.raises(ValueError, match="there are none"):
        scenes([], lead_tab().form)


RATES = [F(24), F(25), F(30000, 1001), F(30), F(60000, 1001), F(60)]


@given(st.floats(0, 10_000), st.sampled_from(RATES))
def test_the_frame_is_the_nearest(seconds: float, fps: F) -> None:
    frame = frame_at(seconds, fps)
    assert abs(F(frame) / fps - F(seconds)) <= F(1, 2) / fps


@given(st.lists(st.floats(0.01, 2.0), min_size=17, max_size=17), st.floats(-3, 10), st.sampled_from(RATES))
def test_cues_ascend_from_zero(steps: list[float], start: float, fps: F) -> None:
    times = list(itertools.accumulate(steps, initial=start))
    time_map = TimeMap.from_points(enumerate(times))
    timed, lost = cues(scenes(lead_spans(), lead_tab().form), time_map, fps=fps, frames=600)
    frames = [cue.frame for cue in timed]
    assert frames[0] == 0
    assert frames == sorted(set(frames))
    assert all(one.scene != two.scene for one, two in itertools.pairwise(timed))
    assert lost >= 0
    for cue in timed:
        if cue.scene is not None and cue.frame > 0:
            assert abs(cue.frame / fps - F(time_map.seconds_at(cue.quarter))) <= F(1, 2) / fps


def test_what_began_before_the_video_is_there_at_once() -> None:
    timed, lost = cues(
        scenes(lead_spans(), lead_tab().form), TimeMap.steady(60, start_s=-5.0), fps=F(25), frames=500
    )
    assert timed[0].frame == 0
    assert timed[0].scene is not None
    assert (timed[0].scene.bar, timed[0].scene.mark) == (2, 2)
    assert lost == 0
    assert timed[-1] == type(timed[-1])(275, None, F(16))
