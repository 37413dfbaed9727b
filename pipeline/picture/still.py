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
from typing import Final

from PIL import Image, ImageDraw

from pipeline.errors import MisuseError
from pipeline.page.look import Look, legible, mixed
from pipeline.picture.lettering import Lettering
from pipeline.wholefile import write_whole

NECK_SHARE: Final = 0.31  # of the height, from the foot up
TEXT_CONTRAST: Final = 7.0  # a still is read small: WCAG 2.2, 1.4.6


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
    *,
    title: str,
    subtitle: str,
    look: Look,
    size: tuple[int, int],
    strings: int = 6,
    foot: float | None = None,
) -> Image.Image:
    """A title card, RGB. The longer the title, the smaller it is set, in up to three lines.

    foot : this share of the height is left empty at the foot, for something laid over it;
        None draws a part of the neck there

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
    margin = round(max(width * 0.05, unit * 0.09))
    room = width - 2 * margin
    ink = legible(look.plate_ink, on=look.plate, ratio=TEXT_CONTRAST)
    accent = legible(look.accent, on=look.plate, ratio=4.5)
    until = height * (1 - NECK_SHARE if foot is None else 1 - foot)
    if foot is None:
        _neck(draw, width, until, until + unit * 0.2, mixed(ink, look.plate, 0.25), accent, strings=strings)
    # the largest title that leaves room for the rest
    most = round(unit * 0.23)
    while True:
        lines, text_size = letters.lines(title.strip(), room, most, round(unit * 0.07), 3, bold=True)
        sub_size = round(min(max(text_size * 0.42, unit * 0.06), unit * 0.075))
        subs, sub_size = letters.lines(subtitle.strip(), room, sub_size, round(unit * 0.05), 2)
        subs = [line for line in subs if line]
        step, sub_step = round(text_size * 1.08), round(sub_size * 1.3)
        cap, sub_cap = letters.cap_height(text_size, bold=True), letters.cap_height(sub_size)
        gap = unit * 0.05 + text_size * 0.25
        block = unit * 0.075 + cap + step * (len(lines) - 1)
        block += gap + sub_cap + sub_step * (len(subs) - 1) if subs else 0
        if block <= until - 0.14 * unit or most <= unit * 0.07:
            break
        most = round(most * 0.93)
    top = (until - block) / 2 + unit * 0.02
    draw.rectangle((margin, round(top), margin + round(unit * 0.16), round(top + unit * 0.02)), fill=accent)
    y = top + unit * 0.075 + cap
    for line in lines:
        letters.draw(draw, margin, y, line, text_size, ink, bold=True)
        y += step
    y += gap + sub_cap - step
    for line in subs:
        letters.draw(draw, margin, y, line, sub_size, ink)
        y += sub_step
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
    OSError : the file cannot be written.
    """
    if path.suffix.lower() != ".png":
        raise MisuseError(f"a still is a .png file, got {path.name}")
    image = draw_title(title=title, subtitle=subtitle, look=look, size=size, strings=strings)
    write_whole(path, png_bytes(image))
    return font_notes(title + subtitle, look)


def font_notes(text: str, look: Look) -> tuple[str, ...]:
    """A sentence if the look's fonts lack letters of ``text``."""
    missing = Lettering(look).missing(text)
    return (f"The font has no {' '.join(missing)}; choose one that has.",) if missing else ()
