"""The first look: where in the recording the tab is played, how it is tuned, how fast.

Conventions
-----------
Costs compare unit vectors: 0 when score and take agree, 1 when they share nothing. A *shift*
is how many semitones the take lies above the tab, apart from ``Heard``'s fraction.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import scipy.ndimage

from pipeline.listen.features import (
    BANDS,
    LOWEST,
    Heard,
    compress,
    decaying,
    fold,
    templates,
    unit_rows,
)
from pipeline.listen.score import Event, ExpectedNote
from pipeline.listen.warp import FREE, Path, Steps, Waits, best_path

Floats = npt.NDArray[np.float64]
Floats32 = npt.NDArray[np.float32]

SHIFTS: Final = (0, -1, 1, -2, 2, -3, 3)
SHIFT_GAIN: Final = 0.93  # another shift must be this much cheaper than none
LAST_S: Final = 1.0  # of the last note, so much must be heard
# weights of the three views: semitone bands tell octaves, pitch classes forgive timbre,
# attacks by pitch class place the notes, the pulse (is there any attack?) hears rhythm
_BAND, _CHROMA, _ATTACK, _PULSE = 0.25, 0.25, 0.3, 0.2
BEYOND: Final = 0.1  # own cost of a moment after the recording: dearer than a fair match, cheaper than none
# of a held breath: a second of it, and a stroke heard in it that the tab does not have
_PASSING_S: Final = 0.3
_MISSED: Final = 0.5
_NEUTRAL: Final = 0.45  # what a rest costs anywhere: strings may ring on or not


@dataclass(frozen=True)
class Rows:
    """Expected features, a row each hop from the first note on."""

    features: Floats32
    own: Floats32
    start_s: float
    hop_s: float
    starts: npt.NDArray[np.bool_]  # rows in which something starts: a breath may be held before


def _expected_bands(notes: Sequence[ExpectedNote], start_s: float, hop_s: float, count: int) -> Floats32:
    shapes = templates()
    rows = np.zeros((count, BANDS), dtype=np.float32)
    for note in notes:
        first = max(0, round((note.nominal_s - start_s) / hop_s))
        last = min(count, max(first + 1, round((note.end_s - start_s) / hop_s)))
        if not note.pitched:
            continue
        for row in range(first, last):
            age = (row - first) * hop_s
            midi = note.midi_at(start_s + row * hop_s) - LOWEST
            below = int(np.clip(np.floor(midi), 0, BANDS - 2))
            part = float(np.clip(midi - below, 0.0, 1.0))
            level = note.level * np.exp(-age / note.decay_s)
            rows[row] += level * ((1 - part) * shapes[below] + part * shapes[below + 1])
    return rows


def _expected_attacks(events: Sequence[Event], start_s: float, hop_s: float, count: int) -> Floats32:
    shapes = fold(templates())
    rows = np.zeros((count, 12), dtype=np.float32)
    for event in events:
        row = min(count - 1, max(0, round((event.nominal_s - start_s) / hop_s)))
        for note in event.notes:
            if note.pitched:
                place = int(np.clip(round(note.midi) - LOWEST, 0, BANDS - 1))
                rows[row] += shapes[place] * (0.7 if note.slurred else 1.0)
            else:
                rows[row] += 0.5
    return rows


def _blurred(pulse: Floats32) -> Floats32:
    """A pulse and a good half of it on the frames beside."""
    out = pulse.copy()
    out[1:] = np.maximum(out[1:], 0.6 * pulse[:-1])
    out[:-1] = np.maximum(out[:-1], 0.6 * pulse[1:])
    return out


def _take_pulse(attacks: Floats32, hop_s: float) -> Floats32:
    """Peaks of the summed attacks against the strongest within 1.5 s to either side, 0..1."""
    flux = attacks.sum(axis=1)
    width = 2 * round(1.5 / hop_s) + 1
    nearby = np.maximum(scipy.ndimage.maximum_filter1d(flux, width), 0.25 * np.percentile(flux, 98))
    peaks = flux >= scipy.ndimage.maximum_filter1d(flux, 3)
    return np.asarray(_blurred(np.where(peaks, flux / np.maximum(nearby, 1e-9), 0.0).astype(np.float32)))


def _assemble(bands: Floats32, attacks: Floats32, pulse: Floats32) -> tuple[Floats32, Floats32]:
    """(features, own): the cost of row x against row y is x.own + y.own - x.features @ y.features."""
    chroma = unit_rows(fold(bands), 0.5)
    # weak attacks (reverberation, breath) stay weak beside those that are plain to hear
    strong = 0.6 * float(np.percentile(np.linalg.norm(attacks, axis=1), 95))
    attack = unit_rows(decaying(attacks, tail=3), max(0.3, strong))
    features = np.hstack([
        np.float32(np.sqrt(_BAND)) * unit_rows(bands, 0.5),
        np.float32(np.sqrt(_CHROMA)) * chroma,
        np.float32(np.sqrt(_ATTACK)) * attack,
        np.float32(np.sqrt(_PULSE)) * pulse[:, None],
    ])  # fmt: skip
    own = np.float32(0.5 * _ATTACK) * (attack**2).sum(axis=1) + np.float32(0.5 * _PULSE) * pulse**2
    own += np.float32(0.5 * (_BAND + _CHROMA))
    return features, own.astype(np.float32)


def score_rows(notes: Sequence[ExpectedNote], events: Sequence[Event], *, hop_s: float) -> Rows:
    """The tab as rows of expected features, from its first note to a moment after its last."""
    start = events[0].nominal_s
    last = max(note.nominal_s + min(LAST_S, note.end_s - note.nominal_s) for note in notes)
    count = max(2, int(np.ceil((last - start) / hop_s)))
    bands = compress(_expected_bands(notes, start, hop_s, count), 1.0)
    attacks = _expected_attacks(events, start, hop_s, count)
    pulse = np.zeros(count, dtype=np.float32)
    starts = np.zeros(count, dtype=np.bool_)
    for event in events:
        row = min(count - 1, max(0, round((event.nominal_s - start) / hop_s)))
        starts[row] = True
        pulse[row] = max(pulse[row], 0.4 if event.slurred else 1.0)
    features, own = _assemble(bands, attacks, _blurred(pulse))
    resting = ~(bands.sum(axis=1) > 0) & ~(attacks.sum(axis=1) > 0)
    # a rest: zero features, and constants so that it costs the same wherever it lies
    own[resting] = np.float32(_NEUTRAL - 0.5 * (_BAND + _CHROMA))
    return Rows(features, own, start, hop_s, starts)


def take_rows(heard: Heard, shift: int) -> tuple[Floats32, Floats32]:
    """The recording's features as if it were tuned ``shift`` semitones lower than it is."""

    def moved(bands: Floats32) -> Floats32:
        out = np.zeros_like(bands)
        if shift >= 0:
            out[:, : BANDS - shift] = bands[:, shift:]
        else:
            out[:, -shift:] = bands[:, :shift]
        return out

    pulse = _take_pulse(heard.fast, heard.hop_s)
    return _assemble(compress(moved(heard.bands), heard.loud), fold(moved(heard.fast)), pulse)


