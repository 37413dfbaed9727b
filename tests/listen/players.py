"""A player for tests: renders a tab as a take of known timing.

Additive plucked strings (stretched, unevenly decaying partials, a noisy pick), one string
at a time, so that a new note damps the old one; bends, slides, vibrato, slurs, mutes, dead
notes and harmonics as the tab says. Independent of the project's own synthesis, and seeded.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import scipy.signal

from pipeline.music.tab import SoundingNote, Tab
from pipeline.music.technique import (
    Bend,
    Dead,
    Ghost,
    Grace,
    HammerOn,
    LetRing,
    PalmMute,
    PullOff,
    Slide,
    SlideKind,
    Vibrato,
)
from pipeline.music.timemap import TimeMap

RATE = 44100


@dataclass(frozen=True)
class Take:
    """A rendered take and the truth about it.

    audio : mono, at ``rate``
    onsets : seconds of every note of ``tab.sounding``
    time_map : played quarters -> seconds, before human jitter
    """

    audio: np.ndarray
    rate: int
    onsets: np.ndarray
    time_map: TimeMap


def drifting(tab: Tab, *, tempo: float = 1.0, drift: float = 0.0, start_s: float = 0.5,
             period: float = 24.0, seed: int = 0) -> TimeMap:  # fmt: skip
    """``tempo`` times the tab's tempo, swelling by +-``drift`` over ``period`` quarters."""
    phase = np.random.default_rng(seed).uniform(0, 2 * np.pi)
    length = float(tab.form.played.length)
    quarters = np.arange(0.0, length + 0.5, 0.25)
    bpm = tab.tempo_bpm * tempo * (1.0 + drift * np.sin(2 * np.pi * quarters / period + phase))
    seconds = start_s + np.concatenate([[0.0], np.cumsum(0.25 * 60.0 / bpm[:-1])])
    return TimeMap(tuple(quarters), tuple(seconds))


_HELD_QUARTERS = 1e-4  # a pause lies in so much score before its note


def paused(time_map: TimeMap, pauses: dict[float, float]) -> TimeMap:
    """The same playing, with a held breath of so many seconds right before these quarters."""
    quarters = sorted({*time_map.quarters, *pauses, *(q - _HELD_QUARTERS for q in pauses)})
    seconds = time_map.to_seconds(quarters)
    held = [sum(s for at, s in pauses.items() if q >= at) for q in quarters]
    return TimeMap(tuple(quarters), tuple(seconds + held))


def _pitch_curve(item: SoundingNote, midi: float, before: float | None, t: np.ndarray, length: float,
                 rng: np.random.Generator) -> np.ndarray:  # fmt: skip
    note = item.note
    curve = np.full(len(t), midi)
    if (bend := note.get(Bend)) is not None:
        share = np.clip(t / length, 0, 1)
        xs = [float(x) for x, _ in bend.points]
        ys = [float(y) for _, y in bend.points]
        curve = curve + np.interp(share, xs, ys)
    if (slide := note.get(Slide)) is not None:
        if slide.kind in (SlideKind.LEGATO, SlideKind.SHIFT) and before is not None:
            curve = curve + np.interp(t, [0.0, 0.02], [0.4 * np.sign(before - midi), 0.0])
        elif slide.kind in (SlideKind.IN_BELOW, SlideKind.IN_ABOVE):
            sign = -1 if slide.kind is SlideKind.IN_BELOW else 1
            curve = curve + np.interp(t, [0.0, 0.06], [sign * 2.0, 0.0])
        elif slide.kind in (SlideKind.OUT_DOWN, SlideKind.OUT_UP):
            sign = -1 if slide.kind is SlideKind.OUT_DOWN else 1
            curve = curve + sign * np.interp(t, [0.7 * length, length], [0.0, 5.0])
    if (vibrato := note.get(Vibrato)) is not None:
        width = 0.5 if vibrato.wide else 0.2
        rate = rng.uniform(5.0, 6.0)
        curve = curve + width * np.clip((t - 0.12) / 0.15, 0, 1) * np.sin(2 * np.pi * rate * (t - 0.12))
    return curve


