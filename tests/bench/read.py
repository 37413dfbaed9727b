"""How long reading takes, and how it grows with the length of what is read."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from functools import partial
from pathlib import Path

from pipeline.errors import Problems
from pipeline.music.tab import Tab
from pipeline.page.musicxml import write_musicxml
from pipeline.page.texttab import write_text_tab
from pipeline.read.musicxml import read_musicxml
from pipeline.read.texttab import read_text_tab
from tests.bench.figures import Figure, seconds_of
from tests.page.pieces import long_tab

SHORT, LONG = 50, 200  # bars


def run() -> Iterator[Figure]:
    """Each kind of source: the long one against the short one as many times over."""
    with tempfile.TemporaryDirectory() as folder:
        texts: dict[int, str] = {}
        scores: dict[int, Path] = {}
        for bars in (SHORT, LONG):
            tab = long_tab(bars)
            texts[bars], scores[bars] = write_text_tab(tab), Path(folder) / f"{bars}.musicxml"
            scores[bars].write_bytes(write_musicxml(tab))

        def text(bars: int) -> Tab | None:
            return read_text_tab(texts[bars], path=Path("tab.txt"), problems=Problems())

        def score(bars: int) -> Tab | None:
            return read_musicxml(scores[bars], Problems())

        for name, read in (("text tab", text), ("MusicXML", score)):
            for bars in (SHORT, LONG):  # and imports
                tab_read = read(bars)
                assert tab_read is not None
                assert len(tab_read.form.bars) == bars
            long_s, short_s = (seconds_of(partial(read, bars), tries=3) for bars in (LONG, SHORT))
            against = f"{LONG // SHORT} times {SHORT}"
            yield Figure(f"{name}, {LONG} bars", long_s, short_s * LONG / SHORT, against)
