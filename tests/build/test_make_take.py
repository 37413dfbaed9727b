"""What the creator is told of a take."""

from __future__ import annotations

from dataclasses import replace

from pipeline.build.make_take import _cautions
from pipeline.listen.alignment import Alignment, HeardBar, HeardNote
from pipeline.music.timemap import TimeMap
from tests.samples import waltz_tab


def test_bars_are_named_by_their_number_on_the_page() -> None:
    """A user looked for bar 5 of the page and found the second ending; bar 1 the second time was meant."""
    tab = waltz_tab()
    time_map = TimeMap.of_tab(tab)
    bars = tuple(
        HeardBar(bar.ordinal, time_map.seconds_at(bar.start), 0.1 if bar.ordinal in (4, 6) else 0.9)
        for bar in tab.form.played.bars
    )
    notes = tuple(
        HeardNote(
            n.index, n.bar.ordinal, float(n.beat), float(n.onset), time_map.seconds_at(n.onset), 0.9, "played"
        )
        for n in tab.sounding
    )
    notes = (*notes[:-1], replace(notes[-1], status="missing"))
    heard = Alignment(time_map, 0.0, 9.0, 0.0, notes, bars, 5.0)
    assert _cautions(heard, tab) == [
        "The take is hard to follow in bars 1 (time 2), 4; look at the overlay there.",
        "1 note of the tab was not heard in the take: bar 4 beat 3.",
    ]


def test_bars_from_before_the_take_are_told_once() -> None:
    """Neither as hard to follow nor note by note."""
    tab = waltz_tab()
    time_map = TimeMap.of_tab(tab)
    bars = tuple(
        HeardBar(bar.ordinal, time_map.seconds_at(bar.start), 0.0 if bar.ordinal < 3 else 0.9)
        for bar in tab.form.played.bars
    )
    notes = tuple(
        HeardNote(n.index, n.bar.ordinal, float(n.beat), float(n.onset), 1.0, 0.1, "missing")
        for n in tab.sounding
        if n.bar.ordinal < 3
    )
    (told,) = _cautions(Alignment(time_map, 0.0, 9.0, 0.0, notes, bars, 5.0), tab)
    assert told.startswith(
        "Bars 0 to 2 (time 1) were not found: the take begins after. Was a repeat left out"
    )
