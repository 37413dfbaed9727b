"""Recordings from outside: what they are, and their sound as numbers.

Conventions
-----------
- Time 0 is where the container starts, the clock that players show and that its video
  runs by; sound that starts later is padded with silence, gaps inside it too.
- Only local files are opened, and only as media containers: a playlist that names other
  files or addresses is refused.
- Samples are float32, full scale 1.0.

References
----------
Display matrix and rotation: ISO/IEC 14496-12, track header box, as FFmpeg reports it.
"""

from __future__ import annotations

import math
import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any, Final, Literal

import numpy as np
import numpy.typing as npt

from pipeline.errors import UnusableError
from pipeline.framerate import even_rate

Samples = npt.NDArray[np.float32]

SILENCE_DBFS: Final = -60.0
MAX_SECONDS: Final = 4 * 3600.0
_OPTIONS: Final = {
    "protocol_whitelist": "file",
    "format_whitelist": "wav,w64,aiff,flac,mp3,aac,mov,mp4,m4a,3gp,ogg,matroska,webm,avi",
}
_KNOWN_TYPES: Final = "WAV, AIFF, FLAC, MP3, M4A, Ogg, Opus, MP4, MOV, MKV or WebM"
_GAP_S: Final = 0.05  # timestamps in some containers are rounded to milliseconds; this is well above


class MediaError(UnusableError):
    """A recording that cannot be used."""


@dataclass(frozen=True, slots=True)
class VideoInfo:
    """The picture of a recording.

    width, height : pixels as seen, turned upright
    fps : frames a second, as :func:`~pipeline.framerate.even_rate` has it
    rotation : degrees clockwise that the stored picture is turned for showing: 0, 90, 180, 270
    """

    width: int
    height: int
    fps: Fraction
    rotation: int
    codec: str


@dataclass(frozen=True, slots=True)
class MediaInfo:
    """A recording. ``seconds``: length of the whole; ``sample_rate`` and ``channels`` are 0
    and ``audio_codec`` is empty when it has no sound; ``video`` None when it has no picture;
    ``sound_end_s`` where its sound really ends, known once it has been decoded."""

    path: Path
    kind: Literal["audio", "video"]
    seconds: float
    sample_rate: int
    channels: int
    audio_codec: str
    video: VideoInfo | None
    sound_end_s: float | None = None


def probe(path: Path) -> MediaInfo:
    """What a recording is.

    Raises
    ------
    MediaError : missing, empty, no recording, damaged, longer than four hours.
    """
    with _opened(path) as container:
        audio = container.streams.audio[0] if container.streams.audio else None
        pictures = [s for s in container.streams.video if not _is_cover(s)]
        seconds = _length_s(container)
        if audio is None and not pictures:
            raise MediaError(f"{path} holds neither sound nor moving picture", _SOUND_HINT)
        if not seconds > 0:
            raise MediaError(f"{path} is a recording of no length", "Record or export it again.")
        if seconds > MAX_SECONDS:
            raise MediaError(
                f"{path} is {seconds / 3600:.1f} hours long", "Cut out the lesson; four hours are the limit."
            )
        video = _video_info(path, container, pictures[0]) if pictures else None
        return MediaInfo(
            path,
            "video" if video else "audio",
            seconds,
            int(audio.rate or 0) if audio else 0,
            int(audio.channels or 0) if audio else 0,
            str(audio.codec_context.name) if audio else "",
            video,
        )


def decode_audio(path: Path, *, rate: int | None = None, mono: bool = False) -> tuple[Samples, int]:
    """The sound of a recording, from the container's time 0 on.

    Parameters
    ----------
    rate : samples a second wanted; None keeps the file's
    mono : the mean of the channels

    Returns
    -------
    samples : shape (n,) if ``mono``, else (n, channels)
    rate : samples a second

    Raises
    ------
    MediaError : as :func:`probe`; no sound, silence (peak under -60 dBFS), numbers that are none.
    """
    import soxr

    blocks: list[Samples] = []
    resampler = None
    own_rate = 0
    for block, own_rate in _blocks(path):
        part = block.mean(axis=1, dtype=np.float32)[:, None] if mono else block
        if rate is not None and rate != own_rate:
            if resampler is None:
                resampler = soxr.ResampleStream(own_rate, rate, part.shape[1], dtype="float32", quality="HQ")
            part = resampler.resample_chunk(part)
        blocks.append(np.ascontiguousarray(part, dtype=np.float32))
    if resampler is not None:
        empty = np.zeros((0, blocks[0].shape[1]), dtype=np.float32)
        blocks.append(resampler.resample_chunk(empty, last=True))
    samples: Samples = np.concatenate(blocks) if blocks else np.zeros((0, 1), dtype=np.float32)
    _refuse_silence(path, float(np.abs(samples).max(initial=0.0)))
    return (samples[:, 0] if mono else samples), (rate or own_rate)


@dataclass(frozen=True, slots=True)
class SoundCheck:
    """What decoding a sound showed: where it ends, and the gaps (start, end) inside it, where
    the file is damaged or the recorder dropped something; seconds."""

    end_s: float
    gaps_s: tuple[tuple[float, float], ...]


