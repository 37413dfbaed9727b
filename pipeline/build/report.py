"""Telling the creator how a build goes: as bars on a terminal, as a few lines elsewhere.

Everything here goes to stderr; results belong to stdout.
"""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final, Protocol, TextIO

from pipeline.build.timeleft import TimeLeft, said_left

_EVERY_S: Final = 60.0  # a log hears how far a long build is once in so long
_MOST_NAMES: Final = 4  # of what is being made now, in one line


class Reporter(Protocol):
    """What a build tells while it runs. Lessons and steps go by their names; several lessons
    are at work at a time."""

    def begin(self, lessons: int) -> None:
        """``lessons``: how many are looked at."""

    def lesson_begun(self, lesson: str, steps: Mapping[str, float]) -> None:
        """``steps``: step → rough seconds of work."""

    def started(self, lesson: str, step: str) -> None: ...

    def finished(self, lesson: str, step: str, *, seconds: float, reused: bool) -> None: ...

    def failed(self, lesson: str, step: str, message: str) -> None: ...

    def problem(self, lesson: str, text: str) -> None:
        """An error or a caution from the sources or from a step, ready to print."""

    def lesson_done(self, lesson: str, folder: str, *, seconds: float, made: int, reused: int) -> None:
        """Also for a lesson that stands unchanged, which has not begun: ``made`` is 0 then."""

    def lesson_failed(self, lesson: str) -> None: ...

    def end(self) -> None:
        """The build is over, well or not; called once."""


class SilentReporter:
    """Tells nothing."""

    def begin(self, lessons: int) -> None:
        pass

    def lesson_begun(self, lesson: str, steps: Mapping[str, float]) -> None:
        pass

    def started(self, lesson: str, step: str) -> None:
        pass

    def finished(self, lesson: str, step: str, *, seconds: float, reused: bool) -> None:
        pass

    def failed(self, lesson: str, step: str, message: str) -> None:
        pass

    def problem(self, lesson: str, text: str) -> None:
        pass

    def lesson_done(self, lesson: str, folder: str, *, seconds: float, made: int, reused: int) -> None:
        pass

    def lesson_failed(self, lesson: str) -> None:
        pass

    def end(self) -> None:
        pass


def counted(number: int, word: str) -> str:
    return f"{number} {word}{'' if number == 1 else 's'}"


def said_seconds(seconds: float) -> str:
    """A time passed: ``0.4 s``, ``48 s``, ``12 min 5 s``, ``2 h 10 min``."""
    if seconds < 9.95:
        return f"{seconds:.1f} s"
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    minutes, rest = divmod(whole, 60)
    if minutes < 60:
        return f"{minutes} min {rest} s" if rest else f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes} min" if minutes else f"{hours} h"


def said_done(lesson: str, folder: str, *, seconds: float, made: int, reused: int) -> str:
    """How a lesson that was made anew ended."""
    steps = [f"{counted(made, 'step')} made"] if made else []
    if reused:
        steps.append(f"{reused} unchanged" if made else f"{counted(reused, 'step')} unchanged")
    return f"{lesson}: {', '.join([f'done in {said_seconds(seconds)}', *steps])} → {folder}"


def listed(names: Sequence[str], most: int = _MOST_NAMES) -> str:
    """The first few names, and how many more there are."""
    more = len(names) - most
    return ", ".join(names) if more <= 0 else f"{', '.join(names[:most])} and {more} more"


@dataclass
class LessonAtWork:
    """A lesson whose steps are being made.

    steps : step not yet ended → weight
    weight : of all its steps
    count : of all its steps
    now : what is being made
    """

    steps: dict[str, float]
    weight: float = 0.0
    count: int = 0
    now: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.weight, self.count = sum(self.steps.values()), len(self.steps)

    @property
    def ended(self) -> int:
        return self.count - len(self.steps)

    @property
    def begun(self) -> bool:
        """Whether a step of it is being made or has ended."""
        return bool(self.now) or self.ended > 0

    @property
    def share(self) -> float:
        """How much of its work is over, 0 to 1."""
        return 1.0 - sum(self.steps.values()) / self.weight if self.weight > 0 else 0.0


