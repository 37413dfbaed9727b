"""The key that notes are likely in, from how long each pitch class sounds.

References
----------
Krumhansl, C. L., Kessler, E. J. (1982), "Tracing the dynamic changes in perceived tonal
organization in a spatial representation of musical keys", Psychological Review 89(4): the
probe-tone profiles; correlation as the measure, as in Krumhansl (1990).
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from typing import Final

from pipeline.music.key import Key

PROFILES: Final = {
    "major": (6.35, 2.23, 3.48, 2.33, 4.38, 4.09, 2.52, 5.19, 2.39, 3.66, 2.29, 2.88),
    "minor": (6.33, 2.68, 3.52, 5.38, 2.60, 3.53, 2.54, 4.75, 3.98, 2.69, 3.34, 3.17),
}
# the usual name of each tonic: at most six sharps or flats in the signature
TONICS: Final = {
    "major": ("C", "Db", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B"),
    "minor": ("C", "C#", "D", "Eb", "E", "F", "F#", "G", "G#", "A", "Bb", "B"),
}


def key_fits(weights: Sequence[float]) -> tuple[tuple[Key, float], ...]:
    """The 24 major and minor keys, best first, with how well the weights of the twelve pitch
    classes correlate with their profiles, -1..1; 0 for all when the weights are all alike."""
    flat = len(set(weights)) < 2
    fits = [
        (
            Key.parse(f"{TONICS[mode][tonic]} {mode}"),
            0.0 if flat else _correlation(weights, profile[-tonic:] + profile[:-tonic]),
        )
        for mode, profile in PROFILES.items()
        for tonic in range(12)
    ]
    return tuple(sorted(fits, key=lambda fit: -fit[1]))


def likely_key(weights: Sequence[float]) -> Key | None:
    """The best of :func:`key_fits`; None when the weights say nothing: no notes, or all alike."""
    return key_fits(weights)[0][0] if len(set(weights)) > 1 else None


def _correlation(one: Sequence[float], two: Sequence[float]) -> float:
    a, b = statistics.fmean(one), statistics.fmean(two)
    up = sum((x - a) * (y - b) for x, y in zip(one, two, strict=True))
    return up / math.sqrt(sum((x - a) ** 2 for x in one) * sum((y - b) ** 2 for y in two))
