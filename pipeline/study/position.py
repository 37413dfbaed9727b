"""Where on the neck the hand is: the positions that a stretch of notes goes through.

Conventions
-----------
A position is the fret under the first finger. Four fingers lie over four frets, one each; the
first finger can reach one fret down and the fourth one up without the hand moving. Open strings
and dead notes need no finger. With open strings and frets up to the fourth the hand is in the
first position. Printed music numbers positions in Roman figures. (All common practice of the
guitar; on a mandolin, whose fingers lie two frets apart, the number still is the first finger's
fret, though its players count otherwise.)

References
----------
The way with the least moving, as a shortest path: Sayegh 1989; Radicioni & Lombardo 2005.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from itertools import groupby
from typing import Final

from pipeline.music.tab import Note, Phrase, Tab
from pipeline.music.technique import Dead

_FINGERS: Final = 4
_SHIFT: Final = 1.0  # lifting the hand...
_FURTHER: Final = 0.05  # ...and each fret it moves
_STRETCH: Final = 0.3  # a finger off its fret, for each note
_BEYOND: Final = 10.0  # each fret that no finger reaches: in wide grips something has to be
_LOW: Final = 0.001  # of two as good, the first finger takes the lowest note
_OPEN_UP_TO: Final = 4

_ROMAN: Final = ((10, "X"), (9, "IX"), (5, "V"), (4, "IV"), (1, "I"))


def hand_positions(notes: Sequence[Note]) -> tuple[int, ...]:
    """The positions that the hand passes through, each once, in the order met.

    Empty when no finger is needed.
    """
    fretting = [note for note in notes if not note.has(Dead)]
    groups = [
        sorted({note.fret for note in group if note.fret > 0})
        for _, group in groupby(sorted(fretting, key=lambda note: note.onset), key=_onset)
    ]
    groups = [group for group in groups if group]
    if not groups:
        return ()
    if any(note.fret == 0 for note in fretting) and max(map(max, groups)) <= _OPEN_UP_TO:
        return (1,)
    return tuple(dict.fromkeys(_path(groups)))


def phrase_positions(tab: Tab, phrase: Phrase) -> tuple[int, ...]:
    """The positions of a phrase, as :func:`hand_positions`."""
    first, last = tab.form.bar_span(phrase.first, phrase.last)
    bars = tab.form.written.bars
    return hand_positions([n for n in tab.notes if bars[first].start <= n.onset < bars[last].end])


def roman(number: int) -> str:
    """``5`` -> ``V``, as positions are printed; 1 to 39.

    Raises
    ------
    ValueError : no such position.
    """
    if not 1 <= number < 40:
        raise ValueError(f"a position is a fret from 1 to 39, got {number}")
    told = ""
    for value, figure in _ROMAN:
        told += figure * (number // value)
        number %= value
    return told


def _onset(note: Note) -> Fraction:
    return note.onset


def _strain(frets: Sequence[int], position: int) -> float:
    """What it costs to hold these frets in a position."""
    total = -_LOW * position
    for fret in frets:
        off = max(position - fret, fret - (position + _FINGERS - 1), 0)
        total += _STRETCH * min(off, 1) + _BEYOND * max(off - 1, 0)
    return total


def _path(groups: Sequence[Sequence[int]]) -> list[int]:
    """The position for each group of frets held at once, with the least moving in all."""
    top = max(map(max, groups))
    costs = [0.0] * (top + 1)  # by position; 0 stands for none
    ways: list[list[int]] = []
    for frets in groups:
        came = _nearest(costs)
        ways.append([way for _, way in came])
        costs = [cost + _strain(frets, position) for position, (cost, _) in enumerate(came)]
    at = min(range(1, top + 1), key=costs.__getitem__)
    path = []
    for way in reversed(ways):
        path.append(at)
        at = way[at]
    return path[::-1]


def _nearest(costs: Sequence[float]) -> list[tuple[float, int]]:
    """For each position the least cost to come to it, and from where.

    The cost of a move grows evenly with its length, so one sweep up and one down find it.
    """
    size = len(costs)
    moved = [(cost + _SHIFT, position) for position, cost in enumerate(costs)]
    moved[0] = (float("inf"), 0)
    for sweep in (range(2, size), range(size - 2, 0, -1)):
        step = 1 if sweep.step > 0 else -1
        for position in sweep:
            before, origin = moved[position - step]
            if before + _FURTHER < moved[position][0]:
                moved[position] = (before + _FURTHER, origin)
    return [min((costs[p], p), moved[p], key=lambda way: way[0]) for p in range(size)]
