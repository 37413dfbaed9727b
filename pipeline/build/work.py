"""Doing one step, on whatever machine: a task goes in, an outcome comes out.

Nothing raised by a step leaves :func:`perform`; an outcome that failed says what went wrong,
whose fault it is, and carries the full account for the log.
"""

from __future__ import annotations

import errno
import os
import shutil
import signal
import threading
import time
import traceback
from collections.abc import Mapping
from dataclasses import dataclass
from multiprocessing import connection, parent_process
from pathlib import Path
from typing import Any, Final

from pipeline.build.step import Given, Made, Output, StepFunction
from pipeline.build.store import Store
from pipeline.errors import LessonwrightError, Problem, SourceError

_THREAD_LIMITS = (
    "OMP_NUM_THREADS",
    "OPENBLAS_NUM_THREADS",
    "MKL_NUM_THREADS",
    "NUMEXPR_NUM_THREADS",
    "NUMBA_NUM_THREADS",
)
_LITTLE_BYTES: Final = 50_000_000


@dataclass(frozen=True, slots=True)
class Task:
    """A step ready to be done: everything known, everything picklable."""

    lesson: str
    name: str
    key: str
    function: StepFunction
    params: Any
    outputs: tuple[Output, ...]
    files: Mapping[str, Path]
    needs: Mapping[str, Made]
    store: Path
    folder: Path


@dataclass(frozen=True, slots=True)
class Outcome:
    """How a task went: ``made``, or ``message`` with ``problems`` when the sources are at fault.

    account : the full story of a failure, for the log
    """

    made: Made | None
    seconds: float
    message: str = ""
    problems: tuple[Problem, ...] = ()
    account: str = ""


def perform(task: Task) -> Outcome:
    """Do the step and keep what it made."""
    begun = time.perf_counter()
    try:
        given = Given(task.folder, task.files, task.needs)
        result = task.function(task.params, given)
        made = Store(task.store).keep(task.key, task.folder, task.outputs, result)
    except SourceError as error:
        shutil.rmtree(task.folder, ignore_errors=True)
        return Outcome(None, time.perf_counter() - begun, str(error), error.problems)
    except Exception as error:  # noqa: BLE001 - the outcome carries it to whoever drives the build
        message, account = _told(error, task), traceback.format_exc()
        shutil.rmtree(task.folder, ignore_errors=True)
        return Outcome(None, time.perf_counter() - begun, message, account=account)
    return Outcome(made, time.perf_counter() - begun)


def _told(error: Exception, task: Task) -> str:
    """What went wrong, in one line for the creator."""
    if isinstance(error, LessonwrightError):
        return str(error) + _little_room(task)
    if isinstance(error, OSError):
        return said_of(error)
    what = f"{type(error).__name__}: {error}" if str(error) else type(error).__name__
    return what + _little_room(task)


def _little_room(task: Task) -> str:
    """A hint for programs that fail on a full disk without saying so."""
    try:
        free = shutil.disk_usage(task.store).free
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
    if error.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        return f"writing is not permitted{where}; change the permissions, or choose another --out"
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
    os._exit(1)
