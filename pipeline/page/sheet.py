"""Pages filled with systems: title block, footer, words in the look's fonts.

Conventions
-----------
Hundredths of a millimetre; a page is an SVG of its own, with the glyphs it uses.
"""

from __future__ import annotations

import copy
import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final
from xml.etree.ElementTree import Element, SubElement, register_namespace, tostring

from pipeline.page import shapes
from pipeline.page.look import Look
from pipeline.page.systems import SVG, XLINK, Drawing, System

register_namespace("", SVG[1:-1])
register_namespace("xlink", XLINK[1:-1])

# ISO 216 and ANSI/ASME Y14.1 trimmed sizes, hundredths of a millimetre
PAPERS: Final = {"a4": (21000.0, 29700.0), "letter": (21590.0, 27940.0)}
MARGIN: Final = 1500.0
FOOT: Final = 1250.0  # baseline of the footer, from the lower edge
GAP: Final = 620.0  # least distance between systems
STRETCH: Final = 620.0  # most that filling a page adds to it

# signs that the engraver writes into words, SMuFL's and such as few fonts have -> those of our fonts
_SMUFL: Final = {
    **dict.fromkeys("\ue260\uea64\ued60", "♭"),
    **dict.fromkeys("\ue261\uea65\ued61", "♮"),
    **dict.fromkeys("\ue262\uea66\ued62", "♯"),
    **dict.fromkeys("\ue263\uea67\ued63\U0001d12a", "♯♯"),
    **dict.fromkeys("\ue264\uea63\ued64\U0001d12b", "♭♭"),
    **dict.fromkeys("\ue1d5\ueca5", "♩"),
    **dict.fromkeys("\ue1e7\uecb7", "."),
}
# class of the engraver's group -> (size, bold, colour of the look)
_WORDS: Final = {
    "harm": (400.0, True, "ink"),
    "reh": (450.0, True, "accent"),
    "tempo": (360.0, False, "ink"),
    "dir": (340.0, False, "ink"),
    "ending": (320.0, True, "ink"),
    "fing": (260.0, False, "ink"),
    "syl": (330.0, False, "ink"),
}
_LEAST: Final = 0.6  # words are set no smaller than this share of their size


@dataclass(frozen=True, slots=True)
class Heading:
    """What stands above the music of the first page, and below it on each."""

    title: str
    credit: str
    facts: str
    footer: str


def restyle(system: System, look: Look) -> None:
    """The engraver's words in the look's fonts and colours."""
    for group in system.element.iter(f"{SVG}g"):
        kind = next((name for name in group.get("class", "").split() if name in _WORDS), None)
        if kind is None:
            continue
        size, bold, colour = _WORDS[kind]
        for old in list(group.iter(f"{SVG}text")):
            words = _plain(old)
            x, y, anchor = float(old.get("x", "0")), float(old.get("y", "0")), old.get("text-anchor", "start")
            if not words:
                continue
            if kind != "reh":
                system.top = min(system.top, y - 0.8 * size)
            new = shapes.text(
                x, y, words, look, size=size, anchor=anchor, bold=bold, fill=getattr(look, colour)
            )
            for child in list(old):
                old.remove(child)
            old.attrib.clear()
            old.attrib.update(new.attrib)
            old.text = new.text
            old.extend(list(new))
    _part_chords(system, look)
    _raise_names(system)


def _part_chords(system: System, look: Look) -> None:
    """Chord names that would run into the next one are set smaller."""
    rows: dict[str, list[Element]] = {}
    for group in system.element.iter(f"{SVG}g"):
        if group.get("class", "").split() == ["harm"]:
            for name in group.iter(f"{SVG}text"):
                rows.setdefault(name.get("y", ""), []).append(name)
    for names in rows.values():
        names.sort(key=lambda name: float(name.get("x", "0")))
        for name, after in itertools.pairwise(names):
            size = float(name.get("font-size", "0"))
            words = "".join(name.itertext())
            room = float(after.get("x", "0")) - float(name.get("x", "0")) - 110
            wide = shapes.text_width(words, look, size=size, bold=True)
            if wide > room > 0:
                name.set("font-size", shapes.number(max(size * room / wide, size * 0.6)))


def _plain(text: Element) -> str:
    """The words of a text element, pretty-printing's white space left out."""
    pieces = [span.text or "" for span in text.iter(f"{SVG}tspan") if span.text and span.text.strip(" \n\t")]
    words = "".join(pieces).strip()
    return "".join(_SMUFL.get(char, char) for char in words).replace("\u00a0", " ").replace("♩ .", "♩.")


def _raise_names(system: System) -> None:
    """Names of phrases above all else, at the left of their bar, so that no chord name is in the way."""
    if not system.names:
        return
    y = system.top
    for group in system.names:
        for words in group.iter(f"{SVG}text"):
            x = float(words.get("x", "0"))
            left = max((a for a, _ in system.bars.values() if a <= x + 900), default=x)
            words.set("x", shapes.number(left if left > system.left else system.left))
            words.set("text-anchor", "start")
            words.set("y", shapes.number(y - 150))
    system.top = y - 150 - 350


