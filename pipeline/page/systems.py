"""The engraver's drawing taken apart: systems, staves, and where every fret number stands.

verovio sets notation over tab and returns one drawing. Here it is read back as geometry, so
that our own marks can be put at the notes, and pages be filled by our own rule.

Conventions
-----------
Lengths are hundredths of a millimetre on paper; y grows downwards.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final
from xml.etree.ElementTree import Element, SubElement, fromstring

from pipeline.errors import StepError

SVG: Final = "{http://www.w3.org/2000/svg}"
XLINK: Final = "{http://www.w3.org/1999/xlink}"
MAX_DRAWING: Final = 60_000  # verovio's tallest page, tenths of a millimetre
TAB_LINE: Final = "13"  # as thin as the other staff's: the figures are what is read


# what may go on in the next line; the box that the engraver tells is that of its last part
_SPANNING: Final = frozenset(("tie", "slur", "ending", "gliss", "lv"))


@dataclass(frozen=True, slots=True)
class Box:
    left: float
    top: float
    right: float
    bottom: float

    def meets(self, other: Box) -> bool:
        return (
            self.left < other.right
            and other.left < self.right
            and self.top < other.bottom
            and other.top < self.bottom
        )


@dataclass(slots=True)
class Spot:
    """A fret number on the tab staff.

    index : of its note in ``Tab.notes``; part : 0 for the first head, 1 ... for what is tied on
    bar : index of the written bar
    x : middle; line : y of its string; half : half its width
    group, text : elements that draw it
    """

    index: int
    part: int
    bar: int
    x: float
    line: float
    half: float
    group: Element
    text: Element


@dataclass(slots=True)
class System:
    """One line of music.

    bars : written bar index -> (left, right) of the bar
    tab_lines : y of the strings, top first; staff_lines : of the notation staff
    above : boxes of what the notation staff has, to keep clear of
    top, bottom : extent of all that is drawn
    names : elements that name phrases
    """

    element: Element
    bars: dict[int, tuple[float, float]] = field(default_factory=dict)
    tab_lines: list[float] = field(default_factory=list)
    staff_lines: list[float] = field(default_factory=list)
    spots: list[Spot] = field(default_factory=list)
    above: list[Box] = field(default_factory=list)
    names: list[Element] = field(default_factory=list)
    top: float = float("inf")
    bottom: float = float("-inf")

    @property
    def left(self) -> float:
        return min(left for left, _ in self.bars.values())

    @property
    def right(self) -> float:
        return max(right for _, right in self.bars.values())

    @property
    def gap(self) -> float:
        """From one tab line to the next."""
        if len(self.tab_lines) < 2:
            return 315.0
        return (self.tab_lines[-1] - self.tab_lines[0]) / (len(self.tab_lines) - 1)


@dataclass(frozen=True, slots=True)
class Drawing:
    """All systems in order, and the glyphs (by id) that they use."""

    systems: tuple[System, ...]
    glyphs: dict[str, Element]


def draw(
    score: bytes, bars: int, *, width: float, staff_gap: float, graces: Mapping[int, int] | None = None
) -> Drawing:
    """Engrave a MusicXML score with the line breaks that it says.

    Parameters
    ----------
    score : from :func:`pipeline.page.musicxml.engraver_score`, with its ids
    bars : how many written bars it has
    width : of the music, hundredths of a millimetre
    staff_gap : least distance between the staves, in steps of the engraver (half a tab space)
    graces : index of each grace note -> its string; they are set on the notation staff only, and
        get their spots on the tab staff under their heads

    Raises
    ------
    StepError : the engraver refused the score.
    """
    toolkit = _engraver(score, {"breaks": "encoded", "pageWidth": round(width / 10),
                                "spacingStaff": round(staff_gap)})  # fmt: skip
    systems: list[System] = []
    glyphs: dict[str, Element] = {}
    bar = 0
    for page in range(1, toolkit.getPageCount() + 1):
        root = fromstring(toolkit.renderToSVG(page))  # noqa: S314 - our own engraver's output
        for glyph in root.iterfind(f"{SVG}defs/*"):
            glyphs[glyph.get("id", "")] = glyph
        for element in root.iter(f"{SVG}g"):
            if _classes(element) == ["system"]:
                system = _read(element, bar, graces or {})
                bar += len(system.bars)
                systems.append(system)
    if bar != bars:
        raise StepError(f"the engraver set {bar} bars of {bars}")
    return Drawing(tuple(systems), glyphs)


def natural_widths(score: bytes) -> tuple[list[float], float]:
    """Width of each bar when nothing is stretched, and what clef and key take at the start of a line.

    Raises
    ------
    StepError : the engraver refused the score.
    """
    toolkit = _engraver(score, {"breaks": "none", "noJustification": True, "adjustPageWidth": True})
    root = fromstring(toolkit.renderToSVG(1))  # noqa: S314 - our own engraver's output
    widths: list[float] = []
    lead = 0.0
    for measure in root.iter(f"{SVG}g"):
        if "measure" not in _classes(measure) or "bounding-box" in _classes(measure):
            continue
        staff = next(g for g in measure if "staff" in _classes(g) and "bounding-box" not in _classes(g))
        lines = list(_staff_lines(staff))
        left = min(x for _, x, _ in lines)
        if not widths:
            signs = [float(match[1]) for g in staff if "meterSig" in _classes(g) for use in g.iter(f"{SVG}use")
                     if (match := re.match(r"translate\(([\d.-]+)", use.get("transform", "")))]  # fmt: skip
            lead = min(signs, default=left + 600.0) - left
        widths.append(max(x for _, _, x in lines) - left)
    return widths, lead


def _engraver(score: bytes, options: dict[str, Any]) -> Any:
    """verovio with a score loaded."""
    import verovio

    verovio.enableLog(verovio.LOG_OFF)
    toolkit = verovio.toolkit()
    toolkit.setOptions(
        {
            "xmlIdSeed": 1,
            "inputFrom": "musicxml",
            "pageHeight": MAX_DRAWING,
            "pageMarginTop": 0,
            "pageMarginBottom": 0,
            "pageMarginLeft": 0,
            "pageMarginRight": 0,
            "adjustPageHeight": True,
            "header": "none",
            "footer": "none",
            "svgBoundingBoxes": True,
            "spacingLinear": 0.22,
            "minLastJustification": 0.6,
            **options,
        }
    )
    if not toolkit.loadData(score.decode()):
        raise StepError("the engraver could not read the score that was made for it")
    return toolkit


def _classes(element: Element) -> list[str]:
    return element.get("class", "").split()


def _read(element: Element, bar: int, graces: Mapping[int, int]) -> System:
    system = System(element)
    _strip(element, ("grpSym", "label", "labelAbbr", "mNum"))
    for box in _boxes(element, leave_out="reh"):
        system.top, system.bottom = min(system.top, box.top), max(system.bottom, box.bottom)
    for measure in element.iter(f"{SVG}g"):
        if "measure" not in _classes(measure) or "bounding-box" in _classes(measure):
            continue
        staves = [g for g in measure if "staff" in _classes(g) and "bounding-box" not in _classes(g)]
        if len(staves) != 2:
            raise StepError(f"the engraver set {len(staves)} staves where two are")
        lines = [list(_staff_lines(staff)) for staff in staves]
        system.bars[bar] = (min(x for _, x, _ in lines[0]), max(x for _, _, x in lines[0]))
        if not system.tab_lines:
            system.staff_lines = sorted({y for y, _, _ in lines[0]})
            system.tab_lines = sorted({y for y, _, _ in lines[1]})
        system.above += [*_boxes(staves[0]), *_syllables(staves[0])]
        for group in measure:
            names = set(_classes(group))
            if names & {"slur", "tie", "dynam", "dir"}:
                found = _drawn(group) if names & _SPANNING else _boxes(group)
                system.above += [box for box in found if box.bottom < system.tab_lines[0]]
        system.names += [g for g in measure if "reh" in _classes(g) and "bounding-box" not in _classes(g)]
        _strip(staves[1], ("meterSig",))
        for path in staves[1].iterfind(f"{SVG}path"):
            path.set("stroke-width", TAB_LINE)
        system.spots += list(_spots(staves[1], system.tab_lines, bar))
        system.spots += list(_grace_spots(staves, system.tab_lines, bar, graces))
        bar += 1
    system.top = min(system.top, *system.staff_lines)
    system.bottom = max(system.bottom, *system.tab_lines)
    _strip(element, ("bounding-box",))
    return system


def _strip(element: Element, names: Sequence[str]) -> None:
    for parent in list(element.iter()):
        for child in list(parent):
            if set(_classes(child)) & set(names):
                parent.remove(child)


def _boxes(element: Element, *, leave_out: str = "") -> Iterator[Box]:
    """Of what is drawn in a group; ``leave_out``: the class of groups that do not count."""
    for group in element.iterfind(f"{SVG}g"):
        names = set(_classes(group))
        if leave_out in names:
            continue
        if names & _SPANNING:
            yield from _drawn(group)
            continue
        if "bounding-box" not in names:
            yield from _boxes(group, leave_out=leave_out)
        elif not names & {"staff", "measure", "layer", "system"}:
            for rect in group.iterfind(f"{SVG}rect"):
                x, y, w, h = (float(rect.get(name, "0")) for name in ("x", "y", "width", "height"))
                yield Box(x, y, x + w, y + h)


def _syllables(staff: Element) -> Iterator[Box]:
    """Of words under the staff, whose boxes the engraver does not tell; widths are near enough."""
    for group in staff.iter(f"{SVG}g"):
        text = group.find(f"{SVG}text") if _classes(group) == ["syl"] else None
        if text is None:
            continue
        x, y = float(text.get("x", "0")), float(text.get("y", "0"))
        size = _size_of(text)
        wide = 0.5 * size * len("".join(text.itertext()).strip())
        yield Box(x, y - 0.75 * size, x + wide, y + 0.25 * size)


def _size_of(text: Element) -> float:
    sizes = (float(t.get("font-size", "0px")[:-2]) for t in text.iter(f"{SVG}tspan") if t.get("font-size"))
    return max(sizes, default=324.0)


def _drawn(group: Element) -> Iterator[Box]:
    """The frame of all points of a group's lines, bends of curves included."""
    places: list[tuple[float, float]] = []
    for element in group.iter():
        numbers = re.findall(r"-?\d+(?:\.\d+)?", element.get("d", "") + " " + element.get("points", ""))
        places += zip(map(float, numbers[::2]), map(float, numbers[1::2]), strict=True)
    if places:
        xs, ys = zip(*places, strict=True)
        yield Box(min(xs), min(ys), max(xs), max(ys))


