"""Our loudness against the published signals, and against other programs' meters."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import numpy as np
import pytest

from pipeline.sound.files import write_wav
from pipeline.sound.groove import DRUM_KEYS
from pipeline.sound.loudness import measure, true_peak_dbtp
from pipeline.sound.master import gated_lufs, k_power, limit, master

RATE = 48_000


def tone(steps: list[tuple[float, float]], hz: float = 1000.0, rate: int = RATE) -> np.ndarray:
    """A stereo sine whose peak level steps through (dBFS, seconds), phase running on."""
    gains = np.concatenate([np.full(round(s * rate), 10 ** (db / 20)) for db, s in steps])
    wave = gains * np.sin(2 * np.pi * hz / rate * np.arange(len(gains)))
    return np.stack([wave, wave], axis=1)


# EBU Tech 3341 (v4, 2023), Table 1, cases 1 to 5; tolerance 0.1 LU
CASES = {
    "1": ([(-23, 20)], -23.0),
    "2": ([(-33, 20)], -33.0),
    "3": ([(-36, 10), (-23, 60), (-36, 10)], -23.0),
    "4": ([(-72, 10), (-36, 10), (-23, 60), (-36, 10), (-72, 10)], -23.0),
    "5": ([(-26, 20), (-20, 20.1), (-26, 20)], -23.0),
}


@pytest.mark.parametrize("case", CASES)
def test_integrated_loudness_of_ebu_tech_3341(case: str) -> None:
    steps, expected = CASES[case]
    audio = tone(steps)
    assert measure(audio, RATE).integrated_lufs == pytest.approx(expected, abs=0.1)
    # the quick meter that the mix is balanced and mastered with keeps to the same table
    assert gated_lufs(k_power(audio, RATE)) == pytest.approx(expected, abs=0.1)


@pytest.mark.parametrize("rate", [44_100, 48_000])
def test_anchor_tone_of_bs_1770(rate: int) -> None:
    """BS.1770-4 Annex 1, note: 997 Hz at 0 dBFS in one front channel reads -3.01 LKFS."""
    wave = np.sin(2 * np.pi * 997 / rate * np.arange(20 * rate))
    one = np.stack([wave, np.zeros_like(wave)], axis=1)
    assert measure(one, rate).integrated_lufs == pytest.approx(-3.01, abs=0.02)
    assert gated_lufs(k_power(one, rate)) == pytest.approx(-3.01, abs=0.02)
    both = 10 ** (-18 / 20) * np.stack([wave, wave], axis=1)
    assert measure(both, rate).integrated_lufs == pytest.approx(-18.0, abs=0.02)


# EBU Tech 3341, cases 15 to 19: (rate / frequency, amplitude, phase in degrees, dBTP); +0.2/-0.4 dB
PEAKS = [
    (4, 0.50, 0, -6.0),
    (4, 0.50, 45, -6.0),
    (6, 0.50, 60, -6.0),
    (8, 0.50, 67.5, -6.0),
    (4, 1.41, 45, 3.0),
]


@pytest.mark.parametrize(("ratio", "amplitude", "degrees", "expected"), PEAKS)
def test_true_peak_of_ebu_tech_3341(ratio: int, amplitude: float, degrees: float, expected: float) -> None:
    n = np.arange(RATE)
    wave = amplitude * np.sin(2 * np.pi * n / ratio + np.radians(degrees))
    fade = np.minimum(1.0, np.minimum(n, n[::-1]) / (0.01 * RATE))
    found = true_peak_dbtp(np.stack([wave * fade] * 2, axis=1), RATE)
    assert expected - 0.4 <= found <= expected + 0.2


def _ffmpeg_says(path: Path) -> tuple[float, float]:
    import imageio_ffmpeg

    done = subprocess.run(
        [
            imageio_ffmpeg.get_ffmpeg_exe(),
            "-nostdin",
            "-hide_banner",
            "-i",
            str(path),
            "-af",
            "ebur128=peak=true:framelog=quiet",
            "-f",
            "null",
            "-",
        ],
        capture_output=True,
        text=True,
        check=True,
    )
    summary = done.stderr[done.stderr.rindex("Summary:") :]
    loud = re.search(r"I:\s+(-?[\d.]+) LUFS", summary)
    peak = re.search(r"Peak:\s+(-?[\d.]+) dBFS", summary)
    assert loud and peak, summary
    return float(loud[1]), float(peak[1])


def test_a_mastered_file_reads_the_same_in_ffmpegs_meter(tmp_path: Path) -> None:
    """ffmpeg's ebur128 filter (an implementation of its own) on the file we wrote."""
    rng = np.random.default_rng(7)
    wave = rng.standard_normal((RATE * 8, 2)) * 0.02
    wave[:: RATE // 3] += 0.2  # peaks for the limiter to catch
    envelope = (0.3 + 0.7 * np.abs(np.sin(np.arange(len(wave)) / RATE)))[:, None]
    audio, ours = master((wave * envelope).astype(np.float32), RATE, target_lufs=-14.0, ceiling_dbtp=-1.0)
    write_wav(tmp_path / "a.wav", audio, RATE)
    loud, peak = _ffmpeg_says(tmp_path / "a.wav")
    assert loud == pytest.approx(-14.0, abs=0.2)
    assert ours.integrated_lufs == pytest.approx(loud, abs=0.1)
    assert peak <= -0.9  # one decimal, and its own filter
    assert ours.true_peak_dbtp <= -1.0


def test_limiter_leaves_alone_what_is_under_the_ceiling() -> None:
    quiet = (0.5 * tone([(-6, 1)])).astype(np.float32)
    assert np.array_equal(limit(quiet, RATE, ceiling_dbtp=-1.0), quiet)


def test_drum_numbers_against_the_general_midi_table() -> None:
    """General MIDI level 1 percussion key map, as pretty_midi carries it."""
    import pretty_midi

    names = {
        "kick": "Bass Drum 1",
        "side_stick": "Side Stick",
        "snare": "Acoustic Snare",
        "closed_hat": "Closed Hi Hat",
        "pedal_hat": "Pedal Hi Hat",
        "open_hat": "Open Hi Hat",
        "low_tom": "Low Tom",
        "mid_tom": "Low-Mid Tom",
        "high_tom": "High Tom",
        "crash": "Crash Cymbal 1",
        "ride": "Ride Cymbal 1",
        "ride_bell": "Ride Bell",
        "tambourine": "Tambourine",
        "cowbell": "Cowbell",
        "maracas": "Maracas",
        "claves": "Claves",
        "high_block": "Hi Wood Block",
        "low_block": "Low Wood Block",
    }
    assert set(names) == set(DRUM_KEYS)
    for drum, name in names.items():
        assert pretty_midi.note_number_to_drum_name(DRUM_KEYS[drum]) == name


def test_groove_programs_against_the_general_midi_table() -> None:
    """General MIDI level 1 sound set, as pretty_midi carries it: basses play bass, and so on."""
    import pretty_midi

    from pipeline.sound.groove import groove_names, load_groove

    for name in groove_names():
        groove = load_groove(name)
        assert pretty_midi.program_to_instrument_class(groove.bass.program) == "Bass"
        for player in groove.chords:
            family = pretty_midi.program_to_instrument_class(player.program)
            assert family in ("Piano", "Organ", "Guitar", "Ensemble", "Strings"), (name, family)
