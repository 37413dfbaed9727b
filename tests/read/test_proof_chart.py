"""Chords that fall between the beats because too many or too few share their bar."""

from __future__ import annotations

import pytest

from pipeline.errors import Problems
from pipeline.music.metre import Form, Metre
from pipeline.read.charttext import read_chart_text
from pipeline.read.places import Places
from pipeline.read.proof_chart import uneven
from tests.read.proofs import CHART
from tests.samples import tab_of


def slipped(text: str, tab_metre: str | None = None) -> list[tuple[int | None, str]]:
    """Column and detail of each finding in a chart of one line (behind its headers)."""
    places = Places(CHART)
    chart = read_chart_text(text, path=CHART, problems=Problems(), places=places)
    assert chart is not None
    metre = Metre.parse(tab_metre) if tab_metre else None
    tab = tab_of([], form=Form.plain(len(chart.bars), metre)) if metre else None
    return [(finding.place.column, finding.detail) for finding in uneven(chart, places, tab)]


@pytest.mark.parametrize(
    ("text", "metre", "found"),
    [
        ("| C | A B C D E F G A B |", "7/8", [(9, "9 slots in 7/8")]),
        ("| C Dm Em F |", "3/4", [(5, "4 slots in 3/4")]),
        ("| C G |", "7/8", [(5, "2 slots in 7/8")]),
        ("| Bb / D |", "4/4", [(8, "3 slots in 4/4")]),
        ("| C . G |", "3/4", []),
        ("| C G |", "3/4", []),
        ("| C G |", "6/8", []),
        ("| C D E F G A B C |", "4/4", []),
        ("| C . . . G . . |", "7/8", []),
        ("| C G@5/16 |", "4/4", []),
        ("| C Dm Em F G |", "5/4", []),
    ],
)
def test_by_the_metre_of_the_tab(text: str, metre: str, found: list[tuple[int, str]]) -> None:
    """Chords change on beats or eighths: common practice."""
    assert slipped(text, metre) == found


def test_without_a_tab_the_metre_of_the_chart_counts() -> None:
    assert slipped("time: 3/4\n| C Dm Em F |") == [(5, "4 slots in 3/4")]
    assert slipped("| C Dm Em |") == []
