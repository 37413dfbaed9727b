"""The guide lead: the tab as played, every technique sounded on the synthesizer.

Each string has channels of its own, so that a bend moves its string only. A note and the
notes slid to from it are one *stroke*, struck once; the pitch wheel draws the rest.

Times of gestures that notation leaves open (how long a slide takes, how fast a vibrato
goes): common practice. Vibrato is drawn from the fretted pitch upwards, as fingers do it.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Final

import numpy as np

from pipeline.music.tab import DYNAMICS, Note, SoundingNote, Tab
from pipeline.music.technique import (
    Accent,
    Bend,
    Dead,
    Ghost,
    Grace,
    HammerOn,
    Harmonic,
    LetRing,
    PalmMute,
    PullOff,
    Slide,
    SlideKind,
    Staccato,
    Stroke,
    Tap,
    TremoloPicking,
    Trill,
    Vibrato,
)
from pipeline.music.timemap import TimeMap
from pipeline.sound.events import BEND_RANGE, Events
from pipeline.sound.part import generator
from pipeline.sound.stage import Stage

_CHANNELS: Final = tuple(c for c in range(15) if c != 9)
_GRACE_S: Final = 0.07
_GLIDE_S: Final = 0.11
_WHEEL_S: Final = 0.012
_VIBRATO_HZ: Final = 5.5
_MUTED_PROGRAM: Final = 28
_ELECTRIC: Final = range(26, 32)
_VELOCITY: Final = dict(zip(DYNAMICS, (34, 46, 58, 72, 86, 98, 110, 122), strict=True))


@dataclass(slots=True)
class Sound:
    """One stroke of a string: ``curve`` holds (second, semitones from ``key``)."""

    string: int
    key: int
    start_s: float
    end_s: float
    velocity: int
    program: int
    curve: list[tuple[float, float]] = field(default_factory=list)

    def height_at(self, second: float) -> float:
        before = [h for t, h in self.curve if t <= second]
        return before[-1] if before else 0.0


@dataclass(frozen=True, slots=True)
class _Timed:
    """A sounding note with its seconds."""

    note: SoundingNote
    start_s: float
    end_s: float

    @property
    def string(self) -> int:
        return self.note.note.string


def felt_quarters(stage: Stage, quarters: Sequence[Fraction]) -> list[float]:
    """Where written moments fall with swing. A beat that is itself written in triplets (or
    other divisions than halves) is played as written."""
    bars = {bar.placed.index: bar for bar in stage.bars}
    played = stage.tab.form.played
    uneven: set[tuple[int, int]] = set()
    homes = []
    for quarter in quarters:
        bar = bars[played.bar_at(quarter).index]
        beat = int((quarter - bar.anchor) // 1)
        homes.append((bar, beat))
        denominator = (quarter - bar.anchor).denominator
        if denominator & (denominator - 1):
            uneven.add((bar.placed.index, beat))
    return [
        float(q) if (bar.placed.index, beat) in uneven else bar.felt(q)
        for q, (bar, beat) in zip(quarters, homes, strict=True)
    ]


def _timed(stage: Stage, time_map: TimeMap) -> list[_Timed]:
    notes = stage.tab.sounding
    if not notes:
        return []
    onsets = [n.onset for n in notes]
    felt = felt_quarters(stage, onsets + [n.end for n in notes])
    seconds = time_map.to_seconds(felt)
    count = len(notes)
    return [_Timed(n, float(seconds[i]), float(seconds[count + i])) for i, n in enumerate(notes)]


def strokes(stage: Stage, time_map: TimeMap, *, seed: int) -> list[Sound]:
    """Every stroke of the tab in seconds, in order of start."""
    rng = generator(seed, "lead")
    timed = _place_graces(_timed(stage, time_map))
    by_string: dict[int, list[_Timed]] = {}
    for item in timed:
        by_string.setdefault(item.string, []).append(item)
    found: list[Sound] = []
    for line in by_string.values():
        found += _string_line(stage, line, time_map, rng)
    return sorted(found, key=lambda s: (s.start_s, s.string))


def _place_graces(timed: list[_Timed]) -> list[_Timed]:
    """Grace notes get a little time: before the note they lead into, or at its cost."""
    graces = [t for t in timed if t.note.note.grace]
    if not graces:
        return timed
    groups: dict[tuple[Fraction, int], list[_Timed]] = {}
    for item in graces:
        groups.setdefault((item.note.onset, item.note.bar.index), []).append(item)
    moved: dict[int, _Timed] = {}
    late: dict[Fraction, float] = {}
    for (onset, _), group in groups.items():
        on_beat = any((g := t.note.note.get(Grace)) and g.on_beat for t in group)
        turns = _turns([t.note.note for t in group])
        count = turns[-1] + 1
        total = _GRACE_S * count
        first = group[0].start_s - (0.0 if on_beat else min(total, group[0].start_s))
        each = (total if on_beat else group[0].start_s - first) / count
        for place, item in zip(turns, group, strict=True):
            moved[item.note.index] = _Timed(item.note, first + place * each, first + (place + 1) * each)
        if on_beat:
            late[onset] = total
    out = []
    for item in timed:
        if item.note.index in moved:
            out.append(moved[item.note.index])
            continue
        shift = min(late.get(item.note.onset, 0.0), 0.5 * (item.end_s - item.start_s))
        out.append(_Timed(item.note, item.start_s + shift, item.end_s))
    return sorted(out, key=lambda t: (t.start_s, t.note.index))


def _turns(graces: Sequence[Note]) -> list[int]:
    """Which of the strokes before a note each of its grace notes belongs to, from 0."""
    found: list[int] = []
    for note in graces:
        grace = note.get(Grace)
        together = grace is not None and grace.together and bool(found)
        found.append((found[-1] if found else -1) + (not together))
    return found


def _string_line(
    stage: Stage, line: list[_Timed], time_map: TimeMap, rng: np.random.Generator
) -> Iterator[Sound]:
    """The strokes of one string, one after another."""
    tab = stage.tab
    current: Sound | None = None
    for place, item in enumerate(line):
        note = item.note.note
        following = line[place + 1] if place + 1 < len(line) else None
        room = following.start_s if following else math.inf
        key = note.sounding_midi(tab.instrument) + stage.lead_semitones
        end = _end_of(stage, item, room, time_map)
        slide = note.get(Slide)
        linked = current is not None and item.start_s - current.end_s < 0.06 and not note.has(Dead)
        if current is not None and linked and slide and slide.kind is SlideKind.LEGATO:
            rise = key - current.key
            if abs(rise) <= BEND_RANGE:
                _glide(current, item.start_s, rise)
                current.end_s = end
                _shape(current, item, end, rise, stage)
                continue
        if current is not None:
            if linked and slide and slide.kind in (SlideKind.SHIFT, SlideKind.LEGATO):
                _glide(current, item.start_s, max(-BEND_RANGE, min(BEND_RANGE, key - current.key)))
            current.end_s = min(current.end_s, item.start_s)
            yield from _repeats(current, line[place - 1], time_map)
        current = Sound(
            note.string, key, item.start_s, end, _velocity(item, linked, rng), _program(tab, item)
        )
        _shape(current, item, end, 0.0, stage)
        if not item.note.note.has(TremoloPicking):
            _spread(current, item)
    if current is not None:
        yield from _repeats(current, line[-1], time_map)


def _end_of(stage: Stage, item: _Timed, room: float, time_map: TimeMap) -> float:
    note = item.note.note
    span = item.end_s - item.start_s
    end = item.end_s
    if note.has(Dead):
        end = item.start_s + min(span, 0.045)
    elif note.has(Staccato):
        end = item.start_s + 0.5 * span
    elif note.has(PalmMute) and stage.tab.instrument.program not in _ELECTRIC:
        end = item.start_s + min(span, max(0.09, 0.5 * span))
    elif note.has(LetRing):
        end = max(end, time_map.seconds_at(item.note.bar.end))
    return max(item.start_s + 0.03, min(end, room))


def _velocity(item: _Timed, linked: bool, rng: np.random.Generator) -> int:
    note = item.note.note
    velocity = float(_VELOCITY[note.dynamic])
    accent = note.get(Accent)
    if accent:
        velocity += 24 if accent.strong else 14
    for kind, share in ((Ghost, 0.5), (Dead, 0.8), (PalmMute, 0.9), (Harmonic, 0.85)):
        if note.has(kind):
            velocity *= share
    if linked and note.has(HammerOn, PullOff, Tap):
        velocity *= 0.8 if note.has(HammerOn, Tap) else 0.72
    velocity += 4 if item.note.beat.denominator == 1 else 0
    return int(np.clip(velocity + rng.integers(-3, 4), 1, 127))


def _program(tab: Tab, item: _Timed) -> int:
    program = tab.instrument.program
    electric = program in _ELECTRIC
    return _MUTED_PROGRAM if electric and item.note.note.has(PalmMute, Dead) else program


def _spread(sound: Sound, item: _Timed) -> None:
    """A chord is not struck all at once: the pick crosses the strings."""
    stroke = item.note.note.get(Stroke)
    if stroke is None:
        return
    rank = 6 - sound.string if stroke.down else sound.string
    delay = 0.008 * max(0, rank)
    if sound.start_s + delay < sound.end_s - 0.03:
        sound.start_s += delay


def _glide(sound: Sound, arrive_s: float, to: float) -> None:
    """Slide from wherever the stroke is to ``to`` semitones, arriving on time."""
    begin = max(sound.start_s + 0.02, arrive_s - _GLIDE_S, 0.5 * (sound.start_s + arrive_s))
    sound.curve = [(t, h) for t, h in sound.curve if t < begin]
    height = sound.height_at(begin)
    sound.curve += _ramp(begin, arrive_s, height, to)


def _ramp(begin: float, end: float, low: float, high: float) -> list[tuple[float, float]]:
    count = max(2, math.ceil((end - begin) / _WHEEL_S))
    return [(begin + (end - begin) * i / count, low + (high - low) * i / count) for i in range(count + 1)]


def _shape(sound: Sound, item: _Timed, end: float, base: float, stage: Stage) -> None:
    """Draw the pitch of one note: slides in and out, bend, vibrato, trill, over ``base``."""
    note = item.note.note
    start, span = item.start_s, max(0.03, end - item.start_s)
    bend, vibrato, trill, slide = note.get(Bend), note.get(Vibrato), note.get(Trill), note.get(Slide)
    kind = slide.kind if slide else None
    if kind in (SlideKind.IN_BELOW, SlideKind.IN_ABOVE):
        begin = base + (-3.0 if kind is SlideKind.IN_BELOW else 3.0)
        sound.curve += _ramp(start, start + min(_GLIDE_S, 0.4 * span), begin, base)
    elif base == 0.0 and not (bend and bend.prebent):
        sound.curve.append((start, 0.0))
    if bend or vibrato or trill:
        written = max(0.03, item.end_s - item.start_s)
        sound.curve += [
            (t, base + h)
            for t, h in _gesture(bend, vibrato, _trill_step(note, trill, stage), start, span, written)
        ]
    if kind in (SlideKind.OUT_DOWN, SlideKind.OUT_UP):
        begin = end - min(0.25, 0.4 * span)
        height = sound.height_at(begin)
        sound.curve = [(t, h) for t, h in sound.curve if t < begin]
        away = -min(7, note.fret or 5) if kind is SlideKind.OUT_DOWN else 7
        sound.curve += _ramp(begin, end, height, max(-BEND_RANGE, min(BEND_RANGE, height + away)))


def _trill_step(note: object, trill: Trill | None, stage: Stage) -> float:
    fret = getattr(note, "fret", 0)
    return float(trill.fret - fret) if trill else 0.0


def _gesture(
    bend: Bend | None, vibrato: Vibrato | None, trill_step: float, start: float, span: float, written: float
) -> Iterator[tuple[float, float]]:
    depth = 0.0 if vibrato is None else 1.0 if vibrato.wide else 1.0 / 3.0
    settle = min(0.18, 0.3 * span)
    count = max(2, math.ceil(span / _WHEEL_S))
    for i in range(count + 1):
        t = span * i / count
        height = bend.semitones_at(min(1.0, t / written)) if bend else 0.0
        if vibrato and t > settle:
            grown = min(1.0, (t - settle) / 0.15)
            height += grown * depth * 0.5 * (1 - math.cos(2 * math.pi * _VIBRATO_HZ * (t - settle)))
        if trill_step and int(t * 12.0) % 2:
            height += trill_step
        yield start + t, height


def _repeats(sound: Sound, item: _Timed, time_map: TimeMap) -> Iterator[Sound]:
    """The stroke itself, or its many strokes when it is tremolo-picked."""
    tremolo = item.note.note.get(TremoloPicking)
    if tremolo is None:
        yield sound
        return
    a_stroke = float(Fraction(1, 2**tremolo.strokes)) * 60.0 / time_map.bpm_at(item.note.onset)
    count = max(1, round((sound.end_s - sound.start_s) / max(0.04, a_stroke)))
    edges = [sound.start_s + (sound.end_s - sound.start_s) * i / count for i in range(count + 1)]
    for place, (begin, end) in enumerate(itertools.pairwise(edges)):
        inside = [(begin, sound.height_at(begin))] + [(t, h) for t, h in sound.curve if begin < t < end]
        softer = 8 if place % 2 else 0
        yield Sound(
            sound.string, sound.key, begin, end, max(1, sound.velocity - softer), sound.program, inside
        )


def play_lead(stage: Stage, time_map: TimeMap, *, seed: int, fine_tune_cents: float = 0.0) -> Events:
    """The tab's notes as events, one or two channels a string."""
    events = Events()
    per_string = 2 if len(stage.tab.instrument.strings) * 2 <= len(_CHANNELS) else 1
    set_up: dict[int, int] = {}
    turn: dict[int, int] = {}
    for sound in strokes(stage, time_map, seed=seed):
        # a string's strokes take turns on its channels: the tail of one is not bent by the next
        turn[sound.string] = (turn.get(sound.string, 0) + 1) % per_string
        channel = _CHANNELS[((sound.string - 1) * per_string + turn[sound.string]) % len(_CHANNELS)]
        if channel not in set_up:
            events.dry(channel)
            events.bend_range(channel)
            events.fine_tune(channel, fine_tune_cents)
        if set_up.get(channel) != sound.program:
            events.program(max(0.0, sound.start_s - 0.001), channel, sound.program)
            set_up[channel] = sound.program
        events.wheel(sound.start_s, channel, sound.height_at(sound.start_s))
        last = None
        for second, height in sound.curve:
            if sound.start_s < second <= sound.end_s and height != last:
                events.wheel(second, channel, height)
                last = height
        events.note(sound.start_s, sound.end_s, channel, max(0, min(127, sound.key)), sound.velocity)
    return events
