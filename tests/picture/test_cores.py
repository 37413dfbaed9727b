"""The bytes of a video do not depend on how many cores the machine has."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from pathlib import Path

import pytest

from pipeline.picture.encode import CODECS

DRAW = """
import os, sys
from fractions import Fraction
from pathlib import Path
if sys.argv[1] == "one":
    os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
from pipeline.music.timemap import TimeMap
from pipeline.page.look import default_look
from pipeline.picture.clip import render_clip
from pipeline.picture.overlay import render_overlay
from tests.samples import lead_spans, lead_tab
tab, spans, folder = lead_tab(), lead_spans(), Path(sys.argv[2])
drawn = dict(look=default_look(), form=tab.form, title="Ebb")
for codec, suffix in (("rle", ".mov"), ("vp9", ".webm"), ("prores", ".mov")):
    render_overlay(folder / f"{codec}{suffix}", spans, TimeMap.of_tab(tab), seconds=3.0, size=(640, 360),
                   fps=Fraction(10), codec=codec, **drawn)
render_clip(folder / "clip.mp4", Path(sys.argv[3]), spans, TimeMap.of_tab(tab), size=(640, 360),
            fps=Fraction(10), **drawn)
"""


@pytest.mark.skipif(not hasattr(os, "sched_setaffinity"), reason="this system binds no process to a core")
def test_one_core_or_all_make_the_same_bytes(tmp_path: Path) -> None:
    import numpy as np
    import soundfile

    take = tmp_path / "take.wav"
    soundfile.write(take, 0.3 * np.sin(np.arange(3 * 48000) / 20), 48000)
    found = []
    for cores in ("one", "all"):
        folder = tmp_path / cores
        folder.mkdir()
        subprocess.run([sys.executable, "-c", DRAW, cores, str(folder), str(take)], check=True)
        files = sorted(folder.iterdir())
        assert len(files) == len(CODECS) + 1
        found.append({path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in files})
    assert found[0] == found[1]
