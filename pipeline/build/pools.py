"""Where work is done: processes of this machine, or a Dask cluster.

Both take a top-level function with one argument and give a future of
:mod:`concurrent.futures`; both can be told to give a piece of work up.
"""

from __future__ import annotations

import importlib
import math
import multiprocessing
import os
import signal
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import BrokenExecutor, CancelledError, Future, InvalidStateError, ProcessPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from typing import Any, Final, Protocol

from pipeline.build.offspring import kill_with_offspring
from pipeline.build.work import prepare_worker
from pipeline.errors import MissingError

Work = Callable[[Any], Any]
_PATIENCE_S: Final = 60.0  # how long a cluster may be without any worker
_ASK_S: Final = 2.0  # how often its workers are counted
_START_S: Final = 30.0  # a process that has not begun by then never will
_START_TRIES, _START_PAUSE_S = 3, 0.2
_LONGEST_PATH: Final = 70  # of the 108 bytes that unix(7) gives the path of a socket
_STOP_S: Final = 5.0


def default_jobs() -> int:
    """As many as the processors this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return max(1, len(os.sched_getaffinity(0)))
    return max(1, os.cpu_count() or 1)


class KilledEachTimeError(Exception):
    """A cluster's workers died of a piece of work, one after the other."""


class Pool(Protocol):
    """``jobs``: how much it does at a time."""

    @property
    def jobs(self) -> int: ...

    def submit(self, work: Work, argument: object) -> Future[Any]: ...

    def give_up(self, future: Future[Any]) -> None:
        """Stop what does not end; the future fails, or is cancelled."""

    def check(self) -> None:
        """Raise MissingError when nothing submitted can be done any more."""

    def stop(self, *, at_once: bool) -> None: ...


class _Hand:
    """One process. A pool of one, so that when it dies it is known what it died of."""

    def __init__(self) -> None:
        # a fork server listens at a path below the folder for temporary files, which may be too
        # long for that; new processes are only slower
        short = len(tempfile.gettempdir()) <= _LONGEST_PATH
        can = "forkserver" in multiprocessing.get_all_start_methods()
        context = multiprocessing.get_context("forkserver" if can and short else "spawn")
        self.pool = ProcessPoolExecutor(1, mp_context=context, initializer=prepare_worker)
        self._pid = self.pool.submit(os.getpid)

    def kill(self) -> None:
        # it may be gone already, or never have come to be
        with suppress(OSError, BrokenExecutor, CancelledError, TimeoutError):
            kill_with_offspring(self._pid.result(_START_S))
        self.pool.shutdown(wait=False, cancel_futures=True)


def _new_hand() -> _Hand:
    """Asked again when the process that starts the others was gone: there is a new one then."""
    for _ in range(_START_TRIES - 1):
        try:
            return _Hand()
        except (ConnectionError, EOFError):
            time.sleep(_START_PAUSE_S)
    return _Hand()


@contextmanager
def _undisturbed() -> Iterator[None]:
    """Ctrl-C waits until what is done inside is done: a process that was just being started, and
    is known to nobody yet, would lose its parent in the middle of that, and say so at length."""
    before = signal.getsignal(signal.SIGINT)
    if before is None or threading.current_thread() is not threading.main_thread():
        yield
        return
    came: list[int] = []
    signal.signal(signal.SIGINT, lambda number, _: came.append(number))
    failed: Exception | None = None
    try:
        yield
    except Exception as error:  # noqa: BLE001 - raised again below, after the Ctrl-C that may be its reason
        failed = error
    finally:
        signal.signal(signal.SIGINT, before)
    if came:
        signal.raise_signal(signal.SIGINT)
    if failed is not None:
        raise failed


class LocalPool:
    """Processes on this machine. One that is killed takes only its own work with it."""

    def __init__(self, jobs: int) -> None:
        self.jobs = jobs
        self._idle: list[_Hand] = []
        self._busy: dict[Future[Any], _Hand] = {}

    def submit(self, work: Work, argument: object) -> Future[Any]:
        with _undisturbed():
            return self._submit(work, argument)

    def _submit(self, work: Work, argument: object) -> Future[Any]:
        hand = self._idle.pop() if self._idle else _new_hand()
        try:
            future = hand.pool.submit(work, argument)
        except BrokenExecutor:  # it was killed while it had nothing to do
            hand.kill()
            hand = _new_hand()
            future = hand.pool.submit(work, argument)
        self._busy[future] = hand
        future.add_done_callback(self._ended)
        return future

    def _ended(self, future: Future[Any]) -> None:
        hand = self._busy.pop(future)
        if not future.cancelled() and isinstance(future.exception(), BrokenExecutor):
            hand.kill()
        else:
            self._idle.append(hand)

    def give_up(self, future: Future[Any]) -> None:
        hand = self._busy.get(future)
        if hand is not None:
            hand.kill()

    def check(self) -> None:
        pass  # a new process can always be had

    def stop(self, *, at_once: bool) -> None:
        for hand in (*self._idle, *self._busy.values()):
            if at_once:
                hand.kill()
            else:
                hand.pool.shutdown(wait=False, cancel_futures=True)
        for process in multiprocessing.active_children():
            process.join(_STOP_S)


