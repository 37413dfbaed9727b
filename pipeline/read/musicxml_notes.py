"""The notes of a MusicXML part as the file has them, and the marks that stand on each.

Conventions
-----------
Of a notation staff and a tab staff with the same notes the tab staff is read, and what stands on
the notation staff's note is read with it: programs split the marks of a note between the two.

References
----------
MusicXML 4.0: ``note``, ``pitch``, ``notations``; ``tie`` is the sound, ``tied`` the look.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Final
from xml.etree.ElementTree import Element

from pipeline.music.pitch import STEP_SEMITONES, Pitch, Spelling
from pipeline.read.musicxml_instrument import tab_staff
from pipeline.read.musicxml_keys import Transpositions
from pipeline.read.musicxml_ledger import NOTATIONS, NOTE, Ledger, in_measures
from pipeline.read.musicxml_measures import Measure, number_of, timed

_ALIKE: Final = Fraction(7, 10)  # of the notes of two staves, when they are one music written twice
_PLAYED: Final = frozenset(
    {"time-only", "pizzicato", "attack", "release", "end-dynamics"}
)  # attributes of a note about its sound


@dataclass(slots=True)
class NoteMarks:
    """What stands on a note: own elements first, then those of its twin on the notation staff."""

    technical: list[Element] = field(default_factory=list)
    articulations: list[Element] = field(default_factory=list)
    ornaments: list[Element] = field(default_factory=list)
    others: list[Element] = field(default_factory=list)  # further children of ``notations``

    def add(self, note: Element) -> None:
        for group in note.iterfind("notations"):
            for child in group:
                if child.tag == "technical":
                    self.technical.extend(child)
                elif child.tag == "articulations":
                    self.articulations.extend(child)
                elif child.tag == "ornaments":
                    self.ornaments.extend(child)
                else:
                    self.others.append(child)

    def one(self, tag: str) -> Element | None:
        """The first ``technical`` child of this kind."""
        return next((child for child in self.technical if child.tag == tag), None)


@dataclass(slots=True)
class RawNote:
    """A note of the file before it has its place: written quarters, sounding MIDI number.

    element, twin : the note of the file, and the same one on the notation staff
    midi : -1 where string and fret alone tell
    bare : the file does not say where it is fretted
    tied, tie_on : by a tie from the note before, to the note after
    chord : struck with the note before it in the file
    tail : lines on heads that only prolong it
    """

    element: Element
    measure: Measure
    onset: Fraction
    duration: Fraction
    midi: int
    spelling: Spelling | None
    string: int | None
    fret: int | None
    tied: bool
    tie_on: bool
    voice: int
    grace: bool
    bare: bool
    chord: bool
    marks: NoteMarks
    twin: Element | None = None
    tail: list[Element] = field(default_factory=list)

    @property
    def elements(self) -> tuple[Element, ...]:
        return (self.element,) if self.twin is None else (self.element, self.twin)


class NoteReader:
    """Reads the notes of a part's staff, with what its other staff says about them."""

    def __init__(self, part: Element, measures: tuple[Measure, ...], ledger: Ledger) -> None:
        self.measures, self.ledger = measures, ledger
        self._by_staff: dict[str, list[tuple[Measure, Fraction, Element, Fraction]]] = defaultdict(list)
        voices: dict[str, set[str]] = defaultdict(set)
        for measure, quarter, item in timed(measures, "note"):
            element = item.element
            staff = (element.findtext("staff") or "1").strip()
            voices[staff].add((element.findtext("voice") or "1").strip())
            if element.find("rest") is None:
                self._by_staff[staff].append((measure, quarter, element, item.duration))
        tab = tab_staff(part)
        self.staff = self._chosen(str(tab) if tab is not None else None)
        self._voices = _voice_numbers(voices[self.staff])
        self.shifts = Transpositions(measures, ledger, self.staff if len(self._by_staff) > 1 else None)
        self.twins: tuple[str, ...] = ()  # further staves with the same music

    def _chosen(self, tab: str | None) -> str:
        """The staff that is read: the tab staff, else the one with most frets, else the first."""
        if tab is not None and (tab in self._by_staff or not self._by_staff):
            return tab
        frets = {
            staff: sum(element.find("notations/technical/fret") is not None for _, _, element, _ in found)
            for staff, found in self._by_staff.items()
        }
        most = max(frets.values(), default=0)
        fitting = [staff for staff, count in frets.items() if count == most]
        return min(fitting, key=lambda staff: (len(staff), staff), default=tab or "1")

    def read(self) -> list[RawNote]:
        found: list[RawNote] = []
        for measure, quarter, element, duration in self._by_staff.get(self.staff, ()):
            self._account(element, measure)
            if element.find("cue") is not None:
                self.ledger.drop("cue note", element, measure.name)
                continue
            raw = self._raw(element, measure, quarter, duration)
            if raw is not None:
                found.append(raw)
        for staff in sorted(self._by_staff):
            if staff != self.staff:
                self._other_staff(staff, found)
        hidden = [raw.measure.name for raw in found if raw.element.get("print-object") == "no"]
        if hidden:
            self.ledger.caution(
                f"{len(hidden)} hidden notes are read like the others{in_measures(hidden)}",
                "Delete them in the notation software if they are there for its playback only.",
            )
        return found

    def _other_staff(self, staff: str, raws: list[RawNote]) -> None:
        others = self._by_staff[staff]
        shifts = Transpositions(self.measures, Ledger(self.ledger.path, self.ledger.problems), staff)
        pitches = [
            (quarter, element, _midi(element, shifts.at(quarter).semitones))
            for _, quarter, element, _ in others
        ]
        if twin(raws, pitches):
            self.twins = (*self.twins, staff)
        else:
            self.ledger.caution(
                f"the part has {len(self._by_staff)} staves: staff {self.staff} is read, not staff {staff}",
                "Export the staff you teach as a part of its own to read it.", others[0][2],
            )  # fmt: skip

    def _account(self, element: Element, measure: Measure) -> None:
        """List what of a note nobody reads."""
        for child in element:
            if child.tag not in NOTE:
                self.ledger.drop(child.tag, child, measure.name)
            elif child.tag == "notations":
                self.ledger.drop_unknown(child, NOTATIONS, measure.name)
        for name in _PLAYED.intersection(element.attrib):
            self.ledger.drop(f"playback {name}", element, measure.name)

    def _raw(
        self, element: Element, measure: Measure, quarter: Fraction, duration: Fraction
    ) -> RawNote | None:
        marks = NoteMarks()
        marks.add(element)
        string, fret = (_whole(marks.one(name)) for name in ("string", "fret"))
        step = (element.findtext("pitch/step") or "").strip()
        octave = number_of(element, "pitch/octave")
        spelling: Spelling | None = None
        midi = -1  # told by string and fret alone
        shift = self.shifts.at(quarter)
        if step in STEP_SEMITONES and octave is not None and -2 <= octave <= 11:
            alter = number_of(element, "pitch/alter", Fraction(0)) or Fraction(0)
            if alter.denominator != 1:
                self.ledger.drop("quarter tone", element, measure.name)
            spelling = Spelling(step, max(-3, min(3, int(alter))))
            midi = Pitch(spelling, int(octave)).midi + shift.semitones
            spelling = spelling.transposed(shift) if shift.semitones % 12 else spelling
        elif string is None or fret is None:
            what = "unpitched note" if element.find("unpitched") is not None else "note without a pitch"
            self.ledger.drop(what, element, measure.name)
            return None
        grace = element.find("grace") is not None
        ties = {tie.get("type") for tie in element.iterfind("tie")}
        ties |= {mark.get("type") for mark in marks.others if mark.tag == "tied"}
        voice = (element.findtext("voice") or "1").strip()
        return RawNote(
            element, measure, quarter, Fraction(0) if grace else duration, midi, spelling, string, fret,
            "stop" in ties,
            "start" in ties,
            self._voices.get(voice, 1), grace, string is None or fret is None,
            element.find("chord") is not None, marks,
        )  # fmt: skip


