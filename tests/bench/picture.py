"""How long pictures take, and how large they get: run by hand.

``python -m tests.bench.picture`` prints one line for each product.
"""

from __future__ import annotations

import tempfile
import time
from fractions import Fraction as F
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.music.metre import Form
from pipeline.music.timemap import TimeMap
from pipeline.page.look import default_look
from pipeline.picture.clip import render_clip
from pipeline.picture.encode import CODECS
from pipeline.picture.overlay import render_overlay
from pipeline.picture.plots import alignment_picture
from pipeline.picture.still import render_still
from tests.samples import chart_of

SECONDS = 60.0


def run() -> list[dict[str, Any]]:
    """Seconds spent, bytes written and the length of each product."""
    form = Form.plain(26)
    spans = chart_of(*["Am7", "D9", "Am7 Em7", "F#m7b5/C B7"] * 6, "Am7", "Am7").spans(form)
    played = TimeMap.steady(104, start_s=0.4)
    look = default_look()
    found: list[dict[str, Any]] = []
    with tempfile.TemporaryDirectory() as folder:
        for name, codec in CODECS.items():
            length = SECONDS if name != "prores" else 5.0
            path = Path(folder) / f"{name}{codec.suffix}"
            start = time.perf_counter()
            render_overlay(
                path,
                spans,
                played,
                seconds=length,
                fps=F(30),
                look=look,
                form=form,
                codec=name,
                title="Low Tide",
            )
            found.append(_row(f"overlay 1080p30 {name}", start, path, length))
        import soundfile

        take = Path(folder) / "take.flac"
        tone = 0.2 * np.sin(2 * np.pi * 220 * np.arange(int(48000 * SECONDS)) / 48000)
        soundfile.write(take, tone, 48000)
        path = Path(folder) / "clip.mp4"
        start = time.perf_counter()
        render_clip(path, take, spans, played, look=look, form=form, title="Low Tide")
        found.append(_row("clip 1080p30 over a still", start, path, SECONDS))
        path = Path(folder) / "still.png"
        start = time.perf_counter()
        render_still(path, title="Low Tide", look=look)
        found.append(_row("still 720p", start, path, 0.0))
        path = Path(folder) / "bars.png"
        start = time.perf_counter()
        path.write_bytes(alignment_picture(tone, 48000, [(i, 2.3 * i, 1.0) for i in range(26)]))
        found.append(_row("picture of a take", start, path, SECONDS))
    return found


def _row(name: str, start: float, path: Path, length: float) -> dict[str, Any]:
    return {
        "what": name,
        "spent_s": round(time.perf_counter() - start, 2),
        "bytes": path.stat().st_size,
        "length_s": length,
    }


if __name__ == "__main__":
    for row in run():
        print(row)
