"""The chord chart: sections, bars, chords on beats, and its fit to the tab."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import Enum
from fractions import Fraction
from functools import cached_property
from typing import Final

from pipeline.music.chord import Chord
from pipeline.music.errors import MusicError
from pipeline.music.key import Key
from pipeline.music.metre import NO_SIGNS, Bar, Form, Jump, Metre, PlacedBar, Signs
from pipeline.music.pitch import Interval
from pipeline.music.words import tidy

LONGEST_PUSH: Final = 2  # quarters


class Play(Enum):
    """What the band does on a chord."""

    ON = "on"  # plays on in its groove
    HIT = "hit"  # all strike it together, then play on
    STOP = "stop"  # all strike it and stop dead until the next chord
    HOLD = "hold"  # all strike it and let it ring until the next chord


@dataclass(frozen=True, slots=True)
class ChartChord:
    """A chord and where in its bar it stands, as a share 0 <= at < 1 of the bar.

    chord : None is N.C., no chord
    push : quarters by which it is played before its place
    """

    at: Fraction
    chord: Chord | None
    play: Play = Play.ON
    push: Fraction = Fraction(0)

    def __post_init__(self) -> None:
        if not 0 <= self.push <= LONGEST_PUSH:
            raise MusicError(f"a chord is pushed by up to {LONGEST_PUSH} quarters, got {self.push}")

    @property
    def stop(self) -> bool:
        return self.play is Play.STOP


@dataclass(frozen=True, slots=True)
class ChartBar:
    """One written bar of the chart. ``chords`` empty: the chord before goes on.

    section : its name, where one begins
    signs, double : as in :class:`pipeline.music.metre.Bar`
    metre, key, tempo_bpm, feel : what changes at this bar, or None
    alternates : other chords that may be played for this bar
    """

    chords: tuple[ChartChord, ...]
    section: str | None = None
    repeat_start: bool = False
    repeat_times: int = 0
    endings: tuple[int, ...] = ()
    signs: Signs = NO_SIGNS
    double: bool = False
    metre: Metre | None = None
    key: Key | None = None
    tempo_bpm: float | None = None
    feel: str | None = None
    alternates: tuple[tuple[ChartChord, ...], ...] = ()

    def __post_init__(self) -> None:
        for chords in (self.chords, *self.alternates):
            places = [chord.at for chord in chords]
            if any(not 0 <= at < 1 for at in places) or sorted(set(places)) != places:
                raise MusicError("chords of a bar stand in order, from 0 up to 1")
        if not all(self.alternates):
            raise MusicError("an alternate names at least one chord")
        if self.tempo_bpm is not None and not 10 <= self.tempo_bpm <= 500:
            raise MusicError(f"a tempo of {self.tempo_bpm:g} is outside 10 to 500 quarter notes a minute")
        for name in ("section", "feel"):
            words = getattr(self, name)
            object.__setattr__(self, name, tidy(words) or None if words is not None else None)


@dataclass(frozen=True, slots=True)
class ChordSpan:
    """A chord over a stretch of the played timeline.

    start, end : quarters, played
    bar : the played bar it is written in
    push : quarters by which it starts before its written place
    section : name of the section it stands in, or None
    implied : the chart says nothing here, because its first chord is still to come
    """

    start: Fraction
    end: Fraction
    chord: Chord | None
    bar: PlacedBar
    section: str | None = None
    play: Play = Play.ON
    implied: bool = False
    push: Fraction = Fraction(0)

    @property
    def stop(self) -> bool:
        return self.play is Play.STOP


@dataclass(frozen=True, slots=True)
class ChartComment:
    """The writer's own note before a bar (its index; that behind the last: at the end)."""

    bar: int
    text: str

    def __post_init__(self) -> None:
        object.__setattr__(self, "text", tidy(self.text))


_STATED: Final = ("metre", "key", "tempo_bpm", "feel")


