"""Letters on pictures: measuring, fitting and drawing text and chord names.

Conventions
-----------
Sizes and places are pixels; a size is the font's em. Text is placed by its left end on the
baseline. A chord name is drawn with its root large, a minor ``m`` on the baseline, the rest
of the quality raised, a bass note behind a slash: as musicians write them (common practice).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Final

from PIL import ImageDraw, ImageFont

from pipeline.music.chord import Chord
from pipeline.page.look import Look, glyphs, signs_font

NO_CHORD: Final = "N.C."
MINOR_SHARE: Final = 0.74  # sizes against the root
RAISED_SHARE: Final = 0.62
BASS_SHARE: Final = 0.74
ELLIPSIS: Final = "…"


@lru_cache(maxsize=256)
def _font(path: Path, size: int) -> ImageFont.FreeTypeFont:
    # the basic layout is the same wherever Pillow runs; the other one depends on a library
    return ImageFont.truetype(str(path), size, layout_engine=ImageFont.Layout.BASIC)


@dataclass(frozen=True, slots=True)
class Piece:
    """Part of a chord name: its size against the root, and how far it is raised (in root ems)."""

    text: str
    share: float = 1.0
    raised: float = 0.0


def chord_pieces(chord: Chord | None) -> tuple[Piece, ...]:
    """The name in parts, from left to right; None is N.C."""
    if chord is None:
        return (Piece(NO_CHORD, MINOR_SHARE),)
    suffix = chord.suffix(signs=True)
    pieces = [Piece(chord.root.symbol())]
    if suffix.startswith("m") and not suffix.startswith("maj"):
        pieces.append(Piece("m", MINOR_SHARE))
        suffix = suffix[1:]
    if suffix:
        pieces.append(Piece(suffix, RAISED_SHARE, 0.27))
    if chord.bass is not None:
        pieces.append(Piece(f"/{chord.bass.symbol()}", BASS_SHARE))
    return tuple(pieces)


class Lettering:
    """Draws in the fonts of a look, with the signs font where those lack a sign."""

    def __init__(self, look: Look) -> None:
        self.look = look

    def missing(self, text: str) -> str:
        """Letters that no font at hand has, each once; they would show as empty boxes."""
        have = glyphs(self.look.font_bold) & glyphs(self.look.font_regular) | glyphs(signs_font())
        return "".join(dict.fromkeys(c for c in text if ord(c) not in have and not c.isspace()))

    def width(self, text: str, size: int, *, bold: bool = False) -> float:
        return sum(_font(path, size).getlength(run) for path, run in self.look.runs(text, bold=bold))

    def draw(self, draw: ImageDraw.ImageDraw, x: float, baseline: float, text: str, size: int,
             fill: str, *, bold: bool = False) -> float:  # fmt: skip
        """Draws and gives the x where the text ends."""
        for path, run in self.look.runs(text, bold=bold):
            font = _font(path, size)
            # the signs font is drawn lighter than bold letters are
            stroke = round(size * 0.011) if bold and path not in (self.look.font_bold,) else 0
            draw.text((x, baseline), run, font=font, fill=fill, anchor="ls", stroke_width=stroke)
            x += font.getlength(run)
        return x

    def cap_height(self, size: int, *, bold: bool = False) -> float:
        """Height of a capital above the baseline."""
        return float(-_font(self.look.font(bold=bold), size).getbbox("H", anchor="ls")[1])

    def fit(self, text: str, width: float, size: int, least: int, *, bold: bool = False) -> tuple[str, int]:
        """``text`` and the largest size from ``size`` down to ``least`` at which it is no wider
        than ``width``; at the least size it is cut with an ellipsis if it must be."""
        while size > least and self.width(text, size, bold=bold) > width:
            size = max(least, min(size - 1, int(size * 0.97)))
        if self.width(text, size, bold=bold) <= width:
            return text, size
        cut = text
        while cut and self.width(cut.rstrip() + ELLIPSIS, size, bold=bold) > width:
            cut = cut[:-1]
        return (cut.rstrip(" ,;:-–/") + ELLIPSIS if cut else ""), size

    def lines(self, text: str, width: float, size: int, least: int, most: int, *,
              bold: bool = False) -> tuple[list[str], int]:  # fmt: skip
        """Text broken between words into at most ``most`` lines, as large as fits. At the least
        size a word too long for a line is broken anywhere, and what is too much for all the
        lines ends in an ellipsis."""
        while True:
            broken = self._broken(text, width, size, bold=bold, anywhere=size <= least)
            fits = all(self.width(line, size, bold=bold) <= width for line in broken)
            if (fits and len(broken) <= most) or size <= least:
                break
            size = max(least, int(size * 0.95))
        if len(broken) > most:
            broken = [*broken[: most - 1], " ".join(broken[most - 1 :])]
        return [self.fit(line, width, size, size, bold=bold)[0] for line in broken], size

    def _broken(self, text: str, width: float, size: int, *, bold: bool, anywhere: bool) -> list[str]:
        lines = [""]
        for word in self._words(text, width, size, bold=bold) if anywhere else text.split():
            longer = f"{lines[-1]} {word}".strip()
            if not lines[-1] or self.width(longer, size, bold=bold) <= width:
                lines[-1] = longer
            else:
                lines.append(word)
        return lines

    def _words(self, text: str, width: float, size: int, *, bold: bool) -> Iterator[str]:
        """Words, those wider than a line in parts with a hyphen."""
        for word in text.split():
            part = ""
            for char in word:
                if part and self.width(part + char + "-", size, bold=bold) > width:
                    yield part + "-"
                    part = ""
                part += char
            yield part

    def chord_width(self, chord: Chord | None, size: int) -> float:
        return sum(self.width(p.text, round(size * p.share), bold=True) for p in chord_pieces(chord))

    def fit_chord(self, chord: Chord | None, width: float, size: int) -> int:
        """The largest root size up to ``size`` at which the name is no wider than ``width``."""
        while size > 8 and self.chord_width(chord, size) > width:
            size -= 1
        return size

    def too_small(self, chord: Chord | None, size: int, least: int) -> bool:
        """Whether a part of the name is smaller than ``least`` at this root size."""
        return min(round(size * piece.share) for piece in chord_pieces(chord)) < least

    def draw_chord(self, draw: ImageDraw.ImageDraw, x: float, baseline: float, chord: Chord | None,
                   size: int, fill: str) -> float:  # fmt: skip
        """Draws a chord name and gives the x where it ends."""
        for piece in chord_pieces(chord):
            lifted = baseline - piece.raised * size
            x = self.draw(draw, x, lifted, piece.text, round(size * piece.share), fill, bold=True)
        return x
