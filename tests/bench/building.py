"""The command as a benchmark runs it: how long it took, how many steps it ran, how much memory it held."""

from __future__ import annotations

import hashlib
import json
import multiprocessing
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import psutil

ROOT = Path(__file__).resolve().parents[2]
_SHORT_LOOK_S, _LONG_LOOK_S = 0.03, 0.5  # the process itself; all it has started, which costs more
_CONTROL_ROUNDS = 1_500


@dataclass(frozen=True, slots=True)
class Built:
    """seconds : of the whole command, from its start to its end
    made, reused : steps of all lessons
    driver_mb : the most that the process of the command itself held (RSS)
    all_mb : the most that it and all it started held together, what they share counted once (PSS)
    """

    seconds: float
    made: int
    reused: int
    driver_mb: float
    all_mb: float

    @property
    def steps(self) -> str:
        return f"{self.made} steps run, {self.reused} found done"


def built(path: Path, out: Path, *options: str) -> Built:
    """Build by the command.

    Raises
    ------
    RuntimeError : it failed.
    """
    command = [
        sys.executable,
        "-m",
        "pipeline.cli",
        "build",
        str(path),
        "--out",
        str(out),
        "--json",
        *options,
    ]
    begun = time.perf_counter()
    process = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    peaks = [0.0, 0.0]
    watch = threading.Thread(target=_watch, args=(process.pid, peaks), daemon=True)
    watch.start()
    said, told = process.communicate()
    seconds = time.perf_counter() - begun
    watch.join()
    if process.returncode:
        raise RuntimeError(f"{' '.join(command)} ended with {process.returncode}:\n{told}")
    lessons = json.loads(said)["lessons"]
    made, reused = (sum(one[name] for one in lessons) for name in ("steps_made", "steps_reused"))
    return Built(seconds, made, reused, peaks[0], peaks[1])


def _watch(pid: int, peaks: list[float]) -> None:
    """Keep the peaks of memory (the process's own, the whole tree's) until the process has gone."""
    try:
        main, looked = psutil.Process(pid), 0.0
        while main.status() != psutil.STATUS_ZOMBIE:
            peaks[0] = max(peaks[0], main.memory_info().rss / 1e6)
            if time.monotonic() - looked > _LONG_LOOK_S:
                peaks[1] = max(
                    peaks[1], sum(_share_mb(one) for one in (main, *main.children(recursive=True)))
                )
                looked = time.monotonic()
            time.sleep(_SHORT_LOOK_S)
    except psutil.Error:
        return


def _share_mb(process: psutil.Process) -> float:
    try:
        return float(process.memory_full_info().pss) / 1e6
    except psutil.Error:  # it has gone meanwhile
        return 0.0


def _busy(rounds: int) -> None:
    data = bytes(1_000_000)
    for _ in range(rounds):
        hashlib.sha256(data).digest()


def control(processes: int, *, rounds: int = _CONTROL_ROUNDS) -> float:
    """Seconds for a fixed piece of pure work shared by so many processes, which are started
    before: what the machine itself gains by them, at this moment."""
    with multiprocessing.get_context("spawn").Pool(processes) as pool:
        pool.map(_busy, [1] * processes)
        begun = time.perf_counter()
        pool.map(_busy, [rounds // processes] * processes, chunksize=1)
        return time.perf_counter() - begun


@contextmanager
def two_workers() -> Iterator[str]:
    """A Dask cluster of two workers with one thread each; its address."""
    from dask.distributed import LocalCluster

    with LocalCluster(n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None) as cluster:
        yield str(cluster.scheduler_address)
