"""Running the steps of lessons: what is in the store is reused, the rest goes to the crew.

A step's failure stops only what needs it. Two lessons that need the same get it made once.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from pipeline.build.crew import USUAL_LIMIT_S, Crew, Flight, Lost
from pipeline.build.farfolder import UnreachableError
from pipeline.build.graph import Graph, StepId
from pipeline.build.portrait import because
from pipeline.build.receipt import StepNote
from pipeline.build.report import Reporter
from pipeline.build.step import Made, State, Step
from pipeline.build.store import Store
from pipeline.build.work import Done, Outcome, StorePlace, Task, perform, said_of

if TYPE_CHECKING:
    from pipeline.build.faraway import FarStore

_LIMIT_FOR_WEIGHT: Final = 60.0  # so many times its rough seconds: old machines, slow disks
_SHOWN: Final = 2  # names in a clause
WOULD: Final = "would be made"
MAY: Final = "may be made"


@dataclass(frozen=True)
class Steps:
    """The steps of one lesson with what is known of the last time.

    notes : how each went the last time
    portraits, names : see :func:`pipeline.build.portrait.because`
    rank : see :class:`pipeline.build.crew.Flight`
    finished : called with the end of each step by name, when all have ended
    """

    graph: Graph
    finished: Callable[[dict[str, Done]], None]
    notes: Mapping[str, StepNote] = field(default_factory=dict)
    portraits: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    names: Mapping[str, str] = field(default_factory=dict)
    rank: float = 0.0


class Runner:
    """Runs steps as lessons bring them.

    store, place : where results are looked for, and how workers come there
    limit_s : when a step is given up; None for a time that fits its weight
    dry : make nothing, only tell what would be made
    """

    def __init__(
        self,
        crew: Crew,
        store: Store | FarStore,
        place: StorePlace,
        report: Reporter,
        *,
        limit_s: float | None = None,
        dry: bool = False,
    ) -> None:
        self.crew, self.store, self.report = crew, store, report
        self.place = place.away if crew.pools.cluster else place
        if not isinstance(store, Store):
            store.sends = not dry
        self.limit_s, self.dry = limit_s, dry
        self._twins: dict[str, list[Callable[[Outcome], None]]] = {}

    def add(self, steps: Steps) -> None:
        """Begin a lesson's steps; those that need nothing go first."""
        _OneLesson(self, steps).go_on()


