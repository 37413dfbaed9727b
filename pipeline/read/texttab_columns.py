"""Columns of a bar and their durations: what stands one above the other sounds together."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from functools import lru_cache
from typing import Final

from pipeline.music.metre import Metre
from pipeline.music.value import LETTERS
from pipeline.read.source import SourceText
from pipeline.read.texttab_notes import TabNote
from pipeline.read.texttab_strings import ScannedSystem
from pipeline.read.texttab_values import DurationMark, read_duration

# slots a quarter tried for proportional time, and what each costs against characters that a
# column stands beside its slot: halves come before thirds
_FINENESS: Final = {1: 0.0, 2: 0.1, 4: 0.55, 3: 0.6, 8: 1.0, 6: 1.1, 16: 1.3, 12: 1.4, 24: 1.7}
# what a step of evenly spaced columns may last, the usual ones first
_COSTS: Final = {
    Fraction(1, 2): 0.0, Fraction(1): 0.0, Fraction(1, 4): 0.1, Fraction(2): 0.1, Fraction(1, 8): 0.4,
    Fraction(4): 0.4, Fraction(1, 3): 0.2, Fraction(1, 6): 0.4,
}  # fmt: skip
_UNEVEN: Final = 0.26  # of a step: a fret of two digits moves what is behind it
_NEAR: Final = 3  # columns within which a mark is taken to be meant for a note


@dataclass(slots=True)
class Column:
    """Notes that start together, or a rest when there are none.

    start, end : 0-based columns of the heads
    lead : where a duration may begin to stand above it
    step : quarters until the next column; 0 for grace notes
    held : see :class:`DurationMark`
    mark : the duration mark, None in proportional time
    """

    start: int
    end: int
    lead: int
    notes: list[TabNote] = field(default_factory=list)
    grace: bool = False
    step: Fraction = Fraction(0)
    held: tuple[Fraction, ...] = ()
    mark: DurationMark | None = None


def read_marks(source: SourceText, scanned: ScannedSystem) -> list[list[DurationMark]] | None:
    """The duration marks above each bar of a system, or None without a duration line.

    A line that stands beside its notes by the same few columns throughout is read as meant,
    with a caution. Over strings whose barlines disagree the marks are only looked at one by one.
    """
    if scanned.system.durations is None:
        return None
    number, text = scanned.system.durations
    marks: list[DurationMark] = []
    ends: list[int] = []  # places of "!"
    odd: list[tuple[int, str]] = []  # what is no duration
    place = 0
    for word in text.replace("|", " ").split():
        place = text.index(word, place)
        mark = read_duration(word, place)
        if word == "!":
            ends.append(place)
        elif mark is None:
            odd.append((place, word))
            source.error(
                number, place + 1, f"not a duration: {word!r}",
                "Durations are w h q e s t, with dots (q.), figures (e3) and sums (q+e), a space between.",
            )  # fmt: skip
        else:
            marks.append(mark)
        place += len(word)
    found: list[list[DurationMark]] = [[] for _ in scanned.bars]
    if not scanned.sound:
        return found
    shift = _shift(scanned, marks)
    if shift:
        way = (
            f"{abs(shift)} column{'s' if abs(shift) > 1 else ''} to the {'left' if shift > 0 else 'right'} of"
        )
        source.caution(
            number, marks[0].start + 1, f"all the durations are {way} their notes, and are read as meant",
            "Move the line so that each mark stands above the first character of its note.",
        )  # fmt: skip
        marks = [replace(mark, start=mark.start + shift) for mark in marks]
    for place in ends:
        home = next((i for i, line in enumerate(scanned.lines[1:]) if place + shift < line.end), None)
        if home is not None:
            scanned.short.add(home)
    for place, word in odd:
        home = next((i for i, (_, end) in enumerate(scanned.bars) if place + shift < end), len(scanned.bars))
        # where marks have run together (qe), those behind them have moved as well
        together = len(word) > 1 and all(sign in LETTERS for sign in word.lower())
        scanned.unread.update(range(home, len(scanned.bars) if together else home + 1))
    outside: list[DurationMark] = []
    bar = 0
    for mark in marks:
        while bar < len(scanned.bars) and mark.start >= scanned.lines[bar + 1].start:
            bar += 1
        if bar == len(scanned.bars) or mark.start < scanned.bars[bar][0]:
            outside.append(mark)
        else:
            found[bar].append(mark)
    if outside and not (odd and max(scanned.unread, default=0) >= len(scanned.bars) - 1):
        more = f", nor are {len(outside) - 1} more of this line" if len(outside) > 1 else ""
        source.error(
            number, max(0, outside[0].start - shift) + 1,
            f"the duration {outside[0].text!r} is not above a column of a bar{more}",
            "Put it above the first character of a note, or above a dash inside a bar for a rest.",
        )  # fmt: skip
    return found


def _shift(scanned: ScannedSystem, marks: Sequence[DurationMark]) -> int:
    """By how many columns to move all marks so that every note gets one: 0 unless it is needed."""
    notes = [note for bar in scanned.notes for note in bar if not note.grace]
    places = [mark.start for mark in marks]
    if not notes or not places:
        return 0
    for shift in (0, 1, -1, 2, -2, 3, -3):
        moved = {place + shift for place in places}
        if all(not moved.isdisjoint(range(note.lead, note.head_end)) for note in notes):
            return shift
    return 0


def _grouped(notes: Sequence[TabNote], starts: Iterable[int]) -> list[Column]:
    marked = set(starts)
    columns: list[Column] = []
    for note in notes:  # by place, then string
        last = columns[-1] if columns else None
        if (
            last is None
            or note.lead >= last.end
            or bool(note.grace) != last.grace
            or (note.start != last.start and note.start in marked)
            or any(other.string == note.string for other in last.notes)
        ):
            columns.append(Column(note.start, note.head_end, note.lead, [note], bool(note.grace)))
        else:
            last.notes.append(note)
            last.end = max(last.end, note.head_end)
            last.lead = min(last.lead, note.lead)
    return columns


def timed_columns(
    source: SourceText, notes: Sequence[TabNote], marks: Sequence[DurationMark], line: int, metre: Metre
) -> list[Column] | None:
    """The columns of a bar in order, rests among them, each with its mark; None, told, when
    notes and marks do not pair up. ``line`` is that of the marks.

    Marks that stand beside their notes are taken in order, with a caution, when there are as
    many as columns and they fill the bar.
    """
    columns = _grouped(notes, (mark.start for mark in marks))
    unpaired: list[DurationMark] = []
    amiss: list[tuple[int, int, str, str]] = []  # line, column, what, remedy
    for mark in marks:
        home = next((c for c in columns if c.lead <= mark.start < c.end and not c.grace), None)
        if home is None:
            unpaired.append(mark)
        elif home.mark is not None:
            amiss.append((line, mark.start + 1, "a second duration above one column", "Keep one of them."))
        else:
            home.mark = mark
    bare = [c for c in columns if c.mark is None and not c.grace]
    if unpaired and bare and not amiss:
        struck = [c for c in columns if not c.grace]
        if len(struck) == len(marks) and sum(mark.step for mark in marks) == metre.quarters:
            source.caution(
                line, unpaired[0].start + 1, "durations of this bar are beside their notes: they are taken in order",
                f"Move {unpaired[0].text!r} above column {bare[0].start + 1}.",
            )  # fmt: skip
            for column, mark in zip(struck, sorted(marks, key=lambda m: m.start), strict=True):
                column.mark = mark
            unpaired, bare = [], []
    for mark in unpaired:
        over = next((n for n in notes if n.head_end <= mark.start < n.end), None)
        close = min(bare, key=lambda c: abs(c.start - mark.start), default=None)
        if close is not None and abs(close.start - mark.start) == 1:
            bare.remove(close)
            close.mark = mark
            source.caution(
                line, mark.start + 1, f"the duration {mark.text!r} is one column beside the note below it",
                "Move it above the first character of the note.",
            )  # fmt: skip
        elif close is not None and abs(close.start - mark.start) <= _NEAR:
            bare.remove(close)
            amiss.append((
                line, mark.start + 1,
                f"the duration {mark.text!r} is in column {mark.start + 1}, the note below in column {close.start + 1}",
                "Move it above the first character of the note.",
            ))  # fmt: skip
        elif over is not None:
            amiss.append((
                line, mark.start + 1, f"the duration {mark.text!r} is above a mark that is part of a note",
                "A bend and its target are one note with one duration.",
            ))  # fmt: skip
        elif mark.tied:
            amiss.append((line, mark.start + 1, "a rest cannot be tied", "Delete the _ after the duration."))
        else:
            columns.append(Column(mark.start, mark.start + 1, mark.start, mark=mark))
    for column in bare:
        note = column.notes[0]
        amiss.append((
            note.line, note.start + 1, "there is no duration above this note",
            f"Write one in line {line} above column {column.start + 1}, or delete the note.",
        ))  # fmt: skip
    for column in columns:
        if column.mark is not None:
            column.step, column.held = column.mark.step, column.mark.held
            if len(column.held) > 1 and len(column.held) != len(column.notes):
                amiss.append((
                    line, column.mark.start + 1,
                    f"{len(column.held)} held lengths for {len(column.notes)} notes",
                    "Write one for all of them, or one each from the top string down.",
                ))  # fmt: skip
    columns.sort(key=lambda c: c.start)
    if not amiss:
        return columns
    # one slip of the hand moves all that is behind it: the first place is told
    at, column_at, what, remedy = min(amiss, key=lambda one: one[1])
    more = len(amiss) - 1
    if more:
        remedy += f" {more} more of this bar {'does' if more == 1 else 'do'} not line up either."
    source.error(at, column_at, what, remedy)
    return None


def spread_columns(
    source: SourceText, notes: Sequence[TabNote], bar: tuple[int, int], lead: int, metre: Metre
) -> list[Column] | None:
    """The columns of a bar without durations, timed by their place; None, told, when too close.

    Equal distances are equal lengths where that fills the bar. Else the place in the bar is
    rounded to the division of the quarter that misses the columns least, a plain one before a
    fine or a triplet one; each note lasts until the next column.
    """
    columns = _grouped(notes, ())
    timed = [c for c in columns if not c.grace]
    if not timed:
        return [*columns, Column(bar[1], bar[1], bar[1], step=metre.quarters)]
    slots = _even_slots(tuple(c.start - bar[0] for c in timed), bar[1] - bar[0], lead, metre)
    slots = slots or _slots(
        tuple(c.start - bar[0] - lead for c in timed), bar[1] - bar[0] - lead, lead, metre
    )
    if slots is None:
        note = timed[0].notes[0]
        source.error(
            note.line, note.start + 1, "the columns of this bar are too close to tell their time",
            "Write a duration line above the strings.",
        )  # fmt: skip
        return None
    ends = [*slots[1:], metre.quarters]
    for column, start, end in zip(timed, slots, ends, strict=True):
        column.step = end - start
    if slots[0] > 0:
        columns.insert(0, Column(bar[0], bar[0], bar[0], step=slots[0]))
    return columns


@lru_cache(maxsize=4096)  # one bar is often spaced like another
def _even_slots(places: tuple[int, ...], width: int, lead: int, metre: Metre) -> list[Fraction] | None:
    """Quarters from the bar's start for columns whose distances are whole numbers of steps, when
    the bar holds a plain number of them; None when not.

    What stands free before the first column and behind the last counts in steps too, but there
    hands type less evenly: up to ``lead`` characters are a margin.
    """
    gaps = [after - before for before, after in itertools.pairwise(places)]
    if not gaps:
        return None
    best: tuple[float, list[Fraction]] | None = None
    for pace in dict.fromkeys((math.gcd(*gaps), min(gaps))):
        steps = [round(gap / pace) for gap in gaps]
        if any(abs(gap - step * pace) > _UNEVEN * pace for gap, step in zip(gaps, steps, strict=True)):
            continue
        head, tail = max(0, places[0] - lead) / pace, (width - places[-1]) / pace
        if head + sum(steps) + tail > 16 * metre.quarters:
            continue  # finer than any step below
        for before in range(round(head) + 1):
            for behind in range(max(1, math.floor(tail)), math.ceil(tail + 1 / pace) + 1):
                unit = metre.quarters / (before + sum(steps) + behind)
                even = before == 0 and behind == 1 and set(steps) == {1}
                cost = abs(head - before) + 0.7 * abs(tail - behind) + _COSTS.get(unit, math.inf)
                if unit.denominator % 3 == 0 and not even:
                    continue
                if best is None or cost < best[0]:
                    onsets = itertools.accumulate(steps, initial=before)
                    best = cost, [unit * onset for onset in onsets]
    return best[1] if best is not None and best[0] < math.inf else None


@lru_cache(maxsize=4096)
def _slots(places: tuple[int, ...], width: int, margin: int, metre: Metre) -> list[Fraction] | None:
    """Quarters from the bar's start for columns ``places`` characters into a bar of ``width``, of
    which ``margin`` may be left free at its end as it is at its start."""
    best: tuple[float, list[Fraction]] | None = None
    for fine, cost in _FINENESS.items():
        count = metre.quarters * fine
        if count.denominator != 1:
            continue
        for room in (width, width - 1, width - margin):
            if room < 1:
                continue
            rounded = [round(Fraction(max(0, p), room) * count) for p in places]
            if len(set(rounded)) < len(rounded) or rounded[-1] >= count:
                continue
            miss = max(abs(p - r * room / float(count)) for p, r in zip(places, rounded, strict=True))
            if best is None or miss + cost < best[0]:
                best = miss + cost, [Fraction(r, fine) for r in rounded]
    return None if best is None else best[1]
