"""The shapes and the lettering of the picture of a build: SVG elements, lengths in pixels."""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final
from xml.etree.ElementTree import Element, SubElement

from pipeline.build.step import State


@dataclass(frozen=True)
class Form:
    """How a state looks: its outline, ground and ink; and its corners, round (> 0) or cut off (< 0)."""

    outline: str
    width: float
    dashes: str
    ground: str
    ink: str
    corner: float


INK: Final = "#1d2430"
QUIET: Final = "#525a66"  # 7:1 on white
PALE: Final = "#9aa2ad"
FORMS: Final[Mapping[State, Form]] = {
    "made": Form(INK, 2.0, "", "#f3ead2", INK, 4.0),
    "reused": Form(PALE, 1.0, "", "#ffffff", QUIET, 4.0),
    "failed": Form("#4a1226", 2.0, "", "#4a1226", "#ffffff", -9.0),
    "skipped": Form(QUIET, 1.4, "1.5 3.5", "#ffffff", QUIET, 0.0),
    "would be made": Form(INK, 2.0, "9 4", "#f3ead2", INK, 14.0),
    "may be made": Form(QUIET, 1.2, "5 4", "#ffffff", INK, 14.0),
}
FONTS: Final = "Helvetica, Arial, 'Liberation Sans', 'DejaVu Sans', sans-serif"


def text_width(words: str, size: float, *, bold: bool = False) -> float:
    """Pixels, about: between the narrowest and the widest font of the stack."""
    ems = sum(_char_ems(char) for char in words)
    return ems * size * (1.08 if bold else 1.0)


def _char_ems(char: str) -> float:
    if unicodedata.combining(char):
        return 0.0
    if unicodedata.east_asian_width(char) in "WF":
        return 1.0
    if char in "ijl|'.,:;!I ()[]/-ft":
        return 0.34
    if char in "mwMW@%—→":
        return 0.92
    return 0.72 if char.isupper() else 0.6


def cut(words: str, size: float, room: float, *, bold: bool = False) -> str:
    """On one line and no wider than ``room``, with … for what is left out."""
    words = " ".join(words.split())
    if text_width(words, size, bold=bold) <= room + 0.5:
        return words
    while words and text_width(words + "…", size, bold=bold) > room:
        words = words[:-1]
    return words.rstrip() + "…"


def clean(words: str) -> str:
    """Without what XML 1.0 (2.2, Characters) does not allow."""
    return "".join(
        c
        if c in "\t\n" or 0x20 <= ord(c) <= 0xD7FF or 0xE000 <= ord(c) <= 0xFFFD or ord(c) > 0xFFFF
        else "\ufffd"
        for c in words
    )


def number(value: float) -> str:
    return f"{value:.1f}".removesuffix(".0")


def text(
    into: Element,
    x: float,
    y: float,
    words: str,
    size: float,
    ink: str,
    *,
    bold: bool = False,
    italic: bool = False,
    anchor: str = "start",
) -> None:
    look = {"x": number(x), "y": number(y), "font-size": number(size), "fill": ink}
    if bold:
        look["font-weight"] = "bold"
    if italic:
        look["font-style"] = "italic"
    if anchor != "start":
        look["text-anchor"] = anchor
    SubElement(into, "text", look).text = clean(words)


def stroke(into: Element, x0: float, y0: float, x1: float, y1: float, ink: str, width: float) -> None:
    path = f"M{number(x0)} {number(y0)}L{number(x1)} {number(y1)}"
    SubElement(into, "path", {"d": path, "stroke": ink, "stroke-width": number(width)})


def outline(form: Form, width: float, height: float) -> Element:
    look = {"fill": form.ground, "stroke": form.outline, "stroke-width": number(form.width)}
    if form.dashes:
        look["stroke-dasharray"] = form.dashes
    if form.corner >= 0:
        size = {"width": number(width), "height": number(height), "rx": number(form.corner)}
        return Element("rect", {**size, **look})
    cut = -form.corner
    corners = [(cut, 0.0), (width - cut, 0.0), (width, cut), (width, height - cut), (width - cut, height),
               (cut, height), (0.0, height - cut), (0.0, cut)]  # fmt: skip
    return Element("polygon", {"points": " ".join(f"{number(x)},{number(y)}" for x, y in corners), **look})
