"""Notes of a tab laid into voices that a page can print: events, note values, ties, tuplets, beams.

A tab says when each note starts and how long it sounds; strings ring over one another. A page
wants voices in which one thing follows another, rests between, and durations that can be
written. This module makes the second out of the first without changing a duration.

Conventions
-----------
- One :class:`BarLayers` for each written bar. Onsets are quarters from the start of that bar.
- Layer 1 has the highest voice. A layer that has nothing in a bar is left out; layer 1 never is.
- Where to split a duration so that beats stay visible, and which notes share a beam: common
  practice (beats in simple metres, dotted beats in compound ones, half bars of eighths in 4/4).
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Final

from pipeline.music.errors import MusicError
from pipeline.music.metre import Metre, PlacedBar
from pipeline.music.tab import Note, Tab
from pipeline.music.technique import Grace
from pipeline.music.value import spell_duration
from pipeline.page.beams import beamed
from pipeline.page.heads import Event, Head
from pipeline.page.rhythm import note_pieces, rest_pieces, split_at_beats

MAX_LAYERS: Final = 4  # that a reader can tell apart on one staff
# lines to the quarter on which times are rounded, coarser each time, where they cannot be written
_GRIDS: Final[tuple[tuple[int, ...], ...]] = ((), (12, 16), (16,))
ALL_LAYERS: Final = 12  # as many as an instrument has strings: nothing needs to be changed


@dataclass(frozen=True, slots=True)
class Layer:
    """A voice within one bar; its events fill the bar."""

    number: int
    events: tuple[Event, ...]


@dataclass(frozen=True, slots=True)
class BarLayers:
    bar: PlacedBar
    layers: tuple[Layer, ...]


@dataclass(frozen=True, slots=True)
class Layout:
    """All bars, and in ``notes`` what had to be changed to fit the page."""

    bars: tuple[BarLayers, ...]
    notes: tuple[str, ...] = ()


@dataclass
class _Group:
    """Heads that share onset and end within a bar."""

    onset: Fraction
    end: Fraction
    voice: int
    heads: list[Head]

    @property
    def height(self) -> float:
        return sum(head.note.pitch.midi for head in self.heads) / len(self.heads)

    def overlaps(self, other: _Group) -> bool:
        return self.onset < other.end and other.onset < self.end


def lay_out(tab: Tab, *, most: int = MAX_LAYERS) -> Layout:
    """The voices of every written bar, at most ``most`` at once."""
    cautions: list[str] = []
    pieces: dict[int, dict[tuple[Fraction, Fraction, int], list[Head]]] = {}
    graces: dict[int, list[Head]] = {}
    continued = _continued(tab)
    for index, note in enumerate(tab.notes):
        if note.has(Grace):
            graces.setdefault(tab.form.written.bar_at(note.onset).index, []).append(Head(index, note))
            continue
        for home, onset, end, head in _across_bars(tab, index, note, note.tied, index in continued):
            pieces.setdefault(home, {}).setdefault((onset, end, note.voice), []).append(head)
    bars = []
    ended: set[int] = set()  # notes cut short, whose ties into later bars go with what was cut
    for bar in tab.form.written.bars:
        for grids in _GRIDS:
            groups = []
            for (onset, end, voice), heads in pieces.get(bar.index, {}).items():
                onset, end = _rounded(onset, end, bar.bar.length, grids)
                heads = [head for head in heads if head.index not in ended]
                if heads:
                    groups.append(_Group(onset, end, voice, heads))
            placed, cut = _assign(groups, bar, cautions, most)
            try:
                layers = list(_layers(placed, bar, most))
            except MusicError:
                if grids == _GRIDS[-1]:
                    raise
                cautions.append(
                    f"bar {bar.bar.number}: times finer than can be written; the page rounds them, the sound does not"
                )
                continue
            break
        ended |= cut
        bars.append(BarLayers(bar, tuple(_with_graces(layers, graces.get(bar.index, []), bar))))
    return Layout(tuple(bars), tuple(dict.fromkeys(cautions)))


def _layers(placed: Placed, bar: PlacedBar, most: int) -> Iterator[Layer]:
    lead = bar.bar.metre.quarters - bar.bar.length if bar.bar.pickup else Fraction(0)
    for number in range(1, most + 1):
        if number == 1 or placed.get(number):
            yield Layer(number, tuple(_events(placed.get(number, []), bar, lead)))


def _rounded(
    onset: Fraction, end: Fraction, length: Fraction, grids: Sequence[int]
) -> tuple[Fraction, Fraction]:
    """Both times on the nearest line of any of the grids (lines to the quarter), never empty."""
    if not grids:
        return onset, end

    def nearest(time: Fraction) -> Fraction:
        return min((Fraction(round(time * grid), grid) for grid in grids), key=lambda line: abs(line - time))

    least = Fraction(1, max(grids))
    start = min(nearest(onset), length - least)
    return start, min(length, max(nearest(end), start + least))


def _continued(tab: Tab) -> set[int]:
    """Indices of notes that a tied note goes on from."""
    found: set[int] = set()
    last: dict[tuple[int, int], int] = {}
    for index, note in enumerate(tab.notes):
        key = (note.string, note.fret)
        if note.tied and key in last and tab.notes[last[key]].end == note.onset:
            found.add(last[key])
        if not note.grace:
            last[key] = index
    return found


def _across_bars(
    tab: Tab, index: int, note: Note, back: bool, on: bool
) -> Iterator[tuple[int, Fraction, Fraction, Head]]:
    """The note cut at bar lines: (bar index, onset and end within the bar, head)."""
    bar = tab.form.written.bar_at(note.onset)
    start, part = note.onset, 0
    while start < note.end:
        end = min(note.end, bar.end)
        head = Head(index, note, part, back or part > 0, on or end < note.end)
        yield bar.index, start - bar.start, end - bar.start, head
        start, part = end, part + 1
        if start < note.end:
            bar = tab.form.written.bars[bar.index + 1]


Placed = dict[int, list[_Group]]


def _assign(groups: list[_Group], bar: PlacedBar, cautions: list[str], most: int) -> tuple[Placed, set[int]]:
    """Layer number -> groups that do not overlap, higher notes in lower numbers; and notes cut short."""
    cut: set[int] = set()
    by_height = sorted(groups, key=lambda g: (-g.height, g.onset, g.end))
    placed, left_over = _fill(by_height, most)
    while left_over is not None:
        # in order of time the fewest layers serve: an interval graph is coloured best that way
        placed, left_over = _fill(sorted(groups, key=lambda g: (g.onset, -g.height, g.end)), most)
        if left_over is not None:
            cautions.append(f"bar {bar.bar.number}: more than {most} notes of different lengths ring over "
                            "one another; the page prints some shorter or longer than they ring")  # fmt: skip
            cut |= _make_room(left_over, groups)
    return {number: sorted(found, key=lambda g: g.onset) for number, found in placed.items()}, cut


def _fill(groups: Sequence[_Group], most: int) -> tuple[Placed, _Group | None]:
    """Each group into the first layer with room; and the first group that found none."""
    two_voices = any(group.voice == 2 for group in groups)
    placed: Placed = {}
    for group in groups:
        numbers = list(range(1, most + 1))
        if two_voices:  # odd numbers have stems up, even ones down
            numbers.sort(key=lambda n: n % 2 != group.voice % 2)
        free = (n for n in numbers if not any(group.overlaps(g) for g in placed.get(n, ())))
        number = next(free, None)
        if number is None:
            return placed, group
        placed.setdefault(number, []).append(group)
    return placed, None


def _make_room(group: _Group, groups: list[_Group]) -> set[int]:
    """One fewer sounds where a group starts: an earlier one ends there, or this one joins one that
    starts with it. Returns the notes cut short."""
    others = [g for g in groups if g is not group and g.onset <= group.onset < g.end]
    first = min(others, key=lambda g: (g.onset, g.end))
    if first.onset < group.onset:
        first.end = group.onset
        first.heads = [replace(head, tie_on=False) for head in first.heads]
        return {head.index for head in first.heads}
    groups.remove(group)
    shorter = first.end < group.end
    first.heads += [replace(head, tie_on=head.tie_on and not shorter) for head in group.heads]
    return {head.index for head in group.heads} if shorter else set()


def _events(groups: list[_Group], bar: PlacedBar, lead: Fraction) -> Iterable[Event]:
    metre, length = bar.bar.metre, bar.bar.length
    if not groups and length == metre.quarters:  # a short bar's rest is written out
        value = spell_duration(length)[0]
        return [Event(Fraction(0), value, whole_bar=True, length=length)]
    events: list[Event] = []
    for first, last, heads in _cut(_filled(groups, length, lead, metre), lead, metre):
        odd = (last - first).denominator & ((last - first).denominator - 1)
        if not heads and not odd:
            parts = rest_pieces(first + lead, last + lead, metre)
        else:
            parts = note_pieces(first + lead, last + lead, metre)
        onset = first
        for place, value in enumerate(parts):
            final = place + 1 == len(parts)
            own = tuple(
                replace(
                    h, part=h.part + place, tie_back=h.tie_back or place > 0, tie_on=h.tie_on or not final
                )
                for h in heads
            )
            events.append(Event(onset, value, own, length=value.quarters))
            onset += value.quarters
    return beamed(_bracketed(events), metre, lead)


Stretch = tuple[Fraction, Fraction, tuple[Head, ...]]


def _filled(groups: list[_Group], length: Fraction, lead: Fraction, metre: Metre) -> Iterator[Stretch]:
    """Groups and, between them, rests that do not hide a beat."""
    now = Fraction(0)
    for group in groups:
        for first, last in split_at_beats(now + lead, group.onset + lead, metre):
            yield first - lead, last - lead, ()
        yield group.onset, group.end, tuple(sorted(group.heads, key=lambda h: h.note.string))
        now = group.end
    for first, last in split_at_beats(now + lead, length + lead, metre):
        yield first - lead, last - lead, ()


def _odd(number: Fraction) -> int:
    """The part of the denominator that is no power of two: 3 for triplets."""
    odd = number.denominator
    while odd % 2 == 0:
        odd //= 2
    return odd


def _cut(stretches: Iterable[Stretch], lead: Fraction, metre: Metre) -> Iterator[Stretch]:
    """Tuplets whole where they close evenly; otherwise cut at beats, so that each beat closes."""
    waiting = list(stretches)
    while waiting:
        first, last, _ = waiting[0]
        if _odd(last - first) == 1 and _odd(first) == 1:
            yield waiting.pop(0)
            continue
        count = _closing(waiting)
        span = waiting[count - 1][1] - first if count else Fraction(0)
        if count and span.numerator in (1, 2, 4, 3) and span <= 4:
            yield from waiting[:count]
            del waiting[:count]
            continue
        # cut the first stretch that runs over a beat, or give up and print it as it is
        for place, (start, end, heads) in enumerate(waiting[: count or len(waiting)]):
            parts = list(split_at_beats(start + lead, end + lead, metre))
            if len(parts) > 1:
                waiting[place : place + 1] = [
                    (
                        a - lead,
                        b - lead,
                        tuple(
                            replace(
                                h,
                                part=h.part + i,
                                tie_back=h.tie_back or i > 0,
                                tie_on=h.tie_on or i + 1 < len(parts),
                            )
                            for h in heads
                        ),
                    )
                    for i, (a, b) in enumerate(parts)
                ]
                break
        else:
            yield waiting.pop(0)


def _closing(stretches: Sequence[Stretch]) -> int:
    """How many stretches from the first make a tuplet that ends where it can, or 0."""
    ratio = _odd(stretches[0][1] - stretches[0][0])
    for count, (first, last, _) in enumerate(stretches, start=1):
        if _odd(last - first) not in (ratio, 1):
            return 0
        if _odd(last - stretches[0][0]) == 1:
            return count
    return 0


def _bracketed(events: list[Event]) -> list[Event]:
    """Tuplet brackets from where a ratio starts to where its time closes evenly."""
    done = list(events)
    start: int | None = None
    for place, event in enumerate(done):
        if event.value.actual == 1:
            start = None
            continue
        if start is None or done[start].value.actual != event.value.actual:
            start = place
            done[place] = replace(event, tuplet_start=True)
        if _odd(event.end - done[start].onset) == 1:
            done[place] = replace(done[place], tuplet_stop=True)
            start = None
    # a bracket that never closed is not drawn; the ratio still stands on each note
    opened: int | None = None
    for place, event in enumerate(done):
        if event.tuplet_start:
            if opened is not None:
                done[opened] = replace(done[opened], tuplet_start=False)
            opened = place
        if event.tuplet_stop:
            opened = None
    if opened is not None:
        done[opened] = replace(done[opened], tuplet_start=False)
    return done


def _with_graces(layers: list[Layer], graces: list[Head], bar: PlacedBar) -> Iterator[Layer]:
    """Grace notes before the event that they lead into: same string first, else the first layer's."""
    taken: dict[tuple[int, int], list[Head]] = {}
    for head in graces:
        onset = head.note.onset - bar.start
        homes = [
            (
                not any(h.note.string == head.note.string and h.part == 0 for h in event.heads),
                layer.number,
                place,
            )
            for layer in layers
            for place, event in enumerate(layer.events)
            if event.onset <= onset < event.end and (event.onset == onset or layer.number == 1)
        ]
        _, number, place = min(homes)
        taken.setdefault((number, place), []).append(head)
    for layer in layers:
        events = list(layer.events)
        for (number, place), heads in taken.items():
            if number == layer.number:
                events[place] = replace(events[place], graces=tuple(_grace_groups(heads)))
        yield Layer(layer.number, tuple(events))


def _grace_groups(heads: list[Head]) -> Iterator[tuple[Head, ...]]:
    """Graces on different strings sound together, graces on one string after one another."""
    group: list[Head] = []
    for head in heads:
        if any(h.note.string == head.note.string for h in group):
            yield tuple(group)
            group = []
        group.append(head)
    if group:
        yield tuple(group)


def in_time(bar: BarLayers) -> list[tuple[Layer, Event]]:
    """All events of a bar from left to right, layer 1 first."""
    pairs = itertools.chain.from_iterable(((layer, event) for event in layer.events) for layer in bar.layers)
    return sorted(pairs, key=lambda pair: (pair[1].onset, pair[0].number))
