"""Longer pieces for tests, made by rule from a seed: lead lines and picked chords."""

from __future__ import annotations

from fractions import Fraction as F

import numpy as np

from pipeline.music.metre import Bar, Form, Metre
from pipeline.music.tab import Tab
from pipeline.music.technique import (
    Bend,
    Dead,
    HammerOn,
    LetRing,
    PalmMute,
    PullOff,
    Slide,
    SlideKind,
    Vibrato,
)
from tests.samples import tab_of

# frets of two boxes of the minor pentatonic from the fifth fret, string 1 first
_BOX = {1: (5, 8), 2: (5, 8), 3: (5, 7), 4: (5, 7), 5: (5, 7), 6: (5, 8)}
_HIGH = {1: (8, 10), 2: (8, 10), 3: (7, 9), 4: (7, 10), 5: (7, 10), 6: (8, 10)}
_CELLS = (
    (F(1, 2),) * 2,
    (F(1),),
    (F(1, 3),) * 3,
    (F(1, 4),) * 4,
    (F(1, 2), F(1, 4), F(1, 4)),
    (F(3, 4), F(1, 4)),
)


def lead(bars: int = 12, *, seed: int = 0, up: int = 0, bpm: float = 104.0, instrument: str = "electric guitar",
         swing: F = F(1, 2), repeat: bool = False, rests: float = 0.12) -> Tab:  # fmt: skip
    """A wandering pentatonic line with slurs, bends, slides, vibrato, mutes and rests."""
    rng = np.random.default_rng(seed)
    rows = []
    now, end = F(0), F(4 * bars)
    strings = 4 if instrument == "bass" else 6
    string, high = 3, 0
    while now < end:
        cell = _CELLS[int(rng.integers(len(_CELLS)))]
        last = None
        for length in cell:
            if rng.random() < rests and now > 0:
                now, last = now + length, None
                continue
            step = int(rng.integers(-1, 2))
            string = int(np.clip(string + step, 1, strings))
            if rng.random() < 0.1:
                high = 1 - high
            box = (_HIGH if high else _BOX)[string]
            fret = box[int(rng.integers(2))] + up
            marks: tuple = ()
            if last is not None and last[0] == string and last[1] != fret and rng.random() < 0.6:
                marks = (HammerOn(),) if fret > last[1] else (PullOff(),)
                if rng.random() < 0.3:
                    marks = (Slide(SlideKind.LEGATO),)
            elif length >= F(1, 2) and rng.random() < 0.2:
                marks = (Bend.up(2),) if rng.random() < 0.6 else (Bend.up_release(2),)
            elif length >= 1:
                marks = (Vibrato(),)
            elif string >= 5 and rng.random() < 0.4:
                marks = (PalmMute(),)
            elif rng.random() < 0.03:
                marks = (Dead(),)
            rows.append((now, length, string, fret, marks))
            last = (string, fret)
            now += length
    form = Form.plain(bars)
    if repeat:
        metre = Metre()
        form = Form(
            tuple(Bar(i + 1, metre, F(4), False, i == 0, 2 if i == bars - 1 else 0) for i in range(bars))
        )
    return tab_of(rows, bpm=bpm, instrument=instrument, form=form, swing=swing)


_SHAPES = (
    (0, 1, 0, 2, 3, None), (0, 1, 2, 2, 0, None), (3, 0, 0, 0, 2, 3), (1, 1, 2, 3, None, None),
    (2, 3, 2, 0, None, None), (0, 0, 0, 2, 2, 0), (0, 0, 1, 2, 2, 0),
)  # fmt: skip


def picked(bars: int = 12, *, seed: int = 0, bpm: float = 92.0, up: int = 0) -> Tab:
    """Open chords picked in eighths over a bass note, each left ringing; now and then a strum."""
    rng = np.random.default_rng(seed)
    rows = []
    for bar in range(bars):
        shape = _SHAPES[int(rng.integers(len(_SHAPES)))]
        there = [s for s in range(1, 7) if shape[s - 1] is not None]
        start = F(4 * bar)
        if rng.random() < 0.25:
            for beat in (0, 2):
                rows += [(start + beat, F(2), s, shape[s - 1] + up, ()) for s in there]
            continue
        order = [there[-1], 3, 2, 1, 2, 3, 1, 2]
        for eighth, string in enumerate(order):
            fret = shape[string - 1]
            later = next((k for k in range(eighth + 1, 8) if order[k] == string), 8)
            rows.append((start + F(eighth, 2), F(later - eighth, 2), string, fret + up, (LetRing(),)))
    return tab_of(rows, bpm=bpm, instrument="guitar", key="C", form=Form.plain(bars))
