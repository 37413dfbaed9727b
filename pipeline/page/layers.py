"""Notes of a tab laid into voices that a page can print: events, note values, ties, tuplets, beams.

A tab says when each note starts and how long it sounds; strings ring over one another. A page
wants voices in which one thing follows another, rests between, and durations that can be
written. This module makes the second out of the first without changing a duration.

Conventions
-----------
- One :class:`BarLayers` for each written bar. Onsets are quarters from the start of that bar.
- Layer 1 has the highest voice. A layer that has nothing in a bar is left out; layer 1 never is.
- An *exact* layout has as many layers as the music needs, odd ones for voice 1 and even ones for
  voice 2, and leaves no time rounded: what a note value cannot say stands without one.
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
from pipeline.music.value import NoteValue, spell_duration
from pipeline.page.beams import beamed
from pipeline.page.graces import with_graces
from pipeline.page.heads import BarLayers, Event, Head, Layer
from pipeline.page.rhythm import note_pieces, rest_pieces, split_at_beats
from pipeline.page.tuplets import Stretch, bracketed, cut_tuplets

MAX_LAYERS: Final = 4  # that a reader can tell apart on one staff
# lines to the quarter on which times are rounded, coarser each time, where they cannot be written
_GRIDS: Final[tuple[tuple[int, ...], ...]] = ((), (12, 16), (16,))
ALL_LAYERS: Final = 24  # two voices of as many layers as an instrument has strings
UNSPELLED: Final = NoteValue("")  # a duration finer than note values go


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


def lay_out(tab: Tab, *, exact: bool = False) -> Layout:
    """The voices of every written bar: as many as one staff can show, or as the music has."""
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
            placed, cut = _assign(groups, bar, cautions, exact=exact)
            try:
                layers = list(_layers(placed, bar, exact=exact))
            except MusicError:
                if grids == _GRIDS[-1]:
                    raise
                cautions.append(
                    f"bar {bar.bar.number}: times finer than can be written; the page rounds them, the sound does not"
                )
                continue
            break
        ended |= cut
        bars.append(with_graces(layers, graces.get(bar.index, []), bar, exact=exact))
    return Layout(tuple(bars), tuple(dict.fromkeys(cautions)))


def _layers(placed: Placed, bar: PlacedBar, *, exact: bool) -> Iterator[Layer]:
    lead = bar.bar.metre.quarters - bar.bar.length if bar.bar.pickup else Fraction(0)
    for number in sorted({1, *placed}):
        groups = placed.get(number, [])
        try:
            events = tuple(_events(groups, bar, lead))
        except MusicError:
            if not exact:
                raise
            events = tuple(_unspelled(groups, bar.bar.length))
        yield Layer(number, events)


def _unspelled(groups: list[_Group], length: Fraction) -> Iterator[Event]:
    """Every group, and the rests between, in one event as long as it is."""
    now = Fraction(0)
    for group in groups:
        if group.onset > now:
            yield Event(now, UNSPELLED, length=group.onset - now)
        heads = tuple(sorted(group.heads, key=lambda h: h.note.string))
        yield Event(group.onset, UNSPELLED, heads, length=group.end - group.onset)
        now = group.end
    if length > now:
        yield Event(now, UNSPELLED, length=length - now)


def _rounded(
    onset: Fraction, end: Fraction, length: Fraction, grids: Sequence[int]
) -> tuple[Fraction, Fraction]:
    """Both times on the nearest line of any of the grids (lines to the quarter), never empty."""
    if not grids:
        return onset, end

    def nearest(time: Fraction) -> Fraction:
        return min((Fraction(round(time * grid), grid) for grid in grids), key=lambda line: abs(line - time))

    least = Fraction(1, max(grids))
    start = max(Fraction(0), min(nearest(onset), length - least))
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


def _assign(
    groups: list[_Group], bar: PlacedBar, cautions: list[str], *, exact: bool
) -> tuple[Placed, set[int]]:
    """Layer number -> groups that do not overlap, higher notes in lower numbers; and notes cut short."""
    cut: set[int] = set()
    most = ALL_LAYERS if exact else MAX_LAYERS
    by_height = sorted(groups, key=lambda g: (-g.height, g.onset, g.end))
    placed, left_over = _fill(by_height, most, exact=exact)
    while left_over is not None:
        # in order of time the fewest layers serve: an interval graph is coloured best that way
        in_turn = sorted(groups, key=lambda g: (g.onset, -g.height, g.end))
        placed, left_over = _fill(in_turn, most, exact=exact)
        if left_over is not None:
            cautions.append(f"bar {bar.bar.number}: more than {most} notes of different lengths ring over "
                            "one another; the page prints some shorter or longer than they ring")  # fmt: skip
            cut |= _make_room(left_over, groups)
    return {number: sorted(found, key=lambda g: g.onset) for number, found in placed.items()}, cut


def _fill(groups: Sequence[_Group], most: int, *, exact: bool) -> tuple[Placed, _Group | None]:
    """Each group into the first layer with room; and the first group that found none."""
    two_voices = any(group.voice == 2 for group in groups)
    placed: Placed = {}
    for group in groups:
        numbers = list(range(1, most + 1))
        if exact:
            numbers = numbers[group.voice - 1 :: 2]
        elif two_voices:  # odd numbers have stems up, even ones down
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
    for first, last, heads in cut_tuplets(_filled(groups, length, lead, metre), lead, metre):
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
    return beamed(bracketed(events), metre, lead)


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


def in_time(bar: BarLayers) -> list[tuple[Layer, Event]]:
    """All events of a bar from left to right, layer 1 first."""
    pairs = itertools.chain.from_iterable(((layer, event) for event in layer.events) for layer in bar.layers)
    return sorted(pairs, key=lambda pair: (pair[1].onset, pair[0].number))
