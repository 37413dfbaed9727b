"""SVG elements in the few shapes that marks are made of. Hundredths of a millimetre."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final
from xml.etree.ElementTree import Element, SubElement

from pipeline.page.faces import face_of
from pipeline.page.look import Look
from pipeline.page.systems import SVG

LINE: Final = 22.0  # stroke of arcs, arrows and dashes


def number(value: float) -> str:
    return f"{value:.1f}".rstrip("0").rstrip(".")


def curve(path: str, *, width: float = LINE) -> Element:
    return Element(
        f"{SVG}path",
        {"d": path, "fill": "none", "stroke-width": number(width), "stroke-linecap": "round",
         "stroke-linejoin": "round"},
    )  # fmt: skip


def line(x0: float, y0: float, x1: float, y1: float, *, dashed: bool = False, width: float = LINE) -> Element:
    element = curve(f"M{number(x0)} {number(y0)} L{number(x1)} {number(y1)}", width=width)
    if dashed:
        element.set("stroke-dasharray", "90 70")
        element.set("stroke-linecap", "butt")
    return element


def arc(x0: float, x1: float, y: float, height: float) -> Element:
    """A slur from x0 to x1: thicker in the middle, as pens make it."""
    third = (x1 - x0) / 3
    inner, outer = y - height * 1.15, y - height * 1.15 - 34
    path = (
        f"M{number(x0)} {number(y)} C{number(x0 + third)} {number(outer)} {number(x1 - third)} {number(outer)} "
        f"{number(x1)} {number(y)} C{number(x1 - third)} {number(inner)} {number(x0 + third)} {number(inner)} "
        f"{number(x0)} {number(y)} Z"
    )
    return Element(f"{SVG}path", {"d": path, "stroke-width": "10"})


def arrowhead(x: float, y: float, *, down: bool = False) -> Element:
    """A filled head with its tip at (x, y)."""
    back = -110 if down else 110
    points = (
        f"{number(x)},{number(y)} {number(x - 50)},{number(y + back)} {number(x + 50)},{number(y + back)}"
    )
    return Element(f"{SVG}polygon", {"points": points, "stroke-width": "1"})


def wave(x0: float, x1: float, y: float, *, height: float, period: float) -> Element:
    """Whole waves from x0 to at most x1, at least two."""
    count = max(2, int((x1 - x0) / period))
    step = min(period, max(x1 - x0, 2.0 * 90) / count)
    path = f"M{number(x0)} {number(y)}"
    for n in range(count):
        x = x0 + n * step
        path += (
            f" Q{number(x + step / 4)} {number(y - height)} {number(x + step / 2)} {number(y)}"
            f" Q{number(x + 3 * step / 4)} {number(y + height)} {number(x + step)} {number(y)}"
        )
    return curve(path, width=34)


def text(
    x: float,
    y: float,
    words: str,
    look: Look,
    *,
    size: float,
    anchor: str = "middle",
    bold: bool = False,
    italic: bool = False,
    fill: str | None = None,
) -> Element:
    """Words at a baseline; signs that the font lacks come from the signs font."""
    element = Element(
        f"{SVG}text",
        {"x": number(x), "y": number(y), "text-anchor": anchor, "font-size": number(size),
         **font(look, bold=bold)},
    )  # fmt: skip
    if italic:
        element.set("font-style", "italic")
    if fill:
        element.set("fill", fill)
    write_runs(element, words, look, bold=bold)
    return element


def write_runs(element: Element, words: str, look: Look, *, bold: bool) -> None:
    """Fill a text element, piece by piece of one font."""
    runs = look.runs(words, bold=bold)
    own = look.font(bold=bold)
    if len(runs) == 1 and runs[0][0] == own:
        element.text = words
        return
    for path, piece in runs:
        span = SubElement(element, f"{SVG}tspan", {} if path == own else {"font-family": "Lesson Signs"})
        span.text = piece


def font(look: Look, *, bold: bool) -> dict[str, str]:
    face = face_of(look.font(bold=bold))
    return {"font-family": f"'{face.family}', 'Lesson Signs', sans-serif", "font-weight": str(face.weight)}


def text_width(words: str, look: Look, *, size: float, bold: bool = False) -> float:
    """How wide words are, by the fonts' own advances."""
    return sum(face_of(path).advance(piece) for path, piece in look.runs(words, bold=bold)) * size


def joined(elements: Sequence[Element], name: str) -> Element:
    group = Element(f"{SVG}g", {"class": name})
    group.extend(elements)
    return group
