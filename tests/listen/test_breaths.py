"""Held breaths: pauses the tab does not have, before a note that then goes on in time."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.listen.align import align_take
from pipeline.listen.breaths import held_breaths
from pipeline.music.tab import Tab
from tests.listen import pieces
from tests.listen.players import drifting, paused, render
from tests.samples import lead_tab

PIECES = {
    "lead": lambda: pieces.lead(8, seed=5),
    "bass": lambda: pieces.lead(8, seed=20, instrument="bass"),
    "sparse": lambda: pieces.lead(8, seed=9, rests=0.3),
    "picked": lambda: pieces.picked(8, seed=2),
}


def bars_begun(tab: Tab) -> list[float]:
    """Quarters of the bars that begin with a note."""
    onsets = {float(note.onset) for note in tab.sounding}
    return [float(bar.start) for bar in tab.form.played.bars if float(bar.start) in onsets]


@pytest.mark.parametrize("rings", [True, False])
@pytest.mark.parametrize("pause_s", [0.3, 0.8, 3.0])
@pytest.mark.parametrize("piece", PIECES)
def test_bar_after_a_held_breath_starts_when_it_is_played(piece: str, pause_s: float, rings: bool) -> None:
    """A user's bar came 0.2 to 1.3 s early: the note was smoothed away as an outlier, or lost."""
    tab = PIECES[piece]()
    begun = bars_begun(tab)
    at = begun[len(begun) // 2]
    take = render(tab, paused(drifting(tab), {at: pause_s}), rings=rings)
    found = align_take(tab, take.audio, take.rate)
    bars = 1e3 * (found.time_map.to_seconds(begun) - take.time_map.to_seconds(begun))
    assert np.abs(bars).max() < 40
    notes = {note.quarter: note for note in found.notes}
    assert notes[at].confidence > 0.6
    bar = next(bar for bar in found.bars if bar.bar == notes[at].bar)
    assert bar.seconds == pytest.approx(notes[at].seconds, abs=0.002)


@pytest.mark.parametrize("drift", [0.0, 0.1])
def test_several_breaths_and_the_others_stay(drift: float) -> None:
    tab = pieces.lead(8, seed=5)
    begun = bars_begun(tab)
    pauses = {begun[1]: 0.6, begun[len(begun) // 2]: 1.2, begun[-1]: 0.8}
    take = render(tab, paused(drifting(tab, drift=drift), pauses), rings=False)
    found = align_take(tab, take.audio, take.rate)
    off = 1e3 * np.abs(np.array([note.seconds for note in found.notes]) - take.onsets)
    assert np.median(off) < 5
    assert off.max() < 40
    assert np.abs(found.time_map.to_seconds(begun) - take.time_map.to_seconds(begun)).max() < 0.04
    assert found.median_ms_residual < 15


def test_the_time_of_a_breath_lies_right_before_the_note() -> None:
    tab = lead_tab()
    bar = bars_begun(tab)[1]
    take = render(tab, paused(drifting(tab), {bar: 1.0}), jitter_ms=0.0)
    found = align_take(tab, take.audio, take.rate)
    just_before = bar - 0.05
    assert found.time_map.seconds_at(just_before) == pytest.approx(
        take.time_map.seconds_at(just_before), abs=0.05
    )
    assert found.time_map.seconds_at(bar) == pytest.approx(take.time_map.seconds_at(bar), abs=0.02)


def test_a_pause_is_held_and_a_misplaced_note_is_not() -> None:
    nominal = np.arange(20) * 0.3
    late = np.where(np.arange(20) >= 8, 0.5, 0.0)
    assert held_breaths(nominal, 1.1 * nominal + late) == pytest.approx(late)
    alone = np.where(np.arange(20) == 8, 0.25, 0.0)
    assert held_breaths(nominal, nominal + alone) == pytest.approx(np.zeros(20))
    assert held_breaths(nominal, nominal - alone) == pytest.approx(np.zeros(20))


def test_drift_and_a_slowing_close_hold_no_breath() -> None:
    nominal = np.arange(40) * 0.25
    drift = np.cumsum(0.25 * (1 + 0.2 * np.sin(np.arange(40) / 6)))
    assert not held_breaths(nominal, drift).any()


def test_two_events_are_no_tempo() -> None:
    assert held_breaths(np.array([0.0, 1.0]), np.array([0.0, 3.0])).tolist() == [0.0, 0.0]
