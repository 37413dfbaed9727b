"""Building lessons: which of them stand as they are; planning, making, placing the others.

Lessons go through a window: a few are at work at a time, so that a back catalogue needs no more
memory than a week. The receipts of :mod:`pipeline.build.receipt` tell which lessons need not
go through it at all.
"""

from __future__ import annotations

import errno
import math
import os
import threading
import time
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Final

from pipeline.build.crew import USUAL_LIMIT_S, Crew, Flight, Lost
from pipeline.build.declaring import PRODUCTS
from pipeline.build.editions import parse_keys, parse_tempos
from pipeline.build.graph import Graph
from pipeline.build.making import Making
from pipeline.build.placing import Released, ReleaseOrder, mark_reused, put_release
from pipeline.build.planning import Asked, Order, Planned, plan_source, sources_of
from pipeline.build.pools import Pools, open_pools
from pipeline.build.receipt import Receipt, Receipts, over_digest
from pipeline.build.release import RECORD_FILE, mend, read_record
from pipeline.build.report import Reporter, SilentReporter
from pipeline.build.run import Runner, Steps
from pipeline.build.store import CAP_BYTES
from pipeline.build.summary import LessonResult, StepTold, Summary
from pipeline.build.tool import tool_digest
from pipeline.build.work import Done, StorePlace, open_store, said_of
from pipeline.errors import MissingError, MisuseError, Problem, Problems, in_order, nearest
from pipeline.read.weeks import LessonSource, clashes, read_paths, slug_at
from pipeline.wholefile import write_whole

STORE_FOLDER: Final = ".store"
_AHEAD: Final = 2  # lessons that are read while as many as there are processes are being made
_FIRST: Final = -math.inf  # what lets other work begin, or ends a lesson, waits for nothing


@dataclass(frozen=True)
class Workplace:
    """Where a build keeps its things: all below ``<out>/.store`` but the results, if they are
    to be elsewhere."""

    out: Path
    store: StorePlace

    @classmethod
    def at(cls, out: Path, store: str | None) -> Workplace:
        """Raises MissingError when ``out`` cannot be written."""
        home = out / STORE_FOLDER
        try:
            home.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            full = error.errno in (errno.ENOSPC, errno.EDQUOT)
            remedy = "free some space there" if full else "change its permissions"
            raise MissingError(
                f"{home}: cannot keep results there ({error.strerror or error}); "
                f"choose another folder with --out, or {remedy}"
            ) from error
        # workers may be started in another folder
        address = store if store and "://" in store else str(Path(store or home).absolute())
        return cls(out, StorePlace(address, home.absolute()))

    @property
    def making(self) -> Path:
        return self.out.absolute() / STORE_FOLDER / "making"

    @property
    def receipts(self) -> Receipts:
        return Receipts(self.out / STORE_FOLDER / "receipts")


@dataclass
class _Build:
    """What all lessons of a build share."""

    place: Workplace
    asked: Asked
    report: Reporter
    crew: Crew
    runner: Runner
    dry: bool
    upload: StorePlace | None
    limit_s: float
    results: dict[int, LessonResult] = field(default_factory=dict)
    at_work: int = 0
    made_keys: set[str] = field(default_factory=set)
    wrote: bool = False
    names: dict[tuple[str, str], set[str]] | None = None

    def left_behind(self, slug: str, source: LessonSource) -> tuple[str, ...]:
        """What is to be said of a lesson that was released under other names before."""
        if self.names is None:
            self.names = self.place.receipts.names()
        before = self.names.get((os.path.realpath(source.path), over_digest(source.overrides)), set()) - {
            slug
        }
        folders = [self.place.out / name for name in sorted(before)]
        return tuple(
            f"{folder} holds this lesson under the name it had before; delete that folder if nobody needs it."
            for folder in folders
            if (folder / RECORD_FILE).is_file()
        )

    def stands(self, number: int, slug: str, source: LessonSource, receipt: Receipt) -> bool:
        """Whether the lesson's release is as it should be; then that is its result."""
        begun = time.perf_counter()
        if receipt.changed(tool=tool_digest(), asked=self.asked.digest, over=over_digest(source.overrides)):
            return False
        folder = self.place.out / slug
        if not self.dry:
            receipts = self.place.receipts
            record = {} if receipt.all_reused else read_record(folder)
            try:
                renewed = receipt.renewed()
                if record.get("steps"):
                    mark_reused(renewed or receipt, receipts, record)
                elif renewed is not None:
                    receipts.write(renewed)
                else:
                    receipts.touch(slug)
            except OSError:
                return False  # the way through the steps tells what is wrong
        steps = tuple(
            StepTold(name, note.product, note.needs, "reused", 0.0, note.weight,
                     ("nothing it depends on changed",), note.sources)
            for name, note in ((name, receipt.steps[name]) for name in receipt.built)
        )  # fmt: skip
        seconds = time.perf_counter() - begun
        cautions = () if self.dry else receipt.cautions
        self.results[number] = LessonResult(
            slug, folder, (), cautions, steps=steps, seconds=seconds, dry=self.dry, title=receipt.title
        )
        self.report.lesson_done(slug, str(folder), seconds=seconds, made=0, reused=len(steps))
        return True


