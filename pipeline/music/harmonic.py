"""Where on a string its harmonics are touched, and what they sound."""

from __future__ import annotations

import functools
import math
from collections.abc import Iterator
from typing import Final

_NODE_REACH: Final = 0.35  # how far from the true node, in frets, a fret may be named for it
PARTIALS: Final = range(2, 9)


def node_semitones(frets: int, *, reach: float) -> Iterator[float]:
    """Semitones above the open string of the partials (up to the eighth) with a node within
    ``reach`` frets of ``frets``, the lowest partial first.

    The n-th partial has nodes at k/n of the string, fret -12 log2(1 - k/n) (physics of the
    ideal string).
    """
    for partial in PARTIALS:
        for k in range(1, partial):
            if math.gcd(k, partial) == 1 and abs(-12 * math.log2(1 - k / partial) - frets) <= reach:
                yield 12 * math.log2(partial)


@functools.cache
def harmonic_sounds(frets: int) -> int | None:
    """Semitones above the open string of the harmonic touched ``frets`` up it, or None: of the
    partials with a node near the fret the lowest sounds."""
    lowest = next(node_semitones(frets, reach=_NODE_REACH), None)
    return None if lowest is None else round(lowest)


@functools.cache
def touched_for(sounds: int) -> int | None:
    """How many frets up the string the harmonic ``sounds`` semitones above it is touched, nearest
    the nut; None when it is not among those of :func:`harmonic_sounds`."""
    for partial in PARTIALS:
        frets = round(-12 * math.log2(1 - 1 / partial))
        if harmonic_sounds(frets) == sounds:
            return frets
    return None
