"""The chord chart that a MusicXML score carries in its ``harmony`` elements.

References
----------
MusicXML 4.0: ``harmony``, ``kind-value``, ``degree`` (an added degree counts from a dominant
chord, an altered one from what the kind has).
"""

from __future__ import annotations

import re
from fractions import Fraction
from pathlib import Path
from typing import Final
from xml.etree.ElementTree import Element

from pipeline.errors import Problems
from pipeline.music.chart import Chart, ChartBar, ChartChord
from pipeline.music.chord import KINDS, Change, Chord
from pipeline.music.errors import MusicError, SpellingError
from pipeline.music.key import Key
from pipeline.music.metre import Form, Metre
from pipeline.music.pitch import STEP_SEMITONES, Interval, Spelling
from pipeline.read.musicxml_directions import MarkReader
from pipeline.read.musicxml_file import open_score
from pipeline.read.musicxml_instrument import choose_part
from pipeline.read.musicxml_keys import Transpositions, key_of, keys_of
from pipeline.read.musicxml_ledger import HARMONY, Ledger
from pipeline.read.musicxml_measures import Measure, MeasureReader, form_of, number_of, timed
from pipeline.read.musicxml_signs import SignReader
from pipeline.read.musicxml_tree import place_of
from pipeline.read.places import Place, Places

_KINDS: Final[dict[str, tuple[str, tuple[Change, ...]]]] = {
    "major": ("maj", ()),
    "minor": ("min", ()),
    "augmented": ("aug", ()),
    "diminished": ("dim", ()),
    "dominant": ("7", ()),
    "major-seventh": ("maj7", ()),
    "minor-seventh": ("min7", ()),
    "diminished-seventh": ("dim7", ()),
    "augmented-seventh": ("7", (Change("alter", 5, 1),)),
    "half-diminished": ("hdim7", ()),
    "major-minor": ("minmaj7", ()),
    "major-sixth": ("maj6", ()),
    "minor-sixth": ("min6", ()),
    "dominant-ninth": ("9", ()),
    "major-ninth": ("maj9", ()),
    "minor-ninth": ("min9", ()),
    "dominant-11th": ("11", ()),
    "major-11th": ("maj11", ()),
    "minor-11th": ("min11", ()),
    "dominant-13th": ("13", ()),
    "major-13th": ("maj13", ()),
    "minor-13th": ("min13", ()),
    "suspended-second": ("sus2", ()),
    "suspended-fourth": ("sus4", ()),
    "power": ("5", ()),
    "pedal": ("5", ()),
}
# the chords of harmony books by the sound they have: common practice
_BY_SOUND: Final[dict[str, tuple[str, tuple[Change, ...]]]] = {
    "Neapolitan": ("maj", ()),
    "Italian": ("7", (Change("omit", 5),)),
    "French": ("7", (Change("alter", 5, -1),)),
    "German": ("7", ()),
    "Tristan": ("hdim7", ()),
}


def _spelling(element: Element | None, name: str) -> Spelling | None:
    if element is None:
        return None
    step = (element.findtext(f"{name}-step") or "").strip()
    alter = number_of(element, f"{name}-alter", Fraction(0)) or Fraction(0)
    return Spelling(step, int(alter)) if step in STEP_SEMITONES and abs(alter) <= 2 else None


def _changes(element: Element, kind: str) -> tuple[Change, ...]:
    found: list[Change] = []
    for degree in element.findall("degree"):
        number = int(number_of(degree, "degree-value", Fraction(0)) or 0)
        alter = int(number_of(degree, "degree-alter", Fraction(0)) or 0)
        action = (degree.findtext("degree-type") or "add").strip()
        if not 1 <= number <= 13:
            continue
        if action == "subtract":
            found.append(Change("omit", number))
            continue
        if action == "alter":
            alter += KINDS[kind][0].get(number, 0)
        elif number == 7:
            alter -= 1
        if not -2 <= alter <= 1:
            raise MusicError(f"a chord with degree {number} altered by {alter} semitones")
        found.append(Change("alter" if action == "alter" else "add", number, alter))
    return tuple(found)


_ROMAN: Final = {"I": 1, "II": 2, "III": 3, "IV": 4, "V": 5, "VI": 6, "VII": 7}
_FUNCTION: Final = re.compile(r"(?P<alter>[#b♯♭]?)(?P<degree>VII|VI|IV|V|III|II|I)[°ø+]?\d*", re.IGNORECASE)