def check_audio(path: Path) -> SoundCheck:
    """Decode the whole sound without keeping it.

    Raises
    ------
    MediaError : as :func:`decode_audio`.
    """
    peak, count, end_s = 0.0, 0, 0.0
    gaps_s: list[tuple[float, float]] = []
    for block, rate in _blocks(path, gaps_s):
        peak = max(peak, float(np.abs(block).max(initial=0.0)))
        count += len(block)
        end_s = count / rate
    _refuse_silence(path, peak)
    return SoundCheck(end_s, tuple(gaps_s))


_SOUND_HINT: Final = f"Use a file with sound: {_KNOWN_TYPES}."


def _refuse_silence(path: Path, peak: float) -> None:
    if peak < 10 ** (SILENCE_DBFS / 20):
        level = f"its peak is {20 * math.log10(peak):.0f} dBFS" if peak > 0 else "every sample is zero"
        raise MediaError(f"{path} is silent ({level})", "Check the input and its level, and record again.")


@contextmanager
def _opened(path: Path) -> Iterator[Any]:
    """The container, every failure of the decoder told as a MediaError."""
    import av

    av.logging.set_level(av.logging.FATAL)  # the decoder's own chatter; what matters is raised
    if not path.is_file():
        kind = "is a folder, not a recording" if path.is_dir() else "does not exist"
        raise MediaError(f"{path} {kind}", "Check the name and the folder.")
    if not os.access(path, os.R_OK):
        raise MediaError(f"{path} may not be read", "Change its permissions so that you may read it.")
    if path.stat().st_size == 0:
        raise MediaError(f"{path} is empty (0 bytes)", "Record or export it again.")
    try:
        with av.open(str(path.absolute()), options=dict(_OPTIONS)) as container:
            yield container
    except av.error.FFmpegError as error:
        # the decoder's "not permitted" means bytes that it refuses: that the file may be read is known
        why = "" if isinstance(error, PermissionError) else f" ({error.strerror})"
        raise MediaError(
            f"{path} is damaged or not a recording{why}", f"Export it again as {_KNOWN_TYPES}."
        ) from error


def _is_cover(stream: Any) -> bool:
    import av

    return bool(stream.disposition & av.stream.Disposition.attached_pic)


def _start_s(container: Any) -> float:
    return (container.start_time or 0) / 1_000_000  # in AV_TIME_BASE units


def _length_s(container: Any) -> float:
    if container.duration:
        return float(container.duration / 1_000_000)
    end = 0.0  # recorders that stream to the file leave the length out: look at every packet
    for packet in container.demux():
        if packet.pts is not None:
            end = max(end, float((packet.pts + (packet.duration or 0)) * packet.time_base))
    container.seek(container.start_time or 0)
    return end - _start_s(container)


def _video_info(path: Path, container: Any, stream: Any) -> VideoInfo:
    frame = next(iter(container.decode(stream)), None)
    if frame is None:
        raise MediaError(f"{path} has a picture track without a picture", "Export it again.")
    rotation = -round(frame.rotation) % 360
    width, height = int(frame.width), int(frame.height)
    if rotation in (90, 270):
        width, height = height, width
    average = Fraction(stream.average_rate or stream.guessed_rate or 30)
    fps = even_rate(average, Fraction(stream.base_rate or average))
    return VideoInfo(width, height, fps, rotation, str(stream.codec_context.name))


def _blocks(path: Path, gaps_s: list[tuple[float, float]] | None = None) -> Iterator[tuple[Samples, int]]:
    """The sound in blocks of shape (n, channels), gaps filled (and noted in ``gaps_s``), each
    with the sample rate."""
    import av

    with _opened(path) as container:
        if not container.streams.audio:
            raise MediaError(f"{path} has no sound", _SOUND_HINT)
        stream = container.streams.audio[0]
        rate, channels = int(stream.rate or 0), int(stream.channels or 0)
        if rate <= 0 or channels <= 0:
            raise MediaError(f"the sound of {path} has no sample rate or no channels", "Export it again.")
        convert = av.AudioResampler(format="fltp", layout=stream.layout, rate=rate)
        start_s = _start_s(container)
        done = 0
        for frame in container.decode(stream):
            if frame.pts is not None:
                due = round((float(frame.pts * frame.time_base) - start_s) * rate)
                if due - done > (_GAP_S * rate if done else 0):
                    if due > MAX_SECONDS * rate:
                        raise MediaError(f"the time stamps of {path} make no sense", "Export it again.")
                    if done and gaps_s is not None:
                        gaps_s.append((done / rate, due / rate))
                    yield np.zeros((due - done, channels), dtype=np.float32), rate
                    done = due
            for piece in convert.resample(frame):
                block = np.ascontiguousarray(piece.to_ndarray().T, dtype=np.float32)
                if not np.isfinite(block).all():
                    second = (done + int(np.argmin(np.isfinite(block).all(axis=1)))) / rate
                    raise MediaError(
                        f"{path} holds samples that are not numbers, at {second:.2f} s", "Export it again."
                    )
                done += len(block)
                yield block, rate
        for piece in convert.resample(None):
            block = np.ascontiguousarray(piece.to_ndarray().T, dtype=np.float32)
            done += len(block)
            yield block, rate
        if not done:
            raise MediaError(f"{path} holds no sound that can be decoded", "Record or export it again.")
