"""Charts written as text: read back as the same chart, and tidy to look at."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.errors import Problems
from pipeline.music.chart import Chart
from pipeline.music.errors import MusicError
from pipeline.music.key import Key
from pipeline.page.charttext import write_chart_text
from pipeline.read.charttext import read_chart_text
from tests.chart_strategies import charts
from tests.samples import chart_of

PATH = Path("chart.txt")


def read(text: str, *, key: Key | None = None) -> Chart:
    problems = Problems()
    chart = read_chart_text(text, path=PATH, problems=problems, key=key)
    assert chart is not None, "\n".join(p.text() for p in problems) + "\n" + text
    return chart


def comes_back(chart: Chart, *, chords: Literal["names", "roman", "numbers"]) -> None:
    text = write_chart_text(chart, chords=chords)
    again = read(text)
    for index, (bar, before) in enumerate(zip(again.bars, chart.bars, strict=True)):
        assert bar == before, f"bar {index}\n{text}"
    assert again == chart, text
    assert write_chart_text(again, chords=chords) == text


@given(charts())
@settings(max_examples=60, suppress_health_check=[HealthCheck.too_slow])
def test_every_chart_comes_back_whole(chart: Chart) -> None:
    comes_back(chart, chords="names")


@given(charts(keyed=True), st.sampled_from(["roman", "numbers"]))
@settings(max_examples=60, suppress_health_check=[HealthCheck.too_slow])
def test_every_chart_comes_back_whole_from_degrees(chart: Chart, chords: Literal["roman", "numbers"]) -> None:
    comes_back(chart, chords=chords)


@pytest.mark.slow
@given(charts(keyed=True), st.sampled_from(["names", "roman", "numbers"]))
@settings(max_examples=1500, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_a_great_many_charts_come_back_whole(
    chart: Chart, chords: Literal["names", "roman", "numbers"]
) -> None:
    comes_back(chart, chords=chords)


LOOSE = """\
Title: Two doors
time:  4/4
key: Am
#about the band
[Door]
|:Segno Am7|<Dm7^ . . G7|%|E7 or Bb7 To Coda:|x3
Am7 - Dm7 - |Am7 Am7@5/16|
tempo: q. = 60
[Wide door]
|1. F |2. <E7>  # ring
D.S. al Coda
[Coda]
| Am6! ||
"""
TIDY = """\
# about the band
title: Two doors
key: Am
time: 4/4

[Door]
|: Segno Am7 | <Dm7^ . . G7 | % | E7 or Bb7 To Coda :|x3
|  Am7 Dm7   | Am7 Am7@5/16 |

# ring
[Wide door]
tempo: 90
|1. F |2. <E7> D.S. al Coda |

[Coda]
| Coda Am6! ||
"""


def test_the_tidy_form_of_a_loose_chart() -> None:
    text = write_chart_text(read(LOOSE))
    assert write_chart_text(read(text)) == text
    assert text == TIDY


def test_one_chart_in_names_and_in_degrees() -> None:
    chart = read("key: Am\n| Am | G | F | E7 |\n| Dm7 G#dim7 | Am/C | Bm7b5 E7 | Am |\n")
    assert write_chart_text(chart, chords="roman") == (
        "key: Am\n\n"
        "| i         | VII | VI      | V7 |\n"
        "| iv7 vii°7 | i/3 | iiø7 V7 | i  |\n"
    )  # fmt: skip
    assert write_chart_text(chart, chords="numbers") == (
        "key: Am\n\n"
        "| 1-      | b7    | b6     | 57 |\n"
        "| 4-7 7°7 | 1-/b3 | 2ø7 57 | 1- |\n"
    )  # fmt: skip


def test_degrees_need_a_key() -> None:
    chart = chart_of("C", "F G7")
    with pytest.raises(MusicError, match="need a key"):
        write_chart_text(chart, chords="roman")
    text = write_chart_text(chart, chords="numbers", key=Key.parse("F"))
    assert text == "| 5 | 1 27 |\n"
    assert read(text, key=Key.parse("F")) == chart


def test_the_demo_charts_are_tidy_already() -> None:
    """Charts written by hand come out as they went in, but for the space that aligns their bars."""
    found = sorted(Path("configs").glob("*/chart.txt"))
    assert found
    for path in found:
        text = path.read_text(encoding="utf-8")
        again = write_chart_text(read(text))
        assert read(again) == read(text)
        assert again.count("%") >= text.count("| % |")
