"""What the overlay shows when: scenes over musical time, and the frames they start on.

Conventions
-----------
Frame ``n`` is shown from ``n / fps`` seconds on; a change lands on the frame nearest its time.
A scene is everything that a viewer sees at one moment; equal scenes are one picture.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

from pipeline.music.chart import ChordSpan, changes
from pipeline.music.chord import Chord
from pipeline.music.metre import Form, PlacedBar
from pipeline.music.timemap import TimeMap

MOST_MARKS: Final = 16  # more than this can't be told apart at a glance


@dataclass(frozen=True, slots=True)
class Ahead:
    """The chord that comes next (None: N.C.)."""

    chord: Chord | None


@dataclass(frozen=True, slots=True)
class Scene:
    """One picture of the overlay.

    chord : sounding now; None is N.C., or with ``waiting`` that none is charted yet
    ahead : what comes next, or None when this chord is the last
    place : name of the section or phrase, or ""
    bar, bars : ordinal of the played bar (0 is a pickup), and the last one
    waiting : before the chart's first chord, as in a pickup that it leaves out
    mark, marks : how many of the chord's marks have begun (beats, or bars of a long chord)
    """

    chord: Chord | None
    ahead: Ahead | None
    place: str
    bar: int
    bars: int
    mark: int
    marks: int
    waiting: bool = False


@dataclass(frozen=True, slots=True)
class Cue:
    """From ``frame`` on, ``scene`` is shown (None: nothing); ``quarter`` is its musical time."""

    frame: int
    scene: Scene | None
    quarter: Fraction


@dataclass(frozen=True, slots=True)
class NamedStretch:
    """A name over a stretch of the played timeline, such as a phrase."""

    start: Fraction
    end: Fraction
    name: str


def frame_at(seconds: float, fps: Fraction) -> int:
    """The frame whose time is nearest; halfway between two, the later."""
    return math.floor(Fraction(seconds) * fps + Fraction(1, 2))


def _bars_in(form: Form, start: Fraction, end: Fraction) -> Sequence[PlacedBar]:
    """The played bars that share time with [start, end)."""
    first = form.played.bar_at(start).index
    last = first
    bars = form.played.bars
    while last + 1 < len(bars) and bars[last + 1].start < end:
        last += 1
    return bars[first : last + 1]


def _beats(form: Form, start: Fraction, end: Fraction, *, whole_bars: bool) -> list[Fraction]:
    """Moments in [start, end): the start itself, and every beat (or bar) after it."""
    found = {start}
    for bar in _bars_in(form, start, end):
        step = bar.bar.metre.quarters if whole_bars else bar.bar.metre.beat_quarters
        # the beats of a pickup are the last of a full bar: count back from its end
        first = bar.end - step * (bar.bar.length // step) if bar.bar.pickup else bar.start
        found |= {bar.start} if whole_bars else set()
        moment = first
        while moment < bar.end:
            found.add(moment)
            moment += step
    return sorted(moment for moment in found if start <= moment < end)


def _marks(form: Form, start: Fraction, end: Fraction) -> list[Fraction]:
    for whole_bars in (False, True):
        marks = _beats(form, start, end, whole_bars=whole_bars)
        if len(marks) <= MOST_MARKS:
            return marks
    return [start + (end - start) * i / MOST_MARKS for i in range(MOST_MARKS)]


def scenes(
    spans: Sequence[ChordSpan],
    form: Form,
    *,
    title: str = "",
    stretches: Sequence[NamedStretch] = (),
) -> list[tuple[Fraction, Scene | None]]:
    """(played quarter, scene from there on), in order; the last one is (end, None).

    stretches : names that go before the chart's sections, such as the phrases
    title : shown where there is neither

    Raises
    ------
    ValueError : no spans.
    """
    if not spans:
        raise ValueError("an overlay shows chords, and there are none")
    bars = form.played.bars[-1].ordinal
    told: list[tuple[Fraction, Fraction, Chord | None, bool]] = []
    for span in changes(spans):
        if told and told[-1][2:] == (span.chord, span.implied):  # the same chord across sections goes on
            told[-1] = (told[-1][0], span.end, *told[-1][2:])
        else:
            told.append((span.start, span.end, span.chord, span.implied))
    ordered = sorted(spans, key=lambda span: span.start)
    starts = [span.start for span in ordered]
    found: list[tuple[Fraction, Scene | None]] = []
    for place, (start, end, chord, implied) in enumerate(told):
        ahead = Ahead(told[place + 1][2]) if place + 1 < len(told) else None
        marks = _marks(form, start, end)
        edges = {bar.start for bar in _bars_in(form, start, end) if bar.start >= start}
        edges |= {e for s in stretches for e in (s.start, s.end) if start <= e < end}
        for moment in sorted({*marks, *edges}):
            section = ordered[max(0, bisect_right(starts, moment) - 1)].section
            name = next((s.name for s in stretches if s.start <= moment < s.end), section or title)
            begun = sum(mark <= moment for mark in marks)
            bar = form.played.bar_at(moment).ordinal
            found.append((moment, Scene(chord, ahead, name, bar, bars, begun, len(marks), implied)))
    found.append((told[-1][1], None))
    return found


def cues(
    shown: Sequence[tuple[Fraction, Scene | None]], time_map: TimeMap, *, fps: Fraction, frames: int
) -> tuple[list[Cue], int]:
    """Scenes on their frames, and how many were too short for a frame of their own.

    frames : length of the video; what starts after it is left out. A scene that began before
        the video did is there from frame 0.

    The first cue is at frame 0; before the music nothing is shown.
    """
    seconds = time_map.to_seconds([float(quarter) for quarter, _ in shown])
    found = [Cue(0, None, Fraction(0))]
    lost, before_s = 0, -1.0
    for (quarter, scene), second in zip(shown, map(float, seconds), strict=True):
        frame = max(0, frame_at(second, fps))
        if frame >= frames:
            break
        if frame == found[-1].frame:
            # what was over before the video began is not lost
            lost += found[-1].scene is not None and before_s >= 0
            found.pop()
        before_s = second
        if found and found[-1].scene == scene:
            continue
        found.append(Cue(frame, scene, quarter))
    if not found or found[0].frame > 0:
        found.insert(0, Cue(0, None, Fraction(0)))
    return found, lost
