"""Where a tab and its chart go apart: their lengths, section by section, and their metres."""

from __future__ import annotations

from collections.abc import Iterator

from pipeline.music.chart import Chart
from pipeline.music.errors import MusicError
from pipeline.music.tab import Tab
from pipeline.read.proof_form import sections_of


def first_difference(tab: Tab, chart: Chart) -> str:
    """Where two of different lengths go apart first, in words; nothing when nobody can tell.

    Sections are held against phrases of their name, then repeat signs and endings bar by bar.
    """
    phrases = {phrase.name.casefold(): phrase for phrase in reversed(tab.phrases)}
    for name, first, count in sections_of(chart):
        phrase = phrases.get(name.casefold())
        if phrase is None:
            continue
        low, high = tab.form.bar_span(phrase.first, phrase.last)
        if high - low + 1 != count:
            return (
                f"section “{name}” has {_bars(count)} in the chart (from bar {first + 1}),"
                f" {_bars(high - low + 1)} in the tab (from bar {phrase.first})"
            )
    lead = 1 if tab.form.pickup else 0
    if chart.repeats:
        for index, bar in enumerate(chart.bars):
            if index + lead >= len(tab.form.bars):
                break
            other = tab.form.bars[index + lead]
            for mine, theirs, sign in (
                (bar.repeat_start and index > 0, other.repeat_start and index > 0, "|: before it"),
                (bar.repeat_times, other.repeat_times, ":| after it"),
                (bar.endings, other.endings, "an ending"),
            ):
                if bool(mine) != bool(theirs):
                    has, lacks = ("chart", "tab") if mine else ("tab", "chart")
                    return (
                        f"they go apart at bar {other.number}: it has {sign} in the {has}, not in the {lacks}"
                    )
                if mine != theirs and sign == ":| after it":
                    return f"they go apart at bar {other.number}: the chart repeats {mine} times there, the tab {theirs}"
    return ""


def _bars(count: int) -> str:
    return "1 bar" if count == 1 else f"{count} bars"


def other_metres(tab: Tab, chart: Chart) -> Iterator[tuple[int, str]]:
    """Index of the chart's bar, and what it says: bars from which on it states another metre
    than the tab, which is the one that is played. Nothing where the lengths do not fit."""
    if chart.metre is None and not any(bar.metre for bar in chart.bars):
        return
    try:
        order = chart.order_for(tab.form)
    except MusicError:
        return
    states, now = [], chart.metre
    for bar in chart.bars:
        now = bar.metre or now
        states.append(now)
    told: set[int] = set()
    before = None
    for played, index in zip(tab.form.played.bars, order, strict=True):
        stated = None if index is None else states[index]
        pair = None if stated is None or stated == played.bar.metre else (stated, played.bar.metre)
        if pair is not None and pair != before and index is not None and index not in told:
            told.add(index)
            yield (
                index,
                (
                    f"bar {played.bar.number} is in {stated} in the chart, in {played.bar.metre} in the tab;"
                    " the tab's is used"
                ),
            )
        before = pair
