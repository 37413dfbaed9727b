"""The script behind the recordings: it would write today what lies there, and what it plays is in tune."""

from __future__ import annotations

import importlib
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from pipeline.music.pitch import midi_to_hz
from pipeline.music.tab import Tab
from pipeline.music.technique import Bend, Dead, LetRing
from tests.demo.test_demo_week import ASSETS, LESSONS, lesson, truth


@pytest.fixture
def takes(monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    monkeypatch.syspath_prepend(str(ASSETS))
    return importlib.import_module("make_takes")


@pytest.mark.parametrize("name", LESSONS)
def test_recordings_are_those_of_the_present_tab(takes: ModuleType, tmp_path: Path, name: str) -> None:
    """A tab changed without recording it again would leave a truth that is none."""
    playing = importlib.import_module("playing")
    take, tab = takes.TAKES[name], lesson(name).tab
    build = importlib.import_module("plucked").BUILDS[tab.instrument.name]
    time_map = playing.free_map(tab, depth=take.sway, start_s=take.lead_in_s)
    rng = takes.seed_of(name, "take")
    strokes = playing.strokes_of(tab, time_map, build, jitter_s=take.jitter_s, rng=rng)
    takes.write_truth(tmp_path / "truth.csv", strokes)
    assert (tmp_path / "truth.csv").read_bytes() == (ASSETS / name / "truth.csv").read_bytes()


def _spectrum(sound: np.ndarray, rate: int) -> tuple[np.ndarray, np.ndarray]:
    size = 1 << 18
    return np.abs(np.fft.rfft(sound * np.hanning(len(sound)), size)), np.fft.rfftfreq(size, 1 / rate)


def _cents_off(sound: np.ndarray, rate: int, hertz: float) -> float:
    """Cents between the strongest partial near the first two of a pitch and where it belongs (ISO 16)."""
    level, bins = _spectrum(sound, rate)
    best = (0.0, 0.0)
    for partial in (1, 2):
        near = np.abs(1200 * np.log2(np.maximum(bins, 1e-6) / (partial * hertz))) < 80
        peak = int(np.argmax(np.where(near, level, 0)))
        best = max(best, (float(level[peak]), 1200 * np.log2(bins[peak] / (partial * hertz))))
    return best[1]


def _decoded(name: str) -> tuple[np.ndarray, int, Tab]:
    from pipeline.read.media import decode_audio

    read = lesson(name)
    assert read.config.take is not None
    audio, rate = decode_audio(read.config.take, mono=True)
    return audio, rate, read.tab


@pytest.mark.slow
@pytest.mark.parametrize("name", LESSONS)
def test_what_is_heard_is_what_the_tab_says(name: str) -> None:
    """In the encoded file, from the true onset on, plain notes lie within 10 cents of equal temperament."""
    audio, rate, tab = _decoded(name)
    off = []
    for note, (_, _, second) in zip(tab.sounding, truth(name), strict=True):
        plain = all(isinstance(mark, LetRing) for mark in note.note.techniques)
        if not plain or float(note.duration) * 60 / tab.tempo_bpm < 0.3:
            continue
        part = audio[int((second + 0.05) * rate) : int((second + 0.3) * rate)]
        off.append(_cents_off(part, rate, midi_to_hz(note.note.pitch.midi)))
    assert len(off) >= 15
    assert abs(np.median(off)) < 3
    assert np.percentile(np.abs(off), 90) < 10


@pytest.mark.slow
def test_a_full_bend_arrives_two_semitones_up() -> None:
    audio, rate, tab = _decoded("breakwater_lamp")
    checked = 0
    for note, (_, _, second) in zip(tab.sounding, truth("breakwater_lamp"), strict=True):
        bend = note.note.get(Bend)
        if bend is None or bend.released:
            continue
        length = float(note.duration) * 60 / tab.tempo_bpm
        part = audio[int((second + 0.5 * length) * rate) : int((second + 0.95 * length) * rate)]
        assert abs(_cents_off(part, rate, midi_to_hz(note.note.pitch.midi + float(bend.peak)))) < 25
        checked += 1
    assert checked >= 3


@pytest.mark.slow
def test_dead_notes_die_at_once() -> None:
    """A dead note has lost 12 dB of its stroke after an eighth of a second (or the next note has come)."""
    audio, rate, tab = _decoded("net_menders")
    rows = truth("net_menders")
    drops = []
    for i, note in enumerate(tab.sounding[:-1]):
        gap = rows[i + 1][2] - rows[i][2]
        if note.note.has(Dead) and gap > 0.15:
            start = int(rows[i][2] * rate)
            early, late = audio[start : start + rate // 25], audio[start + rate // 10 : start + rate // 7]
            drops.append(20 * np.log10(np.sqrt(np.mean(early**2)) / (np.sqrt(np.mean(late**2)) + 1e-9)))
    assert len(drops) >= 10
    assert np.median(drops) > 12