def _whole(element: Element | None) -> int | None:
    number = None if element is None else number_of(element, ".")
    return None if number is None else int(number)


def pitched(measures: tuple[Measure, ...], shifts: Transpositions) -> Iterable[tuple[Fraction, Element, int]]:
    """Quarter, element and sounding MIDI number of each note of a part."""
    for _, quarter, item in timed(measures, "note"):
        if item.element.find("rest") is None:
            yield quarter, item.element, _midi(item.element, shifts.at(quarter).semitones)


def _midi(element: Element, shift: int) -> int:
    step = (element.findtext("pitch/step") or "").strip()
    octave = number_of(element, "pitch/octave")
    if step not in STEP_SEMITONES or octave is None:
        return -1
    alter = number_of(element, "pitch/alter", Fraction(0)) or Fraction(0)
    return int(octave + 1) * 12 + STEP_SEMITONES[step] + int(alter) + shift


def _voice_numbers(names: Iterable[str]) -> dict[str, int]:
    """Voice 1 or 2 for the voices of a staff: by turns, as programs number them (stems up, down ...)."""
    numbers = sorted({int(name) for name in names if name.isdecimal() and len(name) < 6})
    if numbers:
        found = {str(number): (number - numbers[0]) % 2 + 1 for number in numbers}
        return found | {name: int(found.get(name.lstrip("0"), 1)) for name in names}
    return {name: 1 + (place > 0) for place, name in enumerate(sorted(names))}


