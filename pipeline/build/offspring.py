"""The programs that a process has started, such as ffmpeg: they are to end when it is ended.

References
----------
``proc(5)``, ``/proc/PID/task/TID/children``. Where a system has none, what was started goes on
until it is done.
"""

from __future__ import annotations

import os
import signal
from contextlib import suppress
from pathlib import Path
from typing import Final

_AT_ONCE: Final = signal.SIGKILL if os.name != "nt" else signal.SIGTERM


def offspring(pid: int) -> tuple[int, ...]:
    """All that the process has started and that still run, theirs too, the eldest first."""
    found: list[int] = []
    with suppress(OSError):  # it has gone meanwhile
        for task in sorted(Path(f"/proc/{pid}/task").iterdir()):
            with suppress(OSError):
                for child in (task / "children").read_text("ascii").split():
                    found += [int(child), *offspring(int(child))]
    return tuple(found)


def kill_with_offspring(pid: int) -> None:
    """End the process and all it has started, at once.

    Raises
    ------
    OSError : there is no such process, or it is somebody else's; what it started is ended.
    """
    started = offspring(pid)  # asked while it lives: afterwards they are nobody's
    try:
        os.kill(pid, _AT_ONCE)
    finally:
        _kill(started)


def kill_offspring() -> None:
    """End all that this process has started, at once."""
    _kill(offspring(os.getpid()))


def _kill(pids: tuple[int, ...]) -> None:
    for pid in pids:
        with suppress(OSError):  # it was quicker
            os.kill(pid, _AT_ONCE)
