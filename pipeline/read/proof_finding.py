"""What the proofreader found: one finding a place, told once a rule.

A teacher reads the list from top to bottom, so that several findings of one rule become one
problem: ``bars 3, 7 and 9: …``, at the place of the first.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

from pipeline.errors import Level, Problem
from pipeline.music.metre import PlacedBar
from pipeline.music.tab import Note, Tab
from pipeline.read.places import Place, Places

_RUNS: Final = 8  # stretches of bars that are named one by one


@dataclass(frozen=True, slots=True)
class Rule:
    """Something a careful teacher looks for.

    level : "caution": likely wrong; "remark": right, but worth a look
    what : what was found, as a noun with its article ("a bend on an open string")
    remedy : what to do
    """

    level: Level
    what: str
    remedy: str


@dataclass(frozen=True, slots=True)
class Finding:
    """A rule met at one place.

    place : where it stands in its file
    bar : the printed number of its bar, None when the whole piece is meant
    moment : where in the bar, such as "beat 2", or nothing
    detail : what exactly, such as "string 2, fret 7 to 5", or nothing
    """

    rule: Rule
    place: Place
    bar: int | None = None
    moment: str = ""
    detail: str = ""


def told(findings: Iterable[Finding]) -> list[Problem]:
    """One problem for each rule and file, in the order in which the rules are first met."""
    groups: dict[tuple[Rule, object], list[Finding]] = {}
    for finding in findings:
        # a whole piece has nothing to be gathered under
        apart = finding.detail if finding.bar is None else ""
        groups.setdefault((finding.rule, (finding.place.path, apart)), []).append(finding)
    return [_problem(group) for group in groups.values()]


def _problem(group: Sequence[Finding]) -> Problem:
    first = group[0]
    bars = [finding.bar for finding in group if finding.bar is not None]
    many = len(group) > 1
    if not bars:
        where = ""
    elif many:
        where = f"{bars_in_words(bars)}: "
    else:
        where = f"bar {bars[0]}, {first.moment}: " if first.moment else f"bar {bars[0]}: "
    inside = first.detail
    if many and bars:
        count = f"{len(group)} times" if len(group) > len(set(bars)) else ""
        moment = f"{first.moment}, " if first.moment and inside else first.moment
        start = f"first {moment}{inside}" if moment or inside else ""
        inside = "; ".join(filter(None, (count, start)))
    what = f"{where}{first.rule.what}{f' ({inside})' if inside else ''}"
    place = first.place
    return Problem(what, first.rule.remedy, place.path, place.line, place.column, place.offending,
                   first.rule.level)  # fmt: skip


def bars_in_words(numbers: Iterable[int]) -> str:
    """``bar 3``, ``bars 3-6, 9 and 12``; of many no more than the first stretches."""
    ordered = sorted(set(numbers))
    runs: list[tuple[int, int]] = []
    for number in ordered:
        if runs and number == runs[-1][1] + 1:
            runs[-1] = (runs[-1][0], number)
        else:
            runs.append((number, number))
    # two neighbours are said one by one
    said = list(
        itertools.chain.from_iterable(
            [str(low)] if low == high else [str(low), str(high)] if high == low + 1 else [f"{low}-{high}"]
            for low, high in runs
        )
    )
    if len(ordered) == 1:
        return f"bar {said[0]}"
    if len(said) > _RUNS + 1:
        named = ", ".join(said[:_RUNS])
        shown = sum(
            len(range(int(a), int(b or a) + 1)) for a, _, b in (s.partition("-") for s in said[:_RUNS])
        )
        return f"bars {named} and {len(ordered) - shown} more"
    return f"bars {in_words(said)}"


def in_words(items: Sequence[str]) -> str:
    """``a, b and c``."""
    return items[0] if len(items) == 1 else f"{', '.join(items[:-1])} and {items[-1]}"


def beat_in_words(bar: PlacedBar, quarter: Fraction) -> str:
    """``beat 2``, ``beat 2.5``: where a written moment lies in its bar."""
    return f"beat {round(float(bar.beat_of(quarter - bar.start)), 2):g}"


def at_note(rule: Rule, tab: Tab, note: Note, places: Places, detail: str = "") -> Finding:
    """A finding at a written note."""
    bar = tab.form.written.bar_at(note.onset)
    place = places.note(note.onset, note.string, bar.index)
    return Finding(rule, place, bar.bar.number, beat_in_words(bar, note.onset), detail)


def at_bar(rule: Rule, tab: Tab, index: int, places: Places, detail: str = "") -> Finding:
    """A finding at a written bar of the tab, by its index."""
    return Finding(rule, places.bar(index), tab.form.bars[index].number, "", detail)
