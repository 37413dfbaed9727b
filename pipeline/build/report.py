"""Telling the creator how a build goes: as bars on a terminal, as lines elsewhere.

Everything here goes to stderr; results belong to stdout.
"""

from __future__ import annotations

import sys
from collections.abc import Mapping
from typing import Any, Protocol, TextIO


class Reporter(Protocol):
    """What a build tells while it runs. Lessons and steps go by their names."""

    def begin(self, steps: Mapping[str, int]) -> None:
        """``steps``: lesson → how many steps it has."""

    def started(self, lesson: str, step: str) -> None: ...

    def finished(self, lesson: str, step: str, *, seconds: float, reused: bool) -> None: ...

    def failed(self, lesson: str, step: str, message: str) -> None: ...

    def problem(self, lesson: str, text: str) -> None:
        """An error or a caution from the sources or from a step, ready to print."""

    def lesson_done(self, lesson: str, folder: str, *, seconds: float) -> None: ...

    def end(self) -> None:
        """The build is over, well or not; called once."""


class SilentReporter:
    """Tells nothing."""

    def begin(self, steps: Mapping[str, int]) -> None:
        pass

    def started(self, lesson: str, step: str) -> None:
        pass

    def finished(self, lesson: str, step: str, *, seconds: float, reused: bool) -> None:
        pass

    def failed(self, lesson: str, step: str, message: str) -> None:
        pass

    def problem(self, lesson: str, text: str) -> None:
        pass

    def lesson_done(self, lesson: str, folder: str, *, seconds: float) -> None:
        pass

    def end(self) -> None:
        pass


class PlainReporter:
    """One line for each thing done, without colour or movement: for logs and pipes."""

    def __init__(self, stream: TextIO | None = None) -> None:
        self._stream = stream or sys.stderr
        self._reused: dict[str, int] = {}

    def _say(self, text: str) -> None:
        self._stream.write(text + "\n")
        self._stream.flush()

    def begin(self, steps: Mapping[str, int]) -> None:
        for lesson, count in steps.items():
            self._say(f"{lesson}: {count} step{'s' if count != 1 else ''}")

    def started(self, lesson: str, step: str) -> None:
        pass

    def finished(self, lesson: str, step: str, *, seconds: float, reused: bool) -> None:
        if reused:
            self._reused[lesson] = self._reused.get(lesson, 0) + 1
        else:
            self._say(f"{lesson}: {step} ({seconds:.1f} s)")

    def failed(self, lesson: str, step: str, message: str) -> None:
        self._say(f"{lesson}: {step}: {message}")

    def problem(self, lesson: str, text: str) -> None:
        self._say(text)

    def lesson_done(self, lesson: str, folder: str, *, seconds: float) -> None:
        reused = self._reused.get(lesson, 0)
        again = f", {reused} step{'s' if reused != 1 else ''} unchanged" if reused else ""
        self._say(f"{lesson}: done in {seconds:.1f} s{again} → {folder}")

    def end(self) -> None:
        pass


class RichReporter:
    """A bar for each lesson and one for all, with what is being made now."""

    def __init__(self) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

        self._console = Console(stderr=True)
        self._progress = Progress(
            TextColumn("{task.description}", markup=False),
            BarColumn(bar_width=24),
            MofNCompleteColumn(),
            TimeElapsedColumn(),
            TextColumn("{task.fields[now]}", style="dim", markup=False),
            console=self._console,
        )
        self._tasks: dict[str, Any] = {}
        self._now: dict[str, list[str]] = {}
        self._all: Any = None

    def _plain(self, text: str) -> None:
        self._console.print(text, markup=False, highlight=False, soft_wrap=True)

    def begin(self, steps: Mapping[str, int]) -> None:
        for lesson, count in steps.items():
            self._tasks[lesson] = self._progress.add_task(lesson, total=count, now="")
            self._now[lesson] = []
        if len(steps) > 1:
            self._all = self._progress.add_task("all", total=sum(steps.values()), now="")
        self._progress.start()

    def _show(self, lesson: str) -> None:
        self._progress.update(self._tasks[lesson], now=", ".join(self._now[lesson]))

    def started(self, lesson: str, step: str) -> None:
        self._now[lesson].append(step)
        self._show(lesson)

    def finished(self, lesson: str, step: str, *, seconds: float, reused: bool) -> None:
        if step in self._now[lesson]:
            self._now[lesson].remove(step)
        self._show(lesson)
        self._progress.advance(self._tasks[lesson])
        if self._all is not None:
            self._progress.advance(self._all)

    def failed(self, lesson: str, step: str, message: str) -> None:
        if step in self._now.get(lesson, ()):
            self._now[lesson].remove(step)
            self._show(lesson)
        self._plain(f"{lesson}: {step}: {message}")

    def problem(self, lesson: str, text: str) -> None:
        self._plain(text)

    def lesson_done(self, lesson: str, folder: str, *, seconds: float) -> None:
        self._plain(f"{lesson}: done in {seconds:.1f} s → {folder}")

    def end(self) -> None:
        self._progress.stop()


def choose_reporter(*, quiet: bool = False) -> Reporter:
    """Bars when stderr is a terminal, lines when it is not, nothing when ``quiet``."""
    if quiet:
        return SilentReporter()
    return RichReporter() if sys.stderr.isatty() else PlainReporter()
