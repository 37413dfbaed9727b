"""How long reading takes: against what a user waits for, other readers, and shorter music.

The pieces have 200 bars: three times as long as a whole lesson. ``BOUNDS_S`` is what the
reading of a melody may take before a check feels slow; a share over 1 is too much. Beside it
stand how the time grows with the length, and what music21 takes for the very same file. Full
chords are five times the notes, with a word for every fourth one.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator
from dataclasses import replace
from fractions import Fraction as F
from functools import partial
from pathlib import Path
from typing import Final

from pipeline.errors import Problems
from pipeline.music.chart import Chart
from pipeline.music.instrument import INSTRUMENTS
from pipeline.music.tab import Lyric, Phrase, Tab
from pipeline.music.technique import LetRing, PalmMute, Stroke, Technique
from pipeline.page.midi import write_midi
from pipeline.page.musicxml import write_musicxml
from pipeline.page.texttab import write_text_tab
from pipeline.read.tabfile import read_chart, read_tab
from tests.bench.figures import Figure, seconds_of
from tests.page.pieces import long_tab
from tests.samples import chart_of, tab_of

SHORT, LONG = 50, 200  # bars
BOUNDS_S: Final = {"text tab": 0.050, "MusicXML": 0.400}  # for LONG bars
SUFFIXES: Final = {"text tab": ".txt", "MusicXML": ".musicxml", "MIDI": ".mid"}
_CHORDS: Final = ("Am7 D9", "Bbmaj9/D", "F#m7b5 B7#9 Em", "Em7 . . E7sus4")


def strummed_tab(bars: int) -> Tab:
    """Full chords in eighths with strokes, some muted, and a line of words: as many signs as a page holds."""
    rows: list[tuple[F | int, F | int, int, int, tuple[Technique, ...]]] = []
    for n in range(8 * bars):
        marks: tuple[Technique, ...] = (Stroke(n % 2 == 0), PalmMute() if n % 8 in (6, 7) else LetRing())
        rows += [
            (F(n, 2), F(1, 2), string, fret, marks) for string, fret in enumerate((0, 1, 0, 2, 3), start=1)
        ]
    tab = tab_of(rows, form=long_tab(bars).form, title="Full chords")
    lyrics = tuple(Lyric(F(n), ("tide-", "less", "is", "long")[n % 4]) for n in range(4 * bars))
    return replace(tab, lyrics=lyrics, phrases=(Phrase("All", 1, bars),), instrument=INSTRUMENTS["guitar"])


PIECES: Final = {"lead": long_tab, "chords": strummed_tab}


def chart_text(bars: int) -> str:
    lines = ["key: Am", "feel: shuffle", ""]
    for n in range(0, bars, 4):
        names = " | ".join(_CHORDS[i % len(_CHORDS)] for i in range(n, min(n + 4, bars)))
        lines.append(f"{f'[Part {n // 8 + 1}] ' if n % 8 == 0 else ''}| {names} |")
    return "\n".join(lines) + "\n"


def _write(kind: str, tab: Tab) -> bytes:
    if kind == "text tab":
        return write_text_tab(tab).encode()
    if kind == "MIDI":
        return write_midi(tab)
    chords = [("Am7", "D9", "Am7 Em7", "Am7")[n % 4] for n in range(len(tab.form.bars))]
    return write_musicxml(tab, chart_of(*chords).spans(tab.form))


def _tab(path: Path, bars: int) -> Tab:
    problems = Problems()
    tab = read_tab(path, problems)
    assert tab is not None, [problem.text() for problem in problems.errors[:3]]
    assert len(tab.form.bars) == bars
    return tab


def _chart(path: Path, bars: int) -> Chart:
    problems = Problems()
    chart = read_chart(path, problems)
    assert chart is not None, [problem.text() for problem in problems.errors[:3]]
    assert len(chart.bars) == bars
    return chart


def _growth(what: str, read: Callable[[int], object], long_s: float) -> Figure:
    short_s = seconds_of(partial(read, SHORT), tries=5)
    return Figure(what, long_s, short_s * LONG / SHORT, f"{LONG // SHORT} times {SHORT} bars")


def run() -> Iterator[Figure]:
    """Each kind of source and piece: its time, what it may be, and its growth."""
    with tempfile.TemporaryDirectory() as folder:
        for piece, make in PIECES.items():
            for kind, suffix in SUFFIXES.items():
                paths = {bars: Path(folder) / f"{piece}-{bars}{suffix}" for bars in (SHORT, LONG)}
                for bars, path in paths.items():
                    path.write_bytes(_write(kind, make(bars)))
                    _tab(path, bars)  # and imports
                read = lambda bars, paths=paths: _tab(paths[bars], bars)  # noqa: E731
                yield from _figures(f"{kind}, {LONG} bars of {piece}", kind, read, paths[LONG])
        charts = {bars: Path(folder) / f"{bars}.chart" for bars in (SHORT, LONG)}
        for bars, path in charts.items():
            path.write_text(chart_text(bars), "utf-8")
            _chart(path, bars)
        what = f"chart text, {LONG} bars"
        read_it = lambda bars: _chart(charts[bars], bars)  # noqa: E731
        yield _growth(what, read_it, seconds_of(partial(read_it, LONG), tries=5))
        score = Path(folder) / f"lead-{LONG}.musicxml"
        seconds = seconds_of(partial(_chart, score, LONG), tries=3)
        yield Figure(f"chart from MusicXML, {LONG} bars", seconds, BOUNDS_S["MusicXML"], "what it may take")


def _figures(what: str, kind: str, read: Callable[[int], object], path: Path) -> Iterator[Figure]:
    long_s = seconds_of(partial(read, LONG), tries=5)
    if kind in BOUNDS_S and what.endswith("lead"):
        yield Figure(what, long_s, BOUNDS_S[kind], "what it may take", f"{len(path.read_bytes()):,} bytes")
    yield _growth(what, read, long_s)
    if kind != "text tab":
        yield Figure(
            what, long_s, seconds_of(partial(_by_music21, path), tries=2), "music21's time for the same file"
        )


def _by_music21(path: Path) -> object:
    from music21 import converter

    return converter.parse(path, forceSource=True, storePickle=False)
