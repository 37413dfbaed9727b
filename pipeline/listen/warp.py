"""Finding the performance in the recording: subsequence dynamic time warping.

Conventions
-----------
Row i of the score is matched to frame j of the take; the whole score is used up, the take
may have anything before and after. A step goes on by 1 row and 1-4 frames, or by 2-3 rows
and 1 frame, so that a performance may locally be from a third to four times as slow. Before chosen rows the take may also *wait*: stand
still for any time, at the price of :data:`WAIT` and of what the frames passed over cost.

References
----------
Müller, M. (2015), Fundamentals of Music Processing, ch. 7.2 (subsequence DTW), ch. 3.2
(step sizes and weights).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

Floats32 = npt.NDArray[np.float32]

# (rows, frames, what the step costs beside the rows it uses up); pauses and rushes cost most.
# FREE has no opinion about tempo between half and double; STEADY is for a score already
# brought to the take's own tempo, from which it strays by a fifth at little cost
Steps = tuple[tuple[int, int, float], ...]
FREE: Final[Steps] = ((1, 1, 0.0), (1, 2, 0.02), (2, 1, 0.02), (1, 3, 0.15), (1, 4, 0.25), (3, 1, 0.3))
STEADY: Final[Steps] = ((1, 1, 0.0), (1, 2, 0.12), (2, 1, 0.12), (1, 3, 0.3), (1, 4, 0.45), (3, 1, 0.5))

WAIT: Final = 1.0
_SHORTEST: Final = 5  # frames a wait takes on at least; shorter ones are steps
_WAITED: Final = -1  # in place of a step's number


@dataclass(frozen=True)
class Waits:
    """Where the performance may stand still.

    rows : (rows,) bool, before these
    passing : (frames,) what it costs that a frame goes by meanwhile
    """

    rows: npt.NDArray[np.bool_]
    passing: Floats32


@dataclass(frozen=True)
class Path:
    """The best way through: score row ``rows[k]`` lies on take frame ``frames[k]``.

    cost : mean cost of a score row along it
    waited : places k before which the performance stood still
    """

    rows: npt.NDArray[np.int64]
    frames: npt.NDArray[np.int64]
    cost: float
    waited: tuple[int, ...] = ()


def best_path(row_cost: Callable[[int], Floats32], count: int, frames: int, *,
              moves: Steps = FREE, waits: Waits | None = None) -> Path | None:  # fmt: skip
    """The cheapest path of ``count`` score rows through ``frames`` take frames.

    row_cost : row -> (frames,) costs, 0 for a perfect match

    Memory is one byte a cell, five in rows that may be waited for. Each row depends on earlier rows only, so each is one pass of
    vector operations. Returns None when the take is too short for any path.
    """
    steps = np.zeros((count, frames), dtype=np.int8)
    costs: list[Floats32] = []
    totals: list[Floats32] = []
    nowhere = np.full(frames, np.inf, dtype=np.float32)
    passed = np.cumsum(waits.passing, dtype=np.float64) if waits is not None else None
    came: dict[int, npt.NDArray[np.int32]] = {}
    for row in range(count):
        cost = row_cost(row)
        if row == 0:
            totals.append(cost.copy())
            costs.append(cost)
            continue
        best = nowhere.copy()
        choice = steps[row]
        for name, (rows, columns, extra) in enumerate(moves):
            if rows > row or columns >= frames:
                continue
            # rows that a step skips are paid for at the frame where it lands
            paid = cost[columns:] + np.float32(extra)
            for skipped in range(1, rows):
                paid = paid + costs[-skipped][columns:]
            candidate = totals[-rows][:-columns] + paid
            target = best[columns:]
            better = candidate < target
            target[better] = candidate[better]
            choice[columns:][better] = name
        if waits is not None and passed is not None and waits.rows[row] and frames > _SHORTEST:
            # cheapest frame to have waited from: a running minimum, what went by since added
            source = totals[-1] - passed
            lowest = np.minimum.accumulate(source)
            where = np.maximum.accumulate(np.where(source <= lowest, np.arange(frames), 0))
            paid = cost[_SHORTEST:] + np.float32(WAIT)
            candidate = (lowest[:-_SHORTEST] + passed[_SHORTEST - 1 : -1] + paid).astype(np.float32)
            better = candidate < best[_SHORTEST:]
            best[_SHORTEST:][better] = candidate[better]
            choice[_SHORTEST:][better] = _WAITED
            came[row] = where[:-_SHORTEST].astype(np.int32)
        totals.append(best)
        costs.append(cost)
        if len(totals) > 3:
            totals.pop(0)
            costs.pop(0)
    frame = int(np.argmin(totals[-1]))
    total = float(totals[-1][frame])
    if not np.isfinite(total):
        return None
    row = count - 1
    path = [(row, frame)]
    waited = []
    while row > 0:
        step = int(steps[row, frame])
        if step == _WAITED:
            waited.append(len(path))
            row, frame = row - 1, int(came[row][frame - _SHORTEST])
        else:
            rows, columns, _ = moves[step]
            row, frame = row - rows, frame - columns
        path.append((row, frame))
    path.reverse()
    rows_found, frames_found = np.array(path, dtype=np.int64).T
    return Path(rows_found, frames_found, total / count, tuple(len(path) - k for k in reversed(waited)))
