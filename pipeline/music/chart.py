"""The chord chart: sections, bars, chords on beats, and its fit to the tab."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from fractions import Fraction

from pipeline.music.chord import Chord
from pipeline.music.errors import MusicError
from pipeline.music.key import Key
from pipeline.music.metre import Bar, Form, Metre, PlacedBar
from pipeline.music.pitch import Interval


@dataclass(frozen=True, slots=True)
class ChartChord:
    """A chord and where in its bar it starts, as a share 0 <= at < 1 of the bar.

    chord : None is N.C., no chord
    stop : the band stops dead on this chord until the next one
    """

    at: Fraction
    chord: Chord | None
    stop: bool = False


@dataclass(frozen=True, slots=True)
class ChartBar:
    """One written bar of the chart. ``chords`` empty: the chord before goes on."""

    chords: tuple[ChartChord, ...]
    section: str | None = None
    repeat_start: bool = False
    repeat_times: int = 0
    endings: tuple[int, ...] = ()

    def __post_init__(self) -> None:
        places = [chord.at for chord in self.chords]
        if any(not 0 <= at < 1 for at in places) or sorted(set(places)) != places:
            raise MusicError("chords of a bar stand in order, from 0 up to 1")


@dataclass(frozen=True, slots=True)
class ChordSpan:
    """A chord over a stretch of the played timeline.

    start, end : quarters, played
    bar : the played bar it starts in
    section : name of the section it stands in, or None
    implied : the chart says nothing here, because its first chord is still to come
    """

    start: Fraction
    end: Fraction
    chord: Chord | None
    bar: PlacedBar
    section: str | None = None
    stop: bool = False
    implied: bool = False


@dataclass(frozen=True)
class Chart:
    """A whole chart. ``key`` and ``feel`` (a groove's name) are None when not stated."""

    bars: tuple[ChartBar, ...]
    key: Key | None = None
    feel: str | None = None

    def __post_init__(self) -> None:
        if not self.bars:
            raise MusicError("a chart has at least one bar")

    @property
    def repeats(self) -> bool:
        return any(bar.repeat_times or bar.endings for bar in self.bars)

    def _own_order(self) -> tuple[int, ...]:
        metre = Metre()
        form = Form(
            tuple(
                Bar(i + 1, metre, metre.quarters, False, b.repeat_start, b.repeat_times, b.endings)
                for i, b in enumerate(self.bars)
            )
        )
        return tuple(bar.written for bar in form.played.bars)

    def order_for(self, form: Form) -> tuple[int | None, ...]:
        """Which chart bar sounds in each played bar of ``form``; None in a pickup that the
        chart leaves out (as charts do).

        A chart with repeats of its own is unrolled by them; one without may also follow the
        tab's bars one to one, repeated as the tab is.

        Raises
        ------
        MusicError : the chart and the tab are of different lengths.
        """
        played = form.played.bars
        own = self._own_order()
        lead = 1 if form.pickup else 0
        if len(own) == len(played):
            return own
        if lead and len(own) == sum(not bar.bar.pickup for bar in played):
            rest = iter(own)
            return tuple(None if bar.bar.pickup else next(rest) for bar in played)
        if not self.repeats and len(self.bars) == len(form.bars):
            return tuple(bar.written for bar in played)
        if not self.repeats and lead and len(self.bars) == len(form.bars) - 1:
            return tuple(bar.written - 1 if bar.written else None for bar in played)
        unrolled = f" ({len(own)} as played)" if self.repeats else ""
        raise MusicError(
            f"the chart has {len(self.bars)} bars{unrolled}, the tab has {len(form.bars)}"
            f" written and {len(played)} as played" + (", its pickup bar counted" if lead else "")
        )

    def spans(self, form: Form) -> tuple[ChordSpan, ...]:
        """The chords over the played form, without gaps, in order.

        Raises
        ------
        MusicError : see :meth:`order_for`.
        """
        found: list[ChordSpan] = []
        now: Chord | None = None
        stop, said = False, False
        section: str | None = None
        for bar, index in zip(form.played.bars, self.order_for(form), strict=True):
            source = self.bars[index] if index is not None else ChartBar(())
            section = source.section or section
            chords = source.chords
            goes_on = not chords or chords[0].at > 0
            if goes_on:
                chords = (ChartChord(Fraction(0), now, stop), *chords)
            for place, item in enumerate(chords):
                said = said or not (goes_on and place == 0)
                last = place + 1 == len(chords)
                until = Fraction(1) if last else chords[place + 1].at
                start, end = (bar.start + bar.bar.length * at for at in (item.at, until))
                found.append(ChordSpan(start, end, item.chord, bar, section, item.stop, not said))
                now, stop = item.chord, item.stop
        return tuple(found)

    def transposed(self, interval: Interval) -> Chart:
        def move(item: ChartChord) -> ChartChord:
            return replace(item, chord=item.chord.transposed(interval) if item.chord else None)

        bars = tuple(replace(bar, chords=tuple(map(move, bar.chords))) for bar in self.bars)
        return replace(self, bars=bars, key=self.key.transposed(interval) if self.key else None)


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
