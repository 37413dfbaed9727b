from __future__ import annotations

import numpy as np
import pytest

from pipeline.errors import MissingError, MisuseError
from pipeline.music.pitch import midi_to_hz
from pipeline.sound import synth
from pipeline.sound.events import Events
from pipeline.sound.synth import Synthesizer, find_synthesizer, packaged_bank, render
from tests.debian import needs

RATE = 48_000
HERE = find_synthesizer()
WITH_FLUIDSYNTH = needs(HERE.player == "FluidSynth", "libfluidsynth3 or fluid-soundfont-gm")


def players() -> list[object]:
    return [
        pytest.param(HERE, id="FluidSynth", marks=WITH_FLUIDSYNTH),
        pytest.param(Synthesizer("midirenderer", packaged_bank()), id="midirenderer"),
    ]


@WITH_FLUIDSYNTH
def test_the_better_player_is_taken_where_it_is() -> None:
    assert HERE.player == "FluidSynth"


def scale() -> bytes:
    events = Events()
    events.dry(0)
    events.program(0.0, 0, 27)
    events.bend_range(0)
    events.note(0.5, 1.5, 0, 69, 100)
    events.wheel(2.0, 0, 7.0)
    events.note(2.0, 3.0, 0, 69, 100)
    return events.to_midi()


def pitch(audio: np.ndarray, at_s: float, near_hz: float) -> float:
    """The partial within a semitone of ``near_hz``, which must be one that counts."""
    frame = audio[round(at_s * RATE) :][:16384].mean(axis=1) * np.hanning(16384)
    spectrum = np.abs(np.fft.rfft(frame, 8 * 16384))
    step = RATE / (8 * 16384)
    low, high = int(near_hz / 1.06 / step), int(near_hz * 1.06 / step)
    peak = low + int(np.argmax(spectrum[low:high]))
    assert spectrum[peak] > 0.1 * spectrum.max()
    assert spectrum[int(40 / step) : int(near_hz * 0.8 / step)].max() < 0.1 * spectrum.max(), (
        "something sounds lower"
    )
    return float(peak * step)


@pytest.mark.parametrize("player", players())
def test_notes_and_wheel_sound_where_and_as_high_as_asked(player: Synthesizer) -> None:
    audio = render(scale(), soundfont=player, rate=RATE)
    assert audio.dtype == np.float32 and audio.ndim == 2 and audio.shape[1] == 2
    loud = np.abs(audio).max(axis=1)
    assert loud[: round(0.49 * RATE)].max() < 1e-4
    first = int(np.argmax(loud > 0.1 * loud.max())) / RATE
    assert 0.5 <= first < 0.52
    assert pitch(audio, 0.8, 440.0) == pytest.approx(440.0, rel=0.004)
    assert pitch(audio, 2.3, midi_to_hz(76)) == pytest.approx(
        midi_to_hz(76), rel=0.006
    )  # the bank itself is up to ten cents off


@pytest.mark.parametrize("player", players())
def test_the_same_bytes_give_the_same_samples_and_any_length_asked(player: Synthesizer) -> None:
    one, two = (render(scale(), soundfont=player, rate=RATE, seconds=4.0) for _ in range(2))
    assert one.shape == (4 * RATE, 2) and np.array_equal(one, two)


@pytest.mark.parametrize("player", players())
def test_other_rates(player: Synthesizer) -> None:
    audio = render(scale(), soundfont=player, rate=44_100, seconds=4.0)
    assert audio.shape == (4 * 44_100, 2)
    assert int(np.argmax(np.abs(audio).max(axis=1) > 0.01)) / 44_100 == pytest.approx(0.505, abs=0.02)


def test_the_environment_can_ask_for_the_packaged_one(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LESSONWRIGHT_SYNTH", "pip")
    assert find_synthesizer().player == "midirenderer"
    monkeypatch.setenv("LESSONWRIGHT_SYNTH", "organ")
    with pytest.raises(MisuseError, match="pip or fluidsynth, got 'organ'"):
        find_synthesizer()


def test_without_fluidsynth_the_fallback_is_announced(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("LESSONWRIGHT_SYNTH", raising=False)
    monkeypatch.setattr(synth, "_fluid", lambda: None)
    found = find_synthesizer()
    assert found.player == "midirenderer" and "built-in bank" in found.note
    monkeypatch.setenv("LESSONWRIGHT_SYNTH", "fluidsynth")
    with pytest.raises(MissingError, match="apt install"):
        find_synthesizer()


def test_fine_tuning_reaches_the_sound() -> None:
    events = Events()
    events.dry(0)
    events.program(0.0, 0, 27)
    events.fine_tune(0, -31.8)  # A4 = 432 Hz
    events.note(0.0, 1.5, 0, 69, 100)
    assert pitch(render(events.to_midi(), rate=RATE), 0.3, 432.0) == pytest.approx(432.0, rel=0.004)


def test_the_envelope_file_is_a_standard_midi_file_at_one_tick_a_sample() -> None:
    """SMF 1.0: MThd, length 6, format 0, one track, 24 000 ticks a quarter; 120 quarters a minute."""
    data = scale()
    assert data[:14] == b"MThd" + bytes([0, 0, 0, 6, 0, 0, 0, 1]) + (24_000).to_bytes(2, "big")
    assert bytes([0xFF, 0x51, 0x03, 0x07, 0xA1, 0x20]) in data
    # MIDI 1.0, RPN 0,0: CC 101 = 0, CC 100 = 0, CC 6 = 12 semitones
    for control, value in ((101, 0), (100, 0), (6, 12)):
        assert bytes([0xB0, control, value]) in data or bytes([control, value]) in data
