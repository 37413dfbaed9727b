"""A build as a picture (SVG): what each lesson is made from, which step made what, and why.

From left to right: the sources, the steps in the order they can be made, and where the files go
in the release. How a step ended is told by words and by form, never by colour alone, so that the
picture can be printed in grey. Pointing at a step shows all that is known of it.

References
----------
Newbery (1989), "Edge concentration: a method for clustering directed graphs", Proc. 2nd Int.
Workshop on Software Configuration Management: edges from the same nodes to the same nodes meet
in a joint, so that ten steps that read four sources need fourteen lines and not forty.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final
from xml.etree import ElementTree
from xml.etree.ElementTree import Element, SubElement

from pipeline.build.graphshapes import (
    FONTS,
    FORMS,
    INK,
    QUIET,
    clean,
    cut,
    number,
    outline,
    stroke,
    text,
    text_width,
)
from pipeline.build.layers import Edge, Line, Node, lay_out
from pipeline.build.step import State

GROUPS: Final = ("public", "packs", "review")
TITLE: Final = "What was made from what"
_GOES_TO: Final = {
    **dict.fromkeys(("words", "overlay", "clip", "still"), "public"),
    **dict.fromkeys(("align", "page", "review"), "review"),
    "packs": "packs",
}
_NEW: Final = ("made", "would be made", "may be made")


@dataclass(frozen=True)
class DrawnStep:
    """A step as it is drawn.

    product : as ``--step`` names it
    needs : names of steps of the same lesson
    state : how it ended, or would end
    seconds : what making it took; 0 when nothing is known
    why : why it was made or not, one sentence
    sources : the creator's names of the files it reads itself (``tab.txt``)
    released : the parts of the release that its files go to, of :data:`GROUPS`
    """

    name: str
    product: str
    needs: tuple[str, ...]
    state: State
    seconds: float
    why: str
    sources: tuple[str, ...] = ()
    released: tuple[str, ...] = ()


def released(product: str) -> tuple[str, ...]:
    """The part of the release, of :data:`GROUPS`, that the files of such a step go to straight;
    what gets there in a pack is not counted."""
    return (_GOES_TO[product],) if product in _GOES_TO else ()


@dataclass(frozen=True)
class LessonGraph:
    """The steps of one lesson."""

    title: str
    steps: tuple[DrawnStep, ...]


_FRESH: Final = {"stroke": QUIET, "stroke-width": "1.3"}
_STALE: Final = {"stroke": "#bcc3cc", "stroke-width": "1"}
_NAME, _SMALL, _HEADING = 12.5, 10.5, 17.0  # pixels
_NODE_LEAST, _NODE_MOST = 104.0, 220.0
_PAD: Final = 10.0
_MARGIN: Final = 28.0
_GAP_X, _GAP_Y = 46.0, 9.0
_JOINT: Final = 5.0
# on paper as wide as the page, which lies across
_PRINTED: Final = "@page{size:landscape;margin:8mm}@media print{svg{width:100%;height:auto}}"
_MOST_IN_FULL: Final = 8  # lessons
_END_HEIGHT: Final = 32.0  # of a source or a part of the release
_SOURCE, _STEP, _JOINT_OF, _GROUP = "source ", "step ", "joint ", "group "  # what an id begins with


def draw_graph(lessons: Sequence[LessonGraph]) -> str:
    """An SVG document, one lesson beneath another. The same lessons give the same text.

    Of more lessons than a week has, those that were reused as a whole are only named.

    Raises
    ------
    ValueError : two steps of a lesson have one name, a step needs one that is not there, or steps
        wait for each other.
    """
    brief = len(lessons) > _MOST_IN_FULL
    drawings = [_Drawing(lesson, brief=brief) for lesson in lessons]
    states = Counter(step.state for lesson in lessons for step in lesson.steps)
    legend_width = _legend(None, states, 0.0)
    width = max([480.0, legend_width, *(drawing.width for drawing in drawings)]) + 2 * _MARGIN
    root = Element("svg", {"xmlns": "http://www.w3.org/2000/svg", "role": "img", "font-family": FONTS})
    heading = TITLE if len(lessons) != 1 else f"{lessons[0].title}: {TITLE.lower()}"
    SubElement(root, "title").text = clean(heading)
    SubElement(root, "desc").text = clean(_described(lessons))
    SubElement(root, "style").text = _PRINTED
    ground = SubElement(root, "rect", {"fill": "#ffffff"})
    y = _MARGIN
    if states:
        _legend(root, states, y)
        y += 44.0
    elif not lessons:
        text(root, _MARGIN, y + 14.0, "No lesson was looked at.", 12.0, QUIET)
        y += 24.0
    for drawing in drawings:
        place = SubElement(root, "g", {"transform": f"translate({number(_MARGIN)} {number(y)})"})
        drawing.draw(place)
        y += drawing.height + 34.0
    height = y - (34.0 if drawings else 0.0) + _MARGIN
    for element in (root, ground):
        element.set("width", number(width))
        element.set("height", number(height))
    root.set("viewBox", f"0 0 {number(width)} {number(height)}")
    ElementTree.indent(root, " ")
    return ElementTree.tostring(root, encoding="unicode") + "\n"


def _described(lessons: Sequence[LessonGraph]) -> str:
    return " ".join(f"{lesson.title}: {_summed(lesson.steps)}." for lesson in lessons) or "No lessons."


def _summed(steps: Sequence[DrawnStep]) -> str:
    """``25 steps: 7 made in 31 s of work, 18 reused``."""
    if not steps:
        return "no steps"
    counts = Counter(step.state for step in steps)
    parts = []
    for state in FORMS:
        if counts[state]:
            seconds = sum(step.seconds for step in steps if step.state == state)
            about = {"made": " in ", "would be made": " in about "}.get(state, "")
            work = f"{about}{_seconds(seconds)} of work" if about and seconds >= 0.05 else ""
            parts.append(f"{counts[state]} {state}{work}")
    return f"{len(steps)} step{'' if len(steps) == 1 else 's'}: {', '.join(parts)}"


# -- one lesson -----------------------------------------------------------------------------------


class _Drawing:
    """One lesson, laid out and ready to be drawn."""

    def __init__(self, lesson: LessonGraph, *, brief: bool = False) -> None:
        self.lesson = lesson
        self.bare = not lesson.steps or (brief and all(step.state == "reused" for step in lesson.steps))
        self.steps = {step.name: step for step in lesson.steps}
        if len(self.steps) < len(lesson.steps):
            twice = next(n for n, count in Counter(s.name for s in lesson.steps).items() if count > 1)
            raise ValueError(f"two steps of {lesson.title} are called {twice!r}")
        reasons = [step.why for step in lesson.steps if step.state in _NEW and step.why]
        #: a reason that most have is told once, above
        self.common = next((w for w, n in Counter(reasons).items() if n > max(1, len(reasons) / 2)), "")
        self.others = any(why != self.common for why in reasons)
        self.longest = max((step.seconds for step in lesson.steps if step.state == "made"), default=0.0)
        self.ids, self.edges = ({}, []) if self.bare else self._graph()
        self.layout = lay_out(self._nodes(), self.edges, gap_x=_GAP_X, gap_y=_GAP_Y)
        self.head = 40.0 + (18.0 if self.common else 0.0)
        heading_width = max(
            text_width(self._title, _HEADING, bold=True),
            text_width(_summed(lesson.steps), 12.0),
            text_width(self._reason, 12.0),
        )
        self.width = max(self.layout.width, min(heading_width, 1200.0))
        self.height = self.head + (6.0 if self.bare else self.layout.height + 14.0)

    @property
    def _title(self) -> str:
        return cut(self.lesson.title, _HEADING, 900.0, bold=True)

    @property
    def _reason(self) -> str:
        if not self.common:
            return ""
        where = "Why, where nothing else is said" if self.others else "Why"
        return cut(f"{where}: {self.common}", 12.0, 1000.0)

    # -- what there is --

    @cached_property
    def ranks(self) -> dict[str, int]:
        """How many steps come before a step, at most, and itself: 1 for the first."""
        found: dict[str, int] = {}
        for name in self.steps:
            trail = [name]
            while trail:
                now = trail[-1]
                if now not in self.steps:
                    raise ValueError(f"a step of {self.lesson.title} needs {now!r}, which is not there")
                open_needs = [need for need in self.steps[now].needs if need not in found]
                if not open_needs:
                    found.setdefault(
                        trail.pop(), 1 + max((found[n] for n in self.steps[now].needs), default=0)
                    )
                elif open_needs[0] in trail:
                    raise ValueError(
                        f"steps of {self.lesson.title} wait for each other: {' → '.join((*trail, open_needs[0]))}"
                    )
                else:
                    trail.append(open_needs[0])
        return found

    def _columns(self) -> dict[str, int]:
        """The ranks, but last steps of one product (the packs) stand together."""
        needed = {need for step in self.steps.values() for need in step.needs}
        furthest: dict[str, int] = {}
        for name, rank in self.ranks.items():
            if name not in needed:
                product = self.steps[name].product
                furthest[product] = max(rank, furthest.get(product, 0))
        return {
            name: rank if name in needed else furthest[self.steps[name].product]
            for name, rank in self.ranks.items()
        }

    def _graph(self) -> tuple[dict[str, float], list[Edge]]:
        """Ids with their ranks, and the edges between them, some through joints."""
        ranks = {_STEP + name: float(rank) for name, rank in self._columns().items()}
        sources = dict.fromkeys(source for step in self.steps.values() for source in step.sources)
        ids = {_SOURCE + source: 0.0 for source in sources} | ranks
        last = max(ranks.values(), default=0.0) + 1
        groups = dict.fromkeys(group for step in self.steps.values() for group in step.released)
        known = [group for group in GROUPS if group in groups]
        ids |= {_GROUP + group: last for group in (*known, *(g for g in groups if g not in GROUPS))}
        reading = [(_SOURCE + s, _STEP + n) for n, step in self.steps.items() for s in step.sources]
        needing = [(_STEP + n, _STEP + name) for name, step in self.steps.items() for n in step.needs]
        edges = [
            *_concentrated(reading, ids, side=1),
            *_concentrated(needing, ids, side=0),
            *((_STEP + name, _GROUP + g) for name, step in self.steps.items() for g in step.released),
        ]
        return ids, edges

    def _nodes(self) -> dict[str, Node]:
        return {i: self._node(i, rank) for i, rank in self.ids.items()}

    def _node(self, i: str, rank: float) -> Node:
        if i.startswith(_JOINT_OF):
            return Node(_JOINT, _JOINT, rank)
        if not i.startswith(_STEP):
            name = i.removeprefix(_SOURCE).removeprefix(_GROUP)
            return Node(min(_NODE_MOST, text_width(name, _NAME) + 2 * _PAD), _END_HEIGHT, rank)
        step = self.steps[i.removeprefix(_STEP)]
        widest = max(
            text_width(step.name, _NAME, bold=True),
            text_width(_ended(step), _SMALL),
            text_width(self._why(step), _SMALL),
        )
        width = min(max(widest + 2 * _PAD, _NODE_LEAST), _NODE_MOST)
        return Node(width, 52.0 if self._why(step) else 38.0, rank)

    def _why(self, step: DrawnStep) -> str:
        """What is written of the reason: that of what is made or lacking, when it is its own."""
        return step.why if step.state != "reused" and step.why != self.common else ""

    # -- drawing --

    def draw(self, into: Element) -> None:
        text(into, 0.0, 14.0, self._title, _HEADING, INK, bold=True)
        text(into, 0.0, 33.0, _summed(self.lesson.steps), 12.0, QUIET)
        if self.common:
            text(into, 0.0, 51.0, self._reason, 12.0, QUIET)
        board = SubElement(into, "g", {"transform": f"translate(0 {number(self.head + 10.0)})"})
        fresh = {edge for edge in self.edges if self._lively(edge)}
        # the lines of what is new over the others
        for line in sorted(self.layout.lines, key=lambda line: not fresh.isdisjoint(line.edges)):
            look = _FRESH if not fresh.isdisjoint(line.edges) else _STALE
            SubElement(board, "path", {"d": _drawn(line), "fill": "none", **look})
        for i in self.ids:
            self._draw_node(board, i)

    def _lively(self, edge: Edge) -> bool:
        """Whether a change comes along here: both ends were made anew, or would be. A source
        counts as such, a part of the release too."""
        starts, ends = (
            [other[side] for other in self.edges if joint in other and other[side] != joint]
            if joint.startswith(_JOINT_OF)
            else [joint]
            for side, joint in enumerate(edge)
        )
        return any(map(self._new, starts)) and any(map(self._new, ends))

    def _new(self, i: str) -> bool:
        step = self.steps.get(i.removeprefix(_STEP)) if i.startswith(_STEP) else None
        return step is None or step.state != "reused"

    def _draw_node(self, into: Element, i: str) -> None:
        x, y = self.layout.places[i]
        width, height = self.layout.widths[i], self._node(i, 0).height
        group = SubElement(into, "g", {"transform": f"translate({number(x)} {number(y)})"})
        if i.startswith(_JOINT_OF):
            middle = {"cx": number(width / 2), "cy": number(height / 2), "r": number(_JOINT / 2)}
            SubElement(group, "circle", {**middle, "fill": QUIET})
        elif i.startswith(_STEP):
            self._draw_step(group, self.steps[i.removeprefix(_STEP)], width, height)
        else:
            source = i.startswith(_SOURCE)
            name = i.removeprefix(_SOURCE).removeprefix(_GROUP)
            SubElement(group, "title").text = clean(
                f"{name}: {'a source' if source else 'a part of the release'}"
            )
            # a source ends in a stroke on the right, a part of the release begins with one
            edge_x = width if source else 0.0
            stroke(group, edge_x, 2.0, edge_x, height - 2.0, INK, 3.0)
            shown = cut(name, _NAME, width - 2 * _PAD)
            at = width - _PAD if source else _PAD
            text(group, at, _END_HEIGHT / 2 + 4.5, shown, _NAME, INK, anchor="end" if source else "start")

    def _draw_step(self, into: Element, step: DrawnStep, width: float, height: float) -> None:
        form, room = FORMS[step.state], width - 2 * _PAD
        SubElement(into, "title").text = clean(_told(step))
        into.append(outline(form, width, height))
        text(into, _PAD, 16.0, cut(step.name, _NAME, room, bold=True), _NAME, form.ink, bold=True)
        text(into, _PAD, 30.0, cut(_ended(step), _SMALL, room), _SMALL, form.ink)
        why = self._why(step)
        if why:
            text(into, _PAD, 44.0, cut(why, _SMALL, room), _SMALL, form.ink, italic=True)
        if step.state == "made" and self.longest >= 0.05 and step.seconds >= 0.05:
            long = max(1.5, (width - 8.0) * step.seconds / self.longest)
            stroke(into, 4.0, height - 3.0, 4.0 + long, height - 3.0, form.ink, 2.6)


def _concentrated(edges: Sequence[Edge], ids: dict[str, float], *, side: int) -> list[Edge]:
    """The edges, those that lead from the same nodes to the same nodes through a joint; joints
    are added to ``ids``.

    side : the nodes at this end (0 start, 1 end) with the same others are taken together
    """
    others: dict[str, list[str]] = {}
    for edge in edges:
        others.setdefault(edge[side], []).append(edge[1 - side])
    alike: dict[frozenset[str], list[str]] = {}
    for one, its in others.items():
        alike.setdefault(frozenset(its), []).append(one)
    found: list[Edge] = []
    for ones in alike.values():
        its = list(dict.fromkeys(others[ones[0]]))
        starts, ends = (ones, its) if side == 0 else (its, ones)
        if len(starts) < 2 or len(ends) < 2 or len(starts) * len(ends) <= len(starts) + len(ends):
            found += [(start, end) for start in starts for end in ends]
            continue
        rank = min(ids[end] for end in ends) - 0.5
        if rank <= max(ids[start] for start in starts):
            found += [(start, end) for start in starts for end in ends]
            continue
        joint = f"{_JOINT_OF}{len(ids)}"
        ids[joint] = rank
        found += [(start, joint) for start in starts]
        found += [(joint, end) for end in ends]
    return found


# -- words and shapes -----------------------------------------------------------------------------


def _ended(step: DrawnStep) -> str:
    if step.state in ("made", "failed") and step.seconds >= 0.05:
        return f"{step.state} {'in' if step.state == 'made' else 'after'} {_seconds(step.seconds)}"
    if step.state in ("would be made", "may be made") and step.seconds >= 0.5:
        return f"{step.state}, ~{_seconds(step.seconds)}"
    return step.state


def _told(step: DrawnStep) -> str:
    """All that is known of a step, for the one who points at it."""
    lines = [f"{step.name} ({step.product})", _ended(step)]
    if step.why:
        lines.append(f"why: {step.why}")
    if step.sources:
        lines.append(f"reads {', '.join(step.sources)}")
    if step.needs:
        lines.append(f"needs {', '.join(step.needs)}")
    if step.released:
        lines.append(f"goes to {', '.join(step.released)}")
    return "\n".join(lines)


def _seconds(seconds: float) -> str:
    if seconds < 9.95:
        return f"{seconds:.1f} s"
    if seconds < 99.5:
        return f"{seconds:.0f} s"
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes} min {rest} s" if minutes < 60 else f"{minutes // 60} h {minutes % 60} min"


def _drawn(line: Line) -> str:
    """A curve that is level at both ends."""
    (x0, y0), (x1, y1) = line.start, line.end
    start = f"M{number(x0)} {number(y0)}"
    if number(y0) == number(y1):
        return f"{start}H{number(x1)}"
    middle = number((x0 + x1) / 2)
    return f"{start}C{middle} {number(y0)} {middle} {number(y1)} {number(x1)} {number(y1)}"


def _legend(into: Element | None, states: Mapping[State, int], y: float) -> float:
    """The states that occur, each in its form. Returns its width; draws nothing into None."""
    x = 0.0
    for state, form in FORMS.items():
        if not states.get(state):
            continue
        words = f"{states[state]} {state}"
        width = text_width(words, _SMALL) + 2 * _PAD + 4.0
        if into is not None:
            group = SubElement(into, "g", {"transform": f"translate({number(_MARGIN + x)} {number(y)})"})
            group.append(outline(form, width, 22.0))
            text(group, width / 2, 14.8, words, _SMALL, form.ink, anchor="middle")
        x += width + 10.0
    if states.get("made"):
        words = "the thick stroke in a step: its time, against the longest of the lesson"
        if into is not None:
            text(into, _MARGIN + x + 6.0, y + 14.8, words, _SMALL, QUIET)
        x += 6.0 + text_width(words, _SMALL)
    return x
