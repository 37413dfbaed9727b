"""A second player for tests: sampled instruments of a General MIDI bank, through MIDI.

So that what listens is not tuned to the additive player's own sound. One MIDI channel a
string; bends and vibrato as pitch bend, range two semitones (MIDI 1.0 default).
"""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pretty_midi
import soundfile
import soxr
from midirenderer import midirenderer

from pipeline.listen.score import swung_quarters
from pipeline.music.tab import Tab
from pipeline.music.technique import Bend, Dead, Ghost, HammerOn, LetRing, PalmMute, PullOff, Vibrato
from pipeline.music.timemap import TimeMap
from tests.listen.players import RATE, Take

BANK = Path(pretty_midi.__file__).parent / "TimGM6mb.sf2"


def midi_of(
    tab: Tab, time_map: TimeMap, *, program: int, jitter_ms: float, seed: int
) -> tuple[bytes, np.ndarray]:
    """(standard MIDI file, onset seconds of every note)."""
    rng = np.random.default_rng(seed)
    sounding = tab.sounding
    starts = time_map.to_seconds(swung_quarters(tab, [n.onset for n in sounding]))
    ends = time_map.to_seconds(swung_quarters(tab, [n.end for n in sounding]))
    shift = {n.onset: float(np.clip(rng.normal(0, jitter_ms / 1e3), -0.03, 0.03)) for n in sounding}
    file = pretty_midi.PrettyMIDI(resolution=960, initial_tempo=120)
    players = [pretty_midi.Instrument(program) for _ in tab.instrument.strings]
    onsets = np.array([s + shift[n.onset] for s, n in zip(starts, sounding, strict=True)])
    for place, item in enumerate(sounding):
        note, start = item.note, float(onsets[place])
        end = float(ends[place]) + (3.0 if note.has(LetRing) else 0.0)
        later = [onsets[p] for p in range(place + 1, len(sounding)) if sounding[p].note.string == note.string]
        end = max(start + 0.03, min([end, *(float(t) - 0.002 for t in later)]))
        if note.has(PalmMute, Dead):
            end = min(end, start + (0.03 if note.has(Dead) else 0.12))
        velocity = (
            45 if note.has(Ghost) else 75 if note.has(HammerOn, PullOff) else int(rng.integers(85, 115))
        )
        player = players[note.string - 1]
        player.notes.append(
            pretty_midi.Note(velocity, min(127, note.sounding_midi(tab.instrument)), start, end)
        )
        player.pitch_bends.append(pretty_midi.PitchBend(0, max(0.0, start - 0.001)))
        for t in np.arange(start, end, 0.01):
            height = 0.0
            if (bend := note.get(Bend)) is not None:
                height = bend.semitones_at((t - start) / (end - start))
            if (vibrato := note.get(Vibrato)) is not None and t > start + 0.15:
                height += (0.5 if vibrato.wide else 0.2) * np.sin(2 * np.pi * 5.5 * (t - start - 0.15))
            if height:
                player.pitch_bends.append(
                    pretty_midi.PitchBend(int(np.clip(8192 * height / 2, -8192, 8191)), t)
                )
    file.instruments.extend(player for player in players if player.notes)
    out = io.BytesIO()
    file.write(out)
    return out.getvalue(), onsets


def render(tab: Tab, time_map: TimeMap, *, program: int = 27, jitter_ms: float = 6.0, seed: int = 1,
           noise_db: float = -60.0) -> Take:  # fmt: skip
    data, onsets = midi_of(tab, time_map, program=program, jitter_ms=jitter_ms, seed=seed)
    wave = bytes(midirenderer.render_wave_from(BANK.read_bytes(), data))
    audio, rate = soundfile.read(io.BytesIO(wave), dtype="float32")
    mono = audio.mean(axis=1) if audio.ndim == 2 else audio
    mono = soxr.resample(mono, rate, RATE)
    mono = 0.5 * mono / max(1e-9, float(np.abs(mono).max()))
    mono = mono + np.random.default_rng(seed).normal(size=len(mono)) * 10 ** (noise_db / 20)
    return Take(mono.astype(np.float32), RATE, onsets, time_map)
