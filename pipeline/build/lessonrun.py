"""What a lesson goes through in a build: it stands as it is, or is planned, made, put in place."""

from __future__ import annotations

import math
import os
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Final

from pipeline.build.crew import Crew, Flight, Lost
from pipeline.build.graph import Graph
from pipeline.build.placing import Released, ReleaseOrder, mark_reused, put_release
from pipeline.build.planning import Asked, Order, Planned, plan_source, sources_of
from pipeline.build.receipt import Receipt, over_digest
from pipeline.build.release import RECORD_FILE, mend, read_record
from pipeline.build.report import Reporter
from pipeline.build.run import Runner, Steps
from pipeline.build.summary import LessonResult, StepTold
from pipeline.build.tool import tool_digest
from pipeline.build.work import Done, StorePlace, said_of
from pipeline.build.workplace import STORE_FOLDER, Workplace
from pipeline.errors import Problem, in_order
from pipeline.read.weeks import LessonSource

_FIRST: Final = -math.inf  # what lets other work begin, or ends a lesson, waits for nothing


@dataclass
class Build:
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


class LessonRun:
    """A lesson on its way: planned, made, put in place."""

    def __init__(
        self, build: Build, number: int, source: LessonSource, name: str, receipt: Receipt | None
    ) -> None:
        self.build, self.number, self.source, self.name = build, number, source, name
        self.receipt = receipt
        self.begun = time.perf_counter()
        self.planned = Planned(())
        self.tried_again = False
        build.at_work += 1
        heard = None if build.dry else build.place.heard
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
            self.planned, done, self.folder, place.store, place.receipts.folder,
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
            self.build.place.receipts.making.write_whole(path, text.encode("utf-8"))
        except OSError as error:
            told = f"the account of the failure could not be written: {said_of(error)}"
        else:
            told = f"{self.name}: the full account is in {path}"
        self.build.report.problem(self.name, told)
