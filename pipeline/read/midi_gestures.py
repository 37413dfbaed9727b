"""What the pitch wheel draws on a note: bends, slides, vibrato.

How far a wheel strays before it means something: our own judgement, in semitones.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

from pipeline.music.bend import bend_through
from pipeline.music.errors import MusicError
from pipeline.music.technique import Bend, Slide, SlideKind, Technique, Vibrato

DRIFT: Final = 0.2  # less is the hand, not a gesture
_SHAKES: Final = 3  # turns that make a vibrato
_WIDE: Final = 0.8  # from crest to trough
MODULATED: Final = 24  # position of the modulation wheel, of 127
_MODULATED_WIDE: Final = 80


@dataclass(frozen=True, slots=True)
class Gesture:
    """techniques : on the note; glides : semitones that it moves at its end towards the next"""

    techniques: tuple[Technique, ...] = ()
    glides: float | None = None
    lost: str = ""


def gesture_of(
    curve: Sequence[tuple[Fraction, float]], onset: Fraction, end: Fraction, modulation: int, step: int | None
) -> Gesture:
    """The gesture of a note.

    Parameters
    ----------
    curve : (quarter, semitones), the position at the start first
    step : semitones to the next note on the string, when that follows at once
    """
    marks: list[Technique] = []
    if modulation >= MODULATED:
        marks.append(Vibrato(wide=modulation >= _MODULATED_WIDE))
    length = end - onset
    points = [(float((quarter - onset) / length), height) for quarter, height in curve]
    if max((abs(height) for _, height in points), default=0.0) < DRIFT:
        return Gesture(tuple(marks))
    turns = _turns([height for _, height in points])
    if _shaken(turns):
        swing = max(turns) - min(turns)
        if not marks:
            marks.append(Vibrato(wide=swing > _WIDE))
        rise = _middle(turns)
        if rise > 0.7:  # a vibrato on a bent string
            marks.append(bend_through([_tone(rise)], prebent=True) if points[0][1] > DRIFT else
                         Bend.up(_tone(rise)))  # fmt: skip
        return Gesture(tuple(marks))
    last = points[-1][1]
    plain = [height for place, height in points if place <= 0.55]
    if step and abs(last) >= DRIFT and all(abs(h) < DRIFT for h in plain) and abs(last - step) <= 0.6:
        return Gesture(tuple(marks), glides=last)
    if abs(last) < DRIFT and points[0][1] <= -DRIFT and all(h < DRIFT for _, h in points):
        return Gesture((*marks, Slide(SlideKind.IN_BELOW)))
    if last <= -0.9 and all(abs(h) < DRIFT for h in plain):
        return Gesture((*marks, Slide(SlideKind.OUT_DOWN)))
    if min(height for _, height in points) < -DRIFT:
        return Gesture(tuple(marks), lost="a wheel below the note")
    heights = _heights(turns)
    try:
        marks.append(bend_through(heights[:7], prebent=heights[0] > 0))
    except MusicError:
        return Gesture(tuple(marks), lost="a bend that a hand cannot make")
    return Gesture(tuple(marks))


def _tone(height: float) -> Fraction:
    """To the nearest quarter tone."""
    return Fraction(round(height * 2), 2)


def _turns(heights: Sequence[float]) -> list[float]:
    """The heights where the curve turns, both ends included; turns below the drift left out."""
    found = [heights[0]]
    for height in heights[1:]:
        if len(found) >= 2 and (found[-1] - found[-2]) * (height - found[-1]) >= 0:
            found[-1] = height
        elif abs(height - found[-1]) >= DRIFT / 2:
            found.append(height)
        elif len(found) >= 2 and abs(height - found[-2]) > abs(found[-1] - found[-2]):
            found[-1] = height
    return found


def _shaken(turns: Sequence[float]) -> bool:
    inner = turns[1:]
    moves = [abs(b - a) for a, b in itertools.pairwise(inner)]
    return len(moves) >= 2 * _SHAKES - 1 and max(moves[:-1] or moves) <= 1.6 and min(moves[1:-1]) >= DRIFT / 2


def _middle(turns: Sequence[float]) -> float:
    inner = turns[1:-1] or turns
    return (max(inner) + min(inner)) / 2


def _heights(turns: Sequence[float]) -> list[Fraction]:
    """Heights that the bend goes through, in quarter tones, without repetition."""
    found: list[Fraction] = []
    for turn in turns:
        tone = max(Fraction(0), _tone(turn))
        if not found or found[-1] != tone:
            found.append(tone)
    return found
