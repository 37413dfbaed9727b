"""Held breaths: pauses that the tab does not have, before a note that then goes on in time.

Conventions
-----------
``held`` is, for each event, the seconds of pause that lie before it, all earlier ones included:
``seconds - held`` is the take with its pauses taken out, in which tempo is gentle again.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

# an interval longer than the local pace by so much, and by so much of itself, holds a pause
LONGER_S: Final = 0.08
LONGER: Final = 0.15
KEPT: Final = 0.6  # of the excess, that the events before and after must not take back
AROUND: Final = 3  # events before and after that are asked
PACE_S: Final = 3.0  # the local pace is the median one of intervals so near


def held_breaths(nominal: Floats, seconds: Floats) -> Floats:
    """``held`` of every event.

    An event that is misplaced alone makes one interval longer and the next shorter; a pause
    makes one longer and leaves the others as they are.
    """
    if len(nominal) < 3:
        return np.zeros(len(nominal))
    wanted, gaps = np.diff(nominal), np.diff(seconds)
    middle = 0.5 * (nominal[1:] + nominal[:-1])
    usual = np.empty(len(gaps))
    for i, at in enumerate(middle):
        reach = max(PACE_S, float(np.sort(np.abs(middle - at))[min(6, len(middle) - 1)]))
        near = np.abs(middle - at) <= reach
        usual[i] = wanted[i] * _weighted_median(gaps[near] / np.maximum(wanted[near], 1e-3), wanted[near])
    excess = gaps - usual
    pauses = np.zeros(len(gaps))
    for i in np.flatnonzero(excess > LONGER_S + LONGER * usual).tolist():
        after = np.cumsum(excess[i : i + 1 + AROUND])
        before = np.cumsum(excess[max(0, i - AROUND) : i + 1][::-1])
        if min(after.min(), before.min()) >= KEPT * excess[i]:
            pauses[i] = excess[i]
    return np.concatenate([[0.0], np.cumsum(pauses)])


def _weighted_median(values: Floats, weights: Floats) -> float:
    order = np.argsort(values)
    share = np.cumsum(weights[order])
    return float(values[order][int(np.searchsorted(share, 0.5 * share[-1]))])