def _degree_root(element: Element, key: Key) -> Spelling | None:
    """The root that a numeral or a function stands for in a key; None when it is neither.

    Raises
    ------
    MusicError : no degree of a scale.
    """
    numeral, function = element.find("numeral"), element.findtext("function")
    alter, raised = 0, {}
    if numeral is not None:
        degree = int(number_of(numeral, "numeral-root", Fraction(0)) or 0)
        alter = int(number_of(numeral, "numeral-alter", Fraction(0)) or 0)
        fifths = number_of(numeral, "numeral-key/numeral-fifths")
        if fifths is not None:
            mode = (numeral.findtext("numeral-key/numeral-mode") or "major").strip()
            # MusicXML 4.0, numeral-mode: the raised degrees of these scales
            raised = {"harmonic minor": {7: 1}, "melodic minor": {6: 1, 7: 1}}.get(mode, {})
            key = _key_of_fifths(int(fifths), "minor" if mode.endswith("minor") else "major")
    elif function is not None:
        match = _FUNCTION.fullmatch(function.strip())
        if match is None:
            raise MusicError(f"a chord by the function {function.strip()!r}")
        degree = _ROMAN[match["degree"].upper()]
        alter = {"": 0, "#": 1, "♯": 1}.get(match["alter"], -1)
    else:
        return None
    if not 1 <= degree <= 7 or abs(alter) > 2:
        raise MusicError(f"a chord on degree {degree}")
    base = key.spell(key.scale[degree - 1])
    return Spelling(base.step, base.alter + alter + raised.get(degree, 0))


def _key_of_fifths(fifths: int, mode: str) -> Key:
    element = Element("key")
    for tag, text in (("fifths", str(fifths)), ("mode", mode)):
        child = Element(tag)
        child.text = text
        element.append(child)
    return key_of(element)


def chord_of(element: Element, key: Key | None = None) -> tuple[Chord | None, str]:
    """The chord of a ``harmony`` element (None for no chord) and what had to be bent, or "".

    key : in which a numeral or a function is meant, C major without one

    Raises
    ------
    MusicError : it names no chord that can be told.
    """
    kind_element = element.find("kind")
    value = (kind_element.text or "").strip() if kind_element is not None else "major"
    text = (kind_element.get("text") or "") if kind_element is not None else ""
    if value == "none" or text.upper().replace(".", "").strip() == "NC":
        return None, ""
    root = _spelling(element.find("root"), "root") or _degree_root(element, key or Key.parse("C"))
    if root is None:
        raise MusicError("a chord without a root")
    note = ""
    bass = _spelling(element.find("bass"), "bass")
    if value in _KINDS:
        kind, changes = _KINDS[value]
    elif value in _BY_SOUND:
        kind, changes = _BY_SOUND[value]
        note = f"a {value} chord is read as {Chord(root, kind, changes).text()}, which it sounds like"
    else:
        try:
            written = Chord.parse(root.text() + text)
        except SpellingError as error:
            raise MusicError(f"a chord of the kind {value!r} with the text {text!r}") from error
        kind, changes = written.kind, written.changes
    chord = Chord(root, kind, changes + _changes(element, kind), None if bass == root else bass)
    try:
        return Chord.parse(chord.text()), note
    except SpellingError:
        return chord, note


