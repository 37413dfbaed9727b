"""Title cards: the still of a lesson, and the ground of a clip whose take has no picture.

Conventions
-----------
Everything stays inside the graphics safe area. The neck in the background is drawn from the
equal-tempered fret positions, so it is right, though only an ornament.

References
----------
EBU R 95 (2017): graphics safe area 5 %. Fret positions: twelve-tone equal temperament.
"""

from __future__ import annotations

import io
from pathlib import Path

from PIL import Image, ImageDraw

from pipeline.errors import MisuseError
from pipeline.page.look import Look, legible
from pipeline.picture.card import mixed
from pipeline.picture.encode import written_beside
from pipeline.picture.lettering import Lettering

TEXT_CONTRAST = 7.0  # a still is read small: WCAG 2.2, 1.4.6


def _neck(
    draw: ImageDraw.ImageDraw, width: int, top: float, bottom: float, colour: str, dots: str, *, strings: int
) -> None:
    """Frets and strings across the whole width, as if the frame looked at a part of the neck."""
    unit = bottom - top
    scale = width / (1 - 2 ** (-9 / 12))  # nine frets fill the width
    for fret in range(10):
        x = scale * (1 - 2 ** (-fret / 12))
        draw.line((x, top, x, bottom), fill=colour, width=max(1, round(unit * 0.012)))
    for string in range(strings):
        y = top + unit * (string + 0.5) / strings
        draw.line((0, y, width, y), fill=colour, width=max(1, round(unit * (0.006 + 0.0022 * string))))
    for fret in (3, 5, 7, 9):  # where fretted instruments are marked: common practice
        x = scale * (2 - 2 ** (-(fret - 1) / 12) - 2 ** (-fret / 12)) / 2
        y, r = (top + bottom) / 2, unit * 0.055
        draw.ellipse((x - r, y - r, x + r, y + r), fill=dots)


def draw_title(
    *, title: str, subtitle: str, look: Look, size: tuple[int, int], strings: int = 6
) -> Image.Image:
    """A title card, RGB. The longer the title, the smaller it is set, in up to three lines.

    Raises
    ------
    MisuseError : no title, or a size that can't carry one.
    """
    width, height = size
    if not title.strip():
        raise MisuseError("a title card needs a title")
    if min(size) < 64 or max(size) > 16384:
        raise MisuseError(f"a title card is 64 to 16384 pixels wide and high, got {width} x {height}")
    unit = min(size)
    letters = Lettering(look)
    image = Image.new("RGB", size, look.plate)
    draw = ImageDraw.Draw(image)
    margin = round(max(size[0] * 0.05, unit * 0.09))
    room = width - 2 * margin
    neck_top = round(height * 0.69)
    ink = legible(look.plate_ink, on=look.plate, ratio=TEXT_CONTRAST)
    accent = legible(look.accent, on=look.plate, ratio=4.5)
    _neck(draw, width, neck_top, neck_top + unit * 0.2, mixed(ink, look.plate, 0.25), accent, strings=strings)
    lines, text_size = letters.lines(
        title.strip(), room, round(unit * 0.23), round(unit * 0.085), 3, bold=True
    )
    step = round(text_size * 1.08)
    sub_size = max(round(unit * 0.06), round(text_size * 0.42)) if subtitle.strip() else 0
    sub_lines: list[str] = []
    if sub_size:
        sub_lines, sub_size = letters.lines(subtitle.strip(), room, min(sub_size, round(unit * 0.075)),
                                            round(unit * 0.05), 2)  # fmt: skip
    block = step * len(lines) + round(sub_size * 1.3) * len(sub_lines)
    y = (neck_top - block) / 2 + letters.cap_height(text_size, bold=True) + unit * 0.045
    draw.rectangle((margin, y - letters.cap_height(text_size, bold=True) - unit * 0.075, margin + unit * 0.16,
                    y - letters.cap_height(text_size, bold=True) - unit * 0.055), fill=accent)  # fmt: skip
    for line in lines:
        letters.draw(draw, margin, y, line, text_size, ink, bold=True)
        y += step
    y += text_size * 0.36 - step + letters.cap_height(sub_size) if sub_lines else 0
    for line in sub_lines:
        letters.draw(draw, margin, y, line, sub_size, ink)
        y += round(sub_size * 1.3)
    return image


def png_bytes(image: Image.Image) -> bytes:
    """A PNG without any metadata: equal pictures give equal bytes."""
    with io.BytesIO() as buffer:
        image.save(buffer, "PNG", optimize=False, compress_level=6)
        return buffer.getvalue()


def render_still(
    path: Path,
    *,
    title: str,
    subtitle: str = "",
    look: Look,
    size: tuple[int, int] = (1280, 720),
    strings: int = 6,
) -> tuple[str, ...]:
    """Writes the title card as PNG; gives notes, such as letters that the font lacks.

    strings : of the instrument, for the neck in the background

    Raises
    ------
    MisuseError : see :func:`draw_title`, or a file ending other than ``.png``.
    """
    if path.suffix.lower() != ".png":
        raise MisuseError(f"a still is a .png file, got {path.name}")
    image = draw_title(title=title, subtitle=subtitle, look=look, size=size, strings=strings)
    with written_beside(path) as beside:
        beside.write_bytes(png_bytes(image))
    return font_notes(title + subtitle, look)


def font_notes(text: str, look: Look) -> tuple[str, ...]:
    """A sentence if the look's fonts lack letters of ``text``."""
    missing = Lettering(look).missing(text)
    return (f"The font has no {' '.join(missing)}; choose one that has.",) if missing else ()