class _LessonRun:
    """A lesson on its way: planned, made, put in place."""

    def __init__(
        self, build: _Build, number: int, source: LessonSource, name: str, receipt: Receipt | None
    ) -> None:
        self.build, self.number, self.source, self.name = build, number, source, name
        self.receipt = receipt
        self.begun = time.perf_counter()
        self.planned = Planned(())
        self.tried_again = False
        build.at_work += 1
        heard = None if build.dry else build.place.out.absolute() / STORE_FOLDER / "heard"
        order = Order(source, build.asked, build.upload, heard)
        build.crew.offer(
            Flight(
                f"reading {name}",
                plan_source,
                order,
                self._planned,
                rank=_FIRST,
                memory_mb=500,
                limit_s=build.limit_s,
            )
        )

    @property
    def folder(self) -> Path:
        return self.build.place.out / self.name

    def _planned(self, planned: Planned | Lost) -> None:
        if isinstance(planned, Lost):
            self._fail(f"reading: {planned.message}", {})
            return
        plan = planned.plan
        if plan is None:
            for problem in in_order(planned.problems):
                self.build.report.problem(self.name, problem.text())
            self._end(LessonResult(self.name, None, planned.problems))
            return
        self.planned, self.name = planned, plan.slug
        if not self.build.dry:
            try:
                mend(self.folder)
            except OSError as error:
                self._fail(said_of(error), {})
                return
        self.build.report.lesson_begun(self.name, {step.name: step.weight for step in planned.steps})
        self._run_steps()

    def _run_steps(self) -> None:
        planned = self.planned
        self.build.runner.add(
            Steps(
                Graph(planned.steps),
                self._made,
                notes=self.receipt.steps if self.receipt else {},
                portraits=planned.portraits or {},
                names=planned.names or {},
                rank=self.number,
            )
        )

    def _try_again(self) -> bool:
        """Once more through the steps, when what was lost from the store is all that is wrong."""
        again = not self.tried_again
        if again:
            self.tried_again = True
            self._run_steps()
        return again

    def _made(self, done: dict[str, Done]) -> None:
        failed = {name: one for name, one in done.items() if one.state == "failed"}
        lost = {name: one for name, one in failed.items() if one.outcome.lost}
        if failed and len(lost) == len(failed) and self._try_again():
            return
        for name, one in lost.items():
            self.build.report.failed(self.name, name, one.outcome.message)
        if failed:
            problems = tuple(p for one in failed.values() for p in one.outcome.problems)
            for problem in problems:
                self.build.report.problem(self.name, problem.text())
            told = [f"{n}: {one.outcome.message}" for n, one in failed.items() if not one.outcome.problems]
            self._log(failed)
            self._fail("\n".join(told), done, problems=problems)
            return
        if self.build.dry:
            self._end(self._result(done))
            return
        self.build.wrote |= any(one.state == "made" for one in done.values())
        self.build.made_keys |= {one.made.key for one in done.values() if one.made is not None}
        place = self.build.place
        order = ReleaseOrder(
            self.planned, done, self.folder, place.store, place.making, place.receipts.folder,
            self.build.asked.products, self.build.asked.digest, over_digest(self.source.overrides), tool_digest(),
        )  # fmt: skip
        self.build.crew.offer(
            Flight(
                f"the release of {self.name}",
                put_release,
                order,
                partial(self._released, done),
                rank=_FIRST,
                limit_s=self.build.limit_s,
            )
        )

    def _released(self, done: dict[str, Done], released: Released | Lost) -> None:
        if isinstance(released, Lost):
            released = Released(f"release: {released.message}", ())
        if released.lost and self._try_again():
            return
        if released.failure:
            self.build.report.failed(self.name, "release", released.failure)
            self._fail(released.failure, done, cautions=released.cautions)
            return
        cautions = released.cautions
        if self.receipt is None:
            cautions += self.build.left_behind(self.name, self.source)
        self._end(self._result(done, cautions=cautions))

    def _fail(
        self, failure: str, done: Mapping[str, Done], *, problems: tuple[Problem, ...] = (),
        cautions: tuple[str, ...] = (),
    ) -> None:  # fmt: skip
        if not done:
            self.build.report.failed(self.name, "lesson", failure)
        self._end(self._result(done, problems=problems, cautions=cautions, failure=failure))

    def _result(
        self, done: Mapping[str, Done], *, problems: tuple[Problem, ...] = (), cautions: tuple[str, ...] = (),
        failure: str = "",
    ) -> LessonResult:  # fmt: skip
        steps = tuple(
            StepTold(step.name, step.product, step.needs, done[step.name].state, done[step.name].outcome.seconds,
                     step.weight, done[step.name].why, sources_of(step, self.planned))
            for step in self.planned.steps
            if step.name in done
        )  # fmt: skip
        plan = self.planned.plan
        return LessonResult(
            self.name, self.folder, (*self.planned.problems, *problems), cautions or self.planned.cautions, failure,
            steps, time.perf_counter() - self.begun, self.build.dry, plan.lesson.config.title if plan else "",
        )  # fmt: skip

    def _end(self, result: LessonResult) -> None:
        self.build.results[self.number] = result
        self.build.at_work -= 1
        report = self.build.report
        if result.ok and result.folder is not None:
            report.lesson_done(
                self.name, str(result.folder), seconds=result.seconds, made=result.made, reused=result.reused
            )
        else:
            report.lesson_failed(self.name)

    def _log(self, failed: Mapping[str, Done]) -> None:
        """The full account of each failure, where someone who helps can read it."""
        accounts = {name: one.outcome.account for name, one in failed.items() if one.outcome.account}
        if not accounts:
            return
        text = "\n\n".join(f"== {self.name}: {name}\n{account}" for name, account in accounts.items())
        path = self.build.place.out / STORE_FOLDER / f"failed {self.name}.txt"
        try:
            write_whole(path, text.encode("utf-8"))
        except OSError as error:
            told = f"the account of the failure could not be written: {said_of(error)}"
        else:
            told = f"{self.name}: the full account is in {path}"
        self.build.report.problem(self.name, told)


