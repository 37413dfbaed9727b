"""How long sixty-four bars take on the page, and how that grows with the length of the piece."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial

from pipeline.music.tab import Tab
from pipeline.page.engrave import engrave
from pipeline.page.midi import write_midi
from pipeline.page.musicxml import write_musicxml
from tests.bench.figures import Figure, seconds_of
from tests.page.pieces import long_tab

SHORT, LONG = 16, 64  # bars


def run() -> Iterator[Figure]:
    """Each product of the long piece against the short one as many times over, after imports."""
    works: dict[str, Callable[[Tab], object]] = {
        "engraved": engrave, "MusicXML": write_musicxml, "MIDI": write_midi,
    }  # fmt: skip
    tabs = {bars: long_tab(bars) for bars in (SHORT, LONG)}
    for name, work in works.items():
        work(tabs[SHORT])
        long_s, short_s = (seconds_of(partial(work, tabs[bars]), tries=2) for bars in (LONG, SHORT))
        yield Figure(f"{name}, {LONG} bars", long_s, short_s * LONG / SHORT, f"{LONG // SHORT} times {SHORT}")
