"""The even frame rate that a recording is shown at.

Telephones and screen recorders drop frames and write averages (common practice): behind such a
number stands a usual rate, which the overlay, the clip and every editor go by.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Final

MOST_FPS: Final = Fraction(120)
# those of SMPTE ST 2036-1 (from memory); 48 is common practice
USUAL_FPS: Final = tuple(
    Fraction(whole * 1000, over)
    for whole, over in (
        (24, 1001), (24, 1000), (25, 1000), (30, 1001), (30, 1000), (48, 1001), (48, 1000), (50, 1000),
        (60, 1001), (60, 1000), (100, 1000), (120, 1001), (120, 1000),
    )
)  # fmt: skip
_NEAR: Final = Fraction(1, 100)


def even_rate(average: Fraction, base: Fraction) -> Fraction:
    """Frames a second, exact, from 1 to 120.

    average : of the whole recording
    base : of the grid that all its frames stand on, as its container tells

    Where frames were dropped it is the rate of the grid, else the usual rate within one percent
    of the average, else the average in small numbers.
    """
    fields = abs(base - 2 * average) <= average * _NEAR  # some encoders state the rate of fields
    if base in USUAL_FPS and average < base and not fields:
        return base
    near = min(USUAL_FPS, key=lambda usual: abs(usual - average))
    if abs(near - average) <= average * _NEAR:
        return near
    return max(Fraction(1), min(average, MOST_FPS)).limit_denominator(1001)
