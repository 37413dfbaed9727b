"""How a build ended, for people and as data."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from pipeline.build.release import RECORD_FILE, REVIEW_FILE
from pipeline.build.run import MAY, WOULD
from pipeline.build.step import State
from pipeline.errors import Problem, SourceError, StepError

_SECONDS_SHOWN: Final = 0.05


@dataclass(frozen=True, slots=True)
class StepTold:
    """How a step ended and why; ``state`` as in :class:`pipeline.build.work.Done`.

    weight : rough seconds of work, for what was not made
    sources : names of the creator's files it reads
    """

    name: str
    product: str
    needs: tuple[str, ...]
    state: State
    seconds: float
    weight: float
    why: tuple[str, ...]
    sources: tuple[str, ...] = ()

    def to_json(self) -> dict[str, Any]:
        return {
            "name": self.name,
            "state": self.state,
            "seconds": round(self.seconds, 3),
            "why": list(self.why),
            "needs": list(self.needs),
        }


@dataclass(frozen=True)
class LessonResult:
    """How the build of a lesson ended.

    folder : the release, None when the lesson could not be read
    problems : errors and cautions from its sources
    failure : what went wrong outside the sources, "" when nothing did
    dry : whether it was only asked what would be made
    """

    name: str
    folder: Path | None
    problems: tuple[Problem, ...] = ()
    cautions: tuple[str, ...] = ()
    failure: str = ""
    steps: tuple[StepTold, ...] = ()
    seconds: float = 0.0
    dry: bool = False
    title: str = ""

    @property
    def made(self) -> int:
        return sum(step.state == "made" for step in self.steps)

    @property
    def reused(self) -> int:
        return sum(step.state == "reused" for step in self.steps)

    @property
    def source_errors(self) -> tuple[Problem, ...]:
        return tuple(problem for problem in self.problems if problem.error)

    @property
    def ok(self) -> bool:
        return not self.failure and not self.source_errors

    def to_json(self) -> dict[str, Any]:
        return {
            "lesson": self.name,
            "ok": self.ok,
            "folder": str(self.folder) if self.folder else None,
            "errors": [problem.text() for problem in self.source_errors]
            + ([self.failure] if self.failure else []),
            "cautions": list(self.cautions),
            "steps_made": self.made,
            "steps_reused": self.reused,
            "seconds": round(self.seconds, 3),
            "steps": [step.to_json() for step in self.steps],
        }


@dataclass(frozen=True)
class Summary:
    """How a build ended. ``problems``: those of week files, which belong to no lesson."""

    lessons: tuple[LessonResult, ...]
    problems: tuple[Problem, ...] = ()
    seconds: float = 0.0

    @property
    def exit_code(self) -> int:
        """3 when a step failed, else 1 when sources have errors, else 0."""
        if any(lesson.failure for lesson in self.lessons):
            return StepError.exit_code
        wrong = any(p.error for p in self.problems) or any(not lesson.ok for lesson in self.lessons)
        return SourceError.exit_code if wrong else 0

    def to_json(self) -> dict[str, Any]:
        return {
            "lessons": [lesson.to_json() for lesson in self.lessons],
            "errors": [problem.text() for problem in self.problems if problem.error],
            "seconds": round(self.seconds, 3),
        }

    def text(self, *, explain: bool = False) -> str:
        """For people: how each lesson ended, what to look at, and where; with ``explain`` why
        each step was made or reused."""
        lines: list[str] = []
        for lesson in self.lessons:
            lines += _ended(lesson)
            if explain or lesson.dry:
                lines += _steps(lesson)
        if len(self.lessons) > 1:
            lines += _all(self)
        # last, where it is seen: what is missing from all this
        lines += [f"left out: {_on_one_line(problem)}" for problem in self.problems if problem.error]
        return "\n".join(lines)


def _ended(lesson: LessonResult) -> Iterator[str]:
    cautions = [f"  - {' '.join(caution.split())}" for caution in lesson.cautions]
    if lesson.source_errors:
        count = len(lesson.source_errors)
        yield f"{lesson.name}: not built, {count} error{'s' if count > 1 else ''} in the sources"
        yield f"  - {_on_one_line(lesson.source_errors[0])}"
    elif lesson.dry:
        yield f"{lesson.name}: {_would(lesson)}"
    elif lesson.ok and lesson.folder is not None:
        seen = f", {len(lesson.cautions)} to look at" if lesson.cautions else ""
        yield f"{lesson.name}: ready in {lesson.folder}{seen}"
        yield from cautions
        yield f"  Everything on one page: {lesson.folder / REVIEW_FILE}"
    else:
        old = lesson.folder is not None and (lesson.folder / RECORD_FILE).is_file()
        yield f"{lesson.name}: not built{'; the release before it stays as it was' if old else ''}"
        yield from cautions


def _would(lesson: LessonResult) -> str:
    count = Counter(step.state for step in lesson.steps)
    if not count[WOULD] + count[MAY]:
        return "nothing would be made"
    seconds = sum(step.weight for step in lesson.steps if step.state in (WOULD, MAY))
    perhaps = f", perhaps {count[MAY]} more" if count[MAY] else ""
    return f"{_steps_word(count[WOULD])} would be made{perhaps}: up to about {seconds:.0f} s of work"


def _on_one_line(problem: Problem) -> str:
    place = problem.place()
    return " ".join(f"{place + ': ' if place else ''}{problem.what}. {problem.remedy}".split())


def _steps(lesson: LessonResult) -> Iterator[str]:
    """One line a step, those that were made first; the reused ones of one reason together."""
    order = {"failed": 0, "made": 1, WOULD: 1, MAY: 2, "skipped": 3}
    told = [step for step in lesson.steps if step.state != "reused"]
    width = max((len(step.name) for step in told), default=0)
    for step in sorted(told, key=lambda step: order[step.state]):
        seconds = f"{step.seconds:.1f} s" if step.seconds >= _SECONDS_SHOWN else ""
        why = "; ".join(step.why)
        yield f"  {step.state:<13} {step.name:<{width}} {seconds:>7}  {why}".rstrip()
    reused: dict[str, list[str]] = {}
    for step in lesson.steps:
        if step.state == "reused":
            reused.setdefault("; ".join(step.why), []).append(step.name)
    for why, names in reused.items():
        yield f"  {'reused':<13} {', '.join(names)}: {why}"


def _all(summary: Summary) -> Iterator[str]:
    """One line for the whole week."""
    lessons = summary.lessons
    failed = [lesson.name for lesson in lessons if not lesson.ok]
    if any(lesson.dry for lesson in lessons):
        steps = [step for lesson in lessons for step in lesson.steps if step.state in (WOULD, MAY)]
        work = (
            f"up to about {sum(step.weight for step in steps):.0f} s of work"
            if steps
            else "nothing would be made"
        )
        yield f"{len(lessons)} lessons: {work}"
        return
    made, reused = sum(lesson.made for lesson in lessons), sum(lesson.reused for lesson in lessons)
    told = f"{len(lessons)} lessons in {summary.seconds:.1f} s: {_steps_word(made)} made, {reused} reused"
    yield told + (f"; not built: {', '.join(failed)}" if failed else "")


def _steps_word(count: int) -> str:
    return f"{count} step" if count == 1 else f"{count} steps"
