"""The chart: chords over the played form, whatever way its repeats are written."""

from __future__ import annotations

import itertools
from dataclasses import replace
from fractions import Fraction as F

import pytest
from hypothesis import given

from pipeline.music.chart import Chart, ChartBar, ChartChord, Play, changes, unpushed
from pipeline.music.chord import Chord
from pipeline.music.errors import MusicError
from pipeline.music.key import Key
from pipeline.music.metre import Bar, Form, Jump, Metre, Signs
from pipeline.music.pitch import Interval
from tests.chart_strategies import charts
from tests.music.strategies import forms, intervals
from tests.samples import chart_of, lead_spans, lead_tab, waltz_spans, waltz_tab


def names(chart: Chart, form: Form) -> list[str]:
    return [span.chord.text() if span.chord else "N.C." for span in chart.spans(form)]


def test_spans_cover_the_piece_without_gaps() -> None:
    for spans, form in ((lead_spans(), lead_tab().form), (waltz_spans(), waltz_tab().form)):
        assert spans[0].start == 0
        assert spans[-1].end == form.played.length
        assert all(a.end == b.start for a, b in itertools.pairwise(spans))


@given(forms())
def test_a_chart_bar_for_each_written_bar_follows_the_repeats_of_the_tab(form: Form) -> None:
    chart = chart_of(*("C", "Dm", "G7", "Am", "F", "Em7", "Bb")[0:1] * len(form.bars))
    spans = chart.spans(form)
    assert spans[-1].end == form.played.length
    assert len(spans) == len(form.played.bars)


def test_the_waltz_plays_its_endings() -> None:
    assert names(chart_of("G", "D7", "Em", "C"), waltz_tab().form) == [
        "N.C.",
        "G",
        "D7",
        "Em",
        "G",
        "D7",
        "C",
    ]


def test_a_chart_with_repeats_of_its_own() -> None:
    g, d, em, c = chart_of("G", "D7", "Em", "C").bars
    chart = Chart(
        (
            replace(g, repeat_start=True),
            d,
            replace(em, repeat_times=2, endings=(1,)),
            replace(c, endings=(2,)),
        )
    )
    assert names(chart, waltz_tab().form) == ["N.C.", "G", "D7", "Em", "G", "D7", "C"]


def test_a_chart_written_out_bar_by_bar() -> None:
    chart = chart_of("G", "D7", "Em", "G", "D", "C")
    assert names(chart, waltz_tab().form) == ["N.C.", "G", "D7", "Em", "G", "D", "C"]


def test_a_chord_goes_on_through_an_empty_bar_and_up_to_a_late_one() -> None:
    chart = Chart(
        (
            *chart_of("Am").bars,
            ChartBar(()),
            ChartBar((ChartChord(F(1, 2), Chord.parse("D7"), play=Play.STOP),)),
            ChartBar(()),
        )
    )
    spans = chart.spans(Form.plain(4))
    assert [(float(s.start), s.chord and s.chord.text(), s.stop) for s in spans] == [
        (0, "Am", False), (4, "Am", False), (8, "Am", False), (10, "D7", True), (12, "D7", True),
    ]  # fmt: skip


def test_neighbours_of_one_chord_are_joined() -> None:
    joined = changes(chart_of("Am", "Am", "D7 D7", "N.C.").spans(Form.plain(4)))
    assert [(float(s.start), float(s.end)) for s in joined] == [(0, 8), (8, 12), (12, 16)]


def test_lengths_that_do_not_fit_are_told() -> None:
    with pytest.raises(MusicError, match="the chart has 3 bars, the tab has 4 written and 4 as played"):
        chart_of("C", "F", "G").spans(lead_tab().form)
    with pytest.raises(MusicError, match="5 written and 7 as played, its pickup bar counted"):
        chart_of("C", "F", "G").spans(waltz_tab().form)


@given(intervals)
def test_a_moved_chart_moves_its_chords_and_its_key(interval: Interval) -> None:
    chart = replace(chart_of("Am7", "N.C.", "D9 E7#9"), key=Key.parse("Am"))
    moved = chart.transposed(interval)
    assert moved.key is not None
    assert moved.key.tonic.pitch_class == (9 + interval.semitones) % 12
    for bar, before in zip(moved.bars, chart.bars, strict=True):
        for item, source in zip(bar.chords, before.chords, strict=True):
            assert item.at == source.at
            assert (item.chord is None) == (source.chord is None)
            if item.chord and source.chord:
                assert item.chord.degrees == source.chord.degrees


@pytest.mark.parametrize("places", [(F(1, 2), F(0)), (F(0), F(0)), (F(1),), (F(-1, 4),)])
def test_chords_stand_in_order_within_their_bar(places: tuple[F, ...]) -> None:
    with pytest.raises(MusicError, match="in order, from 0 up to 1"):
        ChartBar(tuple(ChartChord(at, Chord.parse("C")) for at in places))


def test_an_empty_chart() -> None:
    with pytest.raises(MusicError, match="at least one bar"):
        Chart(())


