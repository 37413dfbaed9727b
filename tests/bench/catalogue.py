"""What each lesson of a catalogue costs, from ten lessons to hundreds: time and memory.

``LESSONWRIGHT_BENCH_LESSONS`` is the size of the largest, 300 unless it is set.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

from tests.bench.building import Built, built, control, two_workers
from tests.bench.figures import Figure
from tests.manylessons import write_lessons

COUNTS = (10, 30, 100, 300)
_SPREAD_COUNT, _ROUNDS = 10, 3


def run() -> Iterator[Figure]:
    """Times are per lesson, so that a share of 1 says: as at ten lessons."""
    most = int(os.environ.get("LESSONWRIGHT_BENCH_LESSONS", "300"))
    counts = sorted({count for count in COUNTS if count < most} | {most})
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        least: tuple[int, Built, Built, float] | None = None
        for count in counts:
            week, out = write_lessons(home / f"{count}", count), home / f"out {count}"
            pace = control(2)
            cold = built(week, out, "--jobs", "2")
            pace = (pace + control(2)) / 2
            built(week, out)
            still = min((built(week, out) for _ in range(2)), key=lambda one: one.seconds)
            least = least or (count, cold, still, pace)
            few, cold_few, still_few, pace_few = least
            memory = (
                f"{cold.driver_mb:.0f} MB ({cold.driver_mb / cold_few.driver_mb:.2f}), "
                f"with workers {cold.all_mb:.0f} MB ({cold.all_mb / cold_few.all_mb:.2f})"
            )
            yield Figure(
                f"{count} lessons, cold, each", cold.seconds / count, cold_few.seconds / few, f"{few}'s",
                f"pure work meanwhile {pace / pace_few:.2f}; {cold.steps}; {memory}",
            )  # fmt: skip
            yield Figure(
                f"{count} lessons, unchanged, all", still.seconds, still_few.seconds, f"{few}'s",
                f"{still.steps}; {still.driver_mb:.0f} MB",
            )  # fmt: skip
            if count != counts[-1]:
                shutil.rmtree(out)
        yield from _spread(home)


def _spread(home: Path) -> Iterator[Figure]:
    """What a second process gains, and what a cluster of two costs: the best of a few rounds, each
    of all kinds, as other work on the machine comes and goes."""
    week, out = write_lessons(home / "spread", _SPREAD_COUNT), home / "out spread"
    best: dict[str, float] = {}

    def note(what: str, seconds: float) -> None:
        best[what] = min(best.get(what, seconds), seconds)

    with two_workers() as address:
        for _ in range(_ROUNDS):
            note("pure 1", control(1))
            note("pure 2", control(2))
            for what, options in (
                ("1", ("--jobs", "1")), ("2", ("--jobs", "2")), ("dask", ("--cluster", address)),
            ):  # fmt: skip
                note(what, built(week, out, *options).seconds)
                shutil.rmtree(out)
    few = f"{_SPREAD_COUNT} lessons, cold"
    yield Figure(
        "pure work, 2 processes", best["pure 2"], best["pure 1"], "1 process", "what the machine can gain"
    )
    yield Figure(f"{few}, 2 processes", best["2"], best["1"], "1 process")
    yield Figure(f"{few}, 2 Dask workers", best["dask"], best["2"], "2 processes")
