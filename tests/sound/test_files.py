from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
import soundfile

from pipeline.errors import MissingError
from pipeline.sound.errors import SoundError
from pipeline.sound.files import write_mp3, write_wav
from pipeline.sound.loudness import integrated_lufs, measure, true_peak_dbtp
from pipeline.sound.master import limit, master

RATE = 48_000


def music(seconds: float = 4.0) -> np.ndarray:
    t = np.arange(round(seconds * RATE)) / RATE
    wave = sum(np.sin(2 * np.pi * f * t) * np.exp(-3 * (t % 0.5)) for f in (110, 220.5, 331, 1987))
    return np.stack([wave, 0.9 * wave], axis=1).astype(np.float32) * 0.1


def test_wav_is_24_bit_and_exact_and_the_same_each_time(tmp_path: Path) -> None:
    audio = music()
    for name in "ab":
        write_wav(tmp_path / f"{name}.wav", audio, RATE)
    assert (tmp_path / "a.wav").read_bytes() == (tmp_path / "b.wav").read_bytes()
    info = soundfile.info(tmp_path / "a.wav")
    assert (info.subtype, info.samplerate, info.channels, info.frames) == ("PCM_24", RATE, 2, len(audio))
    back, _ = soundfile.read(tmp_path / "a.wav", dtype="float64")
    assert np.abs(back - audio).max() < 2**-22
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.wav", "b.wav"]


def test_wav_clips_instead_of_wrapping(tmp_path: Path) -> None:
    write_wav(tmp_path / "a.wav", np.array([1.5, -1.5, 0.0], dtype=np.float32), RATE)
    back, _ = soundfile.read(tmp_path / "a.wav")
    assert back[0] > 0.999 and back[1] < -0.999 and back[2] == 0


def test_mp3_is_the_same_each_time_keeps_its_loudness_and_its_ceiling(tmp_path: Path) -> None:
    audio, before = master(music(6.0), RATE, target_lufs=-14.0, ceiling_dbtp=-1.0)
    for name in "ab":
        after = write_mp3(tmp_path / f"{name}.mp3", audio, RATE, kbps=192)
    assert (tmp_path / "a.mp3").read_bytes() == (tmp_path / "b.mp3").read_bytes()
    assert after.integrated_lufs == pytest.approx(before.integrated_lufs, abs=0.2)
    assert after.true_peak_dbtp <= -1.0
    back, rate = soundfile.read(tmp_path / "a.mp3", dtype="float32")
    assert rate == RATE
    assert measure(back, rate).integrated_lufs == pytest.approx(after.integrated_lufs, abs=0.05)


def test_mp3_that_a_player_decodes_has_the_tracks_length(tmp_path: Path) -> None:
    """The encoder's padding is declared in the first frame, so loops stay in time."""
    import av

    audio = music(3.0)
    write_mp3(tmp_path / "a.mp3", audio, RATE, kbps=128)
    with av.open(str(tmp_path / "a.mp3")) as container:
        count = sum(frame.samples for frame in container.decode(audio=0))
    assert abs(count - len(audio)) <= 1152


def test_mp3_starts_where_the_track_starts(tmp_path: Path) -> None:
    """A decoder that reads the encoder's delay gives back a track in time to a sample or two."""
    audio = music(3.0)
    write_mp3(tmp_path / "a.mp3", audio, RATE)
    back, _ = soundfile.read(tmp_path / "a.mp3", dtype="float32")
    part = audio[RATE : RATE + 8192, 0]
    lags = range(-1200, 1201)
    match = [float(np.dot(part, back[RATE + lag : RATE + lag + 8192, 0])) for lag in lags]
    assert abs(lags[int(np.argmax(match))]) <= 2


@pytest.mark.parametrize(
    ("audio", "rate", "kbps", "complaint"),
    [
        (music(1.0), 96_000, 192, "samples a second, got 96000"),
        (music(1.0), RATE, 191, "got 191"),
        (np.zeros((0, 2)), RATE, 192, "shape"),
        (np.full((100, 2), np.nan), RATE, 192, "not numbers"),
    ],
)
def test_what_mp3_cannot_hold_is_refused(
    tmp_path: Path, audio: np.ndarray, rate: int, kbps: int, complaint: str
) -> None:
    with pytest.raises(SoundError, match=complaint):
        write_mp3(tmp_path / "a.mp3", audio, rate, kbps=kbps)
    assert not list(tmp_path.iterdir())


