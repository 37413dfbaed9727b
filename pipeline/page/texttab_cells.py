"""One column of a text tab: what stands on each string, above and below it, and how long it lasts."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Final

from pipeline.music.metre import PlacedBar
from pipeline.music.tab import Note, Tab
from pipeline.music.technique import (
    LEAVING,
    Dead,
    Ghost,
    Grace,
    LetRing,
    PalmMute,
    Slide,
    SlideKind,
    Stroke,
)
from pipeline.page.texttab_notes import duration_text, joint_text, joint_word, note_text

SIGNED: Final = ("PK", "FI", "RH", "VO")  # lines that hold one sign for a note


@dataclass(slots=True)
class Cell:
    """One column of a bar: what stands on each string, above and below it.

    mark : the duration, empty above grace notes; ``step`` is the same in quarters
    texts : per string (from 1), the note from the first character of its head on
    leads : per string, the letter in front of the head
    slides : per string, the sign of a legato slide that arrives
    signs : what stands in the lines below, by their names
    remarks : words above it, in their order
    """

    mark: str
    step: Fraction = Fraction(0)
    texts: dict[int, str] = field(default_factory=dict)
    leads: dict[int, str] = field(default_factory=dict)
    slides: dict[int, str] = field(default_factory=dict)
    muted: bool = False
    ringing: bool = False
    signs: dict[str, str] = field(default_factory=dict)
    remarks: list[str] = field(default_factory=list)

    @property
    def room(self) -> int:
        """Characters it keeps clear to its left."""
        return 2 if any(lead in "/\\" for lead in self.leads.values()) else 1

    @property
    def air(self) -> int:
        """Further characters of paper that a long note gets, as engravers give it: common practice."""
        return sum(self.step >= length for length in (Fraction(1, 2), 1, 2))

    @property
    def width(self) -> int:
        widest = max((len(text) for text in self.texts.values()), default=1)
        return max(widest, len(self.mark), max(map(len, self.signs.values()), default=0))


def syllable_text(text: str) -> str:
    """A syllable as it stands in its line; one that would mean something else there behind a ``\\``."""
    text = text.replace(" ", "_")
    taken = not text.strip("_|") or not text.strip("-") or text.startswith(("\\", "_"))
    return "\\" + text if taken else text


def _leaves(note: Note) -> bool:
    return any(isinstance(t, Slide) and t.kind in LEAVING for t in note.techniques)


class CellWriter:
    """Turns a tab's notes into cells, bar by bar in their order."""

    def __init__(self, tab: Tab) -> None:
        self.tab = tab
        self.hands: dict[int, int] = {}
        self.hand = 0
        self.dynamic = "mf"
        self.last: dict[int, tuple[Note, int]] = {}  # per string, the note before and its bar
        self.tied_into = {(n.onset, n.string, n.fret) for n in tab.notes if n.tied}
        self.ties: set[tuple[Fraction, int, int]] = set()  # where a _ above a column leads to
        self.by_bar: dict[int, list[Note]] = {}
        self.moments: dict[int, set[Fraction]] = {}  # per bar, where words stand
        bar_at = tab.form.written.bar_at
        for note in tab.notes:
            self.by_bar.setdefault(bar_at(note.onset).index, []).append(note)
        for quarter in {lyric.quarter for lyric in tab.lyrics} | {remark.quarter for remark in tab.remarks}:
            self.moments.setdefault(bar_at(quarter).index, set()).add(quarter)
        self.lyrics: dict[Fraction, dict[str, str]] = {}
        for lyric in tab.lyrics:
            name = "LY" if lyric.verse == 1 else f"LY{lyric.verse}"
            self.lyrics.setdefault(lyric.quarter, {})[name] = syllable_text(lyric.text)
        self.remarks: dict[Fraction, list[str]] = {}
        for remark in tab.remarks:
            self.remarks.setdefault(remark.quarter, []).append(f'"{remark.text}"')

    def cells(self, bar: PlacedBar) -> list[Cell]:
        """The columns of a written bar, rests among them."""
        found: list[Cell] = []
        moments = self.moments.get(bar.index, set())
        by_onset: dict[Fraction, list[Note]] = {quarter: [] for quarter in moments}
        for note in self.by_bar.get(bar.index, []):
            by_onset.setdefault(note.onset, []).append(note)
        onsets = sorted(by_onset)
        now = bar.start
        for place, onset in enumerate(onsets):
            if onset > now:
                found.append(self._rest(now, onset))
                now = onset
            here = by_onset[onset]
            struck = [n for n in here if not n.grace]
            found += self._graces([n for n in here if n.grace], bar)
            if not struck:
                continue
            room = (onsets[place + 1] if place + 1 < len(onsets) else bar.end) - onset
            step = min(room, max(n.duration for n in struck))
            found.append(self._worded(self._cell(struck, bar, self._mark(struck, step), step), onset))
            now = onset + step
        if bar.end > now:
            found.append(self._rest(now, bar.end))
        if bar.bar.length < bar.bar.metre.quarters and not bar.bar.pickup:
            found.append(Cell("!"))  # short on purpose
        return found

    def _rest(self, start: Fraction, end: Fraction) -> Cell:
        return self._worded(Cell(duration_text(end - start), end - start), start)

    def _worded(self, cell: Cell, quarter: Fraction) -> Cell:
        """With the words that stand at its moment."""
        cell.signs.update(self.lyrics.get(quarter, {}))
        cell.remarks = self.remarks.get(quarter, [])
        return cell

    def _mark(self, struck: Sequence[Note], step: Fraction) -> str:
        lengths = [n.duration for n in struck]
        mark = duration_text(step)
        if any(length != step for length in lengths):
            held = lengths[:1] if len(set(lengths)) == 1 else lengths
            mark += ":" + ",".join(duration_text(length) for length in held)
        ends = {(n.end, n.string, n.fret) for n in struck}
        if not ends & self.tied_into:
            return mark
        self.ties |= ends
        return mark + "_"

    def _graces(self, graces: Iterable[Note], bar: PlacedBar) -> list[Cell]:
        """Grace notes in their order; those struck together, from the top string down, in one column."""
        rows: list[list[Note]] = []
        for note in graces:
            grace = note.get(Grace)
            if rows and grace is not None and grace.together and note.string > rows[-1][-1].string:
                rows[-1].append(note)
            else:
                rows.append([note])
        return [self._cell(row, bar, "", Fraction(0)) for row in rows]

    def _cell(self, notes: Sequence[Note], bar: PlacedBar, mark: str, step: Fraction) -> Cell:
        cell = Cell(mark, step)
        cell.muted = all(n.has(PalmMute) for n in notes)
        cell.ringing = all(n.has(LetRing) for n in notes)
        if notes[0].dynamic != self.dynamic and len({n.dynamic for n in notes}) == 1:
            cell.signs["DY"] = self.dynamic = notes[0].dynamic
        for place, note in enumerate(notes):  # from the top string down
            said = self._said(note, cell, first=place == 0)
            lead = self._lead(note, bar, cell)
            if lead:
                said.insert(0, lead)
            meets = (note.onset, note.string, note.fret) in self.ties
            if note.tied and not meets:
                said.append("tie")
            if note.has(Ghost) and meets and not note.has(Dead):
                said.append("ghost")
            ghost = not meets or note.has(Dead)
            hand = self.hands.get(note.string, self.hand)
            cell.texts[note.string] = note_text(note, hand=hand, tied=meets, ghost=ghost, said=said)
            if note.fret:
                self.hand = self.hands[note.string] = note.fret
            self.last[note.string] = note, bar.index
        for name in SIGNED:
            text = _signs([_sign(name, note) for note in notes])
            if text:
                cell.signs[name] = text
        return cell

    def _said(self, note: Note, cell: Cell, *, first: bool) -> list[str]:
        """What only braces can say of a note."""
        found: list[str] = []
        if note.dynamic != self.dynamic:
            found.append(note.dynamic)
        if note.has(PalmMute) and not cell.muted:
            found.append("pm")
        if note.has(LetRing) and not cell.ringing:
            found.append("lr")
        grace = note.get(Grace)
        if grace is not None and grace.together and first:
            found.append("with")
        if note.pitch != self.tab.key_at(note.onset).spell_midi(note.pitch.midi):
            found.append(note.pitch.spelling.text())
        return found

    def _lead(self, note: Note, bar: PlacedBar, cell: Cell) -> str:
        """Puts what leads to a note into its cell; gives it as a word where no sign can stand."""
        before, home = self.last.get(note.string, (None, -1))
        if any(t.kind is SlideKind.LEGATO for t in note.techniques if isinstance(t, Slide)):
            # over more than a barline nobody would follow the stroke
            if before is None or _leaves(before) or home < bar.index - 1:
                return "slide"
            cell.slides[note.string] = "/" if note.fret >= before.fret else "\\"
            return ""
        sign = joint_text(note)
        if before is None and sign in ("p", "s"):
            return joint_word(sign)
        if sign:
            cell.leads[note.string] = sign
        return ""


def _sign(name: str, note: Note) -> str:
    """What a line of signs says of a note, "" nothing."""
    if name == "PK":
        stroke = note.get(Stroke)
        return "" if stroke is None else "d" if stroke.down else "u"
    if name == "FI":
        return "" if note.finger is None else str(note.finger or "T")
    if name == "RH":
        return note.pluck or ""
    return "2" if note.voice == 2 else ""


def _signs(signs: Sequence[str]) -> str:
    """One sign for all notes of a column, or one for each; "" when there are none."""
    if not any(signs):
        return ""
    return signs[0] if len(set(signs)) == 1 else "".join(sign or "." for sign in signs)