class Tally:
    """How far a build is: what both reporters count. Safe to ask from another thread."""

    def __init__(self, lessons: int, clock: Callable[[], float]) -> None:
        self.lessons = lessons
        self.done, self.unchanged, self.failed = 0, 0, 0
        self.begun_at = clock()
        self.at_work: dict[str, LessonAtWork] = {}
        self._clock, self._left, self._lock = clock, TimeLeft(lessons), threading.RLock()

    @property
    def ended(self) -> int:
        return self.done + self.unchanged + self.failed

    def lesson_begun(self, lesson: str, steps: Mapping[str, float]) -> None:
        with self._lock:
            self.at_work[lesson] = LessonAtWork(dict(steps))
            self._left.lesson_begun(lesson, steps, now=self._clock())

    def started(self, lesson: str, step: str) -> None:
        with self._lock:
            work = self.at_work.get(lesson)
            if work is not None and step not in work.now:
                work.now.append(step)
            self._left.started(lesson, step, now=self._clock())

    def step_ended(self, lesson: str, step: str, made_s: float | None) -> None:
        """``made_s`` as :meth:`TimeLeft.ended` has it."""
        with self._lock:
            work = self.at_work.get(lesson)
            if work is not None:
                work.steps.pop(step, None)
                if step in work.now:
                    work.now.remove(step)
            self._left.ended(lesson, step, now=self._clock(), made_s=made_s)

    def lesson_ended(self, lesson: str) -> None:
        with self._lock:
            self.at_work.pop(lesson, None)
            self._left.lesson_ended(lesson, now=self._clock())

    def left(self) -> str:
        """The time left in words, "" as long as it is not known."""
        with self._lock:
            seconds = self._left.seconds(self._clock())
        return "" if seconds is None else said_left(seconds)

    def lessons_over(self) -> float:
        """Lessons ended, and those at work by the share of their work that is over."""
        with self._lock:
            return self.ended + sum(work.share for work in self.at_work.values())

    def begun(self) -> int:
        """How many lessons at work have a step begun."""
        with self._lock:
            return sum(work.begun for work in self.at_work.values())

    def now(self) -> list[str]:
        """What is being made in all lessons, the lesson's name before it when there are several."""
        with self._lock:
            return [
                step if self.lessons == 1 else f"{lesson} {step}"
                for lesson, work in self.at_work.items()
                for step in work.now
            ]

    def sum(self) -> str:
        """How the lessons ended, in one line."""
        parts = [
            f"{number} {word}"
            for number, word in (
                (self.done, "done"),
                (self.unchanged, "unchanged"),
                (self.failed, "not built"),
                (self.lessons - self.ended, "not finished"),
            )
            if number > 0
        ]
        passed = said_seconds(self._clock() - self.begun_at)
        return f"{counted(self.lessons, 'lesson')}: {', '.join(parts)} ({passed})"


