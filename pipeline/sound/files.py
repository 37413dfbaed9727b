"""Audio files out: 24-bit WAV and MP3, the same samples always as the same bytes."""

from __future__ import annotations

import math
import subprocess
import tempfile
from functools import cache
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from pipeline.errors import StepError
from pipeline.ffmpeg import ffmpeg_command, ffmpeg_failure
from pipeline.sound.errors import SoundError
from pipeline.sound.loudness import Loudness, integrated_lufs, measure, true_peak_dbtp
from pipeline.sound.master import TARGET_RANGE, limit, master
from pipeline.wholefile import written_beside

MP3_RATES: Final = (32_000, 44_100, 48_000)
_BLOCK: Final = 1 << 18  # samples that are written at a time
MP3_KBPS: Final = (96, 112, 128, 160, 192, 224, 256, 320)


def _stereo(audio: npt.NDArray[Any]) -> npt.NDArray[np.float32]:
    data = np.asarray(audio, dtype=np.float32)
    if data.ndim == 1:
        data = data[:, None]
    if data.ndim != 2 or data.shape[0] == 0 or data.shape[1] not in (1, 2):
        raise SoundError(f"audio has the shape (samples,) or (samples, 1 or 2), got {audio.shape}")
    if not np.isfinite(data).all():
        raise SoundError("the audio holds values that are not numbers")
    return np.ascontiguousarray(data)


def write_wav(path: Path, audio: npt.NDArray[Any], rate: int) -> None:
    """24-bit WAV of float audio (n,) or (n, channels); appears whole or not at all.

    Raises
    ------
    SoundError : empty audio, or values that are not finite.
    StepError, OSError : the file cannot be written.
    """
    import soundfile

    data = _stereo(audio)
    with written_beside(path) as beside:
        try:
            with soundfile.SoundFile(beside, "w", rate, data.shape[1], "PCM_24", format="WAV") as file:
                for first in range(0, len(data), _BLOCK):
                    file.write(_whole(data[first : first + _BLOCK]))
        except soundfile.LibsndfileError as error:
            raise StepError(f"cannot write {path}: {error}") from error


def _whole(block: npt.NDArray[np.float32]) -> npt.NDArray[np.int32]:
    """As 24-bit numbers in the upper bits: the rounding is ours and the same on every machine."""
    whole = np.clip(np.round(block.astype(np.float64) * 8_388_607.0), -8_388_608, 8_388_607)
    return whole.astype(np.int32) << 8


def write_mp3(
    path: Path, audio: npt.NDArray[Any], rate: int, *, kbps: int = 192, ceiling_dbtp: float = -1.0
) -> Loudness:
    """MP3 (LAME, constant bit rate) without any date or tag; appears whole or not at all.

    Coding moves the peaks: when the decoded file passes ``ceiling_dbtp``, the audio is
    limited a little lower, at the same loudness, and coded again.

    Returns
    -------
    Loudness : of the file as decoded.

    Raises
    ------
    SoundError : audio or bit rate that MP3 cannot hold.
    MissingError : no ffmpeg.
    StepError : the encoder failed.
    OSError : the file cannot be written.
    """
    data = _stereo(audio)
    if rate not in MP3_RATES:
        raise SoundError(f"MP3 holds {', '.join(map(str, MP3_RATES))} samples a second, got {rate}")
    if kbps not in MP3_KBPS:
        raise SoundError(f"MP3 bit rates are {', '.join(map(str, MP3_KBPS))} kbit/s, got {kbps}")
    aim, loudness = ceiling_dbtp, math.nan
    gain_db = _coder_loss_db(rate, kbps)
    beyond = true_peak_dbtp(data, rate) > ceiling_dbtp  # as it came, and not for us to mend
    with written_beside(path) as beside:
        for _ in range(4):
            coded = data if aim >= ceiling_dbtp else _under(data, rate, aim, loudness)
            coded = coded * np.float32(10 ** (gain_db / 20))
            _encode(beside, coded, rate, kbps)
            del coded
            decoded = _decode(beside, data.shape[1])
            over = true_peak_dbtp(decoded, rate) - ceiling_dbtp
            if over <= 0 or beyond:
                break
            if math.isnan(loudness):
                loudness = integrated_lufs(data, rate)
            aim -= over + 0.05
    return measure(decoded, rate)


def _under(
    data: npt.NDArray[np.float32], rate: int, ceiling_dbtp: float, loudness: float
) -> npt.NDArray[np.float32]:
    """The audio under a lower ceiling, as loud as it was: ``loudness`` in LUFS."""
    if not TARGET_RANGE[0] <= loudness <= TARGET_RANGE[1]:
        return limit(data, rate, ceiling_dbtp=ceiling_dbtp)
    return master(data, rate, target_lufs=loudness, ceiling_dbtp=ceiling_dbtp)[0]


def _run(arguments: list[str], data: bytes, what: str) -> bytes:
    done = subprocess.run(ffmpeg_command(arguments), input=data, capture_output=True, check=False)
    if done.returncode:
        raise ffmpeg_failure(what, done.returncode, done.stderr.decode(errors="replace"))
    return done.stdout


def _encode(path: Path, data: npt.NDArray[np.float32], rate: int, kbps: int) -> None:
    source = ["-f", "f32le", "-ar", str(rate), "-ac", str(data.shape[1]), "-i", "pipe:0"]
    plain = ["-map_metadata", "-1", "-fflags", "+bitexact", "-flags:a", "+bitexact", "-id3v2_version", "0"]
    # the first frame of a LAME file says how many samples of padding to drop: gapless loops
    out = ["-c:a", "libmp3lame", "-b:a", f"{kbps}k", *plain, "-write_xing", "1", "-f", "mp3", str(path)]
    _run(source + out, data.astype("<f4").tobytes(), "the MP3 could not be coded")


@cache
def _coder_loss_db(rate: int, kbps: int) -> float:
    """How much quieter the encoder makes what it codes at this bit rate (LAME turns some
    rates down by up to half a decibel), found on a second of a tone."""
    tone = (0.25 * np.sin(2 * np.pi * 997.0 / rate * np.arange(rate))).astype(np.float32)[:, None]
    tone = np.repeat(tone, 2, axis=1)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "tone.mp3"
        _encode(path, tone, rate, kbps)
        back = _decode(path, 2)[rate // 4 : 3 * rate // 4]
    return float(20.0 * np.log10(np.std(tone) / np.std(back)))


def _decode(path: Path, channels: int) -> npt.NDArray[np.float32]:
    raw = _run(
        ["-i", str(path), "-f", "f32le", "-ac", str(channels), "pipe:1"],
        b"",
        "the coded MP3 could not be read",
    )
    return np.frombuffer(raw, dtype="<f4").reshape(-1, channels)
