"""A drawn film of the neck from above: frets, strings, lit fingertips and the hand that reaches them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from PIL import Image, ImageDraw, ImageFilter
from playing import Stroke

from pipeline.music.tab import Tab
from pipeline.music.technique import Bend, Dead, Vibrato

SCALE = 2  # drawn at twice the size, then reduced
BOARD, WOOD, FRET, STRING = "#3b2a20", "#8a6a46", "#b9b4a6", "#d8d2c0"
TABLE, SKIN, SHADE, LIGHT = "#59636a", "#c99a78", "#a87b5d", "#ffd27a"


@dataclass(frozen=True)
class Neck:
    """Where frets and strings lie in the picture, in pixels of the large drawing."""

    tab: Tab
    width: int
    height: int
    last_fret: int

    @property
    def scale(self) -> float:
        inside = self.width * 0.80
        return inside / self.tab.instrument.fret_mm(self.last_fret)

    def fret_x(self, fret: float) -> float:
        return self.width * 0.08 + self.tab.instrument.fret_mm(fret) * self.scale

    def finger_x(self, fret: float) -> float:
        return self.fret_x(0) - self.width * 0.018 if fret < 0.5 else self.fret_x(fret - 0.35)

    def string_y(self, string: int) -> float:
        count = len(self.tab.instrument.strings)
        return self.height * (0.66 - 0.36 * (string - 1) / max(1, count - 1))  # first string nearest


def board(neck: Neck) -> Image.Image:
    """All that does not move."""
    picture = Image.new("RGB", (neck.width, neck.height), TABLE)
    draw = ImageDraw.Draw(picture)
    top, bottom = neck.string_y(len(neck.tab.instrument.strings)), neck.string_y(1)
    edge = neck.height * 0.055
    for i in range(0, neck.height, 6):  # the grain of the table
        draw.line((0, i, neck.width, i + 5), fill="#566067")
    draw.ellipse((neck.width * 0.9, top - 250, neck.width * 1.5, bottom + 250), fill=WOOD)
    draw.rectangle((0, top - edge, neck.fret_x(0), bottom + edge), fill=WOOD)
    draw.rectangle((neck.fret_x(0), top - edge, neck.fret_x(neck.last_fret), bottom + edge), fill=BOARD)
    draw.rectangle((neck.fret_x(0) - 8, top - edge, neck.fret_x(0), bottom + edge), fill="#e9e2cf")
    for fret in range(1, neck.last_fret + 1):
        x = neck.fret_x(fret)
        draw.line((x, top - edge, x, bottom + edge), fill=FRET, width=4)
        if fret % 12 in (3, 5, 7, 9):
            spots = [(top + bottom) / 2]
        elif fret % 12 == 0:
            spots = [top + (bottom - top) * 0.25, top + (bottom - top) * 0.75]
        else:
            continue
        at = (neck.fret_x(fret - 1) + x) / 2
        for y in spots:
            draw.ellipse((at - 7, y - 7, at + 7, y + 7), fill="#cfc6ad")
    return picture


def _hand_track(neck: Neck, strokes: tuple[Stroke, ...], times: np.ndarray) -> np.ndarray:
    """Fret of the first finger at each moment, moving ahead of the notes and without jumps."""
    fretted = [(s.start_s, s.sounding.note.fret) for s in strokes if s.sounding.note.fret > 0]
    if not fretted:
        return np.ones(len(times))
    place, points = fretted[0][1], []
    for moment, fret in fretted:
        if fret < place:
            place = fret
        elif fret > place + 3:
            place = fret - 2
        points.append((moment - 0.06, float(place)))
    track = np.interp(times, [t for t, _ in points], [p for _, p in points])
    window = np.hanning(9)
    return np.convolve(np.pad(track, 4, mode="edge"), window / window.sum(), mode="valid")


def _finger(draw: ImageDraw.ImageDraw, root: tuple[float, float], tip: tuple[float, float]) -> None:
    for colour, wide in ((SHADE, 46), (SKIN, 38)):
        draw.line((*root, *tip), fill=colour, width=wide)
        for x, y in (root, tip):
            draw.ellipse((x - wide / 2, y - wide / 2, x + wide / 2, y + wide / 2), fill=colour)


def frames(
    tab: Tab, strokes: tuple[Stroke, ...], *, seconds: float, size: tuple[int, int], fps: int
) -> Iterator[np.ndarray]:
    """(height, width, 3) pictures, one for each 1/fps of the take."""
    last = min(tab.instrument.frets, max(12, max(s.sounding.note.fret for s in strokes) + 3))
    neck = Neck(tab, size[0] * SCALE, size[1] * SCALE, last)
    still = board(neck)
    times = np.arange(int(seconds * fps)) / fps
    hand = _hand_track(neck, strokes, times)
    for i, now in enumerate(times):
        picture = still.copy()
        draw = ImageDraw.Draw(picture)
        sounding = [s for s in strokes if s.start_s <= now < s.end_s]
        for number in range(1, len(tab.instrument.strings) + 1):
            y = neck.string_y(number)
            live = next((s for s in sounding if s.sounding.note.string == number), None)
            thick = 2 + round(1.1 * number) if not tab.instrument.reentrant else 4
            if live is None or live.sounding.note.has(Dead):
                draw.line((0, y, neck.width, y), fill=STRING, width=thick)
                continue
            shake = 5.0 * np.exp(-(now - live.start_s) * 2.5)
            x = neck.finger_x(live.sounding.note.fret)
            draw.line((0, y, x, y), fill=STRING, width=thick)
            draw.line((x, y, neck.width, y), fill="#f4eedb", width=thick + round(2 * shake))
        pressing: dict[int, tuple[float, float]] = {}
        for stroke in sounding:
            note = stroke.sounding.note
            if note.fret == 0:
                continue
            x, y = neck.finger_x(note.fret), neck.string_y(note.string)
            part = (now - stroke.start_s) / (stroke.end_s - stroke.start_s)
            bend = note.get(Bend)
            if bend is not None:
                y -= 11 * bend.semitones_at(float(part))
            if note.has(Vibrato):
                y -= 4 * (1 - np.cos(2 * np.pi * 5.3 * (now - stroke.start_s)))
            finger = int(np.clip(round(note.fret - hand[i]), 0, 3))
            pressing[finger] = (x, y)
        for finger in range(4):
            home = neck.fret_x(hand[i] + finger - 0.45)
            root = (home + 10, neck.height * 0.98)
            tip = pressing.get(finger, (home, neck.string_y(1) + neck.height * 0.13))
            _finger(draw, root, tip)
        palm = neck.fret_x(hand[i] + 1.0)
        draw.ellipse((palm - 210, neck.height * 0.93, palm + 230, neck.height * 1.3), fill=SKIN)
        for stroke in sounding:
            note = stroke.sounding.note
            glow = float(np.exp(-(now - stroke.start_s) * 1.6))
            finger = int(np.clip(round(note.fret - hand[i]), 0, 3))
            x, y = pressing.get(finger, (neck.finger_x(0), neck.string_y(note.string)))
            if note.fret == 0:
                x, y = neck.finger_x(0), neck.string_y(note.string)
            r = 9 + 6 * glow
            fill = "#b0a89a" if note.has(Dead) else LIGHT
            draw.ellipse((x - r, y - r, x + r, y + r), fill=fill, outline="#7a4b12", width=3)
            if now - stroke.start_s < 0.12:  # the other hand, seen only as it strikes
                at = neck.width * 0.93
                y0 = neck.string_y(note.string)
                draw.ellipse((at - 14, y0 - 10, at + 14, y0 + 10), fill="#2b2f33")
        small = picture.reduce(SCALE)
        if i == 0:
            small = small.filter(ImageFilter.SMOOTH)
        yield np.asarray(small)
