"""The chord chart that a MusicXML score carries in its ``harmony`` elements.

References
----------
MusicXML 4.0: ``harmony``, ``kind-value``, ``degree`` (an added degree counts from a dominant
chord, an altered one from what the kind has).
"""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import Final
from xml.etree.ElementTree import Element

from pipeline.errors import Problems
from pipeline.music.chart import Chart, ChartBar, ChartChord
from pipeline.music.chord import KINDS, Change, Chord
from pipeline.music.errors import MusicError, SpellingError
from pipeline.music.pitch import STEP_SEMITONES, Spelling
from pipeline.read.musicxml_directions import key_of, read_marks, transposition
from pipeline.read.musicxml_file import open_score
from pipeline.read.musicxml_measures import Measure, MeasureReader, number_of, timed

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


def chord_of(element: Element) -> tuple[Chord | None, str]:
    """The chord of a ``harmony`` element (None for no chord) and what had to be bent, or "".

    Raises
    ------
    MusicError : it names no chord that can be told.
    """
    kind_element = element.find("kind")
    value = (kind_element.text or "").strip() if kind_element is not None else "major"
    text = (kind_element.get("text") or "") if kind_element is not None else ""
    if value == "none" or text.upper().replace(".", "").strip() == "NC":
        return None, ""
    root = _spelling(element.find("root"), "root")
    if root is None:
        raise MusicError("a chord without a root by name (numerals and functions are not read)")
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

    def read(self, part: Element) -> Chart | None:
        before = len(self.problems.errors)
        measures, form = MeasureReader(part, self.path, self.problems).read()
        if form is None or len(self.problems.errors) > before:
            return None
        sections: dict[int, str] = {}
        for quarter, name in read_marks(measures).names:
            sections.setdefault(form.written.bar_at(quarter).index, name)
        chords: dict[int, dict[Fraction, Chord | None]] = {}
        for measure, quarter, item in timed(measures, "harmony"):
            self._chord(measure, quarter, item.element, chords.setdefault(measures.index(measure), {}))
        bars = tuple(
            ChartBar(
                tuple(ChartChord(at, chord) for at, chord in sorted(chords.get(index, {}).items())),
                sections.get(index),
                bar.repeat_start,
                bar.repeat_times,
                bar.endings,
            )
            for index, bar in enumerate(form.bars)
        )
        keys = (k for _, _, item in timed(measures, "attributes") for k in item.element.findall("key"))
        key = next(keys, None)
        shift = transposition(measures)
        try:
            chart = Chart(bars, None if key is None else key_of(key))
        except MusicError as error:
            self.problems.caution(f"{error} is left out of the chart", path=self.path)
            chart = Chart(bars)
        return chart.transposed(shift) if shift.semitones % 12 else chart

    def _chord(
        self, measure: Measure, quarter: Fraction, element: Element, found: dict[Fraction, Chord | None]
    ) -> None:
        at = (quarter - measure.start) / measure.length
        try:
            chord, note = chord_of(element)
        except MusicError as error:
            self.problems.caution(
                f"measure {measure.name}: {error}; the chord before goes on",
                path=self.path, remedy="Name it in the notation software by root and kind.",
            )  # fmt: skip
            return
        if note:
            self.problems.caution(f"measure {measure.name}: {note}", path=self.path)
        if at >= 1:
            self.problems.caution(
                f"measure {measure.name}: a chord after the measure's end is left out", path=self.path
            )
            return
        if at in found and found[at] != chord:
            self.problems.caution(
                f"measure {measure.name}: two chords at one place, the last one is kept", path=self.path
            )
        found[at] = chord


def read_musicxml_chart(path: Path, problems: Problems) -> Chart | None:
    """Read the chords of a plain or compressed MusicXML file, from the part that has most of them.

    Returns None when there are errors; all of them, and the cautions, are in ``problems``.
    """
    root = open_score(path, problems)
    if root is None:
        return None
    counts = [(len(part.findall("measure/harmony")), part) for part in root.findall("part")]
    most, part = max(counts, key=lambda item: item[0])
    if not most:
        problems.error(
            "the score names no chords", path=path,
            remedy="Write chord symbols in the notation software, or a chart.txt such as | Am | Dm E7 |.",
        )  # fmt: skip
        return None
    return _ChartReader(path, problems).read(part)