def _staff_lines(staff: Element) -> Iterator[tuple[float, float, float]]:
    """(y, left, right) of each drawn piece of a staff line."""
    for path in staff.iterfind(f"{SVG}path"):
        match = re.fullmatch(r"M(-?[\d.]+) (-?[\d.]+) L(-?[\d.]+) (-?[\d.]+)", path.get("d", ""))
        if match and match[2] == match[4]:
            yield float(match[2]), float(match[1]), float(match[3])


def _spots(staff: Element, lines: Sequence[float], bar: int) -> Iterator[Spot]:
    for group in staff.iter(f"{SVG}g"):
        match = re.fullmatch(r"t(\d+)(?:-(\d+))?", group.get("id", ""))
        text = group.find(f"{SVG}text") if match else None
        if match is None or text is None:
            continue
        x, y = float(text.get("x", "0")), float(text.get("y", "0"))
        size = _size_of(text)
        middle = y - size / 3
        line = min(lines, key=lambda candidate: abs(candidate - middle))
        written: Any = "".join(text.itertext()).strip()
        half = size * 0.26 * len(written)
        part = int(match[2]) - 1 if match[2] else 0
        yield Spot(int(match[1]), part, bar, x, line, half, group, text)


def _grace_spots(
    staves: Sequence[Element], lines: Sequence[float], bar: int, graces: Mapping[int, int]
) -> Iterator[Spot]:
    """A spot, its text still empty, under the head of each grace note of a bar."""
    for group in staves[0].iter(f"{SVG}g"):
        match = re.fullmatch(r"n(\d+)", group.get("id", ""))
        if match is None or int(match[1]) not in graces:
            continue
        rect = group.find(f"{SVG}g/{SVG}rect")
        if rect is None:
            raise StepError(f"the engraver did not tell the place of note {match[1]}")
        x = float(rect.get("x", "0")) + float(rect.get("width", "0")) / 2
        holder = Element(f"{SVG}g", {"id": f"t{match[1]}", "class": "note"})
        text = SubElement(holder, f"{SVG}text")
        # under the other numbers, so that its ground hides none of them
        first = next(place for place, child in enumerate(staves[1]) if "layer" in _classes(child))
        staves[1].insert(first, holder)
        yield Spot(int(match[1]), 0, bar, x, lines[graces[int(match[1])] - 1], 0.0, holder, text)
