"""Recordings of every kind, made with ffmpeg, probed and decoded with ours."""

from __future__ import annotations

import subprocess
import wave
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import imageio_ffmpeg
import numpy as np
import pytest
import soundfile

from pipeline.read.media import MediaError, check_audio, decode_audio, probe

RATE = 44_100
BEEP_S = 0.7  # when the tone starts, in seconds from the start of the sound


@pytest.fixture(scope="module")
def make(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Path]:
    """Run ffmpeg with the given arguments into a file of the given name, once."""
    home = tmp_path_factory.mktemp("media")
    tone = np.sin(2 * np.pi * 440 * np.arange(2 * RATE) / RATE) * 0.5
    tone[: round(BEEP_S * RATE)] = 0
    stereo = np.stack([tone, 0.5 * tone], axis=1)
    with wave.open(str(home / "tone.wav"), "wb") as file:
        file.setnchannels(2)
        file.setsampwidth(2)
        file.setframerate(RATE)
        file.writeframes((stereo * 32767).astype("<i2").tobytes())

    def run(name: str, *arguments: str) -> Path:
        path = home / name
        if not path.exists():
            told = [word.replace("{home}", str(home)) for word in arguments]
            command = [imageio_ffmpeg.get_ffmpeg_exe(), "-v", "error", "-y", *told, str(path)]
            subprocess.run(command, check=True)
        return path

    run.home = home  # type: ignore[attr-defined]
    return run


def picture(rate: str = "25", size: str = "64x48", seconds: str = "2") -> tuple[str, ...]:
    return "-f", "lavfi", "-i", f"testsrc=size={size}:rate={rate}:duration={seconds}"


TONE = ("-i", "{home}/tone.wav")
SOUNDS = [
    ("t.wav", ()),
    ("t24.wav", ("-c:a", "pcm_s24le")),
    ("tf.wav", ("-c:a", "pcm_f32le")),
    ("t.flac", ()),
    ("t.mp3", ("-b:a", "192k")),
    ("t.m4a", ("-c:a", "aac")),
    ("t.ogg", ("-c:a", "libvorbis")),
    ("t.opus", ("-c:a", "libopus")),
    ("t.aiff", ()),
]
FILMS = [
    ("v.mp4", ("-c:v", "libx264")),
    ("v.mov", ("-c:v", "libx264")),
    ("v.mkv", ("-c:v", "libx264")),
    ("v.webm", ("-c:v", "libvpx", "-c:a", "libopus")),
]


def onset_s(samples: np.ndarray, rate: int) -> float:
    loud = np.abs(samples) > 0.1
    return int(np.argmax(loud)) / rate


@pytest.mark.parametrize(("name", "options"), SOUNDS)
def test_sound_files(make, name: str, options: tuple[str, ...]) -> None:
    """Length within a codec frame, the beep within 2 ms of where it was put, in every format."""
    path = make(name, *TONE, *options)
    info = probe(path)
    assert info.kind == "audio" and info.video is None and info.channels == 2
    assert info.seconds == pytest.approx(2.0, abs=0.05)
    assert info.sample_rate == (48_000 if name == "t.opus" else RATE)
    mono, rate = decode_audio(path, mono=True)
    assert mono.dtype == np.float32 and mono.ndim == 1 and rate == info.sample_rate
    assert onset_s(mono, rate) == pytest.approx(BEEP_S, abs=0.002)
    assert np.abs(mono).max() == pytest.approx(0.375, abs=0.03)  # mean of 0.5 and 0.25
    stereo, _ = decode_audio(path)
    assert stereo.shape == (len(mono), 2)
    sound = check_audio(path)
    assert sound.end_s == pytest.approx(len(mono) / rate) and sound.gaps_s == ()


@pytest.mark.parametrize("name", ["t.wav", "t24.wav", "tf.wav", "t.flac", "t.aiff"])
def test_lossless_sound_is_exact(make, name: str) -> None:
    """Sample for sample what another decoder reads (libsndfile, through soundfile)."""
    path = make(name, *TONE, *dict(SOUNDS)[name])
    ours, rate = decode_audio(path)
    theirs, their_rate = soundfile.read(path, dtype="float32")
    assert rate == their_rate and np.array_equal(ours, theirs)


def test_many_channels_become_their_mean(make) -> None:
    path = make(
        "six.wav", "-f", "lavfi", "-i", "sine=d=1:f=300,pan=5.1|FL=c0|FR=0*c0|FC=0*c0|LFE=0*c0|BL=0*c0|BR=c0"
    )
    six, rate = decode_audio(path)
    mono, _ = decode_audio(path, mono=True)
    assert six.shape == (rate, 6)
    assert np.allclose(mono, six.mean(axis=1), atol=1e-6)


