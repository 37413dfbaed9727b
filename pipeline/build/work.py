"""Doing one step, on whatever machine: a task goes in, an outcome comes out.

Nothing raised by a step leaves :func:`perform`; an outcome that failed says what went wrong,
whose fault it is, and carries the full account for the log.
"""

from __future__ import annotations

import atexit
import errno
import os
import shutil
import signal
import socket
import sys
import tempfile
import threading
import time
import traceback
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from functools import lru_cache
from multiprocessing import connection, parent_process
from pathlib import Path
from typing import Any, Final

from pipeline.build.digest import code_digest, input_digest, library_version
from pipeline.build.faraway import FarStore, LostResultError
from pipeline.build.farfolder import UnreachableError
from pipeline.build.offspring import kill_offspring
from pipeline.build.step import Given, Made, Output, State, Step, StepFunction
from pipeline.build.store import Store
from pipeline.errors import LessonwrightError, MissingError, Problem, SourceError, StepError

_THREAD_LIMITS = (
    "OMP_NUM_THREADS",
    "OPENBLAS_NUM_THREADS",
    "MKL_NUM_THREADS",
    "NUMEXPR_NUM_THREADS",
    "NUMBA_NUM_THREADS",
    "RAYON_NUM_THREADS",  # typst
)
_LITTLE_BYTES: Final = 50_000_000
_MB: Final = 1024  # kB
_CACHE_SHARE: Final = 4  # a worker fetches up to a quarter of what is free on its disk


@dataclass(frozen=True, slots=True)
class StorePlace:
    """Where results are kept: ``address`` a folder or a URL, ``cache`` the folder for what is
    fetched from a URL (None: one of the process's own, gone with it)."""

    address: str
    cache: Path | None = None

    @property
    def far(self) -> bool:
        return "://" in self.address

    @property
    def away(self) -> StorePlace:
        """The same for another machine, which keeps what it fetches in a folder of its own."""
        return StorePlace(self.address) if self.far else self


