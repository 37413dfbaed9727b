"""How long a page takes: python -m tests.bench.page."""

from __future__ import annotations

import time

from pipeline.page.engrave import engrave
from pipeline.page.midi import write_midi
from pipeline.page.musicxml import write_musicxml
from tests.page.pieces import long_tab
from tests.samples import lead_tab


def run() -> dict[str, float]:
    """Seconds for a tab of 64 bars, after imports."""
    engrave(lead_tab())
    tab = long_tab(64)
    found = {}
    for name, work in (("engrave", engrave), ("musicxml", write_musicxml), ("midi", write_midi)):
        begin = time.perf_counter()
        work(tab)  # type: ignore[operator]
        found[f"page.{name}_64_bars_s"] = round(time.perf_counter() - begin, 3)
    return found


if __name__ == "__main__":
    for name, seconds in run().items():
        print(f"{name} {seconds}")
