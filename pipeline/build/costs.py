"""What a step costs: rough seconds on one core, and the most memory that it needs.

Fitted to steps run alone in a fresh process, for takes of 12, 46 and 603 s with a picture of
1920 × 1080 (and 640 × 360, 3840 × 2160), on a core of 2026; the memory is that of the process
and of the programs it starts, with a margin. Only the order of steps, the time left and how
many run at once follow from it, never what they make.
"""

from __future__ import annotations

from typing import Final, NamedTuple

from pipeline.read.media import MediaInfo

_FULL_HD: Final = 1920 * 1080


class Cost(NamedTuple):
    """``weight`` in seconds."""

    weight: float
    memory_mb: int


SMALL: Final = Cost(0.3, 60)  # starts, writes a little, ends
TITLE: Final = Cost(0.4, 75)


def _of(weight: float, memory_mb: float) -> Cost:
    return Cost(round(weight, 2), round(memory_mb))


def _rate(take: MediaInfo) -> float:
    """Samples, as a multiple of 48 kHz; the take is heard as one channel."""
    return max(1.0, take.sample_rate / 48_000)


def align(take: MediaInfo) -> Cost:
    """The warping matrix grows with the square of the length, up to a bound."""
    seconds = take.seconds
    return _of(1.2 + 0.03 * seconds + 5e-5 * seconds**2, 165 + 0.8 * seconds * _rate(take))


def alignment_picture(take: MediaInfo) -> Cost:
    return _of(0.5 + 0.006 * take.seconds, 115 + 0.65 * take.seconds * _rate(take))


def page(notes: int) -> Cost:
    return _of(0.45 + notes / 2000 + 2e-6 * notes**2, 100 + 0.08 * notes)


def interchange(notes: int) -> Cost:
    return _of(0.25 + notes / 3500, 50 + notes / 100)


# codec -> (seconds a frame at any size, and at full HD; seconds a beat at full HD; MB at any
# size, and for full HD)
_OVERLAYS: Final = {
    "rle": (0.0002, 0.001, 0.0, 85, 85),
    "vp9": (0.0003, 0.0103, 0.0, 110, 365),
    "prores": (0.0001, 0.0, 0.13, 85, 115),  # each picture is coded once, however long it stands
}


def overlay(codec: str, size: tuple[int, int], *, frames: float, beats: float) -> Cost:
    each, full, beat, base_mb, full_mb = _OVERLAYS[codec]
    share = size[0] * size[1] / _FULL_HD
    return _of(0.35 + frames * (each + full * share) + beats * beat * share, base_mb + full_mb * share)


def clip(size: tuple[int, int], *, frames: float) -> Cost:
    """The picture passes through frame by frame: the memory does not grow with the length."""
    share = size[0] * size[1] / _FULL_HD
    return _of(0.6 + frames * (0.0004 + 0.016 * share), 140 + 290 * share)


def backing(seconds: float) -> Cost:
    """All of the mix is in memory, several times over.

    seconds : of the music
    """
    return _of(1.5 + 0.045 * seconds + 4e-5 * seconds**2, 150 + 4.0 * seconds)


def mp3(seconds: float) -> Cost:
    return _of(0.4 + 0.125 * seconds, 200 + 3.4 * seconds)


def tags(seconds: float) -> Cost:
    return _of(0.2, 50 + 0.05 * seconds)


def pack(seconds: float) -> Cost:
    """What it holds grows with the music and the take, yet is copied in pieces."""
    return _of(0.3 + 0.005 * seconds, 60)
