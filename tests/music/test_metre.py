"""Exact time: bars and beats both ways, repeats and endings, the written and the played form."""

from __future__ import annotations

from fractions import Fraction as F

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.music.errors import MusicError
from pipeline.music.metre import MAX_PLAYED_BARS, Bar, Form, Metre, Position
from tests.music.strategies import forms, fractions, metres

FOUR = Metre(4, 4)


def bars_of(text: str) -> Form:
    """``|: 1 2 [1 3 :| [2 4`` -> a form; ``:3|`` is played three times, ``p`` is a pickup."""
    made: list[dict[str, object]] = []
    start, endings = False, ()
    for word in text.split():
        if word == "|:":
            start, endings = True, ()
        elif word.startswith("["):
            endings = tuple(int(n) for n in word[1:].split(","))
        elif word.startswith(":"):
            made[-1]["repeat_times"] = int(word[1:-1] or 2)
        elif word == "]":
            endings = ()
        else:
            made.append({"repeat_start": start, "endings": endings, "pickup": word == "p"})
            start = False
    lead = 0 if made[0]["pickup"] else 1
    return Form(
        tuple(
            Bar(i + lead, FOUR, F(1) if bar["pickup"] else F(4), **bar)  # type: ignore[arg-type]
            for i, bar in enumerate(made)
        )
    )


@pytest.mark.parametrize(
    ("text", "played"),
    [
        ("1 2 3", [1, 2, 3]),
        ("|: 1 2 :|", [1, 2, 1, 2]),
        ("1 2 :|", [1, 2, 1, 2]),  # no |: goes back to the start
        ("1 |: 2 :| 3", [1, 2, 2, 3]),
        ("|: 1 :3| 2", [1, 1, 1, 2]),
        ("|: 1 :| |: 2 3 :|", [1, 1, 2, 3, 2, 3]),
        ("1 :| 2 :|", [1, 1, 2, 2]),  # the second section begins behind the first :|
        ("|: 1 [1 2 :| [2 3 ] 4", [1, 2, 1, 3, 4]),
        ("|: 1 2 [1 3 4 :| [2 5 6 ] 7", [1, 2, 3, 4, 1, 2, 5, 6, 7]),
        ("|: 1 [1,2 2 :3| [3 3 ] 4", [1, 2, 1, 2, 1, 3, 4]),
        ("|: 1 [1 2 :| [2 3 :| [3 4", [1, 2, 1, 3, 1, 4]),
        ("1 [1 2 :| [2 3 |: 4 :|", [1, 2, 1, 3, 4, 4]),
        ("|: 1 [1 2 :| [2 3 |: 4 [1 5 :| [2 6", [1, 2, 1, 3, 4, 5, 4, 6]),
    ],
)
def test_repeats_and_endings(text: str, played: list[int]) -> None:
    form = bars_of(text)
    assert [bar.bar.number for bar in form.played.bars] == played
    assert [bar.ordinal for bar in form.played.bars] == list(range(1, len(played) + 1))
    assert form.played.length == 4 * len(played)


def test_a_pickup_is_bar_0_and_is_not_repeated_when_the_sign_stands_behind_it() -> None:
    form = bars_of("p |: 1 2 :|")
    assert [bar.bar.number for bar in form.played.bars] == [0, 1, 2, 1, 2]
    assert [bar.ordinal for bar in form.played.bars] == [0, 1, 2, 3, 4]
    assert [bar.passing for bar in form.played.bars] == [1, 1, 1, 2, 2]


def test_beats_of_a_pickup_are_the_last_of_a_full_bar() -> None:
    """Common practice: an upbeat of one quarter in 4/4 is beat four."""
    bar = bars_of("p 1").played.bars[0]
    assert bar.beat_of(F(0)) == 4
    assert bar.beat_of(F(1, 2)) == F(9, 2)


