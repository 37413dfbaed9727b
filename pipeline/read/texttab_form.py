"""The bars of a text tab: whether they add up, repeats, phrases and tempos by bar."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

from pipeline.music.errors import MusicError
from pipeline.music.metre import NO_SIGNS, Bar, Form, Metre, Signs
from pipeline.music.tab import Phrase, TempoMark
from pipeline.music.words import tidy
from pipeline.read.source import SourceText, plain_number, say_quarters
from pipeline.read.texttab_heads import DEFAULT_BPM, parse_tempo
from pipeline.read.texttab_sheet import Header

_AT: Final = re.compile(
    r"(?P<tempo>.+?)\s+at\s+(?:bar\s+)?(?P<bar>\d+)(?:\s*(?:,|:|beat)?\s*(?:beat\s+)?(?P<beat>\d+(?:\.\d+|/\d+)?))?"
)
_PHRASE: Final = re.compile(r"(?P<first>\d+)\s*(?:-\s*(?P<last>\d+))?\s+(?P<name>\S.*)")


@dataclass(slots=True)
class BarInfo:
    """A bar as it was read; line and column (1-based) for what is said about it."""

    metre: Metre
    total: Fraction | None  # quarters its columns fill; None when they could not be told
    line: int
    column: int
    repeat_start: bool
    repeat_times: int
    endings: tuple[int, ...] = ()
    short: bool = False  # on purpose
    double: bool = False
    signs: Signs = NO_SIGNS
    signs_at: tuple[int, int] = (0, 0)  # line and column of the words above it


class FormReader:
    """Judges the bars as read, and what is said about them by number."""

    def __init__(self, source: SourceText, bars: Sequence[BarInfo], *, pickup: bool | None = None) -> None:
        self.source, self.bars, self.stated = source, bars, pickup

    @property
    def _pickup(self) -> bool:
        first = self.bars[0]
        if self.stated is not None:
            return self.stated
        fills = first.total is None or not 0 < first.total < first.metre.quarters
        return not fills and not first.short and len(self.bars) > 1

    def form(self) -> Form | None:
        """The bars; None, told, when some do not add up."""
        bars: list[Bar] = []
        good = True
        first = self.bars[0]
        pickup = self._pickup
        for index, info in enumerate(self.bars):
            number = index if pickup else index + 1
            if info.total is None:
                good = False
                continue
            if (
                info.total != info.metre.quarters
                and not (index == 0 and pickup and 0 < info.total < info.metre.quarters)
                and not self._complements(index)
            ):
                good = False
                gap = info.total - info.metre.quarters
                self.source.error(
                    info.line, info.column,
                    f"bar {number} holds {say_quarters(info.total)} quarters, {info.metre} holds"
                    f" {say_quarters(info.metre.quarters)}: {_say_gap(gap)}",
                    "Correct the durations above it" + (", fill it with a rest, or end the bar with ! above it." if gap < 0 else ", or move the barline."),
                )  # fmt: skip
                continue
            bars.append(
                Bar(
                    number,
                    info.metre,
                    info.total,
                    index == 0 and pickup,
                    info.repeat_start,
                    info.repeat_times,
                    info.endings,
                    info.signs,
                    info.double,
                )
            )
        if (
            pickup
            and self.stated is None
            and first.total is not None
            and 2 * first.total > first.metre.quarters
        ):
            self.source.caution(
                first.line, first.column,
                f"the first bar holds {say_quarters(first.total)} of {say_quarters(first.metre.quarters)} quarters"
                " and is taken as a pickup",
                "If it is a full bar, correct its durations; if it is one, write pickup: yes at the top.",
            )  # fmt: skip
        return self._checked_form(tuple(bars)) if good else None

    def _checked_form(self, bars: tuple[Bar, ...]) -> Form | None:
        for index, bar in enumerate(bars):
            after = bars[index + 1].endings if index + 1 < len(bars) else ()
            if not bar.endings or after == bar.endings or bar.repeat_times:
                continue
            # an ending without its own :| is the last one of its group
            low = index
            while low > 0 and bars[low - 1].endings:
                low -= 1
            if after or not any(b.repeat_times for b in bars[low:index]):
                info = self.bars[index]
                self.source.caution(
                    info.line, info.column, f"bar {bar.number}: ending {_say(bar.endings)} is not closed by :|",
                    "Write :| after the last bar of every ending but the last, and 1.---- over all of its bars.",
                )  # fmt: skip
        try:
            form = Form(bars)
        except MusicError as error:
            self._jumps_amiss(error)
            return None
        try:
            form.played.length  # noqa: B018  # unrolls the repeats
        except MusicError as error:
            self.source.error(self.bars[0].line, 1, str(error), "Lower the counts after :|x.")
            return None
        return form

    def _jumps_amiss(self, error: MusicError) -> None:
        """Tell jumps that lead nowhere, each at its bar."""
        for what in str(error).split("; "):
            bar = re.match(r"bar (\d+):", what)
            info = self.bars[self.numbers().index(int(bar[1]))] if bar else self.bars[0]
            self.source.error(
                info.signs_at[0] or info.line, info.signs_at[1] or info.column, what,
                "Write the sign it leads to above its bar: Segno, Coda, To Coda or Fine.",
            )  # fmt: skip

    def _complements(self, index: int) -> bool:
        """Whether a short bar is meant (!), or the other part of one split by a repeat, or of the pickup."""
        info, full = self.bars[index], self.bars[index].metre.quarters
        if info.total is None or not 0 < info.total < full:
            return False
        if info.short:
            return True
        others: list[BarInfo] = []
        if info.repeat_times or index + 1 == len(self.bars):
            others.append(self.bars[0])
        if info.repeat_times and index + 1 < len(self.bars):
            others.append(self.bars[index + 1])
        if index and (self.bars[index - 1].repeat_times or info.repeat_start):
            others.append(self.bars[index - 1])
        if info.repeat_times:  # back to where the repeat starts
            starts = [b for b in self.bars[:index] if b.repeat_start]
            others += starts[-1:]
        if info.repeat_start:
            ends = [b for b in self.bars[index:] if b.repeat_times]
            others += ends[:1]
        return any(
            other.total is not None and other is not info and other.total + info.total == full
            for other in others
        )

    def numbers(self) -> list[int]:
        """The printed numbers of the bars."""
        return [index if self._pickup else index + 1 for index in range(len(self.bars))]

    def phrases(
        self, starts: Sequence[tuple[str, int, int]], headers: Iterable[Header]
    ) -> tuple[Phrase, ...]:
        """The named spans: from lines in brackets (name, line, bar index) and from phrase: headers."""
        numbers = self.numbers()
        found: list[Phrase] = []
        seen: dict[str, int] = {}
        for place, (name, line, first) in enumerate(starts):
            after = starts[place + 1][2] if place + 1 < len(starts) else len(numbers)
            if name and first < after:
                self._once(name, line, seen)
                found.append(Phrase(name, numbers[first], numbers[after - 1]))
        for header in headers:
            match = _PHRASE.fullmatch(header.value)
            if match is None:
                self.source.error(
                    header.line, header.column, f"not a phrase: {header.value!r}", "Write phrase: 3-6 Name."
                )
            else:
                self._once(tidy(match["name"]), header.line, seen)
                first, last = int(match["first"]), int(match["last"] or match["first"])
                if first in numbers and last in numbers and first <= last:
                    found.append(Phrase(match["name"], first, last))
                else:
                    self.source.error(
                        header.line, header.column, f"there are no bars {first}-{last}; they go {numbers[0]} to {numbers[-1]}",
                        "Name bars of the tab, the first one first.",
                    )  # fmt: skip
        return tuple(sorted(found, key=lambda p: (p.first, p.last)))

    def _once(self, name: str, line: int, seen: dict[str, int]) -> None:
        if name in seen:
            self.source.caution(
                line, 1, f"the phrase name {name!r} is in line {seen[name]} already",
                "Give each phrase its own name, so that everyone can tell which is meant.",
            )  # fmt: skip
        seen.setdefault(name, line)

    def tempos(
        self, form: Form, marks: Iterable[TempoMark], headers: Iterable[Header]
    ) -> tuple[TempoMark, ...]:
        """The tempos from the start on, those of ``tempo: 96 at bar 3 beat 2`` among them."""
        found = {mark.quarter: mark for mark in marks}
        numbers = [bar.number for bar in form.bars]
        for header in headers:
            match = _AT.fullmatch(header.value)
            bpm = parse_tempo(match["tempo"]) if match else None
            if match is None or bpm is None or int(match["bar"]) not in numbers:
                self.source.error(
                    header.line,
                    header.column,
                    f"not a tempo at a bar: {header.value!r}",
                    "Write tempo: 96 at bar 3 beat 2.",
                )
                continue
            bar = form.written.bars[numbers.index(int(match["bar"]))]
            try:
                quarter = bar.start + (bar.offset_of(plain_number(match["beat"])) if match["beat"] else 0)
            except ValueError:  # beat 4/0
                quarter = bar.end
            if not bar.start <= quarter < bar.end or not 10 <= bpm <= 500:
                self.source.error(
                    header.line,
                    header.column,
                    f"bar {match['bar']} has no beat {match['beat']}, or the tempo is not 10 to 500",
                    "Name a beat of the bar.",
                )
                continue
            found[quarter] = TempoMark(quarter, bpm)
        if Fraction(0) not in found:
            found[Fraction(0)] = TempoMark(Fraction(0), DEFAULT_BPM)
        return tuple(found[quarter] for quarter in sorted(found))


def _say(endings: tuple[int, ...]) -> str:
    return ", ".join(map(str, endings))


def _say_gap(gap: Fraction) -> str:
    size = abs(gap)
    if size == Fraction(1, 2):
        amount = "half a quarter"
    elif size < 1:
        amount = f"{say_quarters(size)} of a quarter"
    else:
        amount = f"{say_quarters(size)} quarter{'s' if size > 1 else ''}"
    return f"{amount} too {'much' if gap > 0 else 'little'}"
