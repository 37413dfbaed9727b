"""Phrases, empty bars, pickups, words and the sections of a chart."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction as F
from pathlib import Path
from typing import Any

import pytest

from pipeline.music.chart import Chart
from pipeline.music.key import Key
from pipeline.music.metre import Bar, Form, Metre
from pipeline.music.tab import KeyMark, Lyric, Phrase, Tab, TempoMark
from pipeline.read import proof_form as rules
from pipeline.read.places import Place
from pipeline.read.proof_finding import Rule
from pipeline.read.proof_fit import disagreements, first_difference
from tests.read.proofs import broken, found_in
from tests.samples import chart_of, tab_of

FOUR = Metre(4, 4)


def bars(count: int, *phrases: tuple[str, int, int], empty: tuple[int, ...] = ()) -> Tab:
    """Whole notes, one a bar, but for the empty bars."""
    return tab_of(
        [(4 * bar, 4, 2, 5, ()) for bar in range(count) if bar + 1 not in empty],
        form=Form.plain(count),
        phrases=tuple(Phrase(*phrase) for phrase in phrases),
    )


@pytest.mark.parametrize(
    ("tab", "expected"),
    [
        (bars(8), set()),
        (bars(8, ("Call", 1, 4), ("Answer", 5, 8)), set()),
        (bars(8, ("Call", 1, 5), ("Answer", 4, 8)), set()),
        (bars(16, ("All", 1, 16)), set()),
        (bars(8, ("Call", 1, 4), empty=(5, 6, 7, 8)), set()),
        (bars(8, ("Call", 1, 4), ("Answer", 6, 8)), {rules.NO_PHRASE}),
        (bars(8, ("Call", 1, 7), ("Answer", 8, 8)), {rules.SHORT_PHRASE}),
        (bars(17, ("All", 1, 17)), {rules.LONG_PHRASE}),
        (bars(9, ("Call", 1, 4), ("Gap", 5, 8), ("Last", 9, 9), empty=(5, 6, 7, 8, 9)), {rules.EMPTY_PHRASE}),
    ],
)
def test_phrases(tab: Tab, expected: set[Rule]) -> None:
    assert broken(tab) == expected


def test_phrases_of_the_lesson_are_told_where_the_lesson_writes_them() -> None:
    place = Place(Path("lesson.toml"), 12, 8)
    tab = bars(8, ("Call", 1, 7), ("Answer", 8, 8))
    assert [f.place for f in found_in(tab, phrases={"Answer": place})] == [place]


@pytest.mark.parametrize(
    ("empty", "expected"),
    [
        ((), set()),
        ((1, 2), set()),  # before the first note and after the last nothing is missing
        ((7, 8), set()),
        ((4,), {rules.EMPTY_BARS}),
        ((3, 4), {rules.EMPTY_BARS}),
        ((3, 4, 5, 6), set()),  # a long rest is meant
    ],
)
def test_empty_bars(empty: tuple[int, ...], expected: set[Rule]) -> None:
    assert broken(bars(8, empty=empty)) == expected


def test_a_part_that_rests_often_rests_on_purpose() -> None:
    assert broken(bars(12, empty=(2, 4, 6, 8, 10))) == set()


def test_a_note_that_lasts_fills_its_bars() -> None:
    tab = tab_of([(0, 8, 2, 5, ()), (8, 8, 2, 5, ())])
    assert broken(tab) == set()


def with_pickup(last: int, *, held: int | None = None, repeat: int = 0, start: int | None = None) -> Tab:
    """A pickup of a quarter, three bars; the last of ``last`` quarters, its note of ``held``."""
    whole = [Bar(0, FOUR, F(1), pickup=True)]
    for number in (1, 2, 3):
        length = last if number == 3 else 4
        whole.append(
            Bar(
                number,
                FOUR,
                F(length),
                repeat_start=number == start,
                repeat_times=2 if number == repeat else 0,
            )
        )
    ends = ((0, 1), (1, 4), (5, 4), (9, held or last))
    return tab_of([(on, length, 2, 5, ()) for on, length in ends], form=Form(tuple(whole)))


@pytest.mark.parametrize(
    ("tab", "expected"),
    [
        (with_pickup(3), set()),
        (with_pickup(4, held=3), set()),
        (with_pickup(4), {rules.PICKUP_KEPT}),
        (with_pickup(3, repeat=3), set()),
        (with_pickup(4, repeat=3, held=3), {rules.PICKUP_TWICE}),
        (with_pickup(4, repeat=3, start=1), set()),
    ],
)
def test_a_pickup_is_taken_from_the_last_bar(tab: Tab, expected: set[Rule]) -> None:
    """Common practice."""
    assert broken(tab) == expected


def test_a_word_is_finished() -> None:
    tab = bars(2)
    sung = (Lyric(F(0), "har-"), Lyric(F(4), "bour"))
    assert broken(replace(tab, lyrics=sung)) == set()
    assert broken(replace(tab, lyrics=sung[:1])) == {rules.WORD_OPEN}


def sectioned(**lengths: int) -> Chart:
    """Sections by their lengths; what follows two underscores keeps equal names apart."""
    made = []
    for name, count in lengths.items():
        plain = chart_of(*["Am"] * count).bars
        made += [replace(plain[0], section=name.split("__")[0]), *plain[1:]]
    return Chart(tuple(made))


def test_sections_of_one_name_have_one_length() -> None:
    assert broken(bars(6), sectioned(Verse=2, Bridge=2, Verse__2=2)) == set()
    chart = sectioned(Verse=2, Bridge=1, Verse__2=3)
    assert broken(bars(6), chart) == {rules.SECTION_LENGTHS}
    assert found_in(bars(6), chart)[0].detail == "“Verse”: 2 bars from bar 1 and 3 bars from bar 4"


def test_a_phrase_begins_with_a_note_that_is_struck() -> None:
    tab = bars(4, ("Call", 1, 2), ("Answer", 3, 4))
    assert broken(tab) == set()
    notes = tuple(replace(note, tied=note.onset == 8) for note in tab.notes)
    assert broken(replace(tab, notes=notes)) == {rules.PHRASE_IN_NOTE}


def test_a_section_and_a_phrase_of_one_name_begin_together() -> None:
    chart = sectioned(Verse=4, Bridge=4)
    assert broken(bars(8, ("Verse", 1, 4), ("Bridge", 5, 8)), chart) == set()
    assert broken(bars(8, ("Call", 1, 4), ("Answer", 5, 8)), chart) == set()
    tab = bars(8, ("verse", 1, 3), ("bridge", 4, 8))
    assert broken(tab, chart) == {rules.SECTION_ELSEWHERE}
    assert [f.detail for f in found_in(tab, chart)] == ["“Bridge”, bar 5 and bar 4"]


def test_where_a_section_begins_is_counted_through_repeats() -> None:
    """The chart is written out, the tab has a repeat: its bridge is bar 3 on the page."""
    form = Form((Bar(1, FOUR, F(4)), Bar(2, FOUR, F(4), repeat_times=2), Bar(3, FOUR, F(4))))
    tab = tab_of(
        [(4 * b, 4, 2, 5, ()) for b in range(3)],
        form=form,
        phrases=(Phrase("Verse", 1, 2), Phrase("Bridge", 3, 3)),
    )
    assert broken(tab, sectioned(Verse=4, Bridge=1)) == {rules.SHORT_PHRASE}


def test_the_section_that_has_another_length_is_named() -> None:
    tab = bars(8, ("Verse", 1, 4), ("Bridge", 5, 8))
    assert first_difference(tab, sectioned(Verse=4, Bridge=3)) == (
        "section “Bridge” has 3 bars in the chart (from bar 5), 4 bars in the tab (from bar 5)",
        4,
    )
    assert first_difference(tab, sectioned(A=4, B=1)) == (
        "the chart goes “A” 4 bars, “B” 1; the tab “Verse” 4 bars, “Bridge” 4",
        None,
    )
    assert first_difference(bars(8), sectioned(A=4, B=3)) == ("", None)


def test_the_first_repeat_that_differs_is_named() -> None:
    tab = with_pickup(4, repeat=3, start=1)
    chart = chart_of("Am", "Am", "Am")
    chart = replace(chart, bars=(chart.bars[0], replace(chart.bars[1], repeat_times=2), chart.bars[2]))
    what, bar = first_difference(tab, chart)
    assert "apart at bar 2: it has :| after it in the chart, not in the tab" in what
    assert bar == 1
    thrice = chart_of("Am", "Am", "Am").bars
    chart = Chart((replace(thrice[0], repeat_start=True), thrice[1], replace(thrice[2], repeat_times=3)))
    assert "the chart repeats 3 times there, the tab 2" in first_difference(tab, chart)[0]


def test_metres_keys_and_tempos_that_differ() -> None:
    tab = bars(4)
    chart = chart_of("Am", "Am", "Am", "Am")
    assert list(disagreements(tab, chart)) == []
    assert list(disagreements(tab, replace(chart, metre=FOUR, tempo_bpm=104.0))) == []
    told = list(disagreements(tab, replace(chart, metre=Metre(3, 4), tempo_bpm=90.0)))
    assert told == [
        "bar 1 is in 3/4 in the chart, in 4/4 in the tab; the tab's is used",
        "bar 1 is at 90 quarter notes a minute in the chart, at 104 quarter notes a minute in the tab;"
        " the tab's is used",
    ]


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"metre": Metre(2, 4)}, "bar 3 is in 2/4 in the chart, in 4/4 in the tab"),
        ({"key": Key.parse("D")}, "bar 3 is in D major in the chart, in A minor in the tab"),
        ({"tempo_bpm": 60.0}, "bar 3 is at 60 quarter notes a minute in the chart"),
    ],
)
def test_a_change_that_only_the_chart_has_is_told_where_it_begins(change: dict[str, Any], said: str) -> None:
    tab = bars(4)
    chart = chart_of("Am", "Am", "Am", "Am")
    third = replace(chart.bars[2], **change)
    (told,) = disagreements(tab, replace(chart, bars=(*chart.bars[:2], third, chart.bars[3])))
    assert told.startswith(said)


def test_a_change_that_both_have_is_no_disagreement() -> None:
    tab = replace(
        bars(4),
        key_changes=(KeyMark(F(8), Key.parse("D")),),
        tempos=(TempoMark(F(0), 104.0), TempoMark(F(8), 60.0)),
    )
    chart = chart_of("Am", "Am", "D", "D")
    third = replace(chart.bars[2], key=Key.parse("D"), tempo_bpm=60.0)
    chart = replace(chart, tempo_bpm=104.0, bars=(*chart.bars[:2], third, chart.bars[3]))
    assert list(disagreements(tab, chart)) == []


def test_an_ending_that_runs_on_is_told_with_what_ends_it() -> None:
    bars = (Bar(1, FOUR, F(4)), Bar(2, FOUR, F(4), False, False, 2, (1,)), Bar(3, FOUR, F(4), endings=(2,)))
    tab = tab_of([(0, 4, 2, 5, ())], form=Form((*bars, Bar(4, FOUR, F(4)))))
    chart = chart_of("Am", "Am", "Am", "Am", "Am")
    marks = ({}, {"repeat_times": 2, "endings": (1,)}, *[{"endings": (2,)}] * 3)
    chart = replace(chart, bars=tuple(replace(b, **m) for b, m in zip(chart.bars, marks, strict=True)))
    what, bar = first_difference(tab, chart)
    assert bar == 3
    assert "at bar 4: it has an ending in the chart, not in the tab; an ending stops at :|, at ||" in what