def test_a_file_that_cannot_be_written_leaves_the_old_one(tmp_path: Path) -> None:
    (tmp_path / "a.wav").mkdir()
    with pytest.raises(IsADirectoryError):
        write_wav(tmp_path / "a.wav", music(0.1), RATE)
    assert [p.name for p in tmp_path.iterdir()] == ["a.wav"]


def test_a_missing_encoder_is_told_as_such(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It was told as a file that cannot be written, since MissingError is an OSError too."""
    import imageio_ffmpeg

    def none() -> str:
        raise RuntimeError("not found")

    write_mp3(tmp_path / "a.mp3", music(0.1), RATE)  # what is remembered of the encoder is known
    monkeypatch.setattr(imageio_ffmpeg, "get_ffmpeg_exe", none)
    with pytest.raises(MissingError, match="there is no ffmpeg"):
        write_mp3(tmp_path / "b.mp3", music(0.1), RATE)
    assert [p.name for p in tmp_path.iterdir()] == ["a.mp3"]


def test_silence_and_very_short_audio_are_measured_without_failing() -> None:
    silent = measure(np.zeros((RATE, 2), np.float32), RATE)
    assert silent.integrated_lufs == -math.inf and silent.true_peak_dbtp == -math.inf
    short = np.sin(2 * np.pi * 1000 / RATE * np.arange(RATE // 10))
    assert integrated_lufs(short, RATE) == pytest.approx(-3.0, abs=0.5)
    with pytest.raises(SoundError, match="not numbers"):
        measure(np.full(RATE, np.inf), RATE)
    with pytest.raises(SoundError, match="silent"):
        master(np.zeros((RATE, 2), np.float32), RATE, target_lufs=-14, ceiling_dbtp=-1)


def test_the_limiter_works_ahead_and_lets_go_slowly() -> None:
    """One loud burst: nothing over the ceiling, the level far from it untouched, no step in the gain."""
    n = np.arange(2 * RATE)
    wave = 0.3 * np.sin(2 * np.pi * 220 / RATE * n)
    wave[RATE : RATE + 2000] *= 6
    audio = np.stack([wave, wave], axis=1).astype(np.float32)
    out = limit(audio, RATE, ceiling_dbtp=-1.0)
    assert true_peak_dbtp(out, RATE) <= -1.0 and out.shape == audio.shape
    sounding = np.abs(wave) > 0.05
    gain = np.where(sounding, out[:, 0] / np.where(sounding, wave, 1), 1.0)
    assert np.allclose(gain[: RATE - 2000], 1.0, atol=1e-4)
    assert np.allclose(
        gain[RATE + RATE // 2 + 20_000 :][sounding[RATE + RATE // 2 + 20_000 :]], 1.0, atol=5e-3
    )
    assert np.abs(np.diff(gain[sounding])).max() < 0.02


@pytest.mark.parametrize("target", [-23.0, -16.0, -14.0])
def test_master_meets_its_target(target: float) -> None:
    out, loudness = master(music(8.0), RATE, target_lufs=target, ceiling_dbtp=-1.0)
    assert loudness.integrated_lufs == pytest.approx(target, abs=0.1)
    assert loudness.true_peak_dbtp <= -1.0
    assert measure(out, RATE) == loudness


def test_a_long_file_is_measured_in_little_memory() -> None:
    """Ten minutes of a mix took 3 GB: the meter worked on double-precision copies of all of it."""
    import tracemalloc

    audio = np.full((48_000 * 30, 2), 0.1, dtype=np.float32)
    integrated_lufs(audio[:48_000], 48_000)  # imports apart
    tracemalloc.start()
    try:
        integrated_lufs(audio, 48_000)
        assert tracemalloc.get_traced_memory()[1] < 3.5 * audio.nbytes
    finally:
        tracemalloc.stop()
