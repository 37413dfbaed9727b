"""Charts written as text: read back as the same chart, and tidy to look at."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.errors import Problems
from pipeline.music.chart import Chart
from pipeline.music.key import Key
from pipeline.page.charttext import write_chart_text
from pipeline.read.charttext import read_chart_text
from tests.chart_strategies import charts

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
