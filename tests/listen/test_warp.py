"""Subsequence warping against a search of every path."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.listen.warp import FREE, STEADY, Steps, best_path


def cheapest(cost: np.ndarray, moves: Steps) -> float:
    """Every path, by recursion over the definition."""
    rows, frames = cost.shape
    table = np.full((rows, frames), np.inf)
    table[0] = cost[0]
    for i in range(1, rows):
        for j in range(frames):
            for di, dj, extra in moves:
                if i - di >= 0 and j - dj >= 0:
                    paid = cost[i - di + 1 : i + 1, j].sum() + extra
                    table[i, j] = min(table[i, j], table[i - di, j - dj] + paid)
    return float(table[-1].min())


@pytest.mark.parametrize("moves", [FREE, STEADY])
@pytest.mark.parametrize("seed", range(5))
def test_finds_the_cheapest_path(moves: Steps, seed: int) -> None:
    cost = np.random.default_rng(seed).random((9, 23)).astype(np.float32)
    path = best_path(lambda row: cost[row], 9, 23, moves=moves)
    assert path is not None
    assert path.cost * 9 == pytest.approx(cheapest(cost, moves), abs=1e-4)
    assert path.rows[0] == 0
    assert path.rows[-1] == 8
    steps = set(zip(np.diff(path.rows).tolist(), np.diff(path.frames).tolist(), strict=True))
    assert steps <= {(a, b) for a, b, _ in moves}


def test_a_buried_sequence_is_found_where_it_is() -> None:
    rng = np.random.default_rng(1)
    pattern = rng.integers(0, 50, 20)
    take = np.concatenate([rng.integers(50, 99, 15), np.repeat(pattern, 2), rng.integers(50, 99, 9)])
    path = best_path(lambda row: (take != pattern[row]).astype(np.float32), 20, len(take))
    assert path is not None
    assert abs(path.frames[0] - 15) <= 1
    assert abs(path.frames[-1] - (15 + 2 * 19)) <= 1


def test_too_short_a_take_has_no_path() -> None:
    assert best_path(lambda row: np.zeros(2, dtype=np.float32), 20, 2) is None
