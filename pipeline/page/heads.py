"""What stands on the page: printed note heads, the events they make up, voices, bars."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from pipeline.music.metre import PlacedBar
from pipeline.music.tab import Note
from pipeline.music.value import NoteValue


@dataclass(frozen=True, slots=True)
class Head:
    """One printed note head.

    index : of the note in ``Tab.notes``
    part : 0 for the first head of that note, then 1, 2 ... for what is tied to it only because
        its duration needs several note values or a bar line falls into it
    tie_back, tie_on : tied to a head before, after
    """

    index: int
    note: Note
    part: int = 0
    tie_back: bool = False
    tie_on: bool = False


@dataclass(frozen=True, slots=True)
class Event:
    """A chord, a note or (without heads) a rest.

    onset : quarters from the start of the bar
    whole_bar : a rest that fills its bar
    graces : heads of grace notes before it, groups in order of sounding
    tuplet_start, tuplet_stop : brackets that open and close here
    beams : for each beam from the eighth's: "begin", "continue", "end", "forward hook", "backward hook"
    """

    onset: Fraction
    value: NoteValue
    heads: tuple[Head, ...] = ()
    whole_bar: bool = False
    length: Fraction = Fraction(0)
    graces: tuple[tuple[Head, ...], ...] = ()
    tuplet_start: bool = False
    tuplet_stop: bool = False
    beams: tuple[str, ...] = ()

    @property
    def end(self) -> Fraction:
        return self.onset + self.length


@dataclass(frozen=True, slots=True)
class Layer:
    """A voice within one bar; its events fill the bar."""

    number: int
    events: tuple[Event, ...]


@dataclass(frozen=True, slots=True)
class LooseGraces:
    """Grace notes at a moment at which no event of their voice starts, or of two voices.

    onset : quarters from the start of the bar
    """

    onset: Fraction
    groups: tuple[tuple[Head, ...], ...]


@dataclass(frozen=True, slots=True)
class BarLayers:
    """``loose`` is empty but in an exact layout."""

    bar: PlacedBar
    layers: tuple[Layer, ...]
    loose: tuple[LooseGraces, ...] = ()

    def needed_rests(self) -> frozenset[tuple[int, Fraction]]:
        """(layer, onset) of the rests that tell a silence: nothing else sounds all the while.

        A tab has no rests of its own; while another voice sounds, one would only be in the way:
        common practice for plucked instruments. A silence of all voices shows once.
        """
        covered = [(e.onset, e.end) for layer in self.layers for e in layer.events if e.heads]
        found: set[tuple[int, Fraction]] = set()
        for layer in self.layers:
            for event in layer.events:
                if not event.heads and not _covers(covered, event.onset, event.end):
                    found.add((layer.number, event.onset))
                    covered.append((event.onset, event.end))
        return frozenset(found)


def _covers(stretches: list[tuple[Fraction, Fraction]], start: Fraction, end: Fraction) -> bool:
    """Whether the stretches leave nothing of the time from start to end."""
    for first, last in sorted(stretches):
        if first <= start < last:
            start = last
    return start >= end
