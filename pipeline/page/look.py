"""The look of a release set: five colours and two fonts, with a fallback for musical signs.

Conventions
-----------
Colours are ``#rrggbb``. ``paper`` and ``ink`` are for the page; ``plate`` and ``plate_ink``
for cards that lie over moving pictures; ``accent`` marks names and the current thing on paper.

The default look is chosen for reading at a music stand and over any picture: near-black ink
on white, a dark plate with a warm off-white, an accent dark enough to carry text on paper.

References
----------
Contrast: W3C, Web Content Accessibility Guidelines 2.2, definitions "relative luminance" and
"contrast ratio"; 7:1 is its criterion 1.4.6 (enhanced).
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Set
from dataclasses import dataclass, replace
from importlib import resources
from pathlib import Path
from typing import Final

from pipeline.errors import MissingError, Problems
from pipeline.page.faces import face_of

COLOURS: Final = ("accent", "ink", "paper", "plate", "plate_ink")
# every sign that chord names and pages use beyond what text fonts surely have
SIGNS: Final = "♭♯♮♩♪♫⟨⟩△°øΔ½¼¾"


@dataclass(frozen=True, slots=True)
class Look:
    """Colours as ``#rrggbb``, fonts as files. See the module's conventions."""

    accent: str
    ink: str
    paper: str
    plate: str
    plate_ink: str
    font_regular: Path
    font_bold: Path

    def __post_init__(self) -> None:
        for name in COLOURS:
            rgb(getattr(self, name))

    @property
    def cautions(self) -> tuple[str, ...]:
        """Pairs of colours too close to read, one sentence each."""
        pairs = (("ink", "paper"), ("accent", "paper"), ("plate_ink", "plate"))
        found = []
        for front, back in pairs:
            ratio = contrast(getattr(self, front), getattr(self, back))
            if ratio < 4.5:  # WCAG 2.2, 1.4.3: the least for text
                found.append(
                    f"{front} {getattr(self, front)} on {back} {getattr(self, back)} has a contrast of "
                    f"{ratio:.1f}:1; text wants 4.5:1 or more"
                )
        return tuple(found)

    def font(self, *, bold: bool = False) -> Path:
        return self.font_bold if bold else self.font_regular

    def has_glyph(self, char: str) -> bool:
        """Whether regular and bold text can show this character."""
        return all(
            ord(char) in glyphs(self.font(bold=bold)) or ord(char) in glyphs(signs_font(bold=bold))
            for bold in (False, True)
        )

    def runs(self, text: str, *, bold: bool = False) -> tuple[tuple[Path, str], ...]:
        """``text`` cut into (font file, piece): signs that the font lacks come in the signs font.

        Pieces joined give ``text`` again. A character that neither font has stays with the
        look's own font.
        """
        own, signs = self.font(bold=bold), signs_font(bold=bold)
        pieces: list[tuple[Path, str]] = []
        for char in text:
            font = own if ord(char) in glyphs(own) or ord(char) not in glyphs(signs) else signs
            if pieces and pieces[-1][0] == font:
                pieces[-1] = (font, pieces[-1][1] + char)
            else:
                pieces.append((font, char))
        return tuple(pieces)


def rgb(colour: str) -> tuple[int, int, int]:
    """``#rrggbb`` as three numbers 0..255.

    Raises
    ------
    ValueError : another notation.
    """
    if not re.fullmatch(r"#[0-9a-fA-F]{6}", colour):
        raise ValueError(f"a colour is written #rrggbb (such as #0b4f4a), got {colour!r}")
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)


def luminance(colour: str) -> float:
    """Relative luminance 0..1, WCAG 2.2."""
    channels = [value / 255 for value in rgb(colour)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Contrast ratio 1..21, WCAG 2.2."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def legible(colour: str, *, on: str, ratio: float = 4.5) -> str:
    """``colour``, moved towards white or black as little as needed to stand out ``on`` a ground."""
    target = "#ffffff" if contrast("#ffffff", on) > contrast("#000000", on) else "#000000"
    steps = (mixed(target, colour, step / 100) for step in range(101))
    return next((tried for tried in steps if contrast(tried, on) >= ratio), target)


def mixed(front: str, back: str, share: float) -> str:
    """``share`` of ``front`` over ``back``."""
    pairs = zip(rgb(front), rgb(back), strict=True)
    return "#{:02x}{:02x}{:02x}".format(*(round(f * share + b * (1 - share)) for f, b in pairs))


def glyphs(font: Path) -> Set[int]:
    """Code points that a font file has a glyph for.

    Raises
    ------
    MissingError : the file is not there or is not a font.
    """
    return face_of(font).widths.keys()


def signs_font(*, bold: bool = False) -> Path:
    """The font that fills in ♭ ♯ and the like."""
    name = "signs-bold.ttf" if bold else "signs-regular.ttf"
    return Path(str(resources.files("pipeline.page.fonts") / name))


def _packaged_font(name: str) -> Path:
    # the package's own table of files, without importing what it does not need
    path = Path(str(resources.files("font_source_sans_pro") / "files" / name))
    if not path.is_file():
        raise MissingError(
            f"the font file {name} is missing; reinstall with pip install font-source-sans-pro"
        )
    return path


def default_look() -> Look:
    """The project's own look; every pair of text and ground is above 7:1."""
    return Look(
        accent="#0b4f4a",
        ink="#16191f",
        paper="#ffffff",
        plate="#141a24",
        plate_ink="#fbf6ea",
        font_regular=_packaged_font("SourceSansPro-Regular.ttf"),
        font_bold=_packaged_font("SourceSansPro-Semibold.ttf"),
    )


def look_from(
    colours: Mapping[str, str], *, font_regular: Path | None = None, font_bold: Path | None = None
) -> Look:
    """The default look with a creator's colours and fonts put in.

    Parameters
    ----------
    colours : any of :data:`COLOURS` -> ``#rrggbb``
    font_regular, font_bold : font files; a regular one alone also serves for bold

    Raises
    ------
    SourceError : unknown names, colours that are none, fonts that cannot be read; all at once.
    """
    problems = Problems()
    for name, value in colours.items():
        if name not in COLOURS:
            problems.error(f"look: there is no colour {name!r}", remedy=f"Use one of {', '.join(COLOURS)}.")
            continue
        try:
            rgb(value)
        except ValueError as error:
            problems.error(f"look: {name}: {error}", remedy="Write six hexadecimal figures after a #.")
    for font in dict.fromkeys((font_regular, font_bold)):
        if font is not None:
            try:
                glyphs(font)
            except MissingError as error:
                what, _, remedy = str(error).partition("; ")
                problems.error(f"look: {what}", remedy=f"{remedy[:1].upper()}{remedy[1:]}.", path=font)
    problems.raise_errors()
    base = default_look()
    chosen = {name: colours.get(name, getattr(base, name)).lower() for name in COLOURS}
    look = Look(**chosen, font_regular=base.font_regular, font_bold=base.font_bold)
    if font_regular is not None:
        look = replace(look, font_regular=font_regular, font_bold=font_bold or font_regular)
    elif font_bold is not None:
        look = replace(look, font_bold=font_bold)
    return look
