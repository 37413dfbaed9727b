"""What steps are said to cost, against what they cost when they were measured.

The figures are of steps run alone in fresh processes (takes of 11.8, 46.4 and 602.9 s, 44.1 kHz,
1920 × 1080 at 30 frames a second; tabs of the same length): processor seconds, and MB of the
process with the programs it starts.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest

from pipeline.build import costs
from pipeline.build.costs import Cost
from pipeline.read.media import MediaInfo, VideoInfo

HD = (1920, 1080)
UHD = (3840, 2160)
SMALL = (640, 360)


def take(seconds: float) -> MediaInfo:
    return MediaInfo(Path("take.mp4"), "video", seconds, 44_100, 1, "aac",
                     VideoInfo(*HD, Fraction(30), 0, "h264"))  # fmt: skip


TAKES = (take(11.8), take(46.4), take(602.9))
MEASURED: list[tuple[str, Cost, float, int]] = [
    ("align", costs.align(TAKES[0]), 1.3, 149),
    ("align", costs.align(TAKES[1]), 2.2, 176),
    ("align", costs.align(TAKES[2]), 35.7, 564),
    ("picture", costs.alignment_picture(TAKES[0]), 0.4, 103),
    ("picture", costs.alignment_picture(TAKES[1]), 0.6, 128),
    ("picture", costs.alignment_picture(TAKES[2]), 3.2, 412),
    ("page", costs.page(45), 0.3, 86),
    ("page", costs.page(170), 0.5, 95),
    ("page", costs.page(2326), 12.6, 258),
    ("musicxml", costs.interchange(2326), 0.8, 57),
    ("rle", costs.overlay("rle", SMALL, frames=353, beats=20), 0.4, 79),
    ("rle", costs.overlay("rle", HD, frames=353, beats=20), 0.7, 141),
    ("rle", costs.overlay("rle", HD, frames=1393, beats=76), 1.7, 153),
    ("rle", costs.overlay("rle", HD, frames=18086, beats=1040), 20.2, 161),
    ("rle", costs.overlay("rle", UHD, frames=353, beats=20), 1.76, 370),
    ("vp9", costs.overlay("vp9", SMALL, frames=353, beats=20), 0.61, 145),
    ("vp9", costs.overlay("vp9", HD, frames=353, beats=20), 3.5, 464),
    ("vp9", costs.overlay("vp9", UHD, frames=353, beats=20), 14.0, 1515),
    ("prores", costs.overlay("prores", SMALL, frames=353, beats=20), 0.58, 87),
    ("prores", costs.overlay("prores", HD, frames=353, beats=20), 2.97, 184),
    ("prores", costs.overlay("prores", UHD, frames=353, beats=20), 11.6, 505),
    ("clip", costs.clip(SMALL, frames=948), 1.9, 160),
    ("clip", costs.clip(HD, frames=353), 7.9, 398),
    ("clip", costs.clip(HD, frames=1393), 27.4, 398),
    ("backing", costs.backing(11.5), 1.8, 175),
    ("backing", costs.backing(43.8), 3.5, 313),
    ("backing", costs.backing(602.3), 40.9, 2056),
    ("mp3", costs.mp3(11.5), 1.8, 186),
    ("mp3", costs.mp3(43.8), 6.2, 343),
    ("mp3", costs.mp3(602.3), 56.2, 1644),
]  # fmt: skip


@pytest.mark.parametrize(("name", "cost", "seconds", "memory_mb"), MEASURED)
def test_as_measured(name: str, cost: Cost, seconds: float, memory_mb: int) -> None:
    """Memory is never said too small; neither is far off."""
    assert memory_mb <= cost.memory_mb <= 1.5 * memory_mb
    assert 0.8 * seconds <= cost.weight <= 1.6 * seconds


def test_a_small_machine_holds_a_long_lesson() -> None:
    """A clip of ten minutes and two alignments fit into 8 GB with room for the rest of it."""
    long = take(600.0)
    together = costs.clip(HD, frames=18_000).memory_mb + 2 * costs.align(long).memory_mb
    assert together < 0.5 * 8000
    assert 2 * costs.backing(600.0).memory_mb < 0.75 * 8000


def test_finer_sound_needs_more() -> None:
    fine = replace(TAKES[2], sample_rate=96_000)
    assert costs.align(fine).memory_mb > 1.5 * costs.align(TAKES[2]).memory_mb
