"""What we write, opened by other programs' libraries: moviepy for video, pydub for sound."""

from __future__ import annotations

import gc
import warnings
from fractions import Fraction as F
from pathlib import Path

import imageio_ffmpeg
import numpy as np
import pytest

from pipeline.music.timemap import TimeMap
from pipeline.page.look import default_look
from pipeline.picture.clip import render_clip
from pipeline.picture.overlay import render_overlay
from pipeline.sound.files import write_mp3, write_wav
from tests.samples import lead_spans, lead_tab

PLAYED = TimeMap.steady(300.0, start_s=0.4)


@pytest.fixture
def tone(tmp_path: Path) -> Path:
    """Four seconds of A, 24-bit stereo WAV."""
    wave = 0.25 * np.sin(2 * np.pi * 440.0 * np.arange(4 * 48_000) / 48_000)
    path = tmp_path / "tone.wav"
    write_wav(path, np.stack([wave, wave], axis=1).astype(np.float32), 48_000)
    return path


@pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::SyntaxWarning")
def test_pydub_reads_our_wav_and_mp3(tone: Path, tmp_path: Path) -> None:
    """Length, rate, channels and level: a sine of amplitude 0.25 is -15.05 dBFS RMS."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it looks for an ffmpeg on the path while it is imported
        from pydub import AudioSegment

    AudioSegment.converter = imageio_ffmpeg.get_ffmpeg_exe()
    with tone.open("rb") as file:
        wav = AudioSegment.from_wav(file)
    assert (wav.frame_rate, wav.channels, len(wav)) == (48_000, 2, 4000)
    assert wav.dBFS == pytest.approx(20 * np.log10(0.25 / np.sqrt(2)), abs=0.02)

    wave = np.frombuffer(wav.get_array_of_samples(), dtype="<i4").reshape(-1, 2) / 2**31
    write_mp3(tmp_path / "tone.mp3", wave.astype(np.float32), 48_000)
    wav.export(tmp_path / "theirs.mp3", format="mp3", bitrate="192k").close()
    ours, theirs = (tmp_path / f"{name}.mp3" for name in ("tone", "theirs"))
    assert ours.stat().st_size == pytest.approx(theirs.stat().st_size, rel=0.03)


# its readers leave their pipes to the garbage collector
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.filterwarnings("ignore::ResourceWarning")
def test_moviepy_reads_our_clip_and_overlay(tone: Path, tmp_path: Path) -> None:
    from moviepy import VideoFileClip

    spans, form = lead_spans(), lead_tab().form
    clip, overlay = tmp_path / "clip.mp4", tmp_path / "overlay.mov"
    render_clip(clip, tone, spans, PLAYED, look=default_look(), form=form, title="Low Tide", size=(320, 180))
    render_overlay(
        overlay, spans, PLAYED, seconds=4.0, size=(320, 180), fps=F(25), look=default_look(), form=form
    )
    with VideoFileClip(str(clip)) as video:
        assert tuple(video.size) == (320, 180)
        assert video.duration == pytest.approx(4.0, abs=0.05)
        assert video.audio is not None
        assert np.std(video.get_frame(2.0)[:, :, 0].astype(float)) > 5
    with VideoFileClip(str(overlay), has_mask=True) as video:
        assert video.fps == 25
        assert video.duration == pytest.approx(4.0, abs=0.05)
        # straight alpha: nothing above the middle of the frame, the plate in the lower third
        mask = video.mask.get_frame(2.0)
        assert mask[: mask.shape[0] // 2].max() == 0
        assert mask[2 * mask.shape[0] // 3 :].max() > 0.5
    gc.collect()
