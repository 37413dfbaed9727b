"""How long pictures take against the length of what they show, and how large they get."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from fractions import Fraction as F
from pathlib import Path

import numpy as np
import soundfile

from pipeline.music.metre import Form
from pipeline.music.timemap import TimeMap
from pipeline.page.look import default_look
from pipeline.picture.clip import render_clip
from pipeline.picture.encode import CODECS
from pipeline.picture.overlay import render_overlay
from pipeline.picture.plots import alignment_picture
from pipeline.picture.still import render_still
from tests.bench.figures import Figure, seconds_of
from tests.samples import chart_of

SECONDS = 20.0


def run() -> Iterator[Figure]:
    """Each codec of the overlay, the clip over a still, the still, the picture of a take."""
    form = Form.plain(8)
    spans = chart_of(*["Am7", "D9", "Am7 Em7", "F#m7b5/C B7"] * 2).spans(form)
    played = TimeMap.steady(104, start_s=0.4)
    look = default_look()
    with tempfile.TemporaryDirectory() as folder:
        for name, codec in CODECS.items():
            length = SECONDS if name != "prores" else 5.0
            path = Path(folder) / f"{name}{codec.suffix}"

            def overlay(path: Path = path, length: float = length, name: str = name) -> None:
                render_overlay(
                    path, spans, played, seconds=length, fps=F(30), look=look, form=form, codec=name,
                    title="Low Tide",
                )  # fmt: skip

            spent_s = seconds_of(overlay)
            yield _figure(f"overlay 1080p30 {name}", spent_s, path, length)
        take = Path(folder) / "take.flac"
        tone = 0.2 * np.sin(2 * np.pi * 220 * np.arange(int(48000 * SECONDS)) / 48000)
        soundfile.write(take, tone, 48000)
        clip = Path(folder) / "clip.mp4"
        spent_s = seconds_of(
            lambda: render_clip(
                clip, take, spans, played, look=look, form=form, title="Low Tide", fps=F(30)
            )
        )  # fmt: skip
        yield _figure("clip 1080p30 over a still", spent_s, clip, SECONDS)
        still = Path(folder) / "still.png"
        spent_s = seconds_of(lambda: render_still(still, title="Low Tide", look=look))
        yield _figure("still 720p", spent_s, still, SECONDS)
        bars = Path(folder) / "bars.png"
        marks = [(number, 2.3 * number, 1.0) for number in range(8)]
        spent_s = seconds_of(lambda: bars.write_bytes(alignment_picture(tone, 48000, marks)))
        yield _figure("picture of a take", spent_s, bars, SECONDS)


def _figure(what: str, spent_s: float, path: Path, length_s: float) -> Figure:
    size = path.stat().st_size / 1e6
    return Figure(what, spent_s, length_s, f"{length_s:.0f} s shown", f"{size:.2f} MB")
