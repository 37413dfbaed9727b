"""Reading a lesson and declaring its steps, as one piece of work for a worker.

What comes back also says what was read and what was looked for in vain: with that, the lesson
need not be read again until something of it changes.
"""

from __future__ import annotations

import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from pipeline.build.declaring import REVIEW
from pipeline.build.digest import identity_of, input_digest, read_once, value_digest
from pipeline.build.editions import parse_keys, parse_tempos
from pipeline.build.graph import Graph
from pipeline.build.lesson_steps import Plan, plan_lesson
from pipeline.build.portrait import portraits
from pipeline.build.receipt import TICK_NS, Seen, listing, seen, settle
from pipeline.build.record import caution_text
from pipeline.build.step import Step
from pipeline.build.store import Store
from pipeline.build.work import StorePlace, said_of, store_of_worker
from pipeline.config.load import channel_places
from pipeline.config.toml import Document
from pipeline.errors import MisuseError, Problem, Problems, SourceError, in_order
from pipeline.read.heard import Heard
from pipeline.read.lesson import Lesson, read_lesson
from pipeline.read.media import check_audio
from pipeline.read.weeks import LessonSource

_TRIES: Final = 3
# the first word of a portrait's line -> the files that it is said in
_SAID_IN: Final[Mapping[str, tuple[str, ...]]] = {
    **dict.fromkeys(("tab", "form", "stretches", "phrases"), ("tab",)),
    "chart": ("chart",),
    **dict.fromkeys(
        ("lesson", "title", "subtitle", "credit", "rights", "album", "artist", "composer", "groove", "key",
         "key_tag", "tempo_bpm", "semitones", "tracks", "chapters"),
        ("lesson",),
    ),
    **dict.fromkeys(
        ("channel", "links", "colours", "sheet", "footer", "codec", "target_lufs", "ceiling_dbtp", "offers",
         "members"),
        ("channel",),
    ),
    "facts": ("tab", "chart"),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Asked:
    """What is asked for beside what the lessons say. Empty ``products``: all."""

    keys: tuple[str, ...] = ()
    tempos: tuple[str | float, ...] = ()
    products: tuple[str, ...] = ()

    @property
    def digest(self) -> str:
        return value_digest((self.keys, self.tempos, self.products))


@dataclass(frozen=True)
class Order:
    """A lesson to be planned.

    upload : the store to which the files that steps read are to go, for workers that do not
        see this machine's disk
    heard : the folder where is kept what listening through recordings found, None for nowhere
    """

    source: LessonSource
    asked: Asked
    upload: StorePlace | None = None
    heard: Path | None = None


@dataclass(frozen=True)
class Planned:
    """A lesson as planned; ``plan`` is None when ``problems`` holds errors.

    steps : those that are asked for, with what they need
    inputs, absent, listings : see :class:`pipeline.build.receipt.Receipt`
    names : the creator's name of each source ("tab" -> "tab.txt")
    """

    problems: tuple[Problem, ...]
    plan: Plan | None = None
    steps: tuple[Step, ...] = ()
    portraits: dict[str, dict[str, str]] | None = None
    inputs: tuple[Seen, ...] = ()
    absent: tuple[str, ...] = ()
    listings: tuple[tuple[str, str, str], ...] = ()
    cautions: tuple[str, ...] = ()
    names: dict[str, str] | None = None


def plan_source(order: Order) -> Planned:
    """Read and plan. A file that was saved meanwhile makes it begin again."""
    for _ in range(_TRIES):
        begun_ns = time.time_ns()
        planned = _planned(order)
        if not any(_changed_since(s.path, begun_ns) for s in planned.inputs):
            break
        settle()
    return planned


def _changed_since(path: str, begun_ns: int) -> bool:
    try:
        changed_ns = identity_of(Path(path))[-1]
    except OSError:
        return True
    # a time still to come is that of a clock that was set back, and says nothing
    return begun_ns - TICK_NS <= changed_ns <= time.time_ns()


def _planned(order: Order) -> Planned:
    problems = Problems()
    lesson = read_lesson(
        order.source.path,
        problems,
        overrides=order.source.overrides,
        sound_check=Heard(order.heard).check if order.heard else check_audio,
    )
    if lesson is None:
        return Planned(tuple(in_order(problems)))
    asked = order.asked
    try:
        plan = plan_lesson(lesson, keys=parse_keys(asked.keys), tempos=parse_tempos(asked.tempos))
        graph = Graph(plan.steps)
        _refuse_empty(lesson, graph, asked.products)
        steps = tuple(graph.chosen(asked.products).steps.values())
        with read_once():
            for step in steps:
                _ = step.own_digest  # worked out here, it travels with the step
        if order.upload is not None:
            _upload(order.upload, steps)
        inputs = tuple(seen(path.absolute(), input_digest(path)) for path in plan.inputs)
    except SourceError as error:
        return Planned((*in_order(problems), *error.problems))
    except MisuseError as error:
        return Planned((*in_order(problems), Problem(str(error), path=lesson.config.path)))
    except OSError as error:
        return Planned((*in_order(problems), Problem(said_of(error), path=lesson.config.path)))
    home = lesson.config.folder
    cautions = [caution_text(problem, home) for problem in problems.cautions]
    return Planned(
        tuple(problems),
        plan,
        steps,
        portraits(steps),
        inputs,
        tuple(str(path.absolute()) for path in _missed(lesson)),
        tuple((str(f.absolute()), "**/*", listing(f, "**/*")) for f in _template_folder(lesson)),
        tuple(dict.fromkeys((*cautions, *plan.cautions))),
        _names(lesson, order.source.overrides),
    )


def _upload(place: StorePlace, steps: Sequence[Step]) -> None:
    store = store_of_worker(place)
    if not isinstance(store, Store):
        for path in dict.fromkeys(path for step in steps for _, path in step.files):
            store.put_source(path)


def _missed(lesson: Lesson) -> Iterator[Path]:
    """Where a nearer channel file would be."""
    if lesson.config.channel is None:
        for place in channel_places(lesson.config.folder):
            if lesson.channel.path is not None and place == lesson.channel.path:
                return
            yield place


def _template_folder(lesson: Lesson) -> Iterator[Path]:
    if lesson.channel.templates is not None:
        yield lesson.channel.templates


def _names(lesson: Lesson, over: Document | None) -> dict[str, str]:
    """What to call its sources; a week may say what the lesson's file says."""
    config, channel = lesson.config, lesson.channel
    found = {
        "lesson": config.path,
        "tab": config.tab,
        "chart": config.chart or config.tab,
        "channel": channel.path,
    }
    names = {name: path.name for name, path in found.items() if path is not None}
    return {**names, "lesson": f"{names['lesson']} or {over.path.name}"} if over else names


def _refuse_empty(lesson: Lesson, graph: Graph, products: tuple[str, ...]) -> None:
    """Raise SourceError when the lesson has nothing of what was asked for."""
    wanted = set(products) - {REVIEW}
    if not wanted or wanted & graph.products:
        return
    lacks = "no take" if lesson.take is None else "no tier that includes any of it"
    names = ", ".join(sorted(wanted))
    what = f"there is nothing to make for --step {names}: the lesson has {lacks}"
    raise SourceError([Problem(what, "Add it, or leave this step out.", lesson.config.path)])


def sources_of(step: Step, planned: Planned) -> tuple[str, ...]:
    """Names of the creator's files that decide what a step makes, as its portrait tells."""
    names, labels = planned.names or {}, (planned.portraits or {}).get(step.name, {})
    kinds = {kind for label in labels for kind in _kinds(label)}
    own = {one.path for one in planned.inputs}
    found = [path.name for _, path in step.files if str(path.absolute()) in own]
    found += [
        names[kind] for kind in ("tab", "chart", "lesson", "channel") if kind in kinds and kind in names
    ]
    return tuple(dict.fromkeys(found))


def _kinds(label: str) -> tuple[str, ...]:
    """Which of the creator's files a line of a portrait comes from."""
    first, _, rest = label.partition(" ")
    if first == "facts":  # of the words, as the templates name them
        return _SAID_IN.get(rest.partition(" ")[0], ())
    return _SAID_IN.get(first, ())