def test_what_the_chart_has_not_said_yet() -> None:
    """A pickup that is left out is not a written N.C.; nor is the start of a bar before its chord."""
    form = waltz_tab().form
    assert [span.implied for span in waltz_spans()] == [True] + [False] * (len(waltz_spans()) - 1)
    written = chart_of("N.C.", "G", "D7/F#", "Em", "C G/B").spans(form)
    assert not any(span.implied for span in written)
    late = ChartBar((ChartChord(F(1, 2), Chord.parse("Am")),))
    spans = Chart((ChartBar(()), late, ChartBar(()))).spans(Form.plain(3))
    assert [(s.chord, s.implied) for s in spans] == [
        (None, True), (None, True), (Chord.parse("Am"), False), (Chord.parse("Am"), False),
    ]  # fmt: skip
    assert [s.implied for s in changes(spans)] == [True, False]


def test_a_chart_may_leave_out_a_pickup_that_is_repeated() -> None:
    """A pickup inside the repeat is played twice; the chart still leaves it out."""
    metre = Metre(3, 4)
    form = Form(
        (
            Bar(0, metre, F(1), pickup=True, repeat_start=True),
            Bar(1, metre, F(3)),
            Bar(2, metre, F(2), repeat_times=2),
        )
    )
    chart = Chart((ChartBar((), repeat_start=True), ChartBar((), repeat_times=2)))
    assert chart.order_for(form) == (None, 0, 1, None, 0, 1)


def written(form: Form) -> Chart:
    """A chart that says the same of repeats and jumps as ``form``; each bar has a chord of its own."""
    names = itertools.cycle(["C", "Dm", "Em", "F", "G", "Am", "Bdim"])
    return Chart(
        tuple(
            ChartBar(
                (ChartChord(F(0), Chord.parse(next(names))),), None, bar.repeat_start, bar.repeat_times, bar.endings,
                bar.signs,
            )
            for bar in form.bars
        )
    )  # fmt: skip


def jumping(*signs: Signs, repeat: bool = False) -> Form:
    """Bars of 4/4 with these signs; ``repeat``: the first is played twice."""
    metre = Metre()
    return Form(
        tuple(
            Bar(n + 1, metre, metre.quarters, repeat_start=repeat and n == 0,
                repeat_times=2 if repeat and n == 0 else 0, signs=sign)
            for n, sign in enumerate(signs)
        )
    )  # fmt: skip


CODA = (Signs(), Signs(to_coda=True), Signs(jump=Jump("start", "coda")), Signs(coda=True))
FINE = (Signs(segno=True), Signs(fine=True), Signs(jump=Jump("segno", "fine")))


@pytest.mark.parametrize("signs", [CODA, FINE])
@pytest.mark.parametrize("repeat", [False, True])
def test_a_chart_follows_the_jumps_of_its_tab(signs: tuple[Signs, ...], repeat: bool) -> None:
    """With the same signs, without the jumps, without the repeats, or without any of them."""
    form = jumping(*signs, repeat=repeat)
    wanted = tuple(bar.written for bar in form.played.bars)
    whole = written(form)
    no_jumps = Chart(tuple(replace(bar, signs=Signs()) for bar in whole.bars))
    bare = Chart(tuple(replace(bar, repeat_start=False, repeat_times=0) for bar in no_jumps.bars))
    no_repeats = Chart(tuple(replace(bar, repeat_start=False, repeat_times=0) for bar in whole.bars))
    for chart in (whole, no_jumps, bare, no_repeats):
        assert chart.order_for(form) == wanted
    written_out = Chart(tuple(bare.bars[i] for i in wanted))
    assert written_out.order_for(form) == tuple(range(len(wanted)))


def test_a_chart_that_says_otherwise_of_the_repeats_is_told() -> None:
    form = jumping(*CODA, repeat=True)
    chart = written(form)
    thrice = Chart((replace(chart.bars[0], repeat_times=3), *chart.bars[1:]))
    with pytest.raises(MusicError, match="their repeats or jumps differ"):
        thrice.order_for(form)
    with pytest.raises(MusicError, match="one bar is missing"):
        Chart(chart_of("C", "F", "G").bars).order_for(Form.plain(4))
    with pytest.raises(MusicError, match="one bar too many"):
        Chart(chart_of("C", "F", "G").bars).order_for(Form.plain(2))


@given(charts())
def test_spans_are_gapless_and_pushes_can_be_taken_back(chart: Chart) -> None:
    """In any chart: in order, never empty, and unpushed they are those of a chart without pushes."""
    form = chart.form
    if len(form.played.bars) > 200:
        return
    spans = chart.spans(form)
    assert spans[0].start == 0
    assert spans[-1].end == form.played.length
    assert all(a.end == b.start for a, b in itertools.pairwise(spans))
    assert all(span.start < span.end for span in spans)
    plain = replace(
        chart,
        bars=tuple(
            replace(bar, chords=tuple(replace(c, push=F(0)) for c in bar.chords)) for bar in chart.bars
        ),
    )
    assert unpushed(spans) == plain.spans(form)
    assert unpushed(unpushed(spans)) == unpushed(spans)


def test_what_the_first_bar_states_is_the_charts() -> None:
    bar = replace(chart_of("C").bars[0], key=Key.parse("C"), tempo_bpm=90.0, feel="swing", metre=Metre(3, 4))
    chart = Chart((bar,), key=Key.parse("G"))
    assert (chart.key, chart.tempo_bpm, chart.feel, chart.metre) == (
        Key.parse("C"),
        90.0,
        "swing",
        Metre(3, 4),
    )
    assert chart.bars == chart_of("C").bars
