"""Keys and transposition of a MusicXML part, from when on each.

References
----------
MusicXML 4.0: ``key`` (fifths and mode as written), ``transpose`` (from the written pitch to the sound).
"""

from __future__ import annotations

from bisect import bisect_right
from fractions import Fraction
from typing import Final
from xml.etree.ElementTree import Element

from pipeline.music.errors import MusicError
from pipeline.music.key import MODES, Key
from pipeline.music.pitch import Interval, Spelling
from pipeline.music.tab import KeyMark
from pipeline.read.musicxml_ledger import Ledger
from pipeline.read.musicxml_measures import Measure, number_of, timed

_MODES: Final = {"aeolian": "minor", "ionian": "major"}


def key_of(element: Element | None) -> Key:
    """The key of a ``key`` element; without a mode it is major. C without an element.

    Raises
    ------
    MusicError : more than seven sharps or flats.
    """
    fifths = int(number_of(element, "fifths", Fraction(0)) or 0)
    mode = ((element.findtext("mode") if element is not None else "") or "major").strip().lower()
    mode = _MODES.get(mode, mode if mode in MODES else "major")
    for tonic in range(-14, 15):
        spelling = Spelling.from_fifths(tonic)
        try:
            key = Key(spelling, mode)
        except MusicError:
            continue
        if key.fifths == fifths:
            return key
    raise MusicError(f"a key of {fifths} sharps or flats")


class Transpositions:
    """From written pitches to sounding ones, by moment; for one staff or for all (None)."""

    def __init__(self, measures: tuple[Measure, ...], ledger: Ledger, staff: str | None = None) -> None:
        self._starts: list[Fraction] = []
        self._shifts: list[Interval] = []
        for measure, quarter, item in timed(measures, "attributes"):
            for transpose in item.element.findall("transpose"):
                if staff is not None and transpose.get("number", staff) != staff:
                    continue
                octaves = int(number_of(transpose, "octave-change", Fraction(0)) or 0)
                chromatic = int(number_of(transpose, "chromatic", Fraction(0)) or 0)
                diatonic = number_of(transpose, "diatonic")
                steps = round(chromatic * 7 / 12) if diatonic is None else int(diatonic)
                if transpose.find("double") is not None:
                    ledger.drop("doubling at the octave", transpose, measure.name)
                shift = Interval(steps, chromatic).shifted_octaves(octaves)
                if abs(shift.semitones) > 60:
                    ledger.drop("transposition by more than five octaves", transpose, measure.name)
                    continue
                self._starts.append(quarter)
                self._shifts.append(shift)

    def at(self, quarter: Fraction) -> Interval:
        place = bisect_right(self._starts, quarter)
        return self._shifts[place - 1] if place else Interval(0, 0)


def keys_of(
    measures: tuple[Measure, ...],
    shifts: Transpositions,
    ledger: Ledger,
    staff: str | None = None,
    *,
    repeated: bool = False,
) -> tuple[Key | None, tuple[KeyMark, ...]]:
    """The sounding key at the start (None when none is stated) and its changes at bar starts.

    A change within a bar is moved to the next one, told. A signature that does not say its mode
    is taken as major, told once. repeated : a key stated again is kept
    """
    found: dict[Fraction, Key] = {}
    silent: tuple[Key, Element, Measure] | None = None
    for measure, quarter, item in timed(measures, "attributes"):
        for element in item.element.findall("key"):
            if staff is not None and element.get("number", staff) != staff:
                continue
            if element.find("key-octave") is not None:
                ledger.drop("key-octave", element, measure.name)
            if element.find("key-step") is not None:
                ledger.drop("key signature of single sharps and flats", element, measure.name)
                continue
            try:
                key = key_of(element)
            except MusicError as error:
                ledger.caution(f"{error} is left out", "", element, measure.name)
                continue
            mode = (element.findtext("mode") or "").strip()
            if silent is None and not mode:
                silent = key, element, measure
            shift = shifts.at(quarter)
            if shift.semitones % 12:
                key = key.transposed(shift)
            place = measure.start
            if quarter > measure.start:
                place = measure.end
                if quarter < measure.end:
                    ledger.drop("change of key within a measure, read at the next one", element, measure.name)
                if measure is measures[-1]:
                    continue
            found[place] = key
    if silent is not None:
        key, element, measure = silent
        ledger.caution(
            f"the key signature does not say its mode: taken as {key.symbol()}", "", element, measure.name
        )
    first = found.pop(Fraction(0), None)
    marks: list[KeyMark] = []
    now = first if first is not None else Key.parse("C")
    for quarter, key in sorted(found.items()):
        if key != now or repeated:
            marks.append(KeyMark(quarter, key))
        now = key
    return first, tuple(marks)