@pytest.mark.parametrize(("name", "options"), FILMS)
def test_sound_that_starts_after_the_picture(make, name: str, options: tuple[str, ...]) -> None:
    """Sound moved 0.5 s against the picture comes out 0.5 s later: one clock for both."""
    path = make(f"late-{name}", *picture(seconds="3"), "-itsoffset", "0.5", *TONE, *options)
    info = probe(path)
    assert info.kind == "video" and info.seconds == pytest.approx(3.0, abs=0.05)
    mono, rate = decode_audio(path, mono=True)
    assert onset_s(mono, rate) == pytest.approx(BEEP_S + 0.5, abs=0.003)


def test_picture_that_starts_after_the_sound(make) -> None:
    path = make("late.mkv", "-itsoffset", "0.4", *picture(), *TONE, "-c:v", "libx264")
    mono, rate = decode_audio(path, mono=True)
    assert onset_s(mono, rate) == pytest.approx(BEEP_S, abs=0.003)


@pytest.mark.parametrize(
    ("rate", "fps"),
    [
        ("24000/1001", Fraction(24000, 1001)),
        ("24", Fraction(24)),
        ("25", Fraction(25)),
        ("30000/1001", Fraction(30000, 1001)),
        ("30", Fraction(30)),
        ("60000/1001", Fraction(60000, 1001)),
        ("60", Fraction(60)),
        ("12", Fraction(12)),
    ],
)
@pytest.mark.parametrize("kind", ["mp4", "mkv"])
def test_frame_rates(make, rate: str, fps: Fraction, kind: str) -> None:
    path = make(f"fps-{rate.replace('/', '-')}.{kind}", *picture(rate=rate), *TONE, "-c:v", "libx264")
    video = probe(path).video
    assert video is not None and video.fps == fps and (video.width, video.height) == (64, 48)


@pytest.mark.parametrize(("counterclockwise", "clockwise"), [("90", 270), ("180", 180), ("-90", 90)])
def test_rotation_is_upright(make, counterclockwise: str, clockwise: int) -> None:
    """ffmpeg's -display_rotation counts counterclockwise; a picture on its side swaps its sides."""
    plain = make("plain.mp4", *picture(), *TONE, "-c:v", "libx264")
    path = make(f"turn{clockwise}.mp4", "-display_rotation", counterclockwise, "-i", str(plain), "-c", "copy")
    video = probe(path).video
    assert video is not None and video.rotation == clockwise
    assert (video.width, video.height) == ((64, 48) if clockwise == 180 else (48, 64))


def test_cover_art_is_no_film(make) -> None:
    art = make("art.png", *picture(seconds="1"), "-frames:v", "1")
    path = make(
        "cover.mp3", *TONE, "-i", str(art), "-map", "0", "-map", "1", "-c:v", "copy", "-disposition:v", "attached_pic"
    )  # fmt: skip
    assert probe(path).kind == "audio"


def test_length_of_a_stream_without_one(make) -> None:
    """Browsers record WebM without a length in the header."""
    path = make(
        "live.webm", *picture(), *TONE, "-c:v", "libvpx", "-c:a", "libopus", "-live", "1", "-f", "webm"
    )
    assert probe(path).seconds == pytest.approx(2.0, abs=0.1)


