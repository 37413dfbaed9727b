"""The chord card: a plate in the lower third with the chord now, the next one, and the place.

Conventions
-----------
The *unit* is the shorter side of the frame; text is at least 1/20 of it high (its em). The
card stays inside the graphics safe area, 5 % in from each edge. Columns are laid out once for
a whole video, so that nothing jumps from one chord to the next.

References
----------
EBU R 95 (2017), "Safe areas for 16:9 television production": graphics safe area 5 %.
W3C, Web Content Accessibility Guidelines 2.2, 1.4.3: contrast of text 4.5:1 (which
the marks reach too).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Final

import numpy as np
from PIL import Image, ImageDraw

from pipeline.music.chord import Chord
from pipeline.page.look import Look, contrast, legible, mixed, rgb
from pipeline.picture.lettering import NO_CHORD, Lettering
from pipeline.picture.scenes import Scene

SAFE_SHARE: Final = 0.05  # EBU R 95
PLATE_ALPHA: Final = 0.93
TEXT_CONTRAST: Final = 4.5  # WCAG 2.2, 1.4.3
_NOW_SHARE: Final = 0.155
_NEXT_SHARE: Final = 0.088


def worst_ground(plate: str, ink: str) -> str:
    """What the plate looks like over the picture that is worst for this ink: black or white."""
    over = [mixed(plate, behind, PLATE_ALPHA) for behind in ("#000000", "#ffffff")]
    return min(over, key=lambda ground: contrast(ink, ground))


class Card:
    """Draws the card of any scene of one video.

    size : (width, height) of the frame
    box : (left, top, right, bottom) of the card in the frame
    notes : what had to differ from the look, or could not be done, as sentences
    """

    def __init__(self, size: tuple[int, int], look: Look, scenes: Iterable[Scene]) -> None:
        if min(size) < 64:
            raise ValueError(f"a frame is at least 64 pixels wide and high, got {size[0]} x {size[1]}")
        self.size = size
        self.notes: list[str] = []
        self._letters = Lettering(look)
        self._unit = min(size)
        self._stacked = size[0] < 1.2 * size[1]
        self._colours(look)
        self._lay_out(list(scenes))

    def _colours(self, look: Look) -> None:
        self._plate = look.plate
        self._ink = self._readable(look.plate_ink, TEXT_CONTRAST, "plate_ink")
        self._accent = self._readable(look.accent, TEXT_CONTRAST, "")
        self._faint = mixed(self._ink, self._plate, 0.3)

    def _readable(self, colour: str, ratio: float, name: str) -> str:
        """The colour, or the nearest that can be read over any picture."""
        ground = worst_ground(self._plate, colour)
        if contrast(colour, ground) >= ratio:
            return colour
        # over the ground that is worst for the colour we are moving towards
        light = contrast("#ffffff", self._plate) > contrast("#000000", self._plate)
        ground = worst_ground(self._plate, "#ffffff" if light else "#000000")
        better = legible(colour, on=ground, ratio=ratio)
        if name:
            self.notes.append(
                f"The colour {name} {colour} can't be read on the plate {self._plate} over every "
                f"picture; the overlay uses {better}."
            )
        if contrast(better, ground) < ratio:
            self.notes.append(
                f"No ink reaches a contrast of {ratio}:1 on the plate {self._plate}; a darker or "
                "lighter plate would."
            )
        return better

    def _px(self, share: float) -> int:
        return max(1, round(self._unit * share))

    def _lay_out(self, scenes: list[Scene]) -> None:
        letters, px = self._letters, self._px
        self._least = -(-self._unit // 20)
        self._pad, self._gap = px(0.035), px(0.045)
        safe_w = self.size[0] - 2 * self._inset(0)
        inner = safe_w - 2 * self._pad
        now = list(dict.fromkeys(scene.chord for scene in scenes if not scene.waiting))
        nxt = list(dict.fromkeys(scene.ahead.chord for scene in scenes if scene.ahead))
        self._arrow_w = px(0.05) if nxt else 0
        self._now_w = self._column(now, px(_NOW_SHARE), inner * (0.56 if self._stacked else 0.4))
        spare = inner - self._now_w - self._gap - self._arrow_w
        self._next_w = self._column(nxt, px(_NEXT_SHARE), spare if self._stacked else inner * 0.3)
        texts = [line for scene in scenes for line in self._place_lines(scene)]
        wanted = max(letters.width(text, self._least, bold=True) for text in texts)
        room = inner if self._stacked else inner - self._now_w - self._next_w - self._arrow_w - 2 * self._gap
        self._place_w = min(wanted, room)
        cut = [t for t in dict.fromkeys(texts) if letters.width(t, self._least, bold=True) > room]
        self.notes += [f"The name {text!r} is too long for the overlay and is cut short." for text in cut]
        boxes = letters.missing("".join(texts))
        if boxes:
            self.notes.append(f"The font has no {' '.join(boxes)}; choose one that has.")
        chords_w = self._now_w + self._gap * bool(nxt) + self._arrow_w + self._next_w
        if self._stacked:
            width = 2 * self._pad + max(chords_w, self._place_w)
            height = px(0.34)
        else:
            width = 2 * self._pad + chords_w + self._gap + self._place_w
            height = px(0.2)
        left, bottom = self._inset(0), self.size[1] - self._inset(1)
        self.box = (left, bottom - height, min(left + round(width), self.size[0] - left), bottom)

    def _inset(self, axis: int) -> int:
        """Safe margin in pixels, rounded inwards."""
        return -(-self.size[axis] // round(1 / SAFE_SHARE))

    def _column(self, chords: list[Chord | None], size: int, most: float) -> int:
        widths = []
        for chord in chords:
            fitted = self._letters.fit_chord(chord, most, size)
            if self._letters.too_small(chord, fitted, self._least):
                small = chord.symbol() if chord else NO_CHORD
                note = f"The chord {small} is so long that the overlay shows it smaller than the rest."
                self.notes += [note] if note not in self.notes else []
            widths.append(self._letters.chord_width(chord, fitted))
        return math.ceil(max(widths, default=0.0))

    def _place_lines(self, scene: Scene) -> list[str]:
        bar = f"bar {scene.bar} of {scene.bars}" if scene.bar else "pickup"
        if self._stacked:
            return [f"{scene.place}, {bar}" if scene.place else bar]
        return [scene.place, bar] if scene.place else [bar]

    def draw(self, scene: Scene) -> Image.Image:
        """The card of this scene, RGBA with straight alpha, of the box's size."""
        left, top, right, bottom = self.box
        width, height = right - left, bottom - top
        image = Image.new("RGBA", (width, height), (*rgb(self._plate), 0))
        image.putalpha(self._plate_mask(width, height))
        draw = ImageDraw.Draw(image)
        if self._stacked:
            self._draw_chords(draw, scene, round(height * 0.48))
            self._draw_place(draw, scene, self._pad, round(height * 0.76))
        else:
            baseline = round((height - self._px(0.02)) * 0.5 + self._letters.cap_height(
                self._px(_NOW_SHARE), bold=True) / 2)  # fmt: skip
            x = self._draw_chords(draw, scene, baseline)
            self._draw_place(draw, scene, x, round(height * 0.40))
        self._draw_marks(draw, scene, width, height)
        # nothing is left in the colours where there is nothing to see
        pixels = np.asarray(image).copy()
        pixels[pixels[..., 3] == 0] = 0
        return Image.fromarray(pixels)

    def _plate_mask(self, width: int, height: int) -> Image.Image:
        fine = 4  # drawn larger and shrunk: smooth corners
        mask = Image.new("L", (width * fine, height * fine), 0)
        ImageDraw.Draw(mask).rounded_rectangle(
            (0, 0, width * fine - 1, height * fine - 1), self._px(0.014) * fine, fill=round(255 * PLATE_ALPHA)
        )
        return mask.resize((width, height), Image.Resampling.BOX)

    def _draw_chords(self, draw: ImageDraw.ImageDraw, scene: Scene, baseline: int) -> float:
        letters = self._letters
        size = letters.fit_chord(scene.chord, self._now_w, self._px(_NOW_SHARE))
        if not scene.waiting:
            letters.draw_chord(draw, self._pad, baseline, scene.chord, size, self._ink)
        x = self._pad + self._now_w + self._gap
        if not self._next_w:
            return x
        if scene.ahead is not None:
            small = letters.fit_chord(scene.ahead.chord, self._next_w, self._px(_NEXT_SHARE))
            half = letters.cap_height(small, bold=True) / 2
            middle, arm = baseline - half, self._px(0.013)
            stroke = max(2, self._px(0.006))
            points = [(x, middle - arm), (x + arm, middle), (x, middle + arm)]
            draw.line(points, fill=self._accent, width=stroke, joint="curve")
            letters.draw_chord(draw, x + self._arrow_w, baseline, scene.ahead.chord, small, self._ink)
        return x + self._arrow_w + self._next_w + self._gap

    def _draw_place(self, draw: ImageDraw.ImageDraw, scene: Scene, x: float, first: int) -> None:
        letters, lines = self._letters, self._place_lines(scene)
        step = round(self._least * 1.2)
        y = first if len(lines) > 1 or self._stacked else first + step // 2
        for number, line in enumerate(lines):
            bold = number == 0 and bool(scene.place)
            text, size = letters.fit(line, self._place_w + 1, self._least, self._least, bold=bold)
            letters.draw(draw, x, y + number * step, text, size, self._ink, bold=bold)

    def _draw_marks(self, draw: ImageDraw.ImageDraw, scene: Scene, width: int, height: int) -> None:
        """A thin row along the foot: one mark for each beat of the chord, lit as they come."""
        thick, gap = max(2, self._px(0.009)), max(2, self._px(0.006))
        bottom = height - self._px(0.018)
        share = (width - 2 * self._pad + gap) / scene.marks
        for number in range(scene.marks):
            left = self._pad + number * share
            colour = self._accent if number < scene.mark else self._faint
            draw.rectangle((round(left), bottom - thick, round(left + share - gap), bottom), fill=colour)