@pytest.mark.parametrize(
    ("metre", "full", "beat"),
    [("4/4", 4, 1), ("3/4", 3, 1), ("6/8", 3, F(3, 2)), ("9/8", F(9, 2), F(3, 2)), ("12/8", 6, F(3, 2)),
     ("2/2", 4, 2), ("7/8", F(7, 2), F(1, 2)), ("3/8", F(3, 2), F(1, 2)), ("6/4", 6, 1)],
)  # fmt: skip
def test_lengths_of_bars_and_felt_beats(metre: str, full: F, beat: F) -> None:
    assert (Metre.parse(metre).quarters, Metre.parse(metre).beat_quarters) == (full, beat)


@given(forms(), fractions)
def test_quarter_to_bar_and_beat_and_back(form: Form, share: F) -> None:
    for timeline in (form.written, form.played):
        quarter = timeline.length * share
        position = timeline.position(quarter)
        assert timeline.quarter(position) == quarter
        bar = timeline.bars[position.index]
        assert bar.start <= quarter < bar.end
        assert 1 <= position.beat < 1 + bar.bar.metre.quarters / bar.bar.metre.beat_quarters


@given(forms())
def test_bars_follow_one_another_without_gaps(form: Form) -> None:
    for timeline in (form.written, form.played):
        assert timeline.bars[0].start == 0
        assert all(a.end == b.start for a, b in zip(timeline.bars, timeline.bars[1:], strict=False))
        assert [bar.index for bar in timeline.bars] == list(range(len(timeline.bars)))


@given(forms(), fractions)
def test_written_to_played_and_back(form: Form, share: F) -> None:
    written = form.written.length * share
    played = form.written_to_played(written)
    assert played, "every written bar is played in these forms"
    assert list(played) == sorted(set(played))
    assert all(form.played_to_written(moment) == written for moment in played)


@given(forms())
def test_each_bar_is_played_as_often_as_its_signs_say(form: Form) -> None:
    """Counted another way: bars of an ending once for each of its numbers, others by their section."""
    times = {bar.written: 0 for bar in form.written.bars}
    for bar in form.played.bars:
        times[bar.written] += 1
    for index, bar in enumerate(form.bars):
        if bar.endings:
            assert times[index] == len(bar.endings)
        if bar.repeat_times and not bar.endings:
            assert times[index] == bar.repeat_times


@given(metres)
def test_a_metre_reads_back_as_written(metre: Metre) -> None:
    assert Metre.parse(str(metre)) == metre


def test_played_spans_join_what_sounds_in_a_row() -> None:
    form = bars_of("|: 1 2 [1 3 :| [2 4 ] 5")
    # bars 2-4: once into the first ending, once over into the second
    assert list(form.played_spans(1, 3)) == [(4, 12), (16, 24)]


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: Metre(0, 4), "1 to 64 beats"),
        (lambda: Metre(4, 3), "power of two"),
        (lambda: Metre.parse("4-4"), "not a metre: '4-4'"),
        (lambda: Bar(3, FOUR, F(5)), "bar 3 holds 5 quarters"),
        (lambda: Bar(3, FOUR, F(0)), "bar 3 holds 0 quarters"),
        (lambda: Bar(3, FOUR, F(4), repeat_times=1), "at least twice"),
        (lambda: Bar(3, FOUR, F(4), endings=(0,)), "numbered from 1"),
        (lambda: Form(()), "at least one bar"),
        (lambda: Form((Bar(1, FOUR, F(4)), Bar(2, FOUR, F(1), pickup=True))), "only the first bar"),
        (lambda: Form.plain(2).bar_span(1, 9), "no bar 9; bars go 1 to 2"),
        (lambda: Form.plain(2).bar_span(2, 1), "run backwards"),
        (lambda: Form.plain(2).written.quarter(Position(7, F(1))), "no bar at place 7"),
        (lambda: Form((Bar(1, FOUR, F(4), repeat_times=MAX_PLAYED_BARS + 2),)).played, "unroll to more than"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused(make: object, says: str) -> None:
    with pytest.raises(MusicError, match=says):
        make()  # type: ignore[operator]


@given(st.integers(1, 30))
def test_plain_forms_have_the_bars_asked_for(count: int) -> None:
    assert [bar.bar.number for bar in Form.plain(count).played.bars] == list(range(1, count + 1))
