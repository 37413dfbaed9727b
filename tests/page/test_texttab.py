"""The text tab as written: it reads back as the same tab, and is tidy."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction as F
from pathlib import Path
from random import Random

import pytest
from hypothesis import HealthCheck, Phase, given, settings

from pipeline.errors import Problems
from pipeline.music.metre import Bar, Form, Metre
from pipeline.music.tab import Tab
from pipeline.page.texttab import MAX_WIDTH, write_text_tab
from pipeline.page.texttab_notes import duration_text
from pipeline.read.texttab import read_text_tab
from pipeline.read.texttab_values import read_duration
from tests.samples import lead_tab, waltz_tab
from tests.strategies import tabs
from tests.wholetabs import whole_tab, whole_tabs


def back(text: str) -> Tab | None:
    problems = Problems()
    tab = read_text_tab(text, path=Path("tab.txt"), problems=problems)
    assert not problems.errors, "\n".join(p.text() for p in problems) + "\n" + text
    return tab


@settings(
    max_examples=60,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
    derandomize=True,
    phases=[Phase.explicit, Phase.generate],  # shrinking a whole tab takes minutes
)
@given(tabs() | tabs(odd=True) | whole_tabs())
def test_what_is_written_reads_back_as_the_same_tab(tab: Tab) -> None:
    text = write_text_tab(tab)
    again = back(text)
    assert again is not None
    assert again.notes == tab.notes, text
    assert again == tab, text
    assert write_text_tab(again) == text


@pytest.mark.slow
def test_thousands_of_whole_tabs_read_back() -> None:
    for seed in range(4000):
        tab = whole_tab(Random(seed))
        text = write_text_tab(tab)
        assert back(text) == tab, f"{seed}\n{text}"


@pytest.mark.parametrize("tab", [lead_tab(), waltz_tab()], ids=["lead", "waltz"])
def test_samples_read_back(tab: Tab) -> None:
    assert back(write_text_tab(tab)) == tab


def test_a_short_bar_in_the_middle_reads_back() -> None:
    bars = list(lead_tab().form.bars)
    bars[3] = replace(bars[3], length=F(3))
    notes = tuple(n for n in lead_tab().notes if n.end <= 15)
    tab = replace(lead_tab(), form=Form((*bars, Bar(5, Metre(), F(4)))), notes=notes)
    assert back(write_text_tab(tab)) == tab


def test_systems_are_rectangles_of_bounded_width() -> None:
    text = write_text_tab(lead_tab())
    for block in text.split("\n\n")[1:]:
        strings = [line for line in block.splitlines() if line[1:2] == "|"]
        assert len(strings) == 6
        assert len({len(line) for line in strings}) == 1
        assert len(strings[0]) <= MAX_WIDTH + 2
        bars = {tuple(i for i, c in enumerate(line) if c == "|") for line in strings}
        assert len(bars) == 1, "barlines stand one above the other"


def test_the_lead_sample_as_a_musician_sees_it() -> None:
    lines = write_text_tab(lead_tab()).split("\n\n")[1].splitlines()
    assert lines[0] == "[Call]"
    assert "7b9" in lines[4]
    assert "8b10r8" in lines[3]
    assert "5~~" in lines[2]


@pytest.mark.parametrize(
    ("quarters", "text"),
    [
        (F(4), "w"), (F(3), "h."), (F(7, 2), "h.."), (F(1), "q"), (F(3, 4), "e."), (F(1, 3), "e3"), (F(2, 3), "q3"),
        (F(1, 8), "t"), (F(4, 11), "e(11)"), (F(4, 9), "e9"), (F(5, 4), "q+s"), (F(5, 2), "h+e"), (F(1, 5), "s5"), (F(5, 48), "{5/48}"), (F(6), "w."),
    ],
)  # fmt: skip
def test_durations_are_written_short_and_read_back(quarters: F, text: str) -> None:
    assert duration_text(quarters) == text
    mark = read_duration(text)
    assert mark is not None
    assert mark.step == quarters
