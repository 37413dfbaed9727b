"""Where a tab and its chart go apart: lengths, section by section; metres, keys and tempos."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import Final, TypeVar

from pipeline.music.chart import Chart
from pipeline.music.errors import MusicError
from pipeline.music.key import Key
from pipeline.music.metre import PlacedBar
from pipeline.music.tab import Tab
from pipeline.read.proof_form import sections_of

T = TypeVar("T")
_LISTED: Final = 8  # parts of a piece


def first_difference(tab: Tab, chart: Chart) -> tuple[str, int | None]:
    """Where two of different lengths go apart first, in words, nothing when nobody can tell; and the
    index of the chart's bar there, None when no bar can be told.

    Sections are held against phrases of their name, then repeat signs and endings bar by bar; at
    last both are listed, for the eye to compare.
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
                f" {_bars(high - low + 1)} in the tab (from bar {phrase.first})",
                first,
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
                    # in a chart an ending easily runs on further than was meant
                    runs_on = (
                        bool(mine) and sign == "an ending" and index > 0 and chart.bars[index - 1].endings
                    )
                    return (
                        f"they go apart at bar {other.number}: it has {sign} in the {has}, not in the {lacks}"
                        + ("; an ending stops at :|, at ||, at the end of its line or where the next line"
                           " begins with a [Section]" if runs_on else ""),
                        index,
                    )  # fmt: skip
                if mine != theirs and sign == ":| after it":
                    what = f"the chart repeats {mine} times there, the tab {theirs}"
                    return f"they go apart at bar {other.number}: {what}", index
    parts = [(phrase.name, phrase.last - phrase.first + 1) for phrase in tab.phrases]
    named = [(name, count) for name, _, count in sections_of(chart)]
    if parts and named:
        return f"the chart goes {_listed(named)}; the tab {_listed(parts)}", None
    return "", None


def _listed(parts: Sequence[tuple[str, int]]) -> str:
    """``“Verse” 8 bars, “Bridge” 4``."""
    said = [f"“{name}” {count}" for name, count in parts]
    more = f" and {len(said) - _LISTED} more" if len(said) > _LISTED else ""
    said[0] += " bar" if parts[0][1] == 1 else " bars"
    return ", ".join(said[:_LISTED]) + more


def _bars(count: int) -> str:
    return "1 bar" if count == 1 else f"{count} bars"


def disagreements(tab: Tab, chart: Chart) -> Iterator[str]:
    """Where chart and tab state different metres, keys or tempos, once from each place on; the
    tab's are played. Nothing of what the chart leaves to the tab, nor where lengths do not fit."""
    try:
        order = chart.order_for(tab.form)
    except MusicError:
        return

    def tempo(bar: PlacedBar) -> float:
        start = tab.form.written.bars[bar.written].start
        return [mark.bpm for mark in tab.tempos if mark.quarter <= start][-1]

    def key(bar: PlacedBar) -> Key:
        return tab.key_at(tab.form.written.bars[bar.written].start)

    metres = _going_on(chart.metre, [bar.metre for bar in chart.bars])
    keys = _going_on(None, [bar.key for bar in chart.bars])  # that of the start is told for the lesson
    tempos = _going_on(chart.tempo_bpm, [bar.tempo_bpm for bar in chart.bars])
    yield from _apart(order, tab, metres, lambda bar: bar.bar.metre, "in {}")
    yield from _apart(order, tab, [k and k.symbol() for k in keys], lambda bar: key(bar).symbol(), "in {}")
    yield from _apart(
        order, tab, [_bpm(t) for t in tempos], lambda bar: _bpm(tempo(bar)), "at {} quarter notes a minute"
    )


def _bpm(tempo: float | None) -> str | None:
    return None if tempo is None else f"{tempo:.4g}"


def _going_on(now: T | None, stated: Sequence[T | None]) -> list[T | None]:
    """What holds in each bar: the last that was stated."""
    found = []
    for value in stated:
        now = value if value is not None else now
        found.append(now)
    return found


def _apart(
    order: Sequence[int | None],
    tab: Tab,
    stated: Sequence[object],
    played: Callable[[PlacedBar], object],
    how: str,
) -> Iterator[str]:
    told: set[int] = set()
    before: object = None
    for bar, index in zip(tab.form.played.bars, order, strict=True):
        chart_says = None if index is None else stated[index]
        pair = None if chart_says is None or chart_says == played(bar) else (chart_says, played(bar))
        if pair is not None and pair != before and index is not None and index not in told:
            told.add(index)
            yield (
                f"bar {bar.bar.number} is {how.format(pair[0])} in the chart, {how.format(pair[1])} in the tab;"
                " the tab's is used"
            )
        before = pair
