"""Tab and chart files by their kind."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Final

from pipeline.errors import Problems
from pipeline.music.chart import Chart
from pipeline.music.instrument import Instrument
from pipeline.music.key import Key
from pipeline.music.tab import Tab
from pipeline.read.charttext import read_chart_text
from pipeline.read.musicxml import read_musicxml
from pipeline.read.musicxml_chart import read_musicxml_chart
from pipeline.read.places import Places
from pipeline.read.source import SourceText, read_text
from pipeline.read.texttab import read_text_tab
from pipeline.read.texttab_lines import sort_lines

TEXT_TABS: Final = (".txt", ".tab")
SCORES: Final = (".musicxml", ".xml", ".mxl")
MIDI_FILES: Final = (".mid", ".midi")
TEXT_CHARTS: Final = (".txt", ".chart")
_OF_TABS: Final = ("instrument", "tuning", "capo", "frets")  # headers that no chart has
_OF_CHARTS: Final = re.compile(r"[A-WYZ]| - ")  # names of chords and held slots, which no string has
_SURELY: Final = 3  # lines one above the other that can only be strings


def read_tab(
    path: Path,
    problems: Problems,
    *,
    tempo_bpm: float | None = None,
    title: str = "",
    part: str | None = None,
    instrument: Instrument | None = None,
    places: Places | None = None,
) -> Tab | None:
    """Read a tab file by its ending; None when there are errors, which are told.

    tempo_bpm : quarter notes a minute at the start, before what the file says
    title : before what the file says
    part : which part of a score or track of a MIDI file, by its name; the first that fits else
    instrument : what to lay notes on that state no strings, where the file does not say
    places : told where each bar and note stands
    """
    kind = path.suffix.lower()
    if kind in SCORES:
        return read_musicxml(path, problems, title=title, tempo_bpm=tempo_bpm, part=part, places=places)
    if kind in MIDI_FILES:
        from pipeline.read.midi import read_midi

        return read_midi(
            path, problems, title=title, tempo_bpm=tempo_bpm, instrument=instrument, track=part, places=places
        )
    if kind not in TEXT_TABS:
        _unknown(path, problems, (*TEXT_TABS, *SCORES, *MIDI_FILES), "tab")
        return None
    text = read_text(path, problems)
    if text is None:
        return None
    return read_text_tab(text, path=path, problems=problems, tempo_bpm=tempo_bpm, title=title, places=places)


def read_chart(
    path: Path,
    problems: Problems,
    *,
    part: str | None = None,
    key: Key | None = None,
    places: Places | None = None,
) -> Chart | None:
    """Read a chord chart by its file's ending; None when there are errors, which are told.

    part : which part of a score; else the one that names most chords
    key : what degrees are read in when the chart states no key
    places : told where each bar and chord stands
    """
    kind = path.suffix.lower()
    if kind in SCORES:
        return read_musicxml_chart(path, problems, part=part, places=places)
    if kind not in TEXT_CHARTS:
        _unknown(path, problems, (*TEXT_CHARTS, *SCORES), "chart")
        return None
    text = read_text(path, problems)
    if text is None:
        return None
    return read_chart_text(text, path=path, problems=problems, key=key, places=places)


def holds_tab(path: Path) -> bool:
    """Whether a text file holds strings, as a tab does and a chart does not."""
    text = read_text(path, Problems())
    if text is None:
        return False
    sheet = sort_lines(SourceText(text, path=path, problems=Problems()))
    if not sheet.headers.keys().isdisjoint(_OF_TABS):
        return True
    for system in sheet.systems:
        lines = [line.text[line.start :] for line in system.strings]
        strings = [line for line in lines if "-" in line and not _OF_CHARTS.search(line)]
        if len(strings) >= _SURELY or any(2 * line.count("-") > len(line) for line in strings):
            return True
    return False


def _unknown(path: Path, problems: Problems, known: tuple[str, ...], what: str) -> None:
    kind = f"a {path.suffix} file" if path.suffix else "a file without an ending such as .txt"
    problems.error(
        f"a {what} cannot be read from {kind}", path=path, remedy=f"A {what} is read from {', '.join(known)}."
    )