@dataclass(frozen=True, slots=True)
class Task:
    """A step ready to be done: everything known, everything picklable.

    files : role -> (path, SHA-256 that its key was made with)
    code, libraries : module -> digest of its code, distribution -> its version: what another
        machine must have the same; empty for this machine
    """

    lesson: str
    name: str
    key: str
    function: StepFunction
    params: Any
    outputs: tuple[Output, ...]
    files: Mapping[str, tuple[Path, str]]
    needs: Mapping[str, Made]
    store: StorePlace
    code: Mapping[str, str]
    libraries: Mapping[str, str]

    @classmethod
    def of(
        cls, step: Step, key: str, needs: Mapping[str, Made], store: StorePlace, *, away: bool = False
    ) -> Task:
        """``away``: another machine is to do it."""
        files = {role: (path, step.input_digests[role]) for role, path in step.files}
        modules = (step.function.__module__, *step.rooms) if away else ()
        return cls(
            step.lesson, step.name, key, step.function, step.params, step.outputs, files, needs, store,
            {name: code_digest(name) for name in modules},
            {name: library_version(name) for name in step.libraries if away},
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Outcome:
    """How a task went: ``made``, or ``message`` with ``problems`` when the sources are at fault.

    peak_mb : the most memory its process held meanwhile, None where the system does not tell
    account : the full story of a failure, for the log
    unreachable : the store did not answer the machine that did it
    lost : what it needed had been made, and was gone from the store or damaged there; another
        try makes that again
    """

    made: Made | None
    seconds: float
    message: str = ""
    problems: tuple[Problem, ...] = ()
    account: str = ""
    peak_mb: int | None = None
    unreachable: bool = False
    lost: bool = False


@dataclass(frozen=True, slots=True)
class Done:
    """How a step of a lesson ended.

    state : "made", "reused", "failed", or "skipped" because a needed step failed; in a dry run
        "would be made", or "may be made" when that depends on what comes out before it
    why : what made it so, one sentence each
    """

    state: State
    outcome: Outcome
    why: tuple[str, ...] = ()

    @property
    def made(self) -> Made | None:
        return self.outcome.made


def open_store(place: StorePlace, *, create: bool = False) -> Store | FarStore:
    """The store at a place.

    Raises
    ------
    MissingError : it is not to be reached, may not be used, or holds a newer kind of store.
    """
    if not place.far:
        return Store(Path(place.address), create=create)
    if place.cache is not None:
        return FarStore(place.address, Store(place.cache))
    cache = _own_cache()
    return FarStore(place.address, Store(cache), cache_bytes=shutil.disk_usage(cache).free // _CACHE_SHARE)


def _own_cache() -> Path:
    """A folder for what this process fetches, gone with it. That of a Dask worker is within the
    worker's own, which Dask clears even when the worker was killed."""
    if "distributed" in sys.modules:
        with suppress(ValueError):  # this process is no worker
            cache = Path(sys.modules["distributed"].get_worker().local_directory) / "lessonwright"
            cache.mkdir(parents=True, exist_ok=True)
            return cache
    cache = Path(tempfile.mkdtemp(prefix="lessonwright-"))
    atexit.register(shutil.rmtree, cache, ignore_errors=True)
    return cache


# a worker opens each store once
store_of_worker = lru_cache(maxsize=8)(open_store)

# a cluster's worker may have several threads, and not every library stands being used by two
_one_at_a_time = threading.Lock()


def perform(task: Task) -> Outcome:
    """Do the step and keep what it made."""
    with _one_at_a_time:
        begun = time.perf_counter()
        _forget_peak()
        try:
            made = _made(task)
        except SourceError as error:
            return Outcome(None, time.perf_counter() - begun, str(error), error.problems)
        except Exception as error:  # noqa: BLE001 - the outcome carries it to whoever drives the build
            message, account = _told(error, task), traceback.format_exc()
            unreachable = isinstance(error, UnreachableError)
            seconds = time.perf_counter() - begun
            lost = is_lost_result(error, task.store)
            return Outcome(None, seconds, message, account=account, unreachable=unreachable, lost=lost)
        return Outcome(made, time.perf_counter() - begun, peak_mb=_peak_mb())


def is_lost_result(error: Exception, place: StorePlace) -> bool:
    """Whether something failed because a result went from the store after it had been found."""
    if isinstance(error, LostResultError):
        return True
    root = str(place.cache if place.far else place.address)
    return isinstance(error, FileNotFoundError) and str(error.filename or "").startswith(root)


def _refuse_other_tool(task: Task) -> None:
    """Raise MissingError when what this machine would make is not what the key says."""
    other = [
        f"{name} {found} instead of {wanted}"
        for name, wanted in task.libraries.items()
        if (found := library_version(name)) != wanted
    ]
    if any(code_digest(name) != digest for name, digest in task.code.items()):
        other.insert(0, "another lessonwright")
    if other:
        raise MissingError(
            f"the cluster's machine {socket.gethostname()} has {', '.join(other)}; "
            "install the same versions on all machines"
        )


def _made(task: Task) -> Made:
    _refuse_other_tool(task)
    store = store_of_worker(task.store)
    with _one_thread(), store.work_folder() as folder:
        files = {role: _source(store, path, digest) for role, (path, digest) in task.files.items()}
        needs = {name: store.fetch(made) for name, made in task.needs.items()}
        result = task.function(task.params, Given(folder, files, needs))
        for role, (path, digest) in task.files.items():
            # saved meanwhile: what was made may be of the one or the other, and goes under neither
            if input_digest(files[role]) != digest:
                raise StepError(f"{path} was changed while it was being read; build again")
        return store.keep(task.key, folder, task.outputs, result)


def _source(store: Store | FarStore, path: Path, digest: str) -> Path:
    """The creator's file, from the store where this machine does not have it."""
    if isinstance(store, Store):
        return path
    if path.is_file() and input_digest(path) == digest:
        return path
    return store.source(digest, path.name)  # another machine may have another file there


def _one_thread() -> Any:
    """Libraries of numbers keep to one thread: a step is given one processor, and the bytes of
    a result must not depend on how many there are."""
    from threadpoolctl import threadpool_limits

    return threadpool_limits(1)


def _forget_peak() -> None:
    """Let the system count this process's peak of memory anew; see ``proc(5)``, clear_refs."""
    # elsewhere, or where it is not permitted, the peak is that of the process so far
    with suppress(OSError):
        Path("/proc/self/clear_refs").write_text("5", "ascii")


def _peak_mb() -> int | None:
    try:
        status = Path("/proc/self/status").read_text("ascii")
    except OSError:
        return None
    kilobytes = next((line.split()[1] for line in status.splitlines() if line.startswith("VmHWM:")), None)
    return int(kilobytes) // _MB if kilobytes else None


def _told(error: Exception, task: Task) -> str:
    """What went wrong, in one line for the creator."""
    if isinstance(error, OSError) and not isinstance(error, LessonwrightError):
        return said_of(error)
    if isinstance(error, LessonwrightError):
        return str(error) + _little_room(task)
    what = f"{type(error).__name__}: {error}" if str(error) else type(error).__name__
    return what + _little_room(task)


def _little_room(task: Task) -> str:
    """A hint for programs that fail on a full disk without saying so."""
    try:
        free = shutil.disk_usage(task.store.cache or task.store.address).free
    except OSError:
        return ""
    if free >= _LITTLE_BYTES:
        return ""
    return f" (only {free / 1e6:.0f} MB are free on that disk; make room and build again)"


def said_of(error: OSError) -> str:
    """An error of the system in plain words, with what to do."""
    where = f" ({error.filename})" if error.filename else ""
    if error.errno in (errno.ENOSPC, errno.EDQUOT):
        return f"the disk is full{where}; free some space and build again, finished steps are kept"
    if error.errno == errno.EFBIG:
        return f"a file would be larger than this disk or your limits allow{where}; choose another --out"
    if error.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        return f"permission denied{where}; change the permissions, or choose another --out"
    return f"{error.strerror or error}{where}"


def prepare_worker() -> None:
    """First thing in each worker: one thread to each process, Ctrl-C left to the parent, and
    an end when the parent has gone."""
    for name in _THREAD_LIMITS:
        os.environ[name] = "1"
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent.sentinel,), daemon=True).start()


def _end_with(sentinel: int) -> None:
    connection.wait([sentinel])
    kill_offspring()
    os._exit(1)
