"""Durations cut so that a reader sees the beats: common practice.

Places are quarters from where a *full* bar of the metre would start.
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction

from pipeline.music.metre import Metre
from pipeline.music.value import NoteValue, spell_duration


def split_at_beats(start: Fraction, end: Fraction, metre: Metre) -> Iterator[tuple[Fraction, Fraction]]:
    """Off the beat: up to the next beat; on it: all whole beats together, then what is left."""
    beat = metre.beat_quarters
    if start >= end:
        return
    if start % beat:
        nearest = min(end, (start // beat + 1) * beat)
        yield start, nearest
        start = nearest
    whole = (end // beat) * beat
    if whole > start:
        yield start, whole
        start = whole
    if start < end:
        yield start, end


def rest_pieces(start: Fraction, end: Fraction, metre: Metre) -> list[NoteValue]:
    """Note values of a rest: beat by beat, half bars of 4/4 in one."""
    beat = metre.beat_quarters
    values: list[NoteValue] = []
    while start < end:
        left = end - start
        half = metre.quarters / 2
        if metre.beats == 4 and start % half == 0 and left >= half:
            step = half
        elif start % beat == 0 and left >= beat:
            step = beat
        else:
            nearest = (start // beat + 1) * beat
            step = min(left, nearest - start)
        values += spell_duration(step)
        start += step
    return values


def note_pieces(start: Fraction, end: Fraction, metre: Metre) -> list[NoteValue]:
    """Note values of a note, tied to one another, so that the beats that matter stay visible."""
    values = spell_duration(end - start)
    if values[0].actual > 1:
        return list(values)
    cut = _cut_of(start, end, metre, single=len(values) == 1)
    if cut is None:
        return list(values)
    return [*note_pieces(start, cut, metre), *note_pieces(cut, end, metre)]


def _cut_of(start: Fraction, end: Fraction, metre: Metre, *, single: bool) -> Fraction | None:
    """Where to cut first, or None where the duration may stand as it is."""
    beat = metre.beat_quarters
    following = (start // beat + 1) * beat
    if following >= end:
        return None if single else _finest(start, end)
    if metre.compound:
        if start % beat:
            return following
        if (end - start) % beat:
            return (end // beat) * beat
        return None if single else _longest_single(start, end, beat)
    middle = metre.quarters / 2 if metre.beats == 4 else None
    if start % beat:
        if middle is not None and start < middle < end:
            return middle
        # on the half of a beat a syncopation reads well; on a finer place it does not
        if start % (beat / 2) or not single:
            return following
        return None
    if single:
        # a dotted value that ends off the half of a beat hides the beat before it
        return None if end % (beat / 2) == 0 else (end // beat) * beat
    if middle is not None and start < middle < end:
        return middle
    return _longest_single(start, end, beat)


def _longest_single(start: Fraction, end: Fraction, beat: Fraction) -> Fraction | None:
    cut = start + ((end - start) // beat) * beat
    while cut > start:
        if cut < end and len(spell_duration(cut - start)) == 1:
            return cut
        cut -= beat
    return None


def _finest(start: Fraction, end: Fraction) -> Fraction | None:
    """Inside one beat: cut at the strongest place, the one with the smallest denominator."""
    unit = Fraction(1, max(start.denominator, end.denominator, 2))
    places = [start + unit * n for n in range(1, int((end - start) / unit))]
    return min(places, key=lambda place: (place.denominator, place), default=None)
