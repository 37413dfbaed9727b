"""From a tab to what hands do: when each note is struck, how the strings are held, and the sound of it.

Conventions
-----------
``seconds`` count from the start of the recording. A performance keeps the moment at which
each note of ``Tab.sounding`` really starts: the truth that an alignment is measured against.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import plucked
from plucked import RATE, Build, Floats

from pipeline.music.tab import SoundingNote, Tab
from pipeline.music.technique import (
    Accent,
    Bend,
    Dead,
    Ghost,
    HammerOn,
    Harmonic,
    LetRing,
    PalmMute,
    PullOff,
    Slide,
    SlideKind,
    Vibrato,
)
from pipeline.music.timemap import TimeMap, swung

GLIDE_S = 0.075
LEGATO = (SlideKind.LEGATO, SlideKind.SHIFT)


@dataclass(frozen=True)
class Stroke:
    """A note with the moments at which it is struck and let go."""

    sounding: SoundingNote
    start_s: float
    end_s: float


def free_map(tab: Tab, *, depth: float, start_s: float, pace: float = 1.0) -> TimeMap:
    """The tempo as it breathes: within ``depth`` of the written one, slower into the ends of phrases."""
    length = float(tab.form.played.length)
    ends = [float(end) for phrase in tab.phrases for _, end in tab.phrase_spans(phrase)] or [length]
    points, now = [(0.0, start_s)], start_s
    steps = int(np.ceil(length * 2))
    for i in range(steps):
        q = i / 2
        wave = 0.55 * np.sin(2 * np.pi * q / 13.0) + 0.3 * np.sin(2 * np.pi * q / 29.0 + 1.0)
        near = min((end - q for end in ends if end > q), default=9.0)
        sway = np.clip(wave - (0.7 * (1 - near / 2.5) if near < 2.5 else 0.0), -1, 1)
        now += 0.5 * 60.0 / (tab.tempo_bpm * pace * (1 + depth * sway))
        points.append((q + 0.5, now))
    return TimeMap.from_points(points)


def strokes_of(
    tab: Tab, time_map: TimeMap, build: Build, *, jitter_s: float, rng: np.random.Generator
) -> tuple[Stroke, ...]:
    """When each note of ``tab.sounding`` starts and ends; notes struck together share their lateness."""
    notes = tab.sounding
    starts = time_map.to_seconds(swung([float(n.onset) for n in notes], tab.swing))
    ends = time_map.to_seconds(swung([float(n.end) for n in notes], tab.swing))
    bar_ends = time_map.to_seconds([float(n.bar.end) for n in notes])
    late: dict[Fraction, float] = {}
    struck: dict[Fraction, list[int]] = {}
    for note in notes:
        if note.onset not in late:
            weak = 0.004 if note.beat.denominator != 1 else 0.0
            late[note.onset] = float(np.clip(rng.normal(weak, jitter_s), -2.2 * jitter_s, 2.2 * jitter_s))
        struck.setdefault(note.onset, []).append(note.note.string)
    # two notes are pinched nearly at once, more are rolled from the lowest string on
    roll = {
        onset: build.roll_s * rng.uniform(0.6, 1.3) * (0.4 if len(strings) == 2 else 1.0)
        for onset, strings in struck.items()
    }
    made = []
    for i, note in enumerate(notes):
        place = sum(string > note.note.string for string in struck[note.onset])
        start = starts[i] + late[note.onset] + roll[note.onset] * place
        end = bar_ends[i] + 0.05 if note.note.has(LetRing) else ends[i] + 0.012
        if note.note.has(Harmonic):
            end += 1.5
        made.append(Stroke(note, float(start), float(max(end, start + 0.06))))
    return tuple(made)


def _ramp(track: Floats, start_s: float, end_s: float, values: Callable[[Floats], Floats]) -> None:
    a, b = max(0, int(start_s * RATE)), min(len(track), int(end_s * RATE))
    if b > a:
        track[a:b] = values(np.linspace(0.0, 1.0, b - a, endpoint=False))


class _String:
    """One string through the take: its pitch, its losses and what is struck into it."""

    def __init__(self, count: int, open_midi: int, build: Build, rng: np.random.Generator) -> None:
        self.count, self.build, self.rng = count, build, rng
        self.midi = np.full(count, float(open_midi))
        self.t60 = np.full(count, 0.12)  # hands lie on silent strings
        self.loss = np.full(count, build.loss)
        self.excitation = np.zeros(count)
        self.open_midi = open_midi

    def _put(self, moment_s: float, sound: Floats, level: float) -> None:
        a = int(moment_s * RATE)
        b = min(self.count, a + len(sound))
        if 0 <= a < b:
            self.excitation[a:b] += level * sound[: b - a]

    def _strike(
        self, moment_s: float, midi: float, level: float, *, soft: float = 1.0, noise: float = 0.0
    ) -> None:
        build = self.build
        period = RATE / (440.0 * 2 ** ((midi - 69) / 12))
        sound = plucked.pluck(
            period,
            at=build.pluck_at * self.rng.uniform(0.9, 1.1),
            contact_hz=build.contact_hz * soft,
            noise=build.contact_noise + noise,
            rng=self.rng,
        )
        self._put(moment_s, sound, level)

    def play(self, stroke: Stroke, before: Stroke | None, after: Stroke | None, tab: Tab) -> None:
        """Write one note into the tracks."""
        note, start = stroke.sounding.note, stroke.start_s
        slide = note.get(Slide)
        base = float(note.sounding_midi(tab.instrument))
        next_slide = after.sounding.note.get(Slide) if after else None
        joined = after is not None and (
            after.sounding.note.has(HammerOn, PullOff)
            or (next_slide is not None and next_slide.kind in LEGATO)
        )
        end = after.start_s if after and (joined or after.start_s < stroke.end_s) else stroke.end_s
        a, b = int(start * RATE), min(self.count, int(end * RATE))
        self.midi[a:] = base
        self.loss[a:b] = self.build.loss
        pitch_factor = 2 ** (-(base - self.open_midi) / 22.0)
        self.t60[a:b] = self.build.t60_s * pitch_factor * 2 ** (-(self.open_midi - 40) / 40.0)
        self.t60[b:] = 0.09
        self._bend(note.get(Bend), base, start, end)
        self._shake(note.get(Vibrato), start, end)
        self._slide(slide, before, base, start, end)
        beat = stroke.sounding.beat
        level = (1.0 if beat == 1 else 0.9 if beat.denominator == 1 else 0.8) * self.rng.uniform(0.9, 1.08)
        level *= 0.4 if note.has(Ghost) else 1.25 if note.has(Accent) else 1.0
        if note.has(HammerOn):
            self._strike(start, base, 0.4 * level, soft=0.7, noise=0.1)
        elif note.has(PullOff):
            self._strike(start, base, 0.55 * level, soft=0.6)
        elif slide is not None and slide.kind is SlideKind.LEGATO:
            self._strike(start, base, 0.22 * level, soft=0.5, noise=0.5)
        else:
            self._silence_before(start)
            if note.has(Dead):
                self.t60[a:b] = 0.035
                self.loss[a:b] = 0.45
                self._strike(start, base, 1.3 * level, noise=1.2)
            else:
                if note.has(PalmMute):
                    self.t60[a:b] = np.minimum(self.t60[a:b], 0.28)
                    self.loss[a:b] = 0.42
                self._strike(start, base, level, soft=0.5 if note.has(Harmonic) else 1.0)

    def _silence_before(self, start_s: float) -> None:
        """Pick or finger touches the string shortly before it leaves it."""
        a = int((start_s - 0.014) * RATE)
        self.t60[max(0, a) : int(start_s * RATE)] = 0.03

    def _bend(self, bend: Bend | None, base: float, start: float, end: float) -> None:
        if bend is None:
            return
        times, heights = (np.array([float(p[i]) for p in bend.points]) for i in (0, 1))
        curve = lambda x: base + np.interp(x, times, heights)  # noqa: E731
        _ramp(self.midi, start, end, curve)
        self.midi[int(end * RATE) :] = base + heights[-1]

    def _shake(self, vibrato: Vibrato | None, start: float, end: float) -> None:
        if vibrato is None:
            return
        depth = 0.9 if vibrato.wide else 0.35
        begin = start + min(0.22, 0.3 * (end - start))
        a, b = max(0, int(begin * RATE)), min(self.count, int(end * RATE))
        time = np.arange(max(0, b - a)) / RATE
        rate = self.build.vibrato_hz * self.rng.uniform(0.93, 1.07)
        # a finger pushes the string sideways, so the pitch only rises
        self.midi[a:b] += depth * (1 - np.cos(2 * np.pi * rate * time)) / 2 * np.clip(time / 0.15, 0, 1)

    def _slide(
        self, slide: Slide | None, before: Stroke | None, base: float, start: float, end: float
    ) -> None:
        if slide is None:
            return
        if slide.kind in LEGATO and before is not None:
            origin = float(before.sounding.note.pitch.midi)
            _ramp(self.midi, start - GLIDE_S, start, lambda x: origin + np.round((base - origin) * x))
        elif slide.kind in (SlideKind.IN_BELOW, SlideKind.IN_ABOVE):
            way = -3.0 if slide.kind is SlideKind.IN_BELOW else 3.0
            _ramp(self.midi, start, start + 0.1, lambda x: base + np.round(way * (1 - x)))
        else:
            way = -5.0 if slide.kind is SlideKind.OUT_DOWN else 5.0
            begin = start + 0.6 * (end - start)
            _ramp(self.midi, begin, end, lambda x: base + np.round(way * x))
            self.t60[int(begin * RATE) : int(end * RATE)] *= 0.3

    def sound(self) -> Floats:
        # frets and fingers change the pitch in some milliseconds, not between two samples
        window = np.hanning(int(0.006 * RATE))
        midi = np.convolve(np.pad(self.midi, len(window), mode="edge"), window / window.sum(), mode="same")
        period = RATE / (440.0 * 2 ** ((midi[len(window) : -len(window)] - 69) / 12))
        gain = 10 ** (-3 * period / (RATE * self.t60))
        out = plucked.run_string(self.excitation, period, gain, self.loss)
        # what runs in the line is the slope's change; pickup and bridge answer to the slope,
        # whose partials fall as 1/n (an ideal string plucked: any textbook of acoustics)
        open_hz = 440.0 * 2 ** ((self.open_midi - 69) / 12)
        out = plucked.tilted(out, 1.5 * open_hz)
        if self.build.pickup_at is not None:
            gap = max(1, int(self.build.pickup_at * RATE / open_hz))
            out = out - 0.6 * np.concatenate([np.zeros(gap), out[:-gap]])
        return np.asarray(out)


def sound_of(
    tab: Tab, strokes: tuple[Stroke, ...], build: Build, *, seconds: float, mutes_s: tuple[float, ...] = (),
    rng: np.random.Generator,
) -> Floats:  # fmt: skip
    """(n,) the bare instrument; ``mutes_s`` are moments at which all strings are brushed muted."""
    count = int(seconds * RATE)
    total = np.zeros(count)
    for number in range(1, len(tab.instrument.strings) + 1):
        string = _String(count, tab.instrument.open_midi(number), build, rng)
        mine = sorted((s for s in strokes if s.sounding.note.string == number), key=lambda s: s.start_s)
        for i, stroke in enumerate(mine):
            before, after = mine[i - 1] if i else None, mine[i + 1] if i + 1 < len(mine) else None
            string.play(stroke, before, after, tab)
        for moment in mutes_s:
            late = build.roll_s * (len(tab.instrument.strings) - number)
            a = int((moment + late) * RATE)
            string.t60[a : a + int(0.2 * RATE)] = 0.03
            string._strike(moment + late, tab.instrument.open_midi(number) + 5, 0.5, noise=1.0)
        total += string.sound()
    # what the fingers do besides: a whisper along wound strings at each change of place
    hand = None
    for stroke in sorted(strokes, key=lambda s: s.start_s):
        fret = stroke.sounding.note.fret
        if fret and hand is not None and abs(fret - hand) >= 4:
            hiss = rng.standard_normal(int(0.09 * RATE)) * np.hanning(int(0.09 * RATE))
            a = int((stroke.start_s - 0.11) * RATE)
            if 0 <= a < count - len(hiss):
                total[a : a + len(hiss)] += 0.012 * np.diff(hiss, prepend=0.0)
        hand = fret or hand
    return total