def find(rows: Rows, heard: Heard, shift: int, *, every: int = 1, moves: Steps = FREE,
         within: tuple[int, int] | None = None) -> Path | None:  # fmt: skip
    """The best path of the tab through the recording, which may begin before it and run on past its
    end (a repeat left out, a take that stops early), at the price of silence.

    every : only each n-th row and frame; within : only these frames of the recording
    """
    features, own = take_rows(heard, shift)
    first, last = within or (0, len(features))
    features, own = features[first:last:every], own[first:last:every]
    mine, mine_own = rows.features[::every], rows.own[::every]
    beyond = len(mine) // 2
    ahead = 0 if first else beyond
    features = np.pad(features, ((ahead, beyond), (0, 0)))
    own = np.pad(own, (ahead, beyond), constant_values=BEYOND)
    turned = np.ascontiguousarray(features.T)

    def cost(row: int) -> Floats32:
        return np.asarray(own + mine_own[row] - mine[row] @ turned, dtype=np.float32)

    starts = np.logical_or.reduceat(rows.starts, np.arange(0, len(rows.starts), every))
    pulse = np.pad(_take_pulse(heard.fast, heard.hop_s)[first:last:every], (ahead, beyond))
    waits = Waits(starts, (_PASSING_S * every * heard.hop_s + _MISSED * pulse).astype(np.float32))
    path = best_path(cost, len(mine), len(features), moves=moves, waits=waits)
    return path if path is None else replace(path, frames=path.frames + first // every - ahead)


def find_shift(rows: Rows, heard: Heard) -> int:
    """How many semitones the take lies above the tab: the cheapest at half resolution."""
    costs = {}
    for shift in SHIFTS:
        path = find(rows, heard, shift, every=2)
        costs[shift] = path.cost if path is not None else float("inf")
    best = min(costs, key=lambda s: costs[s])
    return best if costs[best] < SHIFT_GAIN * costs[0] else 0


def _points(path: Path, rows: Rows, heard: Heard) -> tuple[Floats, Floats, Floats]:
    """(nominal, seconds, of which waited before) along the path; a wait lies right before its row."""
    nominal = rows.start_s + path.rows * rows.hop_s
    seconds = path.frames * heard.hop_s
    waited = np.zeros(len(nominal))
    for k in path.waited:
        waited[k:] += seconds[k] - seconds[k - 1] - heard.hop_s
    edges = np.array(path.waited, dtype=np.int64)
    early = np.stack([nominal[edges] - 0.501 * rows.hop_s, nominal[edges] - 0.5 * rows.hop_s])
    there = np.stack([seconds[edges - 1] + 0.499 * heard.hop_s, seconds[edges] - 0.5 * heard.hop_s])
    held = np.stack([waited[edges - 1], waited[edges]])
    order = np.argsort(np.concatenate([nominal, early.ravel()]), kind="stable")

    def joined(own: npt.NDArray[Any], added: npt.NDArray[Any]) -> Floats:
        return np.asarray(np.concatenate([own, added.ravel()])[order], dtype=np.float64)

    return joined(nominal, early), joined(seconds, there), joined(waited, held)


def event_seconds(path: Path, rows: Rows, heard: Heard, events: Sequence[Event]) -> tuple[Floats, Floats]:
    """Where the path puts each event, and how long it waited until then, seconds in the recording."""
    nominal, seconds, waited = _points(path, rows, heard)
    at = [event.nominal_s for event in events]
    return np.interp(at, nominal, seconds), np.interp(at, nominal, waited)


def tempo_ratio(path: Path, rows: Rows, heard: Heard) -> float:
    """Seconds of the take to a nominal second, waits left out: the median slope between points of the
    path that lie about a quarter of it apart (Theil 1950 and Sen 1968: half the points may be astray)."""
    nominal, seconds, waited = _points(path, rows, heard)
    seconds = seconds - waited
    apart = max(1, len(nominal) // 4)
    return float(np.median((seconds[apart:] - seconds[:-apart]) / (nominal[apart:] - nominal[:-apart])))
