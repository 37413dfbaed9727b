"""Played times as notation: exact ones stay, humanly loose ones find what was meant."""

from __future__ import annotations

import itertools
import random
from collections.abc import Sequence
from fractions import Fraction as F

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.music.quantise import Beat, PlayedNote, Quantised, quantise

TICK = F(1, 480)
PATTERNS = {
    "quarters": [F(1)], "eighths": [F(1, 2)] * 2, "sixteenths": [F(1, 4)] * 4, "triplets": [F(1, 3)] * 3,
    "gallop": [F(1, 2), F(1, 4), F(1, 4)], "dotted": [F(3, 4), F(1, 4)], "halves": [F(2)],
}  # fmt: skip


def beats(count: int, quarters: F = F(1)) -> list[Beat]:
    return [Beat(i * quarters, quarters) for i in range(count)]


def played(steps: Sequence[F], *, spread: float = 0.0, gate: float = 1.0, seed: int = 0, swing: F = F(1, 2),
           ticks: int = 480) -> tuple[list[F], Quantised]:  # fmt: skip
    """Onsets meant, and what was made of a performance; spread: standard deviation, quarters."""
    dice = random.Random(seed)
    onsets = [F(0), *itertools.accumulate(steps[:-1])]
    notes = []
    for onset, step in zip(onsets, steps, strict=True):
        inner = onset % 1
        swung = onset - inner + (swing if inner == F(1, 2) else inner)
        start = max(0.0, float(swung) + dice.gauss(0, spread))
        end = start + float(step) * gate
        notes.append(PlayedNote(F(round(start * ticks), ticks), F(round(end * ticks), ticks), 1))
    return onsets, quantise(notes, beats(int(sum(steps)) + 2), tick=F(1, ticks))


@given(st.lists(st.sampled_from(sorted(PATTERNS)), min_size=2, max_size=12))
def test_exact_times_stay(names: list[str]) -> None:
    steps = [step for name in names for step in PATTERNS[name]]
    onsets, made = played(steps)
    assert made.exact and list(made.onsets) == onsets
    assert [e - o for o, e in zip(made.onsets, made.ends, strict=True)] == steps


@pytest.mark.parametrize("ticks", [24, 96, 120, 480, 960])
def test_coarse_and_fine_ticks(ticks: int) -> None:
    steps = [F(1), F(1, 2), F(1, 2), F(1, 3), F(1, 3), F(1, 3), F(1, 4), F(3, 4), F(2)]
    onsets, made = played(steps, ticks=ticks)
    assert made.exact and list(made.onsets) == onsets


def test_sixty_fourths_and_rare_tuplets() -> None:
    steps = [F(1, 16)] * 16 + [F(1, 7)] * 7 + [F(1, 9)] * 9 + [F(2, 5)] * 5 + [F(1, 12)] * 12
    onsets, made = played(steps)
    assert made.exact and list(made.onsets) == onsets


@pytest.mark.parametrize("spread_ms", [8, 15, 22])
def test_a_loose_hand_is_understood(spread_ms: int) -> None:
    """Players stray by some 10 to 20 ms (from memory); at 100 quarters a minute."""
    spread = spread_ms / 600
    names = ["quarters", "eighths", "sixteenths", "eighths", "triplets", "gallop", "quarters", "halves"] * 3
    steps = [step for name in names for step in PATTERNS[name]]
    right = total = 0
    for seed in range(10):
        onsets, made = played(steps, spread=spread, gate=0.92, seed=seed)
        assert not made.exact
        right += sum(a == b for a, b in zip(onsets, made.onsets, strict=True))
        total += len(onsets)
    assert right / total > {8: 0.995, 15: 0.98, 22: 0.93}[spread_ms]


def test_gaps_of_a_played_line_are_filled() -> None:
    steps = [step for name in ["eighths", "quarters", "sixteenths", "halves"] * 4 for step in PATTERNS[name]]
    _, made = played(steps, spread=0.01, gate=0.9, seed=3)
    wrong = [1 for o, e, s in zip(made.onsets, made.ends, steps, strict=True) if e - o != s]
    assert len(wrong) <= 1 and not any(made.staccato)


def test_short_notes_are_staccato() -> None:
    steps = PATTERNS["eighths"] * 12
    _, made = played(steps, spread=0.008, gate=0.3, seed=1)
    assert all(made.staccato[:-1]) and all(
        e - o == F(1, 2) for o, e in zip(made.onsets[:-1], made.ends[:-1], strict=True)
    )


@pytest.mark.parametrize("swing", [F(3, 5), F(2, 3)])
def test_swung_eighths_are_straightened(swing: F) -> None:
    names = ["eighths", "eighths", "quarters", "eighths"] * 4
    steps = [step for name in names for step in PATTERNS[name]]
    onsets, made = played(steps, spread=0.012, gate=0.9, seed=2, swing=swing)
    assert list(made.onsets) == onsets
    assert abs(float(made.swing - swing)) < 0.03


def test_real_triplets_are_not_swing() -> None:
    steps = PATTERNS["triplets"] * 12
    onsets, made = played(steps, spread=0.01, seed=5)
    assert made.swing == F(1, 2) and list(made.onsets) == onsets


def test_a_strum_is_one_chord() -> None:
    notes = [
        PlayedNote(F(beat) + F(string * 9, 960) + F(1, 77), F(beat) + F(9, 10), string)
        for beat in range(4)
        for string in range(1, 5)
    ]
    made = quantise(notes, beats(4), tick=F(1, 960))
    assert list(made.onsets) == [F(beat) for beat in range(4) for _ in range(4)]


def test_compound_beats() -> None:
    dice = random.Random(9)
    onsets = [F(i, 2) for i in range(24)]
    notes = [PlayedNote(max(F(0), o + F(round(dice.gauss(0, 12)), 960)), o + F(9, 20), 1) for o in onsets]
    made = quantise(notes, beats(8, F(3, 2)), tick=F(1, 960))
    assert list(made.onsets) == onsets


def test_nothing() -> None:
    assert quantise([], beats(1), tick=TICK) == Quantised((), (), (), F(1, 2), True)


@given(
    st.lists(
        st.tuples(st.integers(0, 7000), st.integers(1, 2000), st.integers(1, 6)), min_size=1, max_size=30
    )
)
def test_whatever_is_played_gets_notes_that_last(raw: list[tuple[int, int, int]]) -> None:
    notes = [PlayedNote(F(on, 480), F(on + long, 480), line) for on, long, line in raw]
    made = quantise(notes, beats(24), tick=TICK)
    for note, onset, end in zip(notes, made.onsets, made.ends, strict=True):
        assert abs(onset - note.onset) <= F(1, 2)
        assert end >= onset