class _OneLesson:
    def __init__(self, runner: Runner, steps: Steps) -> None:
        self.runner, self.steps, self.graph = runner, steps, steps.graph
        self.done: dict[StepId, Done] = {}
        self.left = {i: len(step.needs) for i, step in self.graph.steps.items()}
        self.after: dict[StepId, list[StepId]] = {i: [] for i in self.graph.steps}
        for i, step in self.graph.steps.items():
            for need in step.needs:
                self.after[i[0], need].append(i)
        self.ready = deque(i for i in self.graph.order if not self.left[i])

    def go_on(self) -> None:
        while self.ready:
            self._begin(self.ready.popleft())
        if len(self.done) == len(self.graph.steps):
            self.steps.finished({i[1]: self.done[i] for i in self.graph.steps})

    def _begin(self, i: StepId) -> None:
        step = self.graph.steps[i]
        needs = {need: self.done[i[0], need] for need in step.needs}
        given = {name: done.made for name, done in needs.items() if done.made is not None}
        if len(given) < len(needs):
            lacking = next(name for name in step.needs if name not in given)
            if self.runner.dry and needs[lacking].state in (WOULD, MAY):
                self._tell_unsure(i, step, needs)
            else:
                self._end(i, Done("skipped", Outcome(None, 0.0, f"needs {lacking}, which failed")))
            return
        try:
            key = step.key(given)
            found = self.runner.store.find(key)
        except UnreachableError:
            raise  # no other step would fare better
        except OSError as error:
            self._end(i, Done("failed", Outcome(None, 0.0, said_of(error))))
            return
        before = self.steps.notes.get(step.name)
        if found is not None:
            same = before is not None and before.key == key
            why = "nothing it depends on changed" if same else "the same had been made before"
            self._end(i, Done("reused", Outcome(found, 0.0), (why,)))
            return
        why_made = self._why(step, key, given)
        if self.runner.dry:
            self._end(i, Done(WOULD, Outcome(None, 0.0), why_made))
            return
        self._make(i, step, key, given, why_made)

    def _make(self, i: StepId, step: Step, key: str, given: Mapping[str, Made], why: tuple[str, ...]) -> None:
        twins, report = self.runner._twins, self.runner.report

        def ended(outcome: Outcome | Lost) -> None:
            if isinstance(outcome, Lost):
                outcome = Outcome(None, 0.0, outcome.message)
            if outcome.unreachable:
                outcome = self._found_after_all(key, outcome)
            others = twins.pop(key)
            self._end(i, Done("made" if outcome.made else "failed", outcome, why))
            self.go_on()
            for other in others:
                other(outcome)

        def made_elsewhere(outcome: Outcome) -> None:
            again = Outcome(outcome.made, 0.0, outcome.message, outcome.problems)
            self._end(
                i, Done("reused" if outcome.made else "failed", again, ("another lesson made the same",))
            )
            self.go_on()

        if key in twins:
            twins[key].append(made_elsewhere)
            return
        twins[key] = []
        self.runner.crew.offer(
            Flight(
                f"{step.name} of {step.lesson}",
                perform,
                Task.of(step, key, given, self.runner.place, away=self.runner.crew.pools.cluster),
                ended,
                rank=self.steps.rank,
                urgency=self.graph.urgency[i],
                memory_mb=step.memory_mb,
                away=True,
                limit_s=self.runner.limit_s or max(USUAL_LIMIT_S, _LIMIT_FOR_WEIGHT * step.weight),
                begun=lambda: report.started(*i),
            )
        )

    def _found_after_all(self, key: str, outcome: Outcome) -> Outcome:
        """What became of a step whose machine could not reach the store: if this one cannot
        either, the build ends; if it was made here, it is sent now."""
        try:
            made = self.runner.store.find(key)
        except UnreachableError:
            raise
        except OSError:
            return outcome
        return outcome if made is None else Outcome(made, outcome.seconds, peak_mb=outcome.peak_mb)

    def _why(self, step: Step, key: str, given: Mapping[str, Made]) -> tuple[str, ...]:
        """Why a step has to be made that is not in the store."""
        before = self.steps.notes.get(step.name)
        if before is None:
            return ("it was not made before",)
        if before.key == key:
            damaged = key in self.runner.store.damaged
            return ("what was kept of it was damaged",) if damaged else ("what was kept of it is gone",)
        told = self._of_its_own(step, before)
        notes = self.steps.notes
        new = [name for name in given if name not in before.needs]
        other = [
            n for n, m in given.items() if n not in new and (n not in notes or notes[n].digest != m.digest)
        ]
        gone = [name for name in before.needs if name not in step.needs]
        told += _some(other, "came out different") + _some(new, "joined it") + _some(gone, "left it")
        return tuple(told) or ("it is made in another way",)

    def _of_its_own(self, step: Step, before: StepNote) -> list[str]:
        now = self.steps.portraits.get(step.name, {})
        if now == before.portrait:
            return []
        return list(because(before.portrait, now, names=self.steps.names))

    def _tell_unsure(self, i: StepId, step: Step, needs: Mapping[str, Done]) -> None:
        """In a dry run: a step that waits for another which would be made."""
        before = self.steps.notes.get(step.name)
        why = self._of_its_own(step, before) if before is not None else ["it was not made before"]
        state: State = WOULD if why else MAY
        if before is not None:
            unsure = [name for name, done in needs.items() if done.state in (WOULD, MAY)]
            why = [*why, *_some(unsure, "may come out different")]
        self._end(i, Done(state, Outcome(None, 0.0), tuple(why)))

    def _end(self, i: StepId, done: Done) -> None:
        self.done[i] = done
        report = self.runner.report
        if done.made is not None:
            report.finished(*i, seconds=done.outcome.seconds, reused=done.state == "reused")
        elif done.state == "failed" and not done.outcome.problems and not done.outcome.lost:
            report.failed(*i, done.outcome.message)
        for after in self.after[i]:
            self.left[after] -= 1
            if not self.left[after]:
                self.ready.append(after)


def _some(names: Sequence[str], happened: str) -> list[str]:
    """One clause about them all: ``page, midi and 4 more came out different``."""
    if not names:
        return []
    shown = list(names[:_SHOWN])
    if len(names) == _SHOWN + 1:
        shown.append(names[_SHOWN])
    elif len(names) > _SHOWN:
        shown.append(f"{len(names) - _SHOWN} more")
    listed = " and ".join(filter(None, (", ".join(shown[:-1]), shown[-1])))
    return [f"{listed} {happened}"]