def build(
    paths: Sequence[Path],
    *,
    out: Path,
    keys: Sequence[str] = (),
    tempos: Sequence[str | float] = (),
    steps: Sequence[str] = (),
    jobs: int | None = None,
    cluster: str | None = None,
    store: str | None = None,
    store_bytes: int = CAP_BYTES,
    limit_s: float | None = None,
    dry: bool = False,
    report: Reporter | None = None,
    pools: Pools | None = None,
    stop: threading.Event | None = None,
    only: Collection[Path] | None = None,
) -> Summary:
    """Build the release set of every lesson behind ``paths`` into ``out/<lesson>/``.

    Parameters
    ----------
    keys, tempos : beside those the lessons ask for (``Am``; ``80%``, ``96 bpm``)
    steps : products to make, with what they need; all when empty
    jobs : processes; None for as many as there are processors
    cluster : address of a Dask scheduler whose workers do the steps
    store : where results are kept, a folder or an address that fsspec knows; None for
        ``out/.store``
    store_bytes : what the store may hold; what was longest unused goes first
    limit_s : when a step that does not end is given up; None for a time that fits it
    dry : make nothing, tell what would be made
    pools : those of a caller that builds again and again; ``jobs`` and ``cluster`` are theirs
    stop : when set, the build ends soon
    only : of the lessons those with these files, as ``paths`` lead to them; the others are left alone

    A lesson that fails leaves its release before as it was, and the others alone.

    Raises
    ------
    MisuseError : paths, keys, tempos or steps that make no sense.
    MissingError : ``out`` or the store cannot be written; the cluster does not answer.
    Stopped : ``stop`` was set.
    """
    begun = time.perf_counter()
    wrong = list(_misuses(out, keys, tempos, steps, jobs, cluster, store, store_bytes, limit_s))
    if wrong:
        raise MisuseError("\nerror: ".join(wrong))
    report = report or SilentReporter()
    problems = Problems()
    sources = read_paths(paths, problems)
    for problem in in_order(problems):
        report.problem("", problem.text())
    if not sources:
        return Summary((), tuple(problems), time.perf_counter() - begun)
    place = Workplace.at(out, store)
    asked = Asked(tuple(keys), tuple(tempos), tuple(dict.fromkeys(steps)))
    if pools is None:
        with open_pools(jobs, cluster) as opened:
            results = _built(sources, place, asked, opened, report, store_bytes, limit_s, dry, stop, only)
    else:
        results = _built(sources, place, asked, pools, report, store_bytes, limit_s, dry, stop, only)
    return Summary(results, tuple(problems), time.perf_counter() - begun)


