"""Tab and chart files by their kind."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from pipeline.errors import Problems
from pipeline.music.chart import Chart
from pipeline.music.tab import Tab
from pipeline.read.charttext import read_chart_text
from pipeline.read.musicxml import read_musicxml
from pipeline.read.musicxml_chart import read_musicxml_chart
from pipeline.read.places import Places
from pipeline.read.source import read_text
from pipeline.read.texttab import read_text_tab

TEXT_TABS: Final = (".txt", ".tab")
SCORES: Final = (".musicxml", ".xml", ".mxl")
TEXT_CHARTS: Final = (".txt", ".chart")


def read_tab(
    path: Path,
    problems: Problems,
    *,
    tempo_bpm: float | None = None,
    title: str = "",
    places: Places | None = None,
) -> Tab | None:
    """Read a tab file by its ending; None when there are errors, which are told.

    tempo_bpm : quarter notes a minute at the start, before what the file says
    title : before what the file says
    places : filled with where bars and notes stand
    """
    kind = path.suffix.lower()
    if kind in SCORES:
        return read_musicxml(path, problems, title=title, tempo_bpm=tempo_bpm, places=places)
    if kind not in TEXT_TABS:
        _unknown(path, problems, (*TEXT_TABS, *SCORES), "tab")
        return None
    text = read_text(path, problems)
    if text is None:
        return None
    return read_text_tab(text, path=path, problems=problems, tempo_bpm=tempo_bpm, title=title, places=places)


def read_chart(path: Path, problems: Problems, *, places: Places | None = None) -> Chart | None:
    """Read a chord chart by its file's ending; None when there are errors, which are told.

    places : filled with where bars and chords stand
    """
    kind = path.suffix.lower()
    if kind in SCORES:
        return read_musicxml_chart(path, problems, places=places)
    if kind not in TEXT_CHARTS:
        _unknown(path, problems, (*TEXT_CHARTS, *SCORES), "chart")
        return None
    text = read_text(path, problems)
    return None if text is None else read_chart_text(text, path=path, problems=problems)


def _unknown(path: Path, problems: Problems, known: tuple[str, ...], what: str) -> None:
    kind = f"a {path.suffix} file" if path.suffix else "a file without an ending such as .txt"
    problems.error(
        f"a {what} cannot be read from {kind}", path=path, remedy=f"A {what} is read from {', '.join(known)}."
    )