class _ChartReader:
    def __init__(self, path: Path, problems: Problems) -> None:
        self.path, self.problems = path, problems
        self.ledger = Ledger(path, problems)
        self.key = Key.parse("C")

    def read(self, root: Element, part: Element, places: Places | None) -> Chart | None:
        before = len(self.problems.errors)
        signs = SignReader(self.ledger)
        measures, bars = MeasureReader(part, self.ledger, signs).read()
        marks = MarkReader(Ledger(self.path, Problems()), signs).read(measures)
        form = None if bars is None else form_of(bars, measures, signs, self.ledger)
        if form is None or len(self.problems.errors) > before:
            return None
        shifts = Transpositions(measures, self.ledger)
        key, changes = keys_of(measures, shifts, self.ledger)
        chords, others = self._chords(measures, shifts, key, {c.quarter: c.key for c in changes}, places)
        sections: dict[int, str] = {}
        for quarter, name in marks.names:
            sections.setdefault(form.written.bar_at(quarter).index, name)
        tempos: dict[int, float] = {}
        for quarter, bpm in sorted(marks.tempos.items()):
            place = form.written.bar_at(quarter)
            if place.start != quarter or not 10 <= bpm <= 500:
                self.ledger.drop(
                    f"tempo of {bpm:g}", measures[place.index].element, measures[place.index].name
                )
            else:
                tempos[place.index] = bpm
        starts = {bar.start: bar.index for bar in form.written.bars}
        keys = {starts[c.quarter]: c.key for c in changes if c.quarter in starts}
        made = tuple(
            ChartBar(
                chords.get(index, ()), sections.get(index), bar.repeat_start, bar.repeat_times, bar.endings, bar.signs,
                bar.double, bar.metre if index and bar.metre != form.bars[index - 1].metre else None, keys.get(index),
                tempos.get(index) if index else None, None, (others[index],) if index in others else (),
            )
            for index, bar in enumerate(form.bars)
        )  # fmt: skip
        if places is not None:
            places.bars.update((m.index, self._place(m.element)) for m in measures)
        self.ledger.tell()
        title = root.findtext("movement-title") or root.findtext("work/work-title") or ""
        return Chart(made, key, None, title, self._metre(form, measures), tempos.get(0))

    @staticmethod
    def _metre(form: Form, measures: tuple[Measure, ...]) -> Metre | None:
        stated = any(item.element.find("time") is not None for _, _, item in timed(measures, "attributes"))
        return form.bars[0].metre if stated else None

    def _place(self, element: Element) -> Place:
        line, column = place_of(element)
        return Place(self.path, line or None, column or None)

    def _chords(
        self,
        measures: tuple[Measure, ...],
        shifts: Transpositions,
        key: Key | None,
        changes: dict[Fraction, Key],
        places: Places | None,
    ) -> tuple[dict[int, tuple[ChartChord, ...]], dict[int, tuple[ChartChord, ...]]]:
        """The chords as they sound by bar, and those that are named as alternates."""
        found: dict[int, dict[Fraction, Chord | None]] = {}
        others: dict[int, dict[Fraction, Chord | None]] = {}
        now, waiting = key or Key.parse("C"), sorted(changes.items())
        for measure, quarter, item in timed(measures, "harmony"):
            while waiting and waiting[0][0] <= measure.start:
                now = waiting.pop(0)[1]
            shift = shifts.at(quarter)
            # a numeral is meant in the key as written
            self.key = (
                now.transposed(Interval(-shift.steps, -shift.semitones)) if shift.semitones % 12 else now
            )
            table = others if item.element.get("type") == "alternate" else found
            place = self._chord(measure, quarter, item.element, table.setdefault(measure.index, {}), shift)
            if places is not None and place is not None and table is found:
                places.chords.setdefault((measure.index, place), self._place(item.element))

        def listed(table: dict[int, dict[Fraction, Chord | None]]) -> dict[int, tuple[ChartChord, ...]]:
            return {
                index: tuple(
                    ChartChord(at, chord) for at, chord in sorted(chords.items(), key=lambda c: c[0])
                )
                for index, chords in table.items()
                if chords
            }

        return listed(found), listed(others)

    def _chord(
        self,
        measure: Measure,
        quarter: Fraction,
        element: Element,
        found: dict[Fraction, Chord | None],
        shift: Interval,
    ) -> Fraction | None:
        """Puts a chord into ``found``; its share of the bar, or None when it is left out, told."""
        at = (quarter - measure.start) / measure.length
        self.ledger.drop_unknown(element, HARMONY, measure.name)
        if len(element.findall("kind")) > 1:
            self.ledger.drop("second chord of a chord symbol", element, measure.name)
        try:
            chord, note = chord_of(element, self.key)
        except MusicError as error:
            self.ledger.caution(
                f"{error}; the chord before goes on",
                "Name it in the notation software by root and kind.", element, measure.name,
            )  # fmt: skip
            return None
        if chord is not None and shift.semitones % 12:
            chord = chord.transposed(shift)
        if note:
            self.ledger.caution(note, "", element, measure.name)
        if at >= 1:
            self.ledger.caution("a chord after the measure's end is left out", "", element, measure.name)
            return None
        if at in found and found[at] != chord:
            self.ledger.caution("two chords at one place, the last one is kept", "", element, measure.name)
        found[at] = chord
        return at


def read_musicxml_chart(
    path: Path, problems: Problems, *, part: str | None = None, places: Places | None = None
) -> Chart | None:
    """Read the chords of a plain or compressed MusicXML file.

    Parameters
    ----------
    part : the part to read by its id or name (case apart); None: the one that has most chords
    places : filled with the place of each bar and chord in the file

    Returns None when there are errors; all of them, and the cautions, are in ``problems``.
    """
    root = open_score(path, problems)
    if root is None:
        return None
    if part is not None:
        chosen = choose_part(root, part, path, problems)
        if chosen is None:
            return None
    else:
        chosen = max(root.findall("part"), key=lambda item: len(item.findall("measure/harmony")))
    if chosen.find("measure/harmony") is None:
        problems.error(
            "the score names no chords" if part is None else f"the part {part!r} names no chords", path=path,
            remedy="Write chord symbols in the notation software, or a chart.txt such as | Am | Dm E7 |.",
        )  # fmt: skip
        return None
    return _ChartReader(path, problems).read(root, chosen, places)
