"""Building one lesson or a week of them: read, plan, run, put in place, sum up."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any, Final

from pipeline.build.declaring import PRODUCTS, REVIEW
from pipeline.build.editions import parse_keys, parse_tempos
from pipeline.build.graph import Graph
from pipeline.build.lesson_steps import Plan, plan_lesson
from pipeline.build.record import caution_text, record_bytes, release_record
from pipeline.build.release import (
    RECORD_FILE,
    REVIEW_FILE,
    kept_files,
    mend,
    own_public_files,
    place_files,
    place_review,
    put_in_place,
    read_record,
    stands,
)
from pipeline.build.report import Reporter, SilentReporter
from pipeline.build.reviewpage import review_page
from pipeline.build.run import Done, Runner, open_pool
from pipeline.build.step import Step
from pipeline.build.store import Store
from pipeline.build.work import said_of
from pipeline.errors import (
    LessonwrightError,
    MisuseError,
    Problem,
    SourceError,
    StepError,
    in_order,
    nearest,
)
from pipeline.read.lesson import Lesson, ReadLesson, read_lessons
from pipeline.wholefile import write_whole

STORE_FOLDER: Final = ".store"


@dataclass(frozen=True)
class LessonResult:
    """How the build of a lesson ended.

    folder : the release, None when the lesson could not be read
    problems : errors and cautions from its sources
    failure : what went wrong outside the sources, "" when nothing did
    """

    name: str
    folder: Path | None
    problems: tuple[Problem, ...] = ()
    cautions: tuple[str, ...] = ()
    failure: str = ""
    made: int = 0
    reused: int = 0
    seconds: float = 0.0

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

    def text(self) -> str:
        """For people: how each lesson ended, what to look at, and where."""
        lines = []
        for lesson in self.lessons:
            if lesson.ok and lesson.folder is not None:
                seen = f", {len(lesson.cautions)} to look at" if lesson.cautions else ""
                lines.append(f"{lesson.name}: ready in {lesson.folder}{seen}")
                lines += [f"  - {' '.join(caution.split())}" for caution in lesson.cautions]
                lines.append(f"  Everything on one page: {lesson.folder / REVIEW_FILE}")
            elif lesson.source_errors:
                count = len(lesson.source_errors)
                lines.append(
                    f"{lesson.name}: not built, {count} error{'s' if count > 1 else ''} in the sources"
                )
            else:
                old = lesson.folder is not None and (lesson.folder / RECORD_FILE).is_file()
                stays = "; the release before it stays as it was" if old else ""
                lines.append(f"{lesson.name}: not built{stays}")
                lines += [f"  - {' '.join(caution.split())}" for caution in lesson.cautions]
        return "\n".join(lines)


@dataclass
class _Work:
    """A lesson on its way."""

    read: ReadLesson
    plan: Plan
    steps: tuple[Step, ...]
    folder: Path
    begun: float


@dataclass
class _Build:
    out: Path
    store: Store
    report: Reporter
    products: tuple[str, ...]
    works: dict[str, _Work] = field(default_factory=dict)
    results: dict[int, LessonResult] = field(default_factory=dict)
    order: dict[str, int] = field(default_factory=dict)

    # -- before the run ---------------------------------------------------------------------

    def take_up(
        self, place: int, read: ReadLesson, keys: Sequence[str], tempos: Sequence[str | float]
    ) -> None:
        name = read.lesson.slug if read.lesson else _name_of(read)
        if read.lesson is None:
            self._tell(name, read)
            self.results[place] = LessonResult(name, None, tuple(read.problems))
            return
        try:
            plan = plan_lesson(read.lesson, keys=parse_keys(keys), tempos=parse_tempos(tempos))
            graph = Graph(plan.steps)
            self._refuse_empty(read.lesson, graph)
            steps = tuple(graph.chosen(self.products).steps.values())
        except SourceError as error:
            self._tell(name, read)
            self.report.problem(name, str(error))
            self.results[place] = LessonResult(name, None, (*read.problems, *error.problems))
            return
        folder = self.out / plan.slug
        mend(folder)
        self.works[plan.slug] = _Work(read, plan, steps, folder, time.perf_counter())
        self.order[plan.slug] = place

    def _tell(self, name: str, read: ReadLesson) -> None:
        """What was found in a lesson that will not be built; a built one's cautions are summed up."""
        for problem in in_order(read.problems):
            self.report.problem(name, problem.text())

    def _refuse_empty(self, lesson: Lesson, graph: Graph) -> None:
        """Raise SourceError when the lesson has nothing of what was asked for."""
        wanted = set(self.products) - {REVIEW}
        if not wanted or wanted & graph.products:
            return
        lacks = "no take" if lesson.take is None else "no tier that includes any of it"
        names = ", ".join(sorted(wanted))
        what = f"there is nothing to make for --step {names}: the lesson has {lacks}"
        raise SourceError([Problem(what, "Add it, or leave this step out.", lesson.config.path)])

    # -- after the last step of a lesson ----------------------------------------------------

    def finish(self, slug: str, done: dict[str, Done]) -> None:
        work = self.works[slug]
        cautions = self._cautions(work, done)
        failed = {name: one for name, one in done.items() if one.state == "failed"}
        problems = [p for one in failed.values() for p in one.outcome.problems]
        for problem in problems:
            self.report.problem(slug, problem.text())
        failure = ""
        if failed:
            told = [f"{n}: {one.outcome.message}" for n, one in failed.items() if not one.outcome.problems]
            failure = "\n".join(told)
            self._log(slug, failed)
        else:
            try:
                self._release(work, done, cautions)
            except LessonwrightError as error:
                failure = str(error)
            except OSError as error:
                failure = said_of(error)
            if failure:
                self.report.failed(slug, "release", failure)
        seconds = time.perf_counter() - work.begun
        result = LessonResult(
            slug,
            work.folder,
            (*work.read.problems, *problems),
            tuple(cautions),
            failure,
            made=sum(one.state == "made" for one in done.values()),
            reused=sum(one.state == "reused" for one in done.values()),
            seconds=seconds,
        )
        self.results[self.order[slug]] = result
        if result.ok:
            self.report.lesson_done(slug, str(work.folder), seconds=seconds)

    def _cautions(self, work: _Work, done: Mapping[str, Done]) -> list[str]:
        home = work.plan.lesson.config.folder
        found = [caution_text(problem, home) for problem in work.read.problems.cautions]
        found += work.plan.cautions
        for step in work.steps:
            made = done[step.name].outcome.made
            if made is not None:
                found += [_sentence(note) for note in made.notes]
        return list(dict.fromkeys(found))

    def _release(self, work: _Work, done: Mapping[str, Done], cautions: list[str]) -> None:
        folder, plan = work.folder, work.plan
        made = {name: one.outcome.made for name, one in done.items() if one.outcome.made is not None}
        placed = place_files(work.steps, made, plan.lesson.channel.tiers)
        before = read_record(folder)
        kept = kept_files(folder, before, self.products, placed)
        if kept:
            names = ", ".join(sorted({one.step for one in kept}))
            cautions.append(
                f"Only {', '.join(self.products)} was asked for; from an earlier build, and perhaps out of date: {names}."
            )
        placed = tuple(sorted((*placed, *kept), key=lambda one: one.path))
        own = own_public_files(folder, placed)
        cautions += [f"{name} is in the public folder and was not made by lessonwright." for name in own]
        record = release_record(plan, folder, placed, done, cautions, before=before)
        page = place_review(review_page(plan, record, placed, self._description(placed)), self.store)
        placed = (*placed, page)
        record["files"].append(page.to_json())
        data = record_bytes(record)
        if stands(folder, placed):
            write_whole(folder / RECORD_FILE, data)
        else:
            put_in_place(folder, placed, data, self.store)

    @staticmethod
    def _description(placed: Sequence[Any]) -> str:
        source = next((one.source for one in placed if one.path == "public/description.txt"), None)
        return source.read_text("utf-8") if source is not None else ""

    def _log(self, slug: str, failed: Mapping[str, Done]) -> None:
        """The full account of each failure, where someone who helps can read it."""
        accounts = {name: one.outcome.account for name, one in failed.items() if one.outcome.account}
        if not accounts:
            return
        text = "\n\n".join(f"== {slug}: {name}\n{account}" for name, account in accounts.items())
        path = self.store.root / f"failed {slug}.txt"
        try:
            write_whole(path, text.encode("utf-8"))
        except OSError as error:
            self.report.problem(slug, f"the account of the failure could not be written: {said_of(error)}")
        else:
            self.report.problem(slug, f"{slug}: the full account is in {path}")


