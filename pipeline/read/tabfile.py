"""Tab and chart files by their kind."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from pipeline.errors import Problems
from pipeline.music.chart import Chart
from pipeline.music.tab import Tab
from pipeline.read.charttext import read_chart_text
from pipeline.read.source import read_text
from pipeline.read.texttab import read_text_tab

TEXT_TABS: Final = (".txt", ".tab")
SCORES: Final = (".musicxml", ".xml", ".mxl")
TEXT_CHARTS: Final = (".txt", ".chart")


def read_tab(
    path: Path, problems: Problems, *, tempo_bpm: float | None = None, title: str = ""
) -> Tab | None:
    """Read a tab file by its ending; None when there are errors, which are told.

    tempo_bpm : quarter notes a minute at the start, before what the file says
    title : before what the file says
    """
    kind = path.suffix.lower()
    if kind in TEXT_TABS:
        text = read_text(path, problems)
        return None if text is None else read_text_tab(
            text, path=path, problems=problems, tempo_bpm=tempo_bpm, title=title
        )  # fmt: skip
    _unknown(path, problems, TEXT_TABS, "tab")
    return None


def read_chart(path: Path, problems: Problems) -> Chart | None:
    """Read a chord chart by its file's ending; None when there are errors, which are told."""
    kind = path.suffix.lower()
    if kind in TEXT_CHARTS:
        text = read_text(path, problems)
        return None if text is None else read_chart_text(text, path=path, problems=problems)
    _unknown(path, problems, TEXT_CHARTS, "chart")
    return None


def _unknown(path: Path, problems: Problems, known: tuple[str, ...], what: str) -> None:
    problems.error(
        f"a {what} cannot be read from a {path.suffix or 'nameless kind of'} file",
        path=path,
        remedy=f"A {what} is read from {', '.join(known)}.",
    )
