"""Voices keep every onset and duration, never overlap, and fill their bars."""

from __future__ import annotations

import itertools
import random
from collections import defaultdict
from dataclasses import replace
from fractions import Fraction as F

import pytest

from pipeline.music.metre import Bar, Form, Metre
from pipeline.music.tab import Tab
from pipeline.page.layers import MAX_LAYERS, Layout, lay_out
from tests.page.pieces import PIECES, ringing_tab, triplets_tab, whole_bar_tie_tab
from tests.samples import lead_tab, tab_of, waltz_tab

ALL = {"lead": lead_tab, "waltz": waltz_tab, **PIECES}


def printed(layout: Layout) -> dict[int, list[tuple[F, F]]]:
    """Index of note -> (onset, end) of each of its heads, in order."""
    found: dict[int, list[tuple[F, F]]] = defaultdict(list)
    for bar in layout.bars:
        for layer in bar.layers:
            for event in layer.events:
                for head in event.heads:
                    found[head.index].append((bar.bar.start + event.onset, bar.bar.start + event.end))
    return {index: sorted(places) for index, places in found.items()}


def check(tab: Tab, layout: Layout) -> None:
    for bar in layout.bars:
        for layer in bar.layers:
            now = F(0)
            for event in layer.events:
                assert event.onset == now
                assert event.value.quarters == event.length or event.whole_bar
                now = event.end
            assert now == bar.bar.bar.length
    heads = printed(layout)
    for index, note in enumerate(tab.notes):
        if note.grace:
            continue
        places = heads[index]
        assert places[0][0] == note.onset
        assert all(a[1] == b[0] for a, b in itertools.pairwise(places))
        if not layout.notes:
            assert places[-1][1] == note.end


@pytest.mark.parametrize("name", ALL)
def test_pieces_keep_their_durations(name: str) -> None:
    tab = ALL[name]()
    check(tab, lay_out(tab))


@pytest.mark.parametrize("seed", range(25))
def test_random_music_keeps_its_durations(seed: int) -> None:
    """Any rhythm on a few strings, over bar lines, in odd and even metres, binary and triplet."""
    chance = random.Random(seed)
    metre = chance.choice(
        [Metre(4, 4), Metre(3, 4), Metre(6, 8), Metre(5, 8), Metre(7, 8), Metre(2, 2), Metre(12, 8)]
    )
    form = Form.plain(3, metre)
    unit = chance.choice([F(1, 4), F(1, 2), F(1, 3), F(1, 8)])
    rows = []
    for string in chance.sample(range(1, 7), 3):
        now = F(0)
        while now < form.written.length:
            length = min(unit * chance.choice([1, 1, 2, 3, 4, 5, 7]), form.written.length - now)
            if chance.random() < 0.7:
                rows.append((now, length, string, chance.randrange(12), ()))
            now += length
    tab = tab_of(rows, form=form)
    check(tab, lay_out(tab))


@pytest.mark.parametrize("seed", range(12))
def test_six_strings_at_once_find_an_end(seed: int) -> None:
    """Making room once turned in circles: it could lengthen the note that it meant to shorten."""
    chance = random.Random(seed)
    rows = []
    for string in range(1, 7):
        now = F(0)
        while now < 8:
            length = min(chance.choice([F(1, 3), F(1, 2), F(1), F(2), F(5), F(2, 5)]), 8 - now)
            if chance.random() < 0.8:
                rows.append((now, length, string, chance.randrange(12), ()))
            now += length
    tab = tab_of(rows, form=Form.plain(2))
    layout = lay_out(tab)
    check(tab, layout)
    assert all(len(bar.layers) <= MAX_LAYERS for bar in layout.bars)
    exact = lay_out(tab, exact=True)
    assert exact.notes == ()
    check(tab, exact)


def test_times_finer_than_print_are_rounded_and_announced() -> None:
    """As a MIDI file played by hand gives them: 480 ticks to the quarter, nothing on the beat."""
    chance = random.Random(5)
    rows, now = [], F(7, 480)
    while now < 7:
        length = F(chance.randrange(30, 700), 480)
        rows.append((now, length, 1 + len(rows) % 6, 3, ()))
        now += length + F(chance.randrange(0, 40), 480)
    tab = tab_of(rows, form=Form.plain(3))
    layout = lay_out(tab)
    assert any("finer than can be written" in note for note in layout.notes)
    heads = printed(layout)
    for index, note in enumerate(tab.notes):
        assert abs(heads[index][0][0] - note.onset) <= F(1, 16)


def test_triplets_close_their_brackets() -> None:
    for bar in lay_out(triplets_tab()).bars:
        for layer in bar.layers:
            depth = 0
            for event in layer.events:
                depth += event.tuplet_start
                assert (event.value.actual > 1) == (depth > 0)
                depth -= event.tuplet_stop
                assert depth in (0, 1)


