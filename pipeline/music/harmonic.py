"""Where on a string its harmonics are touched, and what they sound."""

from __future__ import annotations

import functools
import math
from typing import Final

_NODE_REACH: Final = 0.35  # how far from the true node, in frets, a fret may be named for it
PARTIALS: Final = range(2, 9)


@functools.cache
def harmonic_sounds(frets: int) -> int | None:
    """Semitones above the open string of the harmonic touched ``frets`` up it, or None.

    The n-th partial has nodes at k/n of the string, fret -12 log2(1 - k/n); the lowest
    partial up to the eighth with a node near the fret sounds (physics of the ideal string).
    """
    for partial in PARTIALS:
        for k in range(1, partial):
            if math.gcd(k, partial) == 1 and abs(-12 * math.log2(1 - k / partial) - frets) <= _NODE_REACH:
                return round(12 * math.log2(partial))
    return None


@functools.cache
def touched_for(sounds: int) -> int | None:
    """How many frets up the string the harmonic ``sounds`` semitones above it is touched, nearest
    the nut; None when it is not among those of :func:`harmonic_sounds`."""
    for partial in PARTIALS:
        frets = round(-12 * math.log2(1 - 1 / partial))
        if harmonic_sounds(frets) == sounds:
            return frets
    return None