@dataclass(frozen=True)
class Chart:
    """A whole chart. ``key``, ``feel`` (a groove's name), ``metre`` and ``tempo_bpm`` (quarter
    notes a minute) are those at the start, None when not stated; later ones stand at their bars,
    and what the first bar states is the start's.

    Raises
    ------
    MusicError : no bars, a jump that leads nowhere, a comment outside.
    """

    bars: tuple[ChartBar, ...]
    key: Key | None = None
    feel: str | None = None
    title: str = ""
    metre: Metre | None = None
    tempo_bpm: float | None = None
    comments: tuple[ChartComment, ...] = ()

    def __post_init__(self) -> None:
        if not self.bars:
            raise MusicError("a chart has at least one bar")
        first = self.bars[0]
        for name in _STATED:
            if getattr(first, name) is not None:
                object.__setattr__(self, name, getattr(first, name))
        if any(getattr(first, name) is not None for name in _STATED):
            plain = replace(first, metre=None, key=None, tempo_bpm=None, feel=None)
            object.__setattr__(self, "bars", (plain, *self.bars[1:]))
        object.__setattr__(self, "title", tidy(self.title))
        object.__setattr__(self, "feel", tidy(self.feel) or None if self.feel is not None else None)
        object.__setattr__(self, "comments", tuple(sorted(self.comments, key=lambda c: c.bar)))
        if any(not 0 <= comment.bar <= len(self.bars) for comment in self.comments):
            raise MusicError("a comment outside the chart")
        if self.tempo_bpm is not None and not 10 <= self.tempo_bpm <= 500:
            raise MusicError(f"a tempo of {self.tempo_bpm:g} is outside 10 to 500 quarter notes a minute")
        self._own_order()  # jumps that lead nowhere

    @property
    def repeats(self) -> bool:
        """Whether bars are played more than once, or not in the order they stand in."""
        return any(bar.repeat_times or bar.endings or bar.signs.jump for bar in self.bars)

    @cached_property
    def form(self) -> Form:
        """The chart's own bars; their lengths count only where a metre is stated."""
        metre = self.metre or Metre()
        bars = []
        for number, bar in enumerate(self.bars, 1):
            metre = bar.metre or metre
            bars.append(
                Bar(
                    number, metre, metre.quarters, False, bar.repeat_start, bar.repeat_times, bar.endings,
                    bar.signs, bar.double,
                )
            )  # fmt: skip
        return Form(tuple(bars))

    def _own_order(self) -> tuple[int, ...]:
        return tuple(bar.written for bar in self.form.played.bars)

    def order_for(self, form: Form) -> tuple[int | None, ...]:
        """Which chart bar sounds in each played bar of ``form``; None in a pickup that the
        chart leaves out (as charts do).

        A chart with repeats and jumps of its own is unrolled by them. One that leaves them out,
        or the jumps, or the repeats, may also follow the tab's bars one to one and be played as
        the tab is.

        Raises
        ------
        MusicError : the chart and the tab are of different lengths.
        """
        played = form.played.bars
        own = self._own_order()
        lead = form.pickup
        if len(own) == len(played):
            return own
        if lead and len(own) == sum(not bar.bar.pickup for bar in played):
            rest = iter(own)
            return tuple(None if bar.bar.pickup else next(rest) for bar in played)
        if self._goes_along(form.bars):
            return tuple(bar.written for bar in played)
        if lead and self._goes_along(form.bars[1:]):
            return tuple(bar.written - 1 if bar.written else None for bar in played)
        raise MusicError(self._misfit(form, len(own)))

    def _goes_along(self, bars: Sequence[Bar]) -> bool:
        """Whether the chart has these bars and says of repeats nothing else, and of jumps too."""
        if len(bars) != len(self.bars):
            return False
        for marks in (_repeats_of, _jumps_of):
            mine = [marks(bar) for bar in self.bars]
            theirs = [marks(bar) for bar in bars]
            if any(map(any, mine)) and mine != theirs:
                return False
        return True

    def _misfit(self, form: Form, own: int) -> str:
        written, played = len(form.bars), len(form.played.bars)
        unrolled = f" ({own} as played)" if self.repeats else ""
        text = (
            f"the chart has {len(self.bars)} bars{unrolled}, the tab has {written}"
            f" written and {played} as played" + (", its pickup bar counted" if form.pickup else "")
        )
        if len(self.bars) == written:
            return text + "; their repeats or jumps differ"
        wanted = played if self.repeats else written
        short = wanted - (own if self.repeats else len(self.bars))
        if abs(short) == 1 and not form.pickup:
            return text + ("; one bar is missing" if short > 0 else "; there is one bar too many")
        return text

    def spans(self, form: Form) -> tuple[ChordSpan, ...]:
        """The chords over the played form, without gaps, in order.

        A pushed chord starts early, but takes no more than half of the one before it.

        Raises
        ------
        MusicError : see :meth:`order_for`.
        """
        found: list[ChordSpan] = []
        now: Chord | None = None
        play, said = Play.ON, False
        section: str | None = None
        for bar, index in zip(form.played.bars, self.order_for(form), strict=True):
            source = self.bars[index] if index is not None else ChartBar(())
            section = source.section or section
            chords = source.chords
            goes_on = not chords or chords[0].at > 0
            if goes_on:  # a chord that was hit is not hit again
                chords = (ChartChord(Fraction(0), now, Play.ON if play is Play.HIT else play), *chords)
            for place, item in enumerate(chords):
                said = said or not (goes_on and place == 0)
                last = place + 1 == len(chords)
                until = Fraction(1) if last else chords[place + 1].at
                start, end = (bar.start + bar.bar.length * at for at in (item.at, until))
                push = Fraction(0)
                if item.push and found:
                    before = found[-1]
                    push = min(item.push, (before.end - before.start) / 2)
                    found[-1] = replace(before, end=before.end - push)
                found.append(
                    ChordSpan(start - push, end, item.chord, bar, section, item.play, not said, push)
                )
                now, play = item.chord, item.play
        return tuple(found)

    def transposed(self, interval: Interval) -> Chart:
        def move(item: ChartChord) -> ChartChord:
            return replace(item, chord=item.chord.transposed(interval) if item.chord else None)

        bars = tuple(
            replace(
                bar,
                chords=tuple(map(move, bar.chords)),
                key=bar.key.transposed(interval) if bar.key else None,
                alternates=tuple(tuple(map(move, chords)) for chords in bar.alternates),
            )
            for bar in self.bars
        )
        return replace(self, bars=bars, key=self.key.transposed(interval) if self.key else None)