def _sentence(note: str) -> str:
    said = note.strip()
    return said[:1].upper() + said[1:] + ("" if said[-1:] in ".!?" else ".")


def _name_of(read: ReadLesson) -> str:
    path = read.source.path
    return path.parent.name or path.parent.resolve().name or path.stem


def build(
    paths: Sequence[Path],
    *,
    out: Path,
    keys: Sequence[str] = (),
    tempos: Sequence[str | float] = (),
    steps: Sequence[str] = (),
    jobs: int | None = None,
    cluster: str | None = None,
    report: Reporter | None = None,
) -> Summary:
    """Build the release set of every lesson behind ``paths`` into ``out/<lesson>/``.

    Parameters
    ----------
    keys, tempos : beside those the lessons ask for (``Am``; ``80%``, ``96 bpm``)
    steps : products to make, with what they need; all when empty
    jobs : processes; None for as many as there are processors
    cluster : address of a Dask scheduler to run on instead

    A lesson that fails leaves its release before as it was, and the others alone.

    Raises
    ------
    MisuseError : paths, keys, tempos or steps that make no sense.
    MissingError : ``out`` cannot be written; the cluster does not answer.
    """
    begun = time.perf_counter()
    wrong = list(_misuses(out, keys, tempos, steps, jobs, cluster))
    if wrong:
        raise MisuseError("\nerror: ".join(wrong))
    report = report or SilentReporter()
    reads, week_problems = read_lessons(paths)
    for problem in in_order(week_problems):
        report.problem("", problem.text())
    if not any(read.lesson for read in reads):
        results = tuple(LessonResult(_name_of(read), None, tuple(read.problems)) for read in reads)
        for read in reads:
            for problem in in_order(read.problems):
                report.problem(_name_of(read), problem.text())
        return Summary(results, tuple(week_problems), time.perf_counter() - begun)
    store = Store(out / STORE_FOLDER)
    store.sweep()
    work = _Build(out, store, report, tuple(dict.fromkeys(steps)))
    try:
        for place, read in enumerate(reads):
            work.take_up(place, read, keys, tempos)
        graph = Graph(step for one in work.works.values() for step in one.steps)
        report.begin({slug: len(one.steps) for slug, one in work.works.items()})
        with open_pool(jobs, cluster) as pool:
            done = Runner(graph, store, pool, report, work.finish).run()
        for slug, one in work.works.items():
            if not one.steps:  # only the review page was asked for, and nothing feeds it
                work.finish(slug, {})
        if any(one.state == "made" for one in done.values()):
            store.prune({one.made.key for one in done.values() if one.made is not None})
    finally:
        report.end()
        store.close()
    ordered = tuple(work.results[place] for place in sorted(work.results))
    return Summary(ordered, tuple(week_problems), time.perf_counter() - begun)


def _misuses(
    out: Path,
    keys: Sequence[str],
    tempos: Sequence[str | float],
    steps: Sequence[str],
    jobs: int | None,
    cluster: str | None,
) -> Iterator[str]:
    """What makes no sense in the options, all of it."""
    if jobs is not None and jobs < 1:
        yield f"--jobs {jobs}: at least one process is needed"
    if out.exists() and not out.is_dir():
        yield f"--out {out}: this is a file, not a folder"
    readings: list[Callable[[], object]] = [partial(parse_keys, [key]) for key in keys]
    readings += [partial(parse_tempos, [tempo]) for tempo in tempos]
    for reading in readings:
        try:
            reading()
        except MisuseError as error:
            yield str(error)
    for name in steps:
        if name not in PRODUCTS:
            near = nearest(name, PRODUCTS)
            hint = f"Did you mean {near}? " if near else ""
            yield f"--step {name}: no such step\n  {hint}There are {', '.join(PRODUCTS)}."
    if cluster is not None and not cluster.strip():
        yield "--cluster: the address is empty\n  Give one such as tcp://host:8786, or leave it out."
