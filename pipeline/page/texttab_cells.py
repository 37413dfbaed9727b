"""One column of a text tab: how a note with its techniques is typed, and how long it lasts."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Final

from pipeline.music.metre import PlacedBar
from pipeline.music.tab import Note, Tab
from pipeline.music.technique import (
    Accent,
    Bend,
    Dead,
    Ghost,
    Grace,
    HammerOn,
    Harmonic,
    HarmonicKind,
    LetRing,
    PalmMute,
    PullOff,
    Slide,
    SlideKind,
    Staccato,
    Stroke,
    Tap,
    TremoloPicking,
    Trill,
    Vibrato,
)

_LETTERS: Final = {"w": Fraction(4), "h": Fraction(2), "q": Fraction(1), "e": Fraction(1, 2), "s": Fraction(1, 4), "t": Fraction(1, 8)}  # fmt: skip
_SIMPLE: Final = {
    length * factor * ratio: letter + figure + dots
    for letter, length in reversed(_LETTERS.items())
    for figure, ratio in (
        ("7", Fraction(4, 7)),
        ("5", Fraction(4, 5)),
        ("3", Fraction(2, 3)),
        ("", Fraction(1)),
    )
    for dots, factor in (("..", Fraction(7, 4)), (".", Fraction(3, 2)), ("", Fraction(1)))
    if not (figure and dots == "..")
}


def duration_text(quarters: Fraction) -> str:
    """``q.``, ``e3``, ``h+e``: one value, or the fewest plain ones that add up, or ``{5/48}``."""
    if quarters in _SIMPLE:
        return _SIMPLE[quarters]
    parts: list[str] = []
    left = quarters
    for value in sorted(
        (v for v, t in _SIMPLE.items() if "3" not in t and "5" not in t and "7" not in t), reverse=True
    ):
        while value <= left and len(parts) < 4:
            parts.append(_SIMPLE[value])
            left -= value
    return "{" + str(quarters) + "}" if left else "+".join(parts)


@dataclass(slots=True)
class Cell:
    """One column of a bar: what stands on each string, above and below it.

    mark : the duration, empty above grace notes; ``step`` is the same in quarters
    texts : per string (from 1), the note from the first character of its head on
    leads : per string, the letter in front of the head
    slides : per string, the sign of a legato slide that arrives
    """

    mark: str
    step: Fraction = Fraction(0)
    texts: dict[int, str] = field(default_factory=dict)
    leads: dict[int, str] = field(default_factory=dict)
    slides: dict[int, str] = field(default_factory=dict)
    muted: bool = False
    ringing: bool = False
    stroke: str = ""
    dynamic: str = ""

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
        return max(widest, len(self.mark), len(self.stroke), len(self.dynamic))


def _number(amount: Fraction) -> str:
    """A target of a bend, in frets."""
    return str(amount.numerator) if amount.denominator == 1 else f"{float(amount):.3f}".rstrip("0")


def _bend_text(bend: Bend, fret: int) -> str:
    heights: list[Fraction] = []
    for _, semitones in bend.points:
        if not heights or heights[-1] != semitones:
            heights.append(semitones)
    text = f"pb{_number(fret + heights[0])}" if heights[0] > 0 else ""
    for before, now in itertools.pairwise(heights):
        text += ("b" if now > before else "r") + _number(fret + now)
    return text


def _harmonic_text(harmonic: Harmonic, fret: int) -> tuple[str, str]:
    """What encloses the fret, and what stands behind it."""
    if harmonic.kind is HarmonicKind.NATURAL:
        return f"<{fret}>", ""
    if harmonic.kind is HarmonicKind.PINCH:
        return str(fret), "*" if harmonic.sounds == 12 else f"*{harmonic.sounds}"
    partial = round(2 ** (harmonic.sounds / 12))
    return str(fret), f"<{fret + round(-12 * math.log2(1 - 1 / partial))}>"


def _joint_text(note: Note) -> str:
    """The letter before a note that another one leads to, or a slide in; legato slides apart."""
    for technique in note.techniques:
        match technique:
            case HammerOn():
                return "h"
            case PullOff():
                return "p"
            case Slide(SlideKind.SHIFT):
                return "s"
            case Slide(SlideKind.IN_BELOW):
                return "/"
            case Slide(SlideKind.IN_ABOVE):
                return "\\"
            case _:
                continue
    return ""


def _note_text(note: Note, hand: int) -> str:
    """The note without what leads to it; ``hand`` is the fret a bare x would mean."""
    head, behind = str(note.fret), ""
    dead = note.has(Dead)
    if dead:
        head = "x" if note.fret == hand else f"x{note.fret}"
    harmonic = note.get(Harmonic)
    if harmonic is not None and not note.tied:
        head, behind = _harmonic_text(harmonic, note.fret)
    if note.tied or note.has(Ghost):
        head = f"({head})"
    before = ""
    if (grace := note.get(Grace)) is not None:
        before += "gg" if grace.on_beat else "g"
    if note.has(Tap):
        before += "t"
    if (bend := note.get(Bend)) is not None:
        behind += _bend_text(bend, note.fret)
    if (trill := note.get(Trill)) is not None:
        behind += f"tr{trill.fret}"
    if (tremolo := note.get(TremoloPicking)) is not None:
        behind += "=" * tremolo.strokes
    if note.has(Staccato):
        behind += "'"
    if (accent := note.get(Accent)) is not None:
        behind += "^" if accent.strong else ">"
    if (vibrato := note.get(Vibrato)) is not None:
        behind += "~~" if vibrato.wide else "~"
    outs = [t.kind for t in note.techniques if isinstance(t, Slide)]
    out = "/" if SlideKind.OUT_UP in outs else "\\" if SlideKind.OUT_DOWN in outs else ""
    return before + head + behind + out


class CellWriter:
    """Turns a tab's notes into cells, bar by bar in their order."""

    def __init__(self, tab: Tab) -> None:
        self.tab = tab
        self.strings = len(tab.instrument.strings)
        self.hands: dict[int, int] = {}
        self.hand = 0
        self.dynamic = "mf"
        self.last: dict[int, Note] = {}
        self.tied_into = {(n.onset, n.string, n.fret) for n in tab.notes if n.tied}
        self.by_bar: dict[int, list[Note]] = {}
        for note in tab.notes:
            home = tab.form.written.bar_at(note.onset).index
            self.by_bar.setdefault(home, []).append(note)

    def cells(self, bar: PlacedBar) -> list[Cell]:
        """The columns of a written bar, rests among them."""
        found: list[Cell] = []
        now = bar.start
        notes = self.by_bar.get(bar.index, [])
        onsets = sorted({n.onset for n in notes})
        for place, onset in enumerate(onsets):
            if onset > now:
                found.append(Cell(duration_text(onset - now), onset - now))
            here = [n for n in notes if n.onset == onset]
            found += self._graces([n for n in here if n.grace])
            struck = [n for n in here if not n.grace]
            if not struck:
                now = max(now, onset)
                continue
            room = (onsets[place + 1] if place + 1 < len(onsets) else bar.end) - onset
            step = min(room, max(n.duration for n in struck))
            found.append(self._cell(struck, self._mark(struck, step), step))
            now = onset + step
        if bar.end > now:
            found.append(Cell(duration_text(bar.end - now), bar.end - now))
        if bar.bar.length < bar.bar.metre.quarters and not bar.bar.pickup:
            found.append(Cell("!"))  # short on purpose
        return found

    def _mark(self, struck: list[Note], step: Fraction) -> str:
        lengths = [n.duration for n in struck]
        mark = duration_text(step)
        if any(length != step for length in lengths):
            held = lengths[:1] if len(set(lengths)) == 1 else lengths
            mark += ":" + ",".join(duration_text(length) for length in held)
        tied_on = any((n.end, n.string, n.fret) in self.tied_into for n in struck)
        return mark + "_" if tied_on else mark

    def _graces(self, graces: list[Note]) -> list[Cell]:
        """Grace notes in their order: one on each string to a column."""
        rows: list[list[Note]] = []
        for note in graces:
            row = next((r for r in rows if all(n.string != note.string for n in r)), None)
            if row is None:
                rows.append(row := [])
            row.append(note)
        return [self._cell(row, "", Fraction(0)) for row in rows]

    def _cell(self, notes: list[Note], mark: str, step: Fraction) -> Cell:
        cell = Cell(mark, step)
        for note in sorted(notes, key=lambda n: n.string):
            hand = self.hands.get(note.string, self.hand)
            text = _note_text(note, hand)
            if note.fret:
                self.hand = self.hands[note.string] = note.fret
            before = self.last.get(note.string)
            if (
                any(t.kind is SlideKind.LEGATO for t in note.techniques if isinstance(t, Slide))
                and before is not None
            ):
                cell.slides[note.string] = "/" if note.fret >= before.fret else "\\"
            elif joint := _joint_text(note):
                cell.leads[note.string] = joint
            cell.texts[note.string] = text
            self.last[note.string] = note
        cell.muted = any(n.has(PalmMute) for n in notes)
        cell.ringing = any(n.has(LetRing) for n in notes)
        strokes = [t.down for n in notes if (t := n.get(Stroke)) is not None]
        cell.stroke = ("d" if strokes[0] else "u") if strokes else ""
        if notes[0].dynamic != self.dynamic:
            cell.dynamic = self.dynamic = notes[0].dynamic
        return cell