def _built(
    sources: Sequence[LessonSource],
    place: Workplace,
    asked: Asked,
    pools: Pools,
    report: Reporter,
    store_bytes: int,
    limit_s: float | None,
    dry: bool,
    stop: threading.Event | None,
    only: Collection[Path] | None,
) -> tuple[LessonResult, ...]:
    kept = open_store(place.store, create=True)
    making = Making(place.making)
    making.sweep()
    kept.sweep()
    crew = Crew(pools, stop=stop)
    runner = Runner(crew, kept, place.store, report, limit_s=limit_s, dry=dry)
    upload = place.store if pools.cluster and place.store.far else None
    work = _Build(place, asked, report, crew, runner, dry, upload, limit_s or USUAL_LIMIT_S)
    report.begin(len(sources) if only is None else len(only))
    try:
        with kept.in_use():
            for number, (source, clash) in enumerate(zip(sources, clashes(sources), strict=True)):
                if only is not None and source.path not in only:
                    continue
                while work.at_work >= pools.away().jobs + _AHEAD:
                    crew.turn()
                _take_up(work, number, source, clash)
            while not crew.idle:
                crew.turn()
            if work.wrote:
                used = place.receipts.last_use() | dict.fromkeys(work.made_keys, math.inf)
                kept.prune(used, cap_bytes=store_bytes)
    except BaseException:
        crew.abandon()  # the pools may be the caller's, and go on
        raise
    finally:
        report.end()
        making.sweep()
        kept.sweep()
    return tuple(work.results[number] for number in sorted(work.results))


def _take_up(work: _Build, number: int, source: LessonSource, clash: Problem | None) -> None:
    """Let a lesson stand as it is, refuse it, or send it on its way."""
    slug = slug_at(source)
    name = slug or source.path.parent.name or source.path.parent.resolve().name or source.path.stem
    receipt = work.place.receipts.find(slug) if slug else None
    if clash is None and receipt is not None:
        clash = _of_another_lesson(work.place.out / receipt.slug, source, receipt)
    if clash is not None:
        work.report.problem(name, clash.text())
        work.results[number] = LessonResult(name, None, (clash,))
        work.report.lesson_failed(name)
        return
    if slug and receipt is not None and work.stands(number, slug, source, receipt):
        return
    _LessonRun(work, number, source, name, receipt)


def _of_another_lesson(folder: Path, source: LessonSource, receipt: Receipt) -> Problem | None:
    """The error that the place holds another lesson's release, which is still that lesson's."""
    other = Path(receipt.lesson)
    try:
        if other.resolve() == source.path.resolve() or not other.is_file():
            return None
    except OSError:
        return None  # as good as gone
    if slug_at(LessonSource(other)) != receipt.slug:
        return None
    return Problem(
        f"{folder} holds the release of another lesson of that name, {other}",
        'Give one of them another name: slug = "...", or build this one into another folder with --out.',
        source.path,
    )


def _misuses(
    out: Path,
    keys: Sequence[str],
    tempos: Sequence[str | float],
    steps: Sequence[str],
    jobs: int | None,
    cluster: str | None,
    store: str | None,
    store_bytes: int,
    limit_s: float | None,
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
    if store is not None and not store.strip():
        yield "--store: the place is empty\n  Give a folder, or an address such as s3://bucket/lessons."
    if store and "://" not in store and Path(store).exists() and not Path(store).is_dir():
        yield f"--store {store}: this is a file, not a folder"
    if not (math.isfinite(store_bytes) and store_bytes > 0):
        yield "--store-size: it must be more than nothing"
    if limit_s is not None and not (math.isfinite(limit_s) and limit_s > 0):
        yield "--limit: it must be more than nothing"
