"""How a build goes, on a terminal: a bar for each lesson at work and one for all of them."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from typing import Final

from rich.console import Console, RenderableType
from rich.progress import BarColumn, Progress, ProgressColumn, Task, TaskID, TextColumn, TimeElapsedColumn
from rich.table import Column
from rich.text import Text

from pipeline.build.report import Tally, Telling, listed

_ALL: Final = "all lessons"
_SPARE_LINES: Final = 5  # of the terminal: for the bar of all, and for what is said above the bars


class _Now(ProgressColumn):
    """The last column: what a lesson makes now; how long all of it still takes.

    Asked at each refresh, so that the time goes down while a long step runs.
    """

    def __init__(self, words: Callable[[Task], str]) -> None:
        super().__init__(table_column=Column(overflow="ellipsis"))
        self._words = words

    def render(self, task: Task) -> RenderableType:
        # the text keeps to one line itself: a column that may not wrap is never made narrower
        return Text(self._words(task), style="dim", no_wrap=True, overflow="ellipsis")


class _Bars(Progress):
    """As many lessons as the terminal has lines for, in the order they were begun and only those
    with a step begun, and the bar of all lessons last: what does not fit is cut off at the bottom."""

    def __init__(self, *columns: ProgressColumn, console: Console) -> None:
        self._screen = console  # needed before `console` is there
        super().__init__(*columns, console=console, transient=True, refresh_per_second=4)

    def room(self) -> int:
        return max(1, self._screen.size.height - _SPARE_LINES)

    def get_renderables(self) -> Iterable[RenderableType]:
        lessons = [task for task in self.tasks if not task.fields["whole"] and task.fields["begun"]]
        whole = [task for task in self.tasks if task.fields["whole"]]
        yield self.make_tasks_table([*lessons[: self.room()], *whole])


class RichReporter(Telling):
    """A bar for each lesson at work, taken away when it is done, and one for all of them, with
    what is being made now and the time left."""

    def __init__(
        self,
        console: Console | None = None,
        *,
        clock: Callable[[], float] = time.monotonic,
        dry: bool = False,
    ) -> None:
        super().__init__(clock, dry=dry)
        self._console = console or Console(stderr=True)
        self._bars: _Bars | None = None
        self._tasks: dict[str, TaskID] = {}
        self._whole: TaskID | None = None

    def _say(self, text: str) -> None:
        self._console.print(text, markup=False, highlight=False, soft_wrap=True)

    def begin(self, lessons: int) -> None:
        super().begin(lessons)
        width = self._console.size.width
        tally = self._tally
        assert tally is not None
        self._bars = bars = _Bars(
            TextColumn("{task.description}", markup=False,
                       table_column=Column(no_wrap=True, overflow="ellipsis", max_width=min(28, width // 4))),
            BarColumn(bar_width=min(20, width // 8)),
            TextColumn("{task.fields[far]}", markup=False,
                       table_column=Column(no_wrap=True, justify="right")),
            TimeElapsedColumn(),
            _Now(lambda task: self._words(tally, task)),
            console=self._console,
        )  # fmt: skip
        if lessons > 1:
            far = f"{tally.ended} of {lessons}"
            self._whole = bars.add_task(_ALL, total=lessons, far=far, whole=True, begun=True)
        bars.start()

    def _words(self, tally: Tally, task: Task) -> str:
        """What the last column says of a lesson, or of all of them."""
        if task.fields["whole"]:
            hidden = tally.begun() - self._bars.room() if self._bars is not None else 0
            parts = [tally.left(), f"{hidden} more at work" if hidden > 0 else ""]
        else:
            work = tally.at_work.get(task.description)
            now = listed(tuple(work.now)) if work is not None else ""
            parts = [tally.left() if tally.lessons == 1 else "", now]
        return " · ".join(part for part in parts if part)

    def _changed(self, lesson: str) -> None:
        tally, bars = self._tally, self._bars
        if tally is None or bars is None:
            return
        work = tally.at_work.get(lesson)
        if work is not None:
            far = f"{work.ended} of {work.count}"
            if lesson not in self._tasks:
                self._tasks[lesson] = bars.add_task(lesson, total=1.0, far=far, whole=False, begun=False)
            bars.update(self._tasks[lesson], completed=work.share, far=far, begun=work.begun)
        elif lesson in self._tasks:
            bars.remove_task(self._tasks.pop(lesson))
        if self._whole is not None:
            far = f"{tally.ended} of {tally.lessons}"
            bars.update(self._whole, completed=tally.lessons_over(), far=far)

    def end(self) -> None:
        if self._bars is not None:
            self._bars.stop()
        self._bars, self._whole = None, None
        self._tasks.clear()
        super().end()
