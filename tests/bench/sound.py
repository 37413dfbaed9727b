"""How long a backing track takes: ``python -m tests.bench.sound`` prints one line a figure.

Figures are seconds of processor time for each minute of music and each edition, after
imports, with both synthesizers; and what the meter says of the result.
"""

from __future__ import annotations

import os
import tempfile
import time
from fractions import Fraction as F
from pathlib import Path

from pipeline.music.chart import ChordSpan
from pipeline.music.metre import Form
from pipeline.music.tab import Tab
from pipeline.music.technique import Bend, Technique, Vibrato
from pipeline.sound.backing import make_backings
from pipeline.sound.files import write_mp3, write_wav
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


def run() -> dict[str, float]:
    """The figures by name."""
    tab, spans = piece()
    short, short_spans = piece(2)
    found: dict[str, float] = {}
    before = os.environ.get("LESSONWRIGHT_SYNTH")
    try:
        for choice in ("", "pip"):
            os.environ["LESSONWRIGHT_SYNTH"] = choice
            make_backings(short, short_spans, groove="shuffle", tempo_bpm=100, seed=1)  # imports
            begin = time.process_time()
            made = make_backings(tab, spans, groove="shuffle", tempo_bpm=100, seed=1)
            spent = time.process_time() - begin
            minutes = sum(b.seconds for b in made.values()) / 60
            name = made["none"].synthesizer.split()[0]
            found[f"sound.{name}_s_per_minute_of_edition"] = round(spent / minutes, 2)
            for lead, backing in made.items():
                found[f"sound.{name}_{lead}_lufs"] = backing.integrated_lufs
                found[f"sound.{name}_{lead}_dbtp"] = backing.true_peak_dbtp
    finally:
        if before is None:
            del os.environ["LESSONWRIGHT_SYNTH"]
        else:
            os.environ["LESSONWRIGHT_SYNTH"] = before
    with tempfile.TemporaryDirectory() as folder:
        for kind, write in (("wav", write_wav), ("mp3", write_mp3)):
            begin = time.perf_counter()
            write(Path(folder) / f"a.{kind}", made["none"].audio, made["none"].rate)
            spent = time.perf_counter() - begin
            found[f"sound.{kind}_s_per_minute"] = round(spent / (made["none"].seconds / 60), 2)
    return found


if __name__ == "__main__":
    for name, value in run().items():
        print(f"{name} {value:g}")
