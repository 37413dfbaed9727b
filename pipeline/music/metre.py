"""Exact musical time: metres, bars, repeats, and the way between time and bar/beat.

Conventions
-----------
- Time is in quarter notes (:class:`fractions.Fraction`).
- A bar's *number* is the one printed: a pickup bar is 0, the first full bar 1.
- Beats count from 1, in felt beats: the dotted quarter in 6/8, 9/8, 12/8, the
  denominator's note elsewhere. In a pickup bar the beats are the last of a full bar.
- *Written* is the page; *played* has repeats, endings and jumps unrolled. On the played
  timeline bars carry an *ordinal*: 0 for a pickup, then 1, 2, 3...
- After a jump (D.C., D.S.) repeats are not taken again, and of endings the last is played:
  common practice.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property
from typing import Final

from pipeline.music.errors import MusicError

MAX_PLAYED_BARS: Final = 20_000


@dataclass(frozen=True, slots=True)
class Metre:
    """A time signature: ``beats`` over ``unit``."""

    beats: int = 4
    unit: int = 4

    def __post_init__(self) -> None:
        if not 1 <= self.beats <= 64:
            raise MusicError(f"a metre has 1 to 64 beats, got {self.beats}")
        if self.unit not in (1, 2, 4, 8, 16, 32, 64):
            raise MusicError(f"the lower figure of a metre is a power of two, got {self.unit}")

    @classmethod
    def parse(cls, text: str) -> Metre:
        """Read ``6/8``. Raises MusicError when it is not two figures."""
        above, slash, below = text.strip().partition("/")
        if not slash or not above.strip().isdecimal() or not below.strip().isdecimal():
            raise MusicError(f"not a metre: {text!r} (such as 4/4, 3/4, 12/8)")
        return cls(int(above), int(below))

    @property
    def quarters(self) -> Fraction:
        """Length of a full bar."""
        return Fraction(4 * self.beats, self.unit)

    @property
    def compound(self) -> bool:
        """Whether the felt beat is dotted (6/8, 9/8, 12/8 ...)."""
        return self.unit >= 8 and self.beats > 3 and self.beats % 3 == 0

    @property
    def beat_quarters(self) -> Fraction:
        """Length of one felt beat."""
        return Fraction(12 if self.compound else 4, self.unit)

    def __str__(self) -> str:
        return f"{self.beats}/{self.unit}"


@dataclass(frozen=True, slots=True)
class Jump:
    """D.C. or D.S., and how it goes on.

    to : "start" (da capo) or "segno" (dal segno)
    until : "end", "fine" or "coda"
    """

    to: str = "start"
    until: str = "end"

    def __post_init__(self) -> None:
        if self.to not in ("start", "segno") or self.until not in ("end", "fine", "coda"):
            raise MusicError(f"not a jump: to {self.to!r} until {self.until!r}")

    @classmethod
    def parse(cls, text: str) -> Jump:
        """Read ``D.C.``, ``D.S. al Coda``, ``D.C. al Fine`` and the words in full.

        Raises
        ------
        MusicError : it is none of these.
        """
        match = _JUMP.fullmatch(" ".join(text.split()))
        if match is None:
            raise MusicError(f"not a jump: {text!r} (such as D.C. al Fine, D.S. al Coda)")
        until = (match["until"] or "end").lower()
        return cls("segno" if match["segno"] else "start", until)

    def text(self) -> str:
        """``D.S. al Coda``."""
        way = "" if self.until == "end" else f" al {self.until.capitalize()}"
        return ("D.S." if self.to == "segno" else "D.C.") + way


_JUMP: Final = re.compile(
    r"(?:(?P<start>D\.? ?C\.?|da capo)|(?P<segno>D\.? ?S\.?|dal segno))(?: al (?P<until>fine|coda))?",
    re.IGNORECASE,
)


@dataclass(frozen=True, slots=True)
class Signs:
    """The way through the piece that a bar shows, repeats and endings apart.

    segno, coda : the sign stands at the start of the bar
    to_coda, fine : the words stand at its end
    jump : from its end
    """

    segno: bool = False
    coda: bool = False
    to_coda: bool = False
    fine: bool = False
    jump: Jump | None = None


NO_SIGNS: Final = Signs()


@dataclass(frozen=True, slots=True)
class Bar:
    """One written bar.

    number : printed number, 0 for a pickup
    metre : the metre in force
    length : quarters it really holds (shorter than the metre in a pickup or last bar)
    pickup : beats are the last ones of a full bar
    repeat_start : the sign |: stands before it
    repeat_times : the sign :| stands after it, and the section is played this many times (0: none)
    endings : the passes in which it is played; empty: all
    signs : segno, coda, jumps
    double : a double barline stands after it
    """

    number: int
    metre: Metre
    length: Fraction
    pickup: bool = False
    repeat_start: bool = False
    repeat_times: int = 0
    endings: tuple[int, ...] = ()
    signs: Signs = NO_SIGNS
    double: bool = False

    def __post_init__(self) -> None:
        if not 0 < self.length <= self.metre.quarters:
            raise MusicError(
                f"bar {self.number} holds {self.length} quarters, its metre {self.metre} "
                f"holds {self.metre.quarters}"
            )
        if self.repeat_times == 1 or self.repeat_times < 0:
            raise MusicError(f"bar {self.number}: a repeat is played at least twice")
        if any(ending < 1 for ending in self.endings):
            raise MusicError(f"bar {self.number}: endings are numbered from 1")


@dataclass(frozen=True, slots=True)
class PlacedBar:
    """A bar in its place on a timeline.

    index : 0-based place on this timeline
    ordinal : ``index`` counted from 1, or from 0 when the timeline has a pickup
    written : 0-based index of the written bar
    passing : which time through its section, from 1; a bar that a jump leads back to counts on
    start, end : quarters from the start of the timeline
    """

    bar: Bar
    index: int
    ordinal: int
    written: int
    passing: int
    start: Fraction

    @property
    def end(self) -> Fraction:
        return self.start + self.bar.length

    def beat_of(self, offset: Fraction) -> Fraction:
        """The beat, from 1, of a time ``offset`` quarters into the bar."""
        full = self.bar.metre.quarters
        lead = full - self.bar.length if self.bar.pickup else Fraction(0)
        return 1 + (lead + offset) / self.bar.metre.beat_quarters

    def offset_of(self, beat: Fraction) -> Fraction:
        """Inverse of :meth:`beat_of`."""
        full = self.bar.metre.quarters
        lead = full - self.bar.length if self.bar.pickup else Fraction(0)
        return (beat - 1) * self.bar.metre.beat_quarters - lead


@dataclass(frozen=True, slots=True)
class Position:
    """A bar (by its index on a timeline) and a beat in it, from 1."""

    index: int
    beat: Fraction


class Timeline:
    """Bars one after another, and the way between quarters and bar/beat."""

    def __init__(self, bars: Iterable[PlacedBar]) -> None:
        self.bars: tuple[PlacedBar, ...] = tuple(bars)
        if not self.bars:
            raise MusicError("a piece has at least one bar")
        self._starts = [bar.start for bar in self.bars]

    @property
    def length(self) -> Fraction:
        """Quarters from the first bar's start to the last one's end."""
        return self.bars[-1].end

    def bar_at(self, quarter: Fraction) -> PlacedBar:
        """The bar that holds this moment; before the start the first, after the end the last."""
        return self.bars[max(0, bisect_right(self._starts, quarter) - 1)]

    def position(self, quarter: Fraction) -> Position:
        bar = self.bar_at(quarter)
        return Position(bar.index, bar.beat_of(quarter - bar.start))

    def quarter(self, position: Position) -> Fraction:
        """Inverse of :meth:`position`.

        Raises
        ------
        MusicError : no such bar.
        """
        if not 0 <= position.index < len(self.bars):
            raise MusicError(f"there is no bar at place {position.index}")
        bar = self.bars[position.index]
        return bar.start + bar.offset_of(position.beat)


@dataclass(frozen=True)
class Form:
    """The bars as written, and the order in which they are played."""

    bars: tuple[Bar, ...]

    def __post_init__(self) -> None:
        if not self.bars:
            raise MusicError("a piece has at least one bar")
        if any(bar.pickup for bar in self.bars[1:]):
            raise MusicError("only the first bar can be a pickup")
        found = list(self._complaints())
        if found:
            raise MusicError("; ".join(found))

    def _complaints(self) -> Iterable[str]:
        """Jumps that lead nowhere, one sentence each."""
        for index, bar in enumerate(self.bars):
            jump = bar.signs.jump
            if jump is None:
                continue
            where = f"bar {bar.number}: {jump.text()}"
            begin = self._landing(index)
            if begin is None:
                yield f"{where} has no segno before it"
                continue
            if jump.until == "fine" and not any(b.signs.fine for b in self.bars[begin:]):
                yield f"{where} has no Fine"
            if jump.until == "coda":
                leave = next((i for i in range(begin, len(self.bars)) if self.bars[i].signs.to_coda), None)
                if leave is None:
                    yield f"{where} has no To Coda"
                elif self._coda_after(leave) is None:
                    yield f"{where} has no coda sign"

    @classmethod
    def plain(cls, count: int, metre: Metre = Metre()) -> Form:
        """``count`` full bars without repeats."""
        return cls(tuple(Bar(n + 1, metre, metre.quarters) for n in range(count)))

    @property
    def pickup(self) -> bool:
        return self.bars[0].pickup

    @cached_property
    def written(self) -> Timeline:
        return Timeline(self._place((index, 1) for index in range(len(self.bars))))

    @cached_property
    def played(self) -> Timeline:
        return Timeline(self._place(self._unroll()))

    def _place(self, order: Iterable[tuple[int, int]]) -> Iterable[PlacedBar]:
        start = Fraction(0)
        first = 0 if self.pickup else 1
        for index, (written, passing) in enumerate(order):
            bar = self.bars[written]
            yield PlacedBar(bar, index, first + index, written, passing, start)
            start += bar.length

    def _landing(self, index: int) -> int | None:
        """The bar that the jump of bar ``index`` leads to."""
        jump = self.bars[index].signs.jump
        if jump is None or jump.to == "start":
            return 0
        return next((i for i in range(index, -1, -1) if self.bars[i].signs.segno), None)

    def _coda_after(self, index: int) -> int | None:
        return next((i for i in range(index + 1, len(self.bars)) if self.bars[i].signs.coda), None)

    def _times(self, index: int) -> int:
        """How often the section that ends at this bar's :| is played."""
        times = self.bars[index].repeat_times
        low, high = index, index + 1
        while low >= 0 and self.bars[low].endings:
            low -= 1
        while high < len(self.bars) and self.bars[high].endings:
            high += 1
        if self.bars[index].endings:
            times = max(times, *(max(bar.endings) for bar in self.bars[low + 1 : high]))
        return times

    def _last_pass(self, index: int) -> bool:
        """Whether this ending is the last of its group."""
        low, high = index, index + 1
        while low > 0 and self.bars[low - 1].endings:
            low -= 1
        while high < len(self.bars) and self.bars[high].endings:
            high += 1
        return max(max(bar.endings) for bar in self.bars[low:high]) in self.bars[index].endings

    def _unroll(self) -> Iterable[tuple[int, int]]:
        index, start, passing, count = 0, 0, 1, 0
        jumped = False
        after: Jump | None = None  # the jump that was taken last, until it has led to its end
        taken: set[int] = set()
        plays = [0] * len(self.bars)
        while index < len(self.bars):
            bar = self.bars[index]
            fresh = not jumped and (
                bar.repeat_start or (index and self.bars[index - 1].endings and not bar.endings)
            )
            jumped = False
            if fresh:
                start, passing = index, 1
            if bar.endings and not (self._last_pass(index) if after else passing in bar.endings):
                index += 1
                continue
            plays[index] += 1
            yield index, max(passing, plays[index])
            count += 1
            if count > MAX_PLAYED_BARS:
                raise MusicError(f"the repeats unroll to more than {MAX_PLAYED_BARS} bars")
            if after is not None and after.until == "fine" and bar.signs.fine:
                return
            if after is not None and after.until == "coda" and bar.signs.to_coda:
                landing = self._coda_after(index)
                if landing is not None:
                    index, start, passing, after, jumped = landing, landing, 1, None, False
                    continue
            if after is None and bar.repeat_times and passing < self._times(index):
                index, passing, jumped = start, passing + 1, True
                continue
            if bar.signs.jump is not None and index not in taken:
                taken.add(index)
                after = bar.signs.jump
                index = start = self._landing(index) or 0
                passing = 1
                continue
            if bar.repeat_times and not bar.endings:
                start, passing = index + 1, 1
            index += 1

    def written_to_played(self, quarter: Fraction) -> tuple[Fraction, ...]:
        """Every played moment at which this written moment sounds, in order."""
        home = self.written.bar_at(quarter)
        offset = quarter - home.start
        return tuple(bar.start + offset for bar in self.played.bars if bar.written == home.index)

    def played_to_written(self, quarter: Fraction) -> Fraction:
        bar = self.played.bar_at(quarter)
        return self.written.bars[bar.written].start + (quarter - bar.start)

    def bar_span(self, first: int, last: int) -> tuple[int, int]:
        """Indices (first, last inclusive) of the written bars printed ``first`` to ``last``.

        Raises
        ------
        MusicError : a number that no bar carries, or the wrong way round.
        """
        numbers = [bar.number for bar in self.bars]
        for number in (first, last):
            if number not in numbers:
                raise MusicError(f"there is no bar {number}; bars go {numbers[0]} to {numbers[-1]}")
        if last < first:
            raise MusicError(f"bars {first}-{last} run backwards")
        return numbers.index(first), len(numbers) - 1 - numbers[::-1].index(last)

    def played_spans(self, first_index: int, last_index: int) -> Sequence[tuple[Fraction, Fraction]]:
        """Each stretch of the played timeline (start, end) in which these written bars sound
        one after another."""
        spans: list[tuple[Fraction, Fraction]] = []
        before = None
        for bar in self.played.bars:
            if first_index <= bar.written <= last_index:
                if spans and before is not None and bar.written > before:
                    spans[-1] = (spans[-1][0], bar.end)
                else:
                    spans.append((bar.start, bar.end))
                before = bar.written
            else:
                before = None
        return spans
