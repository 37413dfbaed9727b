"""A tab, a chart, a score or a MIDI file that is proofread by itself, without a lesson."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

from pipeline.errors import Problems
from pipeline.music.chart import Chart, ChordSpan
from pipeline.music.errors import MusicError
from pipeline.music.tab import Tab
from pipeline.read.places import Places
from pipeline.read.proof import Music, chart_findings, proofread, tell
from pipeline.read.tabfile import MIDI_FILES, SCORES, TEXT_CHARTS, TEXT_TABS, holds_tab, read_chart, read_tab

MUSIC_FILES: Final = (*TEXT_TABS, *TEXT_CHARTS, *SCORES, *MIDI_FILES)


@dataclass(frozen=True)
class ReadFile:
    """A file that was tried. A text file holds a tab or a chart, a score may hold both; ``tab`` and
    ``chart`` are None where it holds none or ``problems`` has errors."""

    path: Path
    tab: Tab | None
    chart: Chart | None
    problems: Problems

    @property
    def title(self) -> str:
        held = self.tab or self.chart
        return held.title if held is not None else ""


def is_music(path: Path) -> bool:
    """Whether a path is that of a file with music by its ending."""
    return path.suffix.lower() in MUSIC_FILES and path.is_file()


def proofread_file(path: Path) -> ReadFile:
    """Read a file by its kind and proofread what it holds."""
    problems = Problems()
    kind = path.suffix.lower()
    if kind in TEXT_CHARTS and (kind not in TEXT_TABS or not holds_tab(path)):
        places = Places(path)
        chart = read_chart(path, problems, places=places)
        if chart is not None:
            tell(chart_findings(chart, places), problems)
        return ReadFile(path, None, chart, problems)
    tab_places, chart_places = Places(path), Places(path)
    tab = read_tab(path, problems, places=tab_places)
    if tab is None:
        return ReadFile(path, None, None, problems)
    chart = _chords(path, chart_places, problems) if kind in SCORES else None
    spans: tuple[ChordSpan, ...] = ()
    if chart is not None:
        try:
            spans = chart.spans(tab.form)
        except MusicError as error:
            problems.error(str(error), path=path, remedy="Export the score again.")
    proofread(Music(tab, tab_places, chart, chart_places, spans), problems)
    return ReadFile(path, tab, chart, problems)


def _chords(path: Path, places: Places, problems: Problems) -> Chart | None:
    """The chart of a score; None when it names no chords, which a score need not."""
    own = Problems()
    chart = read_chart(path, own, places=places)
    if chart is not None:
        problems.found.extend(problem for problem in own if problem not in problems.found)
    return chart
