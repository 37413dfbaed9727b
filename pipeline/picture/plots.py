"""Pictures of a recording to judge by eye: where the bars were found in the sound.

Conventions
-----------
Time runs from left to right, in rows one below the other. Above, the loudest sample of each
column; below, a spectrogram on a logarithmic scale of frequency, so that an octave is as high
everywhere. Bars that were found with little confidence are drawn broken.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw

from pipeline.errors import MisuseError
from pipeline.page.look import Look, default_look, mixed, rgb
from pipeline.picture.lettering import Lettering
from pipeline.picture.still import png_bytes

WIDTH: Final = 1600
ROW_S: Final = 20.0
MOST_ROWS: Final = 30
WAVE_H: Final = 70
SPECTRUM_H: Final = 130
LABEL_H: Final = 34
MARGIN_W: Final = 64  # for the clock
LOW_HZ: Final = 70.0
HIGH_HZ: Final = 5000.0
DOUBTFUL: Final = 0.5  # bars below this confidence are drawn broken
_FLOOR_DB: Final = -70.0

Floats = npt.NDArray[np.floating[Any]]


def _spectrum(audio: Floats, rate: int, columns: int) -> Floats:
    """Shape (SPECTRUM_H, columns), 0..1; the top row is the highest frequency."""
    window = 1 << round(np.log2(rate * 0.085))
    shape = np.hanning(window)
    padded = np.pad(audio, (window // 2, window))
    starts = np.linspace(0, max(0, len(audio) - 1), columns).astype(np.int64)
    edges = np.geomspace(LOW_HZ, min(HIGH_HZ, rate / 2.1), SPECTRUM_H)
    bins = np.clip(np.round(edges * window / rate).astype(np.int64), 1, window // 2)
    found = np.empty((SPECTRUM_H, columns), dtype=np.float64)
    for first in range(0, columns, 256):  # in pieces, to keep the memory small
        part = starts[first : first + 256]
        frames = padded[part[:, None] + np.arange(window)] * shape
        found[:, first : first + 256] = np.abs(np.fft.rfft(frames, axis=1)).T[bins]
    level = 20 * np.log10(np.maximum(found, 1e-9) / max(1e-9, float(shape.sum()) / 2))
    return np.clip(1 - level[::-1] / _FLOOR_DB, 0, 1)


def _shaded(values: Floats, paper: str, ink: str) -> Image.Image:
    """Paper where there is nothing, ink where it is loudest."""
    low, high = np.array(rgb(paper), dtype=np.float64), np.array(rgb(ink), dtype=np.float64)
    pixels = low + (high - low) * values[..., None] ** 1.3
    return Image.fromarray(np.round(pixels).astype(np.uint8))


def _peaks(audio: Floats, columns: int) -> Floats:
    edges = np.linspace(0, len(audio), columns + 1).astype(np.int64)
    starts = np.minimum(edges[:-1], max(0, len(audio) - 1))
    return np.maximum.reduceat(np.abs(audio), starts)


def alignment_picture(
    audio: Floats,
    rate: int,
    bars: Sequence[tuple[int, float, float]],
    *,
    look: Look | None = None,
    row_s: float = ROW_S,
) -> bytes:
    """The take as PNG with the found bar lines over it.

    audio : mono, shape (n,), -1..1
    rate : Hz
    bars : (bar, seconds, confidence 0..1), as in an alignment
    row_s : seconds in a row at least; more when the take needs too many rows

    Raises
    ------
    MisuseError : no sound, or sound that is not mono or not finite.
    """
    if audio.ndim != 1 or not len(audio) or not np.isfinite(audio).all() or rate <= 0:
        raise MisuseError(
            f"a picture of a take needs finite mono sound, got shape {audio.shape} at {rate} Hz"
        )
    look = look or default_look()
    letters = Lettering(look)
    seconds = len(audio) / rate
    row_s = max(row_s, seconds / MOST_ROWS)
    if seconds < row_s:
        row_s = max(seconds, 1.0)
    rows = max(1, int(np.ceil(seconds / row_s - 1e-9)))
    row_h = LABEL_H + WAVE_H + SPECTRUM_H + 12
    image = Image.new("RGB", (WIDTH, rows * row_h), look.paper)
    draw = ImageDraw.Draw(image)
    room, grey = WIDTH - MARGIN_W, mixed(look.ink, look.paper, 0.45)
    loudest = max(1e-6, float(np.abs(audio).max()))
    for row in range(rows):
        first = round(row * row_s * rate)
        part = audio[first : round((row + 1) * row_s * rate)]
        if not len(part):
            break
        width = max(1, min(room, round(room * len(part) / (row_s * rate))))
        top = row * row_h + LABEL_H
        middle = top + WAVE_H / 2
        for x, peak in enumerate(_peaks(part, width)):
            half = float(peak) / loudest * (WAVE_H / 2 - 2)
            draw.line((MARGIN_W + x, middle - half, MARGIN_W + x, middle + half), fill=grey)
        image.paste(
            _shaded(_spectrum(part / loudest, rate, width), look.paper, look.ink), (MARGIN_W, top + WAVE_H)
        )
        right = -1.0
        for bar, second, confidence in bars:
            if not row * row_s <= second < (row + 1) * row_s:
                continue
            x = MARGIN_W + round((second - row * row_s) / row_s * (room - 1))
            _bar_line(draw, x, top - 4, top + WAVE_H + SPECTRUM_H, look.accent, broken=confidence < DOUBTFUL)
            label = f"{bar}?" if confidence < DOUBTFUL else str(bar)
            if x > right:  # where numbers would overlap, every other one stays out
                right = (
                    letters.draw(draw, min(x, WIDTH - 30), top - 10, label, 24, look.accent, bold=True) + 10
                )
        clock = f"{int(row * row_s // 60)}:{int(row * row_s % 60):02}"
        letters.draw(draw, 4, middle + 8, clock, 24, look.ink)
    return png_bytes(image)


def _bar_line(draw: ImageDraw.ImageDraw, x: int, top: int, bottom: int, colour: str, *, broken: bool) -> None:
    if not broken:
        draw.line((x, top, x, bottom), fill=colour, width=3)
        return
    for y in range(top, bottom, 14):
        draw.line((x, y, x, min(y + 6, bottom)), fill=colour, width=3)