class ClusterPool:
    """Processes of a Dask cluster; each does one thing at a time, whatever its threads."""

    def __init__(self, address: str, jobs: int | None) -> None:
        try:
            client: Any = importlib.import_module("dask.distributed").Client
        except ImportError as error:
            raise MissingError(
                "--cluster needs the package dask.distributed, which is not installed; "
                "get it with: pip install 'dask[distributed]' fsspec"
            ) from error
        try:
            self._client = client(address, timeout="10s", set_as_default=False)
        except (OSError, ValueError, TimeoutError) as error:
            raise MissingError(
                f"--cluster {address}: no scheduler answers there ({error}); "
                "check the address (such as tcp://host:8786) and that the scheduler is up"
            ) from error
        self.address = address
        self._most = jobs
        self._far: dict[Future[Any], Any] = {}
        self._workers, self._asked, self._seen = 0, -math.inf, time.monotonic()
        self.check()

    @property
    def jobs(self) -> int:
        now = time.monotonic()
        if now - self._asked > _ASK_S:
            self._asked = now
            try:
                self._workers = len(self._client.nthreads())
            except (OSError, TimeoutError):
                self._workers = 0
            if self._workers:
                self._seen = now
        return min(self._workers, self._most or self._workers)

    def _gone(self) -> MissingError | None:
        """The error that the scheduler is no longer there, if so: Dask has then given it up."""
        if self._client.status not in ("closing", "closed"):
            return None
        return MissingError(
            f"--cluster {self.address}: the scheduler is gone; start it and build again, finished steps are kept"
        )

    def check(self) -> None:
        gone = self._gone()
        if gone is not None:
            raise gone
        if not self.jobs and time.monotonic() - self._seen > _PATIENCE_S:
            raise MissingError(
                f"--cluster {self.address}: there has been no worker for {_PATIENCE_S:.0f} s; start some "
                "(dask worker --nthreads 1) and build again, finished steps are kept"
            )

    def submit(self, work: Work, argument: object) -> Future[Any]:
        gone = self._gone()
        if gone is not None:
            raise gone
        near: Future[Any] = Future()
        near.set_running_or_notify_cancel()
        far = self._client.submit(work, argument, pure=False)
        self._far[near] = far
        far.add_done_callback(lambda done: self._ended(done, near))
        return near

    def _ended(self, far: Any, near: Future[Any]) -> None:
        self._far.pop(near, None)
        # it may be given up at this moment, by the other thread
        with suppress(InvalidStateError):
            try:
                near.set_result(far.result())
            except InvalidStateError:
                raise
            except BaseException as error:  # noqa: BLE001 - the near future raises it to whoever waits
                # known by name: this may run without Dask's scheduler being imported
                killed = type(error).__name__ == "KilledWorker"
                near.set_exception(self._gone() or (KilledEachTimeError() if killed else error))

    def give_up(self, future: Future[Any]) -> None:
        far = self._far.pop(future, None)
        if far is None:
            return
        with suppress(OSError, TimeoutError):  # a scheduler that is gone has nothing left to stop
            at_it = [worker for worker, keys in self._client.processing().items() if far.key in keys]
            far.cancel(force=True)
            if at_it:  # a thread cannot be stopped, its process can
                self._client.restart_workers(at_it, raise_for_error=False)
        with suppress(InvalidStateError):
            future.set_exception(CancelledError())

    def stop(self, *, at_once: bool) -> None:
        for future in list(self._far):
            if at_once:
                self.give_up(future)
        self._client.close()


@dataclass(frozen=True, slots=True)
class Pools:
    """``home`` for what touches this machine's files, ``away`` for the steps: the same, unless
    there is a ``cluster``. A pool is made when first asked for: a build that finds everything
    unchanged starts no process."""

    home: Callable[[], Pool]
    away: Callable[[], Pool]
    cluster: bool = False


@contextmanager
def open_pools(jobs: int | None, cluster: str | None) -> Iterator[Pools]:
    """Pools for as long as the context lasts; stopped at once when it ends by an error.

    Raises
    ------
    MissingError : the cluster does not answer.
    """
    made: dict[str, Pool] = {}

    def home() -> Pool:
        if "home" not in made:
            # beside a cluster this machine only reads lessons and puts releases in place
            made["home"] = LocalPool(default_jobs() if cluster else jobs or default_jobs())
        return made["home"]

    if cluster:
        made["away"] = ClusterPool(cluster, jobs)  # an address that does not answer is told before any work
    finished = False
    try:
        yield Pools(home, (lambda: made["away"]) if cluster else home, bool(cluster))
        finished = True
    finally:
        for pool in made.values():
            pool.stop(at_once=not finished)