def pages(drawing: Drawing, heading: Heading, look: Look, *, paper: str) -> tuple[str, ...]:
    """Each page as an SVG document."""
    width, height = PAPERS[paper]
    floor = height - FOOT - 500
    filled: list[list[tuple[System, float]]] = [[]]
    now = _heading_height(heading)
    for system in drawing.systems:
        tall = system.bottom - system.top
        if filled[-1] and now + tall > floor:
            filled.append([])
            now = MARGIN
        filled[-1].append((system, now))
        now += tall + GAP
    made = []
    for index, placed in enumerate(filled):
        whole = index + 1 < len(filled)
        spread = _spread(placed, floor) if whole else 0.0
        page = _page(width, height, look, heading.title)
        if index == 0:
            page.extend(_heading(heading, look, width))
        _put(page, placed, spread)
        page.extend(_footer(heading, look, width, height, index + 1, len(filled)))
        _glyphs(page, drawing)
        made.append(tostring(page, encoding="unicode") + "\n")
    return tuple(made)


def _spread(placed: Sequence[tuple[System, float]], floor: float) -> float:
    """What each gap of a full page gets of the room left."""
    if len(placed) < 2:
        return 0.0
    last, y = placed[-1]
    left = floor - (y + last.bottom - last.top)
    return min(left / (len(placed) - 1), STRETCH)


def _page(width: float, height: float, look: Look, title: str) -> Element:
    page = Element(
        f"{SVG}svg",
        {
            "width": f"{width / 100:g}mm",
            "height": f"{height / 100:g}mm",
            "viewBox": f"0 0 {width:g} {height:g}",
            "color": look.ink,
            "fill": look.ink,
            **shapes.font(look, bold=False),
        },
    )
    if title:
        SubElement(page, f"{SVG}title").text = title
    # only inside the music, as words have no outline
    SubElement(page, f"{SVG}style").text = (
        ".system path,.system polygon,.system polyline,.system ellipse,.system rect{stroke:currentColor}"
        ".system .cover{stroke:none}.placeholder{visibility:hidden}"
    )
    SubElement(page, f"{SVG}rect", {"width": f"{width:g}", "height": f"{height:g}", "fill": look.paper})
    return page


def _put(page: Element, placed: Sequence[tuple[System, float]], spread: float) -> None:
    for place, (system, y) in enumerate(placed):
        shift = y + place * spread - system.top
        holder = SubElement(
            page, f"{SVG}g", {"transform": f"translate({shapes.number(MARGIN)} {shapes.number(shift)})"}
        )
        holder.append(system.element)


def _glyphs(page: Element, drawing: Drawing) -> None:
    """The definitions of the glyphs that this page uses."""
    used: dict[str, None] = {}
    for use in page.iter(f"{SVG}use"):
        used[use.get(f"{XLINK}href", "")[1:]] = None
    definitions = Element(f"{SVG}defs")
    for name in sorted(used):
        if name in drawing.glyphs:
            definitions.append(copy.deepcopy(drawing.glyphs[name]))
    page.insert(0, definitions)


def _heading_height(heading: Heading) -> float:
    return MARGIN + (1150 if heading.title or heading.credit else 0) + (750 if heading.facts else 0)


def _heading(heading: Heading, look: Look, width: float) -> Iterator[Element]:
    """Title left, credit right, a rule, and the facts a player needs before the first note."""
    y = MARGIN + 600
    right = width - MARGIN
    if heading.title or heading.credit:
        credit, size = _fitting(heading.credit, look, 380, (right - MARGIN) / 2)
        yield shapes.text(right, y, credit, look, size=size, anchor="end")
        room = right - MARGIN - shapes.text_width(credit, look, size=size) - 400
        title, size = _fitting(heading.title, look, 850, room)
        yield shapes.text(MARGIN, y, title, look, size=size, anchor="start", bold=True)
        rule = Element(f"{SVG}rect", {
            "x": shapes.number(MARGIN), "y": shapes.number(y + 230),
            "width": shapes.number(right - MARGIN), "height": "36", "fill": look.accent,
        })  # fmt: skip
        yield rule
        y += 700
    if heading.facts:
        facts, size = _fitting(heading.facts, look, 340, right - MARGIN)
        yield shapes.text(MARGIN, y, facts, look, size=size, anchor="start")


def _fitting(words: str, look: Look, size: float, room: float) -> tuple[str, float]:
    """The words and their size, made smaller until they fit; what would be too small to read is
    cut short instead."""
    wide = shapes.text_width(words, look, size=size, bold=True)
    if wide <= room or wide == 0:
        return words, size
    fit = size * room / wide
    if fit >= size * _LEAST:
        return words, fit
    fit = size * _LEAST
    while words and shapes.text_width(words + "…", look, size=fit, bold=True) > room:
        words = words[:-1].rstrip()
    return words + "…", fit


def _footer(
    heading: Heading, look: Look, width: float, height: float, page: int, of: int
) -> Iterator[Element]:
    y = height - FOOT
    number = f"page {page} of {of}"
    room = width - 2 * MARGIN - shapes.text_width(number, look, size=280) - 300
    if heading.footer:
        footer, size = _fitting(heading.footer, look, 280, room)
        yield shapes.text(MARGIN, y, footer, look, size=size, anchor="start")
    yield shapes.text(width - MARGIN, y, number, look, size=280, anchor="end")