@pytest.mark.parametrize("rate", [22_050, 48_000, 8_000])
@pytest.mark.parametrize("mono", [True, False])
def test_resampling_keeps_time_level_and_pitch(make, rate: int, mono: bool) -> None:
    path = make("t.flac", *TONE)
    samples, got = decode_audio(path, rate=rate, mono=mono)
    assert got == rate
    left = samples if mono else samples[:, 0]
    assert len(left) == pytest.approx(2.0 * rate, abs=2)
    assert onset_s(left, rate) == pytest.approx(BEEP_S, abs=0.001)
    part = left[rate : rate + rate // 2]
    assert np.argmax(np.abs(np.fft.rfft(part * np.hanning(len(part))))) * 2 == pytest.approx(440, abs=2)
    assert np.abs(part).max() == pytest.approx(0.375 if mono else 0.5, abs=0.01)


def test_a_gap_in_the_sound_stays_a_gap(make) -> None:
    """A second cut out of the middle of a stream, time stamps kept, is silence afterwards."""
    keep = "aselect='lt(t,1)+gte(t,1.5)'"
    path = make("gap.mkv", *TONE, "-af", keep, "-c:a", "flac")
    mono, rate = decode_audio(path, mono=True)
    assert len(mono) / rate == pytest.approx(2.0, abs=0.03)
    hole = mono[round(1.15 * rate) : round(1.4 * rate)]
    assert not np.any(hole)
    ((start_s, end_s),) = check_audio(path).gaps_s
    assert start_s == pytest.approx(1.0, abs=0.1) and end_s == pytest.approx(1.5, abs=0.1)


def test_a_damaged_stretch_is_silence_in_its_place(make, tmp_path: Path) -> None:
    data = bytearray(make("t.flac", *TONE).read_bytes())
    data[20_000:25_000] = b"\xa5" * 5000
    path = write(tmp_path / "hurt.flac", bytes(data))
    mono, rate = decode_audio(path, mono=True)
    whole, _ = decode_audio(make("t.flac"), mono=True)
    assert len(mono) == len(whole)
    assert check_audio(path).gaps_s
    assert np.array_equal(mono[-rate // 4 :], whole[-rate // 4 :])


def write(path: Path, data: bytes) -> Path:
    path.write_bytes(data)
    return path


def test_refusals(make, tmp_path: Path) -> None:
    """Every unusable file is refused in words, by probing or at the latest by decoding."""
    flac = make("t.flac", *TONE)
    film = make("v.mp4", *picture(), *TONE, "-c:v", "libx264")
    silent = make("silent.wav", "-f", "lavfi", "-i", "anullsrc=d=1")
    faint = make("faint.wav", "-f", "lavfi", "-i", "sine=d=1", "-af", "volume=-50dB", "-c:a", "pcm_f32le")
    mute = make("mute.mp4", *picture(), "-c:v", "libx264")
    empty = write(tmp_path / "empty.wav", b"")
    head = write(tmp_path / "head.wav", make("t.wav", *TONE).read_bytes()[:44])
    noise = write(tmp_path / "noise.mp3", bytes(range(256)) * 20)
    text = write(tmp_path / "take.flac", b"this is not music\n" * 50)
    short = write(tmp_path / "short.mp4", film.read_bytes()[: film.stat().st_size // 2])
    cut = write(tmp_path / "cut.flac", flac.read_bytes()[:20_000])
    refused = [
        (tmp_path / "none.wav", "does not exist"),
        (tmp_path, "is a folder, not a recording"),
        (empty, r"is empty \(0 bytes\)"),
        (head, "of no length|holds no sound|is damaged"),
        (noise, "is damaged or not a recording"),
        (text, "is damaged or not a recording"),
        (short, "is damaged or not a recording"),
        (cut, "is damaged or not a recording"),
        (silent, r"is silent \(every sample is zero\)"),
        (faint, r"is silent \(its peak is -6\d dBFS\)"),
        (mute, "has no sound"),
    ]
    for path, said in refused:
        with pytest.raises(MediaError, match=said) as caught:
            probe(path)
            decode_audio(path)
        assert caught.value.remedy and str(path) in caught.value.what


def test_samples_that_are_no_numbers(make, tmp_path: Path) -> None:
    data = bytearray(make("tf.wav", *TONE, "-c:a", "pcm_f32le").read_bytes())
    place = data.index(b"data") + 8 + RATE * 8  # one second in: two channels of four bytes
    data[place : place + 4] = np.array([np.nan], dtype="<f4").tobytes()
    path = write(tmp_path / "nan.wav", bytes(data))
    with pytest.raises(MediaError, match=r"not numbers, at 1\.00 s"):
        decode_audio(path, mono=True)


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("list.m3u8", "#EXTM3U\n#EXTINF:2,\n{other}\n"),
        ("list.ffconcat", "ffconcat version 1.0\nfile '{other}'\n"),
        ("list.sdp", "v=0\no=- 0 0 IN IP4 127.0.0.1\nc=IN IP4 127.0.0.1\nm=audio 5004 RTP/AVP 0\n"),
        ("take.wav", "#EXTM3U\n#EXTINF:2,\nhttp://127.0.0.1:9/x.wav\n"),
    ],
)
def test_lists_that_name_other_files_are_refused(make, tmp_path: Path, name: str, text: str) -> None:
    other = make("t.wav", *TONE)
    path = tmp_path / name
    path.write_text(text.format(other=other))
    with pytest.raises(MediaError, match="not a recording"):
        probe(path)
