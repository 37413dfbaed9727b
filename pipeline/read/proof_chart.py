"""What a chart says that the metre hardly means: chords between the beats."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from fractions import Fraction
from math import lcm
from typing import Final

from pipeline.music.chart import Chart
from pipeline.music.errors import MusicError
from pipeline.music.metre import Metre
from pipeline.music.tab import Tab
from pipeline.read.places import Place, Places
from pipeline.read.proof_finding import Finding, Rule

UNEVEN: Final = Rule(
    "caution", "chords that share the bar evenly fall between its beats",
    "Hold a chord with . for each slot more (in 3/4: | C . G |), or say its place: G@2/3. Chords with a bass"
    " have no blanks: Bb/D.",
)  # fmt: skip
_EIGHTH: Final = Fraction(1, 2)
_SLOTTED: Final = (".txt", ".chart")  # a score says where each of its chords stands
_PLACED: Final = re.compile(r"[^\s|]*@")


def uneven(chart: Chart, places: Places, tab: Tab | None = None) -> Iterator[Finding]:
    """Bars whose slots are neither beats nor eighths: four chords in 3/4, two in 7/8.

    tab : the metre of its bars counts; without it that of the chart, where it states one
    """
    if places.path.suffix.lower() not in _SLOTTED:
        return
    metres = _metres(chart, tab)
    for index, bar in enumerate(chart.bars):
        metre = metres.get(index)
        if metre is None or all(_on_beat(item.at, metre) for item in bar.chords):
            continue
        if any(_is_placed(places.chord(index, item.at)) for item in bar.chords):
            continue  # who writes a place out means it
        slots = lcm(*(item.at.denominator for item in bar.chords))
        first = next(item for item in bar.chords if not _on_beat(item.at, metre))
        place = places.chord(index, first.at)
        yield Finding(UNEVEN, place, index + 1, "", f"{slots} slots in {metre}")


def _on_beat(at: Fraction, metre: Metre) -> bool:
    step = min(_EIGHTH, Fraction(4, metre.unit))
    return (at * metre.quarters / step).denominator == 1


def _is_placed(place: Place) -> bool:
    return bool(place.column and _PLACED.match(place.offending, place.column - 1))


def _metres(chart: Chart, tab: Tab | None) -> Mapping[int, Metre]:
    """The metre of each bar of the chart that is a whole one, by its index."""
    if tab is not None:
        try:
            order = chart.order_for(tab.form)
        except MusicError:
            return {}
        found: dict[int, Metre] = {}
        for bar, index in zip(tab.form.played.bars, order, strict=True):
            if index is not None and bar.bar.length == bar.bar.metre.quarters:
                found.setdefault(index, bar.bar.metre)
        return found
    found, now = {}, chart.metre
    for index, own in enumerate(chart.bars):
        now = own.metre or now
        if now is not None:
            found[index] = now
    return found