def _repeats_of(bar: Bar | ChartBar) -> tuple[bool, int, tuple[int, ...]]:
    return bar.repeat_start, bar.repeat_times, bar.endings


def _jumps_of(bar: Bar | ChartBar) -> tuple[bool, bool, bool, bool, Jump | None]:
    signs = bar.signs
    return signs.segno, signs.coda, signs.to_coda, signs.fine, signs.jump


def changes(spans: Iterable[ChordSpan]) -> tuple[ChordSpan, ...]:
    """Neighbouring spans of one chord joined: what an overlay shows."""
    joined: list[ChordSpan] = []
    for span in spans:
        before = joined[-1] if joined else None
        same = before and before.chord == span.chord and before.implied == span.implied
        if before and same and before.section == span.section:
            joined[-1] = replace(before, end=span.end)
        else:
            joined.append(span)
    return tuple(joined)


def unpushed(spans: Sequence[ChordSpan]) -> tuple[ChordSpan, ...]:
    """The spans (in order) at their written places."""
    found = list(spans)
    for place, span in enumerate(found):
        if span.push:
            found[place] = replace(span, start=span.start + span.push, push=Fraction(0))
            if place:
                before = found[place - 1]
                found[place - 1] = replace(before, end=before.end + span.push)
    return tuple(found)
