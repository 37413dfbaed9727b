"""What a benchmark yields: times, each beside another one of the same run."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Figure:
    """``seconds`` for ``what``, against ``against_s`` for ``against``; ``more`` is said behind it.

    The share is what can be compared between machines and days; the seconds cannot.
    """

    what: str
    seconds: float
    against_s: float
    against: str
    more: str = ""

    def line(self) -> str:
        share = self.seconds / self.against_s
        figures = f"{self.what:<34}{self.seconds:9.3f} s {share:8.3f} of {self.against}"
        return f"{figures}; {self.more}" if self.more else figures


def seconds_of(work: Callable[[], object], *, tries: int = 1) -> float:
    """The least time that ``work`` takes in so many tries."""
    best = float("inf")
    for _ in range(tries):
        begun = time.perf_counter()
        work()
        best = min(best, time.perf_counter() - begun)
    return best