def test_a_quarter_triplet_is_not_cut_at_the_beat() -> None:
    second = lay_out(triplets_tab()).bars[1].layers[0].events[:3]
    assert [(e.value.kind, e.value.actual) for e in second] == [("quarter", 3)] * 3


def test_syncopation_over_the_middle_of_four_four_is_cut_there() -> None:
    tab = tab_of([(F(3, 2), 1, 2, 5, ())], form=Form.plain(1))
    events = lay_out(tab).bars[0].layers[0].events
    assert [(str(e.onset), e.value.kind, bool(e.heads)) for e in events][-4:] == [
        ("3/2", "eighth", True),
        ("2", "eighth", True),
        ("5/2", "eighth", False),
        ("3", "quarter", False),
    ]


def test_more_than_four_voices_are_announced() -> None:
    layout = lay_out(ringing_tab())
    assert len(layout.notes) == 1 and "bar 1: more than 4 notes" in layout.notes[0]
    exact = lay_out(ringing_tab(), exact=True)
    assert exact.notes == ()
    check(ringing_tab(), exact)


def test_five_lengths_struck_at_once_are_announced() -> None:
    tab = tab_of([(0, 1 + n * F(1, 2), 1 + n, 2, ()) for n in range(6)], form=Form.plain(1))
    layout = lay_out(tab)
    assert len(layout.notes) == 1
    assert (
        sum(len(e.heads) > 0 and e.onset == 0 for la in layout.bars[0].layers for e in la.events)
        <= MAX_LAYERS
    )
    assert len(printed(layout)) == 6


def test_tied_over_bar_lines() -> None:
    layout = lay_out(whole_bar_tie_tab())
    (places,) = printed(layout).values()
    assert places == [(F(2), F(4)), (F(4), F(8)), (F(8), F(11))]
    assert layout.bars[3].layers[0].events[0].whole_bar


def test_melody_is_above_the_bass() -> None:
    for bar in lay_out(waltz_tab()).bars[1:]:
        first, second = bar.layers
        assert [h.note.string for e in second.events for h in e.heads] in ([6], [5], [4])
        assert [h.note.string for e in first.events for h in e.heads] == [3, 1]


@pytest.mark.parametrize(
    ("metre", "expected"),
    [
        (Metre(4, 4), [4, 4]),
        (Metre(3, 4), [2, 2, 2]),
        (Metre(6, 8), [3, 3]),
        (Metre(5, 8), [3, 2]),
        (Metre(7, 8), [2, 2, 3]),
        (Metre(12, 8), [3, 3, 3, 3]),
    ],
)
def test_eighths_are_beamed_by_beat(metre: Metre, expected: list[int]) -> None:
    """Common practice, as any textbook of notation has it."""
    count = int(metre.quarters * 2)
    tab = tab_of([(F(n, 2), F(1, 2), 2, 5, ()) for n in range(count)], form=Form.plain(1, metre))
    sizes: list[int] = []
    for event in lay_out(tab).bars[0].layers[0].events:
        if event.beams == ("begin",):
            sizes.append(0)
        sizes[-1] += 1
    assert sizes == expected


def test_nothing_on_the_page_imports_in_a_circle() -> None:
    """Beams once needed the events of layers, which need beams: also imports for types count."""
    import ast
    from pathlib import Path

    folder = Path(lay_out.__code__.co_filename).parent
    needs: dict[str, set[str]] = {}
    for path in folder.glob("*.py"):
        nodes = [n for n in ast.walk(ast.parse(path.read_text("utf-8"))) if isinstance(n, ast.ImportFrom)]
        names = [n.module or "" for n in nodes]
        needs[path.stem] = {n.rpartition(".")[2] for n in names if n.startswith("pipeline.page.")}
    assert needs["layers"] >= {"beams", "heads"}
    while free := {name for name, wanted in needs.items() if not wanted & needs.keys()}:
        needs = {name: wanted for name, wanted in needs.items() if name not in free}
    assert needs == {}, "these import one another"


def test_a_bar_shorter_than_the_lines_that_times_are_rounded_to() -> None:
    """Its note was laid before the bar's start, and the beams had no beat for it."""
    metre = Metre(1, 64)
    bars = (Bar(1, Metre(1, 4), F(1)), Bar(2, metre, F(3, 64)))
    tab = tab_of([(F(1) + F(1, 100), F(1, 100), 3, 5, ())])
    layout = lay_out(replace(tab, form=Form(bars)))
    events = [event for layer in layout.bars[1].layers for event in layer.events]
    assert all(0 <= event.onset < event.end <= F(3, 64) for event in events)
    assert any(event.heads for event in events) and layout.notes