def twin(
    raws: list[RawNote], others: Iterable[tuple[Fraction, Element, int]], *, whole: bool = False
) -> bool:
    """Whether ``others`` (quarter, note, MIDI number) are the notes of ``raws`` written twice; then
    each raw note gets the marks, and where it has none the place, of its other self.

    whole : all the notes of both, not only of the one that has fewer
    """
    table: dict[tuple[Fraction, bool, int], list[Element]] = defaultdict(list)
    count = 0
    for quarter, element, midi in others:
        table[quarter, element.find("grace") is not None, midi % 12].append(element)
        count += 1
    mine = Counter((raw.onset, raw.grace, raw.midi % 12) for raw in raws if raw.midi >= 0)
    common = sum(min(number, len(table.get(key, ()))) for key, number in mine.items())
    blind = sum(raw.midi < 0 for raw in raws)
    compared = max(len(raws), count) if whole else min(len(raws), count)
    if common + blind < _ALIKE * max(1, compared) or not (common or blind):
        return False
    for raw in raws:
        candidates = table.get((raw.onset, raw.grace, raw.midi % 12)) if raw.midi >= 0 else None
        if not candidates:
            continue
        raw.twin = candidates.pop(0)
        raw.marks.add(raw.twin)
        if raw.bare:
            string, fret = (_whole(raw.marks.one(name)) for name in ("string", "fret"))
            if string is not None and fret is not None:
                raw.string, raw.fret, raw.bare = string, fret, False
    return True


def _tone(raw: RawNote) -> tuple[int, int, int]:
    """What a tie keeps: the pitch, and the place where it is stated."""
    return (raw.midi, -1, -1) if raw.bare else (-1, raw.string or 0, raw.fret or 0)


def close_ties(raws: Sequence[RawNote]) -> list[RawNote]:
    """Ties the note after one whose tie has no end, where it has the same pitch; returns these.

    Some programs write the beginning of a tie alone.
    """
    waiting = {(*_tone(raw), raw.onset + raw.duration): raw for raw in raws if raw.tie_on and not raw.grace}
    if not waiting:
        return []
    ended = {(*_tone(raw), raw.onset) for raw in raws if raw.tied}
    closed: list[RawNote] = []
    for raw in raws:
        place = (*_tone(raw), raw.onset)
        if not raw.tied and not raw.grace and place in waiting and place not in ended:
            raw.tied = True
            ended.add(place)
            closed.append(raw)
    return closed


def loosen_ties(raws: list[RawNote], measures: tuple[Measure, ...]) -> list[RawNote]:
    """Unties notes whose tie comes from no note of their pitch (and place); returns them.

    Where an ending or a repeat starts, or a sign to jump to stands, it may come from further back.
    """

    ends = {(*_tone(raw), raw.onset + raw.duration) for raw in raws if not raw.grace}
    entries = {measure.start for measure in measures if measure.endings or measure.repeat_start}
    loose = [r for r in raws if r.tied and (*_tone(r), r.onset) not in ends and r.onset not in entries]
    for raw in loose:
        raw.tied = False
    return loose
