"""Bends as musicians say them: up to a height, back to another."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

from pipeline.music.technique import Bend


def bend_through(heights: Sequence[Fraction], *, prebent: bool) -> Bend:
    """A bend that moves through ``heights`` (semitones) one after another, starting at the first.

    Raises
    ------
    MusicError : it does not rise above its fret, or too far.
    """
    moves = len(heights) - 1
    if prebent:
        if moves == 0:
            return Bend.pre(heights[0])
        if moves == 1 and heights[1] == 0:
            return Bend.pre_release(heights[0])
    elif moves == 1:
        return Bend.up(heights[1])
    points = [(Fraction(0), heights[0])]
    for move in range(moves):
        # each move fills the first half of its share of the note, then holds
        points.append((Fraction(2 * move + 1, 2 * moves), heights[move + 1]))
        points.append((Fraction(move + 1, moves), heights[move + 1]))
    return Bend(tuple(points))


def heights_of(bend: Bend) -> tuple[Fraction, ...]:
    """The heights that a bend goes through, without its times: inverse of :func:`bend_through`."""
    heights: list[Fraction] = []
    for _, semitones in bend.points:
        if not heights or heights[-1] != semitones:
            heights.append(semitones)
    return tuple(heights)
