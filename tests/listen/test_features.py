"""What is heard, on signals whose answer is known."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.listen import features as f


def tone(midi: float, seconds: float = 1.0, partials: int = 6) -> np.ndarray:
    t = np.arange(int(seconds * f.RATE)) / f.RATE
    hz = 440.0 * 2 ** ((midi - 69) / 12)
    return (0.2 * sum(np.sin(2 * np.pi * h * hz * t) / h for h in range(1, partials + 1))).astype(np.float32)


def test_a_sine_of_amplitude_one_reads_one() -> None:
    t = np.arange(f.RATE) / f.RATE
    sine = np.sin(2 * np.pi * 100 * f.RATE / 4096 * t).astype(np.float32)  # on a bin
    (rows,) = f.spectra(sine, fft=4096, hop=4096, first=8192, count=2)
    assert rows[:, 100] == pytest.approx([1.0, 1.0], abs=1e-3)


def test_frames_beyond_the_recording_are_silent() -> None:
    (rows,) = f.spectra(tone(60), fft=1024, hop=512, first=-5000, count=3)
    assert rows.shape == (3, 513)
    assert not rows.any()


def test_blocks_join_without_a_seam() -> None:
    sound = tone(60, 2.0)
    whole = np.concatenate(list(f.spectra(sound, fft=256, hop=16)))
    (some,) = f.spectra(sound, fft=256, hop=16, first=16 * 500, count=40)
    assert whole[500:540] == pytest.approx(some, abs=1e-6)


@pytest.mark.parametrize("cents", [-48, -40, -7, 0, 13, 45])
def test_tuning(cents: int) -> None:
    sound = np.concatenate([tone(m + cents / 100) for m in (52, 57, 60, 64, 69)])
    assert f.tuning_cents(sound) == pytest.approx(cents, abs=3)


def test_tuning_of_another_reference() -> None:
    """A4 = 432 Hz lies 1200 log2(432 / 440) = -31.8 cents below."""
    sound = np.concatenate([tone(m + 12 * np.log2(432 / 440)) for m in (52, 57, 60, 64, 69)])
    assert f.tuning_cents(sound) == pytest.approx(-31.8, abs=3)
    assert f.tuning_cents(sound, a4_hz=432.0) == pytest.approx(0, abs=3)


@pytest.mark.parametrize("midi", [40, 45, 52, 60, 64, 76])
def test_template_is_most_like_its_own_tone(midi: int) -> None:
    shapes = f.unit_rows(f.compress(f.templates(), 1.0), 1e-6)
    (row,) = f.spectra(tone(midi, partials=10), fft=f.FFT, hop=1, first=f.RATE // 2, count=1)
    heard = f.compress(row @ f.band_bank(0.0), float((row @ f.band_bank(0.0)).max()))
    assert int((shapes @ heard[0]).argmax()) + f.LOWEST == midi


def test_chroma_folds_c_first() -> None:
    bands = np.zeros((1, f.BANDS), dtype=np.float32)
    bands[0, 60 - f.LOWEST] = 1
    bands[0, 69 - f.LOWEST] = 2
    assert f.fold(bands)[0].tolist() == [1, 0, 0, 0, 0, 0, 0, 0, 0, 2, 0, 0]