class Telling:
    """What telling by lines and by bars share: what is said when, and the counting.

    dry : nothing is made, so that nothing is said to be done
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic, *, dry: bool = False) -> None:
        self._clock, self._dry = clock, dry
        self._tally: Tally | None = None

    def _say(self, text: str) -> None:
        raise NotImplementedError

    def _changed(self, lesson: str) -> None:
        """Called after the tally has changed."""

    def begin(self, lessons: int) -> None:
        self._tally = Tally(lessons, self._clock)

    def lesson_begun(self, lesson: str, steps: Mapping[str, float]) -> None:
        if self._tally is not None:
            self._tally.lesson_begun(lesson, steps)
            self._changed(lesson)

    def started(self, lesson: str, step: str) -> None:
        if self._tally is not None:
            self._tally.started(lesson, step)
            self._changed(lesson)

    def finished(self, lesson: str, step: str, *, seconds: float, reused: bool) -> None:
        if self._tally is not None:
            self._tally.step_ended(lesson, step, None if reused else seconds)
            self._changed(lesson)

    def failed(self, lesson: str, step: str, message: str) -> None:
        self._say(f"{lesson}: {step}: {message}")
        if self._tally is not None:
            self._tally.step_ended(lesson, step, None)
            self._changed(lesson)

    def problem(self, lesson: str, text: str) -> None:
        self._say(text)

    def lesson_done(self, lesson: str, folder: str, *, seconds: float, made: int, reused: int) -> None:
        tally = self._tally
        anew = made > 0 or (tally is not None and lesson in tally.at_work)
        if self._dry:
            pass
        elif anew:
            self._say(said_done(lesson, folder, seconds=seconds, made=made, reused=reused))
        elif tally is None or tally.lessons == 1:
            self._say(f"{lesson}: unchanged → {folder}")
        if tally is not None:
            tally.lesson_ended(lesson)
            tally.done += anew
            tally.unchanged += not anew
            self._changed(lesson)

    def lesson_failed(self, lesson: str) -> None:
        if self._tally is None or self._tally.lessons > 1:  # of one, what is wrong was just said
            self._say(f"{lesson}: not built")
        if self._tally is not None:
            self._tally.lesson_ended(lesson)
            self._tally.failed += 1
            self._changed(lesson)

    def end(self) -> None:
        if self._tally is not None and self._tally.lessons > 1 and not self._dry:
            self._say(self._tally.sum())
        self._tally = None


class PlainReporter(Telling):
    """For logs and pipes: a line for each lesson made or not built, whatever is wrong, and once
    a minute how far the build is. Unchanged lessons are only counted."""

    def __init__(
        self,
        stream: TextIO | None = None,
        *,
        clock: Callable[[], float] = time.monotonic,
        dry: bool = False,
    ) -> None:
        super().__init__(clock, dry=dry)
        self._stream = stream or sys.stderr
        self._said_at = 0.0
        self._over = threading.Event()
        self._watch: threading.Thread | None = None
        self._telling = threading.RLock()

    def _say(self, text: str) -> None:
        with self._telling:
            self._stream.write(text + "\n")
            self._stream.flush()

    def begin(self, lessons: int) -> None:
        super().begin(lessons)
        self._said_at = self._clock()
        self._over.clear()
        # a thread, so that one long step does not look like a build that hangs
        self._watch = threading.Thread(target=self._watching, name="progress", daemon=True)
        self._watch.start()

    def _watching(self) -> None:
        while not self._over.wait(1.0):
            self._changed("")

    def _changed(self, lesson: str) -> None:
        tally = self._tally
        if tally is None:
            return
        with self._telling:
            if self._clock() - self._said_at < _EVERY_S:
                return
            self._said_at = self._clock()
        if tally.lessons > 1:
            far = f"{tally.ended} of {tally.lessons} lessons"
        elif tally.at_work:
            name, work = next(iter(tally.at_work.items()))
            far = f"{name}: {work.ended} of {counted(work.count, 'step')}"
        else:
            return
        now = tally.now()
        told = [far, tally.left(), *([f"now {listed(now)}"] if now else [])]
        self._say(", ".join(part for part in told if part))

    def end(self) -> None:
        self._over.set()
        if self._watch is not None:
            self._watch.join()
            self._watch = None
        super().end()


def choose_reporter(*, quiet: bool = False, dry: bool = False) -> Reporter:
    """Bars when stderr is a terminal, lines when it is not, nothing when ``quiet``.

    dry : nothing will be made
    """
    if quiet:
        return SilentReporter()
    if not sys.stderr.isatty():
        return PlainReporter(dry=dry)
    from pipeline.build.bars import RichReporter

    return RichReporter(dry=dry)
