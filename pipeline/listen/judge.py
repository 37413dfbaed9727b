"""What was played: each expected note against what sounds at its moment.

Conventions
-----------
Evidence for a note is compared by model: the semitone bands heard just after its moment,
against the bands expected there with the note, without it, and with another pitch in its
place. Likenesses are cosines of log-compressed bands, 0..1.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from pipeline.listen.features import (
    BANDS,
    FFT,
    LOWEST,
    RATE,
    band_bank,
    compress,
    spectra,
    templates,
)
from pipeline.listen.onsets import HOP_S, PLAIN, Curve, sharpen
from pipeline.listen.score import Event, ExpectedNote

Floats = npt.NDArray[np.float64]
Floats32 = npt.NDArray[np.float32]

HEARD: Final = 0.3  # attack, as a share of the take's typical one, that counts as a start
OTHER: Final = 0.05  # another pitch must explain the sound better by this much
FITTING: Final = 0.02  # by this much it may, and the note still counts as matching
# other pitches a note is tried against; octaves, fifths and their like are left out, since a
# strong partial looks like them
OTHERS: Final = (-6, -5, -4, -3, -2, -1, 1, 2, 3, 4, 5, 6)


@dataclass(frozen=True, slots=True)
class Evidence:
    """What speaks for one note.

    rise, stroke : its event's attack, in nepers (own partials; everything)
    likeness : how like the expected bands the heard ones are
    gain : likeness with the note minus likeness without it
    better : likeness with the best other pitch in its place minus likeness with it
    other : that pitch, semitones from the expected one
    loudness : level just after its moment, as a share of the recording's loud moments
    jump : jump of the bright energy at its moment, nepers: a stroke, even on a string that sounds
    """

    rise: float
    stroke: float
    likeness: float
    gain: float
    better: float
    other: int
    loudness: float
    jump: float


def _cosine(a: Floats32, b: Floats32) -> float:
    return float(a @ b / max(1e-9, float(np.linalg.norm(a) * np.linalg.norm(b))))


def _blend(shapes: Floats32, midi: float) -> Floats32:
    place = float(np.clip(midi - LOWEST, 0.0, BANDS - 1.001))
    below = int(place)
    part = np.float32(place - below)
    return np.asarray((1 - part) * shapes[below] + part * shapes[below + 1], dtype=np.float32)


def gather(audio: Floats32, events: Sequence[Event], seconds: Floats, curves: Sequence[Curve], *,
           cents: float, a4_hz: float, loud: float) -> dict[int, Evidence]:  # fmt: skip
    """Evidence for every note, by its index.

    seconds : (events,) moments of the events; loud : level of the recording's loud moments
    """
    shapes = templates()
    bank = band_bank(cents, a4_hz=a4_hz)
    nominal = np.array([event.nominal_s for event in events])
    found: dict[int, Evidence] = {}
    sounding: list[ExpectedNote] = []
    for place, event in enumerate(events):
        look_s = float(seconds[place]) + 0.1
        first = round(look_s * RATE)
        (spectrum,) = spectra(audio, fft=FFT, hop=1, first=first, count=1)
        loudness = float((spectrum @ bank).max()) / max(loud, 1e-9)
        heard = compress((spectrum @ bank)[0], loud)
        at = _nominal_at(look_s, seconds, nominal)
        sounding = [note for note in sounding if note.end_s > event.nominal_s - 0.2] + list(event.notes)
        coming = events[place + 1].notes if place + 1 < len(events) and nominal[place + 1] < at + 0.05 else ()
        expected = np.zeros(BANDS, dtype=np.float32)
        parts: dict[int, tuple[Floats32, np.float32]] = {}
        for note in (*sounding, *coming):
            if not note.pitched:
                continue
            age = max(0.0, at - note.nominal_s)
            gone = max(0.0, at - note.end_s)
            level = np.float32(note.level * np.exp(-age / note.decay_s - gone / 0.08))
            shape = _blend(shapes, note.midi_at(at))
            expected += level * shape
            parts[note.index] = (shape, level)
        whole = _cosine(compress(expected, 1.0), heard)
        moment = curves[place]
        middle = int(np.clip(round((seconds[place] - moment.start_s) / HOP_S), 2, len(moment.rise) - 3))
        near = slice(middle - 2, middle + 5)
        rise, stroke = float(moment.rise[near].max()), float(moment.stroke[near].max())
        jump = sharpen(audio, float(seconds[place]), reach_s=0.008, early_s=0.008).height
        for note in event.notes:
            if not note.pitched:
                found[note.index] = Evidence(rise, stroke, whole, 0.0, 0.0, 0, loudness, jump)
                continue
            shape, level = parts[note.index]
            rest = np.maximum(0.0, expected - level * shape).astype(np.float32)
            without = _cosine(compress(rest, 1.0), heard)
            best, other = -1.0, 0
            for step in OTHERS:
                moved = rest + level * _blend(shapes, note.midi_at(at) + step)
                likeness = _cosine(compress(moved, 1.0), heard)
                if likeness > best:
                    best, other = likeness, step
            found[note.index] = Evidence(
                rise, stroke, whole, whole - without, best - whole, other, loudness, jump
            )
    return found


def _nominal_at(second: float, seconds: Floats, nominal: Floats) -> float:
    """Nominal time of a moment of the take, by the events around it."""
    if second >= seconds[-1]:
        return float(nominal[-1] + second - seconds[-1])
    return float(np.interp(second, seconds, nominal))


@dataclass(frozen=True, slots=True)
class Verdict:
    """``attack``: how plainly it starts, 1 for a typical note; ``fits``: counts for the match."""

    status: str
    attack: float
    fits: bool


def verdicts(happenings: Sequence[Event], evidence: dict[int, Evidence]) -> dict[int, Verdict]:
    strokes = [evidence[n.index].stroke for e in happenings if not e.slurred for n in e.notes]
    rises = [evidence[n.index].rise for e in happenings for n in e.notes if n.pitched]
    typical_stroke = float(np.median(strokes)) if strokes else 1.0
    typical_rise = float(np.median(rises)) if rises else 1.0
    found = {}
    before: set[float] = set()
    for event in happenings:
        for note in event.notes:
            seen = evidence[note.index]
            attack = seen.stroke / max(typical_stroke, 1e-6)
            if note.pitched:
                attack = max(attack, seen.rise / max(typical_rise, 1e-6))
            if seen.jump >= 1.5 * PLAIN:
                attack = max(attack, min(1.0, 0.3 * seen.jump))
            # a slur has hardly an attack, but a pitch that was not there before
            # (and a string struck again while it sounds, hardly a rise)
            again = note.pitched and note.midi in before
            starts = attack >= (HEARD / 3 if again else HEARD) or (seen.gain > 0.1 and attack >= 0.1)
            if not starts or (note.pitched and seen.loudness < 0.02):
                status = "missing"
            elif note.pitched and seen.better > OTHER:
                status = "wrong"
            else:
                status = "played"
            fits = status == "played" and seen.better <= FITTING and seen.likeness > 0.5
            found[note.index] = Verdict(status, attack, fits)
        before = {note.curve[-1][1] for note in event.notes}
    return found


def drop_tail(
    happenings: Sequence[Event], seconds: Floats, found: dict[int, Verdict], *, total_s: float
) -> None:
    """Call missing what lies before or beyond the recording and, of a take that stops early, the longest stretch of six events or more of which at most two in five fit."""
    fits = np.array([any(found[n.index].fits for n in event.notes) for event in happenings])
    inside = (seconds < total_s - 0.02) & (seconds >= 0.0)
    tail = np.cumsum((fits & inside)[::-1]) / np.arange(1, len(fits) + 1)
    short = [k + 1 for k in range(5, len(tail)) if tail[k] <= 0.4 and not fits[len(fits) - 1 - k]]
    keep = len(fits) - (max(short) if short and seconds[-1] >= total_s - 0.02 else 0)
    for place, event in enumerate(happenings):
        if place >= keep or not inside[place]:
            for note in event.notes:
                found[note.index] = Verdict("missing", 0.0, False)
