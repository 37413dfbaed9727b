"""What a font file calls itself, and how wide its letters are."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from pipeline.errors import MissingError


@dataclass(frozen=True)
class Face:
    """family : the name that a renderer finds it by; weight : 100..900; widths : code point -> ems."""

    family: str
    weight: int
    widths: dict[int, float]

    def advance(self, words: str) -> float:
        """Width in ems, without kerning; a missing glyph counts half an em."""
        return sum(self.widths.get(ord(char), 0.5) for char in words)


@lru_cache(maxsize=32)
def face_of(path: Path) -> Face:
    """Read a font file.

    Raises
    ------
    MissingError : not there, or not a font.
    """
    from fontTools.ttLib import TTFont

    try:
        with path.open("rb") as file, TTFont(file, lazy=True, fontNumber=0) as font:
            names = font["name"]
            # the typographic family (16) groups all weights; older fonts have only the family (1)
            family = names.getDebugName(16) or names.getDebugName(1) or path.stem
            units = font["head"].unitsPerEm
            advances = font["hmtx"].metrics
            widths = {code: advances[glyph][0] / units for code, glyph in (font.getBestCmap() or {}).items()}
            return Face(family, int(font["OS/2"].usWeightClass), widths)
    except Exception as error:  # a damaged font fails wherever its tables are read, in any way
        raise MissingError(
            f"font {path} cannot be used ({error or type(error).__name__}); "
            "give a .ttf or .otf file that exists"
        ) from error
