"""Subsequence warping against a search of every path."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.listen.warp import FREE, STEADY, WAIT, Steps, Waits, best_path


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


@pytest.mark.parametrize("seed", range(5))
def test_waiting_is_found_and_paid_for(seed: int) -> None:
    """Against every path by recursion: a wait of five frames or more before rows 3 and 6."""
    rng = np.random.default_rng(seed)
    rows, frames = 9, 40
    cost, passing = (3 * rng.random((rows, frames))).astype(np.float32), rng.random(frames) * 0.1
    at = np.isin(np.arange(rows), (3, 6))
    table = np.full((rows, frames), np.inf)
    table[0] = cost[0]
    for i in range(1, rows):
        for j in range(frames):
            ways = [
                table[i - di, j - dj] + cost[i - di + 1 : i + 1, j].sum() + extra
                for di, dj, extra in STEADY
                if i >= di and j >= dj
            ]
            if at[i]:
                ways += [table[i - 1, k] + passing[k + 1 : j].sum() + WAIT + cost[i, j] for k in range(j - 4)]
            table[i, j] = min(ways, default=np.inf)
    waits = Waits(at, passing.astype(np.float32))
    path = best_path(lambda row: cost[row], rows, frames, moves=STEADY, waits=waits)
    assert path is not None
    assert path.cost * rows == pytest.approx(float(table[-1].min()), abs=1e-4)
    paid = cost[path.rows, path.frames].sum()
    for k in range(1, len(path.rows)):
        before, now = int(path.frames[k - 1]), int(path.frames[k])
        step = (int(path.rows[k] - path.rows[k - 1]), now - before)
        if k in path.waited:
            paid += WAIT + passing[before + 1 : now].sum()
        else:
            paid += next(extra for di, dj, extra in STEADY if (di, dj) == step)
            paid += cost[path.rows[k - 1] + 1 : path.rows[k], now].sum()
    assert paid == pytest.approx(path.cost * rows, abs=1e-4)


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
