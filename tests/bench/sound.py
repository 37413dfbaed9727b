"""How long a backing track takes against its length, after imports, with both synthesizers;
and what the meter says of the result."""

from __future__ import annotations

import os
import tempfile
import time
from collections.abc import Iterator
from fractions import Fraction as F
from functools import partial
from pathlib import Path

from pipeline.music.chart import ChordSpan
from pipeline.music.metre import Form
from pipeline.music.tab import Tab
from pipeline.music.technique import Bend, Technique, Vibrato
from pipeline.sound.backing import make_backings
from pipeline.sound.files import write_mp3, write_wav
from tests.bench.figures import Figure, seconds_of
from tests.samples import chart_of, tab_of


def piece(bars: int = 24) -> tuple[Tab, tuple[ChordSpan, ...]]:
    """A blues with eight lead notes in every bar, some bent."""
    rows: list[tuple[F | int, F | int, int, int, tuple[Technique, ...]]] = []
    for bar in range(bars):
        for place in range(8):
            marks: tuple[Technique, ...] = (Bend.up(2),) if place == 4 else (Vibrato(),) if place == 7 else ()
            rows.append((4 * bar + F(place, 2), F(1, 2), 3 - place % 2, 5 + place % 4, marks))
    tab = tab_of(rows, form=Form.plain(bars), bpm=100)
    chords = ["A7", "D7", "A7", "A7", "D7", "D7", "A7", "A7", "E7", "D7", "A7", "E7"]
    return tab, chart_of(*(chords[i % 12] for i in range(bars))).spans(tab.form)


def run() -> Iterator[Figure]:
    """Both mixes by each synthesizer, in processor time; then the files."""
    tab, spans = piece()
    short, short_spans = piece(2)
    before = os.environ.get("LESSONWRIGHT_SYNTH")
    try:
        for choice in ("", "pip"):
            os.environ["LESSONWRIGHT_SYNTH"] = choice
            make_backings(short, short_spans, groove="shuffle", tempo_bpm=100, seed=1)  # imports
            begun = time.process_time()
            made = make_backings(tab, spans, groove="shuffle", tempo_bpm=100, seed=1)
            spent_s = time.process_time() - begun
            levels = ", ".join(
                f"{lead} {mix.integrated_lufs:.2f} LUFS {mix.true_peak_dbtp:.2f} dBTP"
                for lead, mix in made.items()
            )
            name = made["none"].synthesizer.split()[0]
            yield Figure(
                f"mixes by {name}", spent_s, sum(mix.seconds for mix in made.values()), "their length", levels
            )
    finally:
        if before is None:
            del os.environ["LESSONWRIGHT_SYNTH"]
        else:
            os.environ["LESSONWRIGHT_SYNTH"] = before
    mix = made["none"]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a"
        for kind, write in (("wav", write_wav), ("mp3", write_mp3)):
            spent_s = seconds_of(partial(write, path, mix.audio, mix.rate))
            yield Figure(f"{kind} written", spent_s, mix.seconds, "its length")
