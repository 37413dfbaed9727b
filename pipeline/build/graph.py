"""The steps of one or more lessons, in an order that can be run."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import cached_property
from graphlib import CycleError, TopologicalSorter

from pipeline.build.step import Step

StepId = tuple[str, str]


class Graph:
    """Steps by id, checked: names are unique, needs exist, nothing waits for itself.

    Raises
    ------
    ValueError : the steps contradict each other.
    """

    def __init__(self, steps: Iterable[Step]) -> None:
        self.steps: dict[StepId, Step] = {}
        for step in steps:
            if step.id in self.steps:
                raise ValueError(f"two steps of {step.lesson} are called {step.name!r}")
            self.steps[step.id] = step
        for step in self.steps.values():
            for need in step.needs:
                if (step.lesson, need) not in self.steps:
                    raise ValueError(
                        f"step {step.name!r} of {step.lesson} needs {need!r}, which is not there"
                    )
        try:
            self.order: tuple[StepId, ...] = tuple(self._sorter().static_order())
        except CycleError as error:
            chain = " → ".join(name for _, name in error.args[1])
            raise ValueError(f"steps wait for each other: {chain}") from error

    def _sorter(self) -> TopologicalSorter[StepId]:
        return TopologicalSorter({i: [(i[0], need) for need in s.needs] for i, s in self.steps.items()})

    @cached_property
    def urgency(self) -> dict[StepId, float]:
        """Seconds, roughly, from the start of a step to the end of what waits for it."""
        after: dict[StepId, list[StepId]] = {i: [] for i in self.steps}
        for i, step in self.steps.items():
            for need in step.needs:
                after[i[0], need].append(i)
        found: dict[StepId, float] = {}
        for i in reversed(self.order):
            found[i] = self.steps[i].weight + max((found[j] for j in after[i]), default=0.0)
        return found

    def needed_for(self, wanted: Iterable[StepId]) -> set[StepId]:
        """These steps and all they need."""
        found: set[StepId] = set()
        todo = list(wanted)
        while todo:
            now = todo.pop()
            if now not in found:
                found.add(now)
                todo += [(now[0], need) for need in self.steps[now].needs]
        return found

    @property
    def products(self) -> frozenset[str]:
        return frozenset(step.product for step in self.steps.values())

    def chosen(self, products: Sequence[str]) -> Graph:
        """The steps that make these products, with what they need; all when none is named."""
        if not products:
            return self
        wanted = self.needed_for(i for i, step in self.steps.items() if step.product in products)
        return Graph(step for i, step in self.steps.items() if i in wanted)
