"""Who does what when: work waits here until a pool and the memory have room for it.

Lessons come in their order, and of a lesson what has the longest way still to go. Work that does
not end in its time, or whose process dies twice, fails by itself; the rest goes on.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, CancelledError, Future, wait
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from pipeline.build.pools import KilledEachTimeError, Pool, Pools, Work
from pipeline.errors import LessonwrightError, MissingError

USUAL_LIMIT_S: Final = 1800.0
_ATTEMPTS: Final = 2
_FAREWELL_S: Final = 5.0
_TICK_S: Final = 0.25  # how often a stop, a time limit and the pools are looked at
_PASSED_OVER: Final = 20  # so often may smaller work go before what needs more memory
_SHARE: Final = 0.8  # of the memory that is free; the rest is for the system and what is underrated


class Stopped(LessonwrightError):  # noqa: N818 - it is no error
    """The build was asked to end before it was through; what was finished is kept."""


@dataclass(frozen=True, slots=True)
class Lost:
    """Work that did not end by itself: what happened, and what to do."""

    message: str


@dataclass(eq=False)
class Flight:
    """A piece of work.

    what : for messages ("backing A minor 104 bpm of low-tide")
    ended : called with what the work returned, or with Lost
    rank : what has the lower goes first: the lessons in their order
    urgency : among those of a rank, seconds, roughly, until all that waits for it could be done
    away : whether a cluster may do it
    limit_s : when it is given up
    """

    what: str
    work: Work
    argument: object
    ended: Callable[[Any], None]
    rank: float = 0.0
    urgency: float = 0.0
    memory_mb: int = 300
    away: bool = False
    limit_s: float = USUAL_LIMIT_S
    begun: Callable[[], None] | None = None
    attempts: int = 0
    passed_over: int = 0
    since_s: float = 0.0


@dataclass
class Crew:
    """Takes flights and brings them home, one turn at a time.

    memory_mb : what the flights of this machine may need together; None for what is free
    """

    pools: Pools
    memory_mb: int | None = None
    stop: threading.Event | None = None
    _ready: list[Flight] = field(default_factory=list)
    _flying: dict[Future[Any], Flight] = field(default_factory=dict)

    def offer(self, flight: Flight) -> None:
        self._ready.append(flight)

    @property
    def idle(self) -> bool:
        return not self._ready and not self._flying

    def turn(self) -> None:
        """Start what there is room for, then wait until something has ended.

        Raises
        ------
        Stopped : the stop was asked for.
        MissingError : a cluster is gone.
        """
        if self.stop is not None and self.stop.is_set():
            raise Stopped("stopped; what was finished is kept")
        self._start()
        if not self._flying and self._ready:  # a cluster that has no worker just now
            time.sleep(_TICK_S)
        ended, _ = wait(self._flying, timeout=_TICK_S, return_when=FIRST_COMPLETED)
        for future in ended:
            self._home(self._flying.pop(future), future)
        self._give_up_late()
        pools = [self._pool(flight) for flight in (*self._flying.values(), *self._ready)]
        for pool in {id(pool): pool for pool in pools}.values():
            pool.check()

    def _pool(self, flight: Flight) -> Pool:
        return self.pools.away() if flight.away else self.pools.home()

    def _start(self) -> None:
        if not self._ready:
            return
        self._ready.sort(key=lambda flight: (flight.rank, -flight.urgency))
        waiting: list[Flight] = []
        held = False  # something that was passed over too often: nothing goes before it any more
        for flight in self._ready:
            if held or not self._room(flight):
                waiting.append(flight)
                continue
            if not self._fits(flight):
                flight.passed_over += 1
                held = flight.passed_over > _PASSED_OVER
                waiting.append(flight)
                continue
            flight.since_s = time.monotonic()
            self._flying[self._pool(flight).submit(flight.work, flight.argument)] = flight
            if flight.begun is not None:
                flight.begun()
        self._ready = waiting

    def _room(self, flight: Flight) -> bool:
        pool = self._pool(flight)
        return sum(self._pool(other) is pool for other in self._flying.values()) < pool.jobs

    def _fits(self, flight: Flight) -> bool:
        """Whether its pool has the memory; alone, anything may try. A cluster's machines do one
        thing at a time in each worker, within the limit that the worker was given."""
        if flight.away and self.pools.cluster:
            return True
        pool = self._pool(flight)
        if self.memory_mb is None:
            self.memory_mb = round(free_memory_mb() * _SHARE)
        taken = sum(other.memory_mb for other in self._flying.values() if self._pool(other) is pool)
        return not taken or taken + flight.memory_mb <= self.memory_mb

    def _home(self, flight: Flight, future: Future[Any]) -> None:
        if future.cancelled():
            return flight.ended(Lost("it was cancelled"))
        error = future.exception()
        if error is None:
            return flight.ended(future.result())
        if isinstance(error, BrokenExecutor):
            flight.attempts += 1
            if flight.attempts < _ATTEMPTS:
                return self.offer(flight)
            return flight.ended(
                Lost(
                    "its process was killed twice, perhaps for want of memory; close other programs or use --jobs 1"
                )
            )
        if isinstance(error, MissingError):  # a cluster that is gone; what a step lacks is in its outcome
            raise error
        if isinstance(error, KilledEachTimeError):
            return flight.ended(
                Lost(
                    "each worker that tried it was killed, perhaps for want of memory; "
                    "give them more with dask worker --memory-limit"
                )
            )
        if isinstance(error, CancelledError):
            return flight.ended(Lost("its worker was lost"))
        return flight.ended(Lost(f"its worker failed: {type(error).__name__}: {error}"))

    def abandon(self) -> None:
        """Give up whatever is in the air, so that the pools have room for other builds."""
        self._ready.clear()
        given_up = tuple(self._flying)
        while self._flying:
            future, flight = self._flying.popitem()
            self._pool(flight).give_up(future)
        wait(given_up, timeout=_FAREWELL_S)  # a process that is gone holds no work folder any more

    def _give_up_late(self) -> None:
        now = time.monotonic()
        for future, flight in list(self._flying.items()):
            if now - flight.since_s > flight.limit_s:
                del self._flying[future]
                self._pool(flight).give_up(future)
                minutes = f"{flight.limit_s / 60:.3g}"
                flight.ended(
                    Lost(
                        f"it had not ended after {minutes} minute{'s' if minutes != '1' else ''} and was stopped; "
                        "build again, and if it is only slow give it longer with --limit"
                    )
                )


def free_memory_mb() -> int:
    """How much memory programs may still take on this machine, within the limits of a container.

    References: ``proc(5)``, MemAvailable; the kernel's cgroup v2 documentation, memory.max.
    """
    found = [_available_mb(), _container_mb()]
    return min((mb for mb in found if mb is not None), default=4096)


def _available_mb() -> int | None:
    try:
        lines = Path("/proc/meminfo").read_text("ascii").splitlines()
    except OSError:
        return None
    return next((int(line.split()[1]) // 1024 for line in lines if line.startswith("MemAvailable:")), None)


def _container_mb() -> int | None:
    try:
        most = Path("/sys/fs/cgroup/memory.max").read_text("ascii").strip()
        now = Path("/sys/fs/cgroup/memory.current").read_text("ascii").strip()
    except OSError:
        return None
    return (int(most) - int(now)) // 2**20 if most.isdecimal() else None