def render(tab: Tab, time_map: TimeMap, *, jitter_ms: float = 6.0, cents: float = 0.0, noise_db: float = -60.0,
           reverb: float = 0.0, level: float = 0.5, drive: float = 0.0, tail_s: float = 1.0, seed: int = 1,
           skip: frozenset[int] = frozenset(), wrong: dict[int, int] | None = None,
           strum_ms: float = 0.0, rings: bool = True) -> Take:  # fmt: skip
    """Play the tab.

    skip : indices of notes left out; wrong : index -> semitones off
    rings : a note before a pause of :func:`paused` rings on through it; False: silence
    """
    from pipeline.listen.score import swung_quarters

    rng = np.random.default_rng(seed)
    sounding = tab.sounding
    starts = time_map.to_seconds(swung_quarters(tab, [n.onset for n in sounding]))
    released = swung_quarters(tab, [n.end for n in sounding])
    ends = time_map.to_seconds(released if rings else released - 1.01 * _HELD_QUARTERS)
    by_onset: dict[Fraction, float] = {}
    for item in sounding:
        by_onset.setdefault(item.onset, float(np.clip(rng.normal(0, jitter_ms / 1e3), -0.03, 0.03)))
    onsets = np.array([max(0.0, s + by_onset[n.onset]) for s, n in zip(starts, sounding, strict=True)])
    for place, item in enumerate(sounding):
        grace = item.note.get(Grace)
        if grace is not None:
            onsets[place] -= 0.0 if grace.on_beat else 0.07
        onsets[place] += strum_ms / 1e3 * (len(tab.instrument.strings) - item.note.string) / 5.0
    total = int((max(ends.max(), onsets.max()) + tail_s) * RATE)
    out = np.zeros(total + RATE)
    strings: dict[int, list[int]] = {}
    for place, item in enumerate(sounding):
        if place not in skip:
            strings.setdefault(item.note.string, []).append(place)
    for places in strings.values():
        places.sort(key=lambda p: onsets[p])
        for order, place in enumerate(places):
            item = sounding[place]
            note = item.note
            start = onsets[place]
            follow = onsets[places[order + 1]] if order + 1 < len(places) else np.inf
            nominal_end = ends[place] + (3.0 if note.has(LetRing) else 0.0)
            length = max(0.04, min(follow, nominal_end) - start)
            out_start = int(start * RATE)
            n = int((length + 0.05) * RATE)
            t = np.arange(n) / RATE
            slurred = note.has(HammerOn, PullOff) or (
                (s := note.get(Slide)) is not None and s.kind is SlideKind.LEGATO
            )
            midi = note.sounding_midi(tab.instrument) + cents / 100.0 + (wrong or {}).get(place, 0)
            before = None
            if order:
                before = sounding[places[order - 1]].note.sounding_midi(tab.instrument) + cents / 100.0
            gain = 0.3 if note.has(Ghost) else 1.0
            gain *= rng.uniform(0.75, 1.15)
            release = np.clip((length + 0.02 - t) / 0.025, 0, 1)
            if note.has(Dead):
                wave = rng.normal(size=n) * np.exp(-t / 0.012) * 0.5
            else:
                curve = _pitch_curve(item, midi, before, t, max(length, 1e-3), rng)
                hz = 440.0 * 2 ** ((curve - 69.0) / 12.0)
                phase = 2 * np.pi * np.cumsum(hz) / RATE
                wave = np.zeros(n)
                pluck = 0.13 + 0.05 * rng.random()
                for h in range(1, 25):
                    stretch = np.sqrt(1 + 6e-5 * h * h)
                    if hz.max() * h * stretch > 9000:
                        break
                    amplitude = abs(np.sin(np.pi * h * pluck)) / h
                    amplitude *= 0.6 ** (h - 1) if slurred and h > 1 else 1.0
                    life = (0.09 if note.has(PalmMute) else 1.8) / (1 + 0.12 * h)
                    attack = 1 - np.exp(-t / (0.004 if slurred else 0.0012))
                    wave += amplitude * np.exp(-t / life) * attack * np.sin(phase * h * stretch)
                if not slurred:
                    pick = rng.normal(size=n) * np.exp(-t / 0.004) * 0.12
                    b, a = scipy.signal.butter(1, [900 / (RATE / 2), 6000 / (RATE / 2)], "band")
                    wave = wave + scipy.signal.lfilter(b, a, pick)
                else:
                    gain *= 0.6
            out[out_start : out_start + n] += (
                gain * wave[: len(out) - out_start] * release[: len(out) - out_start]
            )
    if drive:
        out = np.tanh(out / np.abs(out).max() * (1 + 20 * drive))
    if reverb:
        tail = int(1.2 * RATE)
        impulse = rng.normal(size=tail) * np.exp(-np.arange(tail) / (0.25 * RATE))
        impulse[: int(0.008 * RATE)] = 0
        wet = scipy.signal.fftconvolve(out, impulse / np.sqrt((impulse**2).sum()))[: len(out)]
        out = out + reverb * wet
    out *= level / max(1e-9, np.abs(out).max())
    out += rng.normal(size=len(out)) * 10 ** (noise_db / 20.0)
    return Take(out.astype(np.float32), RATE, onsets, time_map)


def speech_like(seconds: float, *, seed: int = 3, level: float = 0.3) -> np.ndarray:
    """Talk, as far as a spectrum knows it: gliding voiced syllables, hiss, pauses."""
    rng = np.random.default_rng(seed)
    out = np.zeros(int(seconds * RATE))
    now = 0.1
    while now < seconds - 0.4:
        length = rng.uniform(0.1, 0.3)
        n = int(length * RATE)
        t = np.arange(n) / RATE
        f0 = rng.uniform(95, 150) * (1 + rng.uniform(-0.2, 0.2) * t / length)
        phase = 2 * np.pi * np.cumsum(f0) / RATE
        formants = rng.uniform([300, 900, 2200], [800, 2000, 3000])
        wave = sum(
            np.sin(h * phase) * sum(np.exp(-(((h * f0.mean() - f) / 150) ** 2)) for f in formants)
            for h in range(1, 30)
        )
        wave = wave + 0.1 * rng.normal(size=n)
        wave = wave * np.hanning(n)
        start = int(now * RATE)
        out[start : start + n] += wave / np.abs(wave).max()
        now += length + (rng.uniform(0.2, 0.6) if rng.random() < 0.25 else rng.uniform(0.0, 0.05))
    return (level * out).astype(np.float32)


def clicks(count: int, bpm: float, *, level: float = 0.4) -> np.ndarray:
    """A count-in: short wood-like clicks, one a beat, the last one a beat before the end."""
    beat = int(RATE * 60 / bpm)
    t = np.arange(int(0.04 * RATE)) / RATE
    click = np.sin(2 * np.pi * 1800 * t) * np.exp(-t / 0.008)
    out = np.zeros(count * beat)
    for i in range(count):
        out[i * beat : i * beat + len(click)] += click
    return (level * out).astype(np.float32)


def after(lead: np.ndarray, take: Take) -> Take:
    """The take with something before it."""
    seconds = len(lead) / RATE
    audio = np.concatenate([lead.astype(np.float32), take.audio])
    return Take(audio, take.rate, take.onsets + seconds, take.time_map.shifted(seconds))
