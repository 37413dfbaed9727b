"""Running a graph of steps: what is in the store is reused, the rest goes to an executor.

The executor is anything with the ``submit`` of :mod:`concurrent.futures`: a pool of
processes here, a Dask cluster elsewhere. Steps with the longest way still to go come first.
One step's failure stops only what needs it.
"""

from __future__ import annotations

import importlib
import multiprocessing
import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Executor, Future, ProcessPoolExecutor, wait
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

from pipeline.build.graph import Graph, StepId
from pipeline.build.report import Reporter
from pipeline.build.step import Made
from pipeline.build.store import Store
from pipeline.build.work import Outcome, Task, perform, prepare_worker, said_of
from pipeline.errors import MissingError

_ATTEMPTS = 2


def default_jobs() -> int:
    """As many as the processors this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return max(1, len(os.sched_getaffinity(0)))
    return max(1, os.cpu_count() or 1)


class LocalPool:
    """Processes on this machine. Replaces itself when one of them is killed."""

    def __init__(self, jobs: int) -> None:
        self.jobs = jobs
        self._pool = self._new()

    def _new(self) -> ProcessPoolExecutor:
        methods = multiprocessing.get_all_start_methods()
        context = multiprocessing.get_context("forkserver" if "forkserver" in methods else "spawn")
        return ProcessPoolExecutor(self.jobs, mp_context=context, initializer=prepare_worker)

    def submit(self, task: Task) -> Future[Outcome]:
        try:
            return self._pool.submit(perform, task)
        except BrokenExecutor:
            self.renew()
            return self._pool.submit(perform, task)

    def renew(self) -> None:
        self._pool.shutdown(wait=False, cancel_futures=True)
        self._pool = self._new()

    def stop(self, *, at_once: bool) -> None:
        self._pool.shutdown(wait=not at_once, cancel_futures=True)
        if at_once:
            for process in multiprocessing.active_children():
                process.terminate()
            for process in multiprocessing.active_children():
                process.join(5)


class ClusterPool:
    """Processes of a Dask cluster that sees the same folders as this machine."""

    def __init__(self, address: str, jobs: int | None) -> None:
        try:
            client: Any = importlib.import_module("dask.distributed").Client
        except ImportError as error:
            raise MissingError(
                "--cluster needs the package dask.distributed, which is not installed; "
                "get it with: pip install 'lessonwright[cluster]'"
            ) from error
        try:
            self._client = client(address, timeout="10s")
        except (OSError, ValueError, TimeoutError) as error:
            raise MissingError(
                f"--cluster {address}: no scheduler answers there ({error}); "
                "check the address (such as tcp://host:8786) and that the scheduler is up"
            ) from error
        self.jobs = jobs or max(1, sum(self._client.nthreads().values()))
        self._executor: Executor = self._client.get_executor(pure=False)

    def submit(self, task: Task) -> Future[Outcome]:
        return self._executor.submit(perform, task)

    def renew(self) -> None:
        self._executor = self._client.get_executor(pure=False)

    def stop(self, *, at_once: bool) -> None:
        self._executor.shutdown(wait=not at_once)
        self._client.close()


Pool = LocalPool | ClusterPool


@contextmanager
def open_pool(jobs: int | None, cluster: str | None) -> Iterator[Callable[[], Pool]]:
    """Gives a function that returns the pool, made when first asked for: a build that
    reuses everything starts no process."""
    made: list[Pool] = []

    def get() -> Pool:
        if not made:
            made.append(ClusterPool(cluster, jobs) if cluster else LocalPool(jobs or default_jobs()))
        return made[0]

    if cluster:
        get()  # an address that does not answer is told before any work
    finished = False
    try:
        yield get
        finished = True
    finally:
        for pool in made:
            pool.stop(at_once=not finished)


@dataclass(frozen=True, slots=True)
class Done:
    """How a step of a graph ended.

    state : "made", "reused", "failed", or "skipped" because a needed step failed
    """

    state: str
    outcome: Outcome

    @property
    def made(self) -> Made | None:
        return self.outcome.made


@dataclass
class Runner:
    """Runs a graph once.

    on_lesson : called when the last step of a lesson has ended, with its steps by name
    """

    graph: Graph
    store: Store
    pool: Callable[[], Pool]
    report: Reporter
    on_lesson: Callable[[str, dict[str, Done]], None]
    done: dict[StepId, Done] = field(default_factory=dict)
    _flying: dict[Future[Outcome], tuple[StepId, Task]] = field(default_factory=dict)
    _waiting: dict[str, list[StepId]] = field(default_factory=dict)  # key in flight → twins
    _attempts: dict[StepId, int] = field(default_factory=dict)
    _suspects: list[StepId] = field(default_factory=list)

    def run(self) -> dict[StepId, Done]:
        """Every step's end, by id."""
        self._left = {i: len(step.needs) for i, step in self.graph.steps.items()}
        self._after: dict[StepId, list[StepId]] = {i: [] for i in self.graph.steps}
        for i, step in self.graph.steps.items():
            for need in step.needs:
                self._after[i[0], need].append(i)
        self._open = {lesson: 0 for lesson, _ in self.graph.steps}
        for lesson, _ in self.graph.steps:
            self._open[lesson] += 1
        self._ready = [i for i, left in self._left.items() if not left]
        while self._ready or self._suspects or self._flying:
            if self._suspects:
                # one of several was killed with its pool: alone, it is known which
                self._begin(self._suspects.pop())
            else:
                self._ready.sort(key=lambda i: self.graph.urgency[i])
                while self._ready and (not self._flying or len(self._flying) < self.pool().jobs):
                    self._begin(self._ready.pop())
            if self._flying:
                self._collect()
        return self.done

    def _begin(self, i: StepId) -> None:
        step = self.graph.steps[i]
        needs = {need: self.done[i[0], need].made for need in step.needs}
        given = {name: made for name, made in needs.items() if made is not None}
        if len(given) < len(needs):
            lacking = next(name for name in step.needs if name not in given)
            self._end(i, Done("skipped", Outcome(None, 0.0, f"needs {lacking}, which failed")))
            return
        try:
            key = step.key(given)
            found = self.store.find(key)
        except OSError as error:
            self._end(i, Done("failed", Outcome(None, 0.0, said_of(error))))
            return
        if found is not None:
            self._end(i, Done("reused", Outcome(found, 0.0)))
            return
        if key in self._waiting:
            self._waiting[key].append(i)
            return
        self._waiting[key] = []
        try:
            folder = self.store.work_folder()
        except OSError as error:
            del self._waiting[key]
            self._end(i, Done("failed", Outcome(None, 0.0, said_of(error))))
            return
        task = Task(
            i[0], i[1], key, step.function, step.params, step.outputs, dict(step.files), given,
            self.store.root, folder,
        )  # fmt: skip
        self.report.started(*i)
        self._flying[self.pool().submit(task)] = (i, task)

    def _collect(self) -> None:
        ended, _ = wait(self._flying, return_when=FIRST_COMPLETED)
        if any(isinstance(future.exception(), BrokenExecutor) for future in ended):
            ended, _ = wait(self._flying)  # the pool is gone, and all that was in it
        together = len(ended)
        for future in ended:
            i, task = self._flying.pop(future)
            twins = self._waiting.pop(task.key)
            broken = future.exception()
            if broken is None:
                outcome = future.result()
                self._end(i, Done("made" if outcome.made else "failed", outcome))
                for twin in twins:
                    self._end(twin, Done("reused" if outcome.made else "failed", outcome))
            elif isinstance(broken, BrokenExecutor) and (together > 1 or self._may_try_again(i)):
                self._suspects += [i, *twins]
            else:
                self._lost((i, *twins), broken)

    def _may_try_again(self, i: StepId) -> bool:
        self._attempts[i] = self._attempts.get(i, 0) + 1
        return self._attempts[i] < _ATTEMPTS

    def _lost(self, steps: Sequence[StepId], broken: BaseException) -> None:
        message = (
            "its process was killed twice, perhaps for want of memory; close other programs or use --jobs 1"
            if isinstance(broken, BrokenExecutor)
            else f"its worker was lost: {type(broken).__name__}: {broken}"
        )
        for i in steps:
            self._end(i, Done("failed", Outcome(None, 0.0, message, account=repr(broken))))

    def _end(self, i: StepId, done: Done) -> None:
        self.done[i] = done
        if done.made is not None:
            self.report.finished(*i, seconds=done.outcome.seconds, reused=done.state == "reused")
        elif done.state == "failed" and not done.outcome.problems:
            self.report.failed(*i, done.outcome.message)
        for after in self._after[i]:
            self._left[after] -= 1
            if not self._left[after]:
                self._ready.append(after)
        self._open[i[0]] -= 1
        if not self._open[i[0]]:
            steps = self.graph.steps
            self.on_lesson(i[0], {name: self.done[i[0], name] for lesson, name in steps if lesson == i[0]})
