"""What stands above and below the staves of a MusicXML part: key, tempo, dynamics, names, mutes."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Final
from xml.etree.ElementTree import Element

from pipeline.music.errors import MusicError
from pipeline.music.key import MODES, Key
from pipeline.music.pitch import Interval, Spelling
from pipeline.music.tab import DYNAMICS
from pipeline.music.technique import LetRing, PalmMute, Technique
from pipeline.read.musicxml_measures import Measure, number_of, timed

_UNITS: Final[dict[str, int | Fraction]] = {
    "whole": 4,
    "half": 2,
    "quarter": 1,
    "eighth": Fraction(1, 2),
    "16th": Fraction(1, 4),
}
_WORDS: Final = (
    (re.compile(r"\bP\.?\s?M\b\.?|palm[ -]?mut", re.IGNORECASE), PalmMute()),
    (re.compile(r"\blet ring\b|\bL\.\s?R\.", re.IGNORECASE), LetRing()),
)
_JUMPS: Final = ("segno", "coda", "dacapo", "dalsegno", "tocoda", "fine")


@dataclass
class Marks:
    """What the directions say: from when on, and for how long."""

    tempos: dict[Fraction, float] = field(default_factory=dict)
    dynamics: list[tuple[Fraction, str]] = field(default_factory=list)
    names: list[tuple[Fraction, str]] = field(default_factory=list)
    spans: list[tuple[Fraction, Fraction, Technique]] = field(default_factory=list)  # both ends included
    swing: Fraction = Fraction(1, 2)
    dropped: Counter[str] = field(default_factory=Counter)


def key_of(element: Element | None) -> Key:
    """The key of a ``key`` element; without a mode it is major. C without an element.

    Raises
    ------
    MusicError : more than seven sharps or flats.
    """
    fifths = int(number_of(element, "fifths", Fraction(0)) or 0)
    mode = ((element.findtext("mode") if element is not None else "") or "major").strip().lower()
    mode = {"aeolian": "minor", "ionian": "major"}.get(mode, mode if mode in MODES else "major")
    for tonic in range(-14, 15):
        spelling = Spelling.from_fifths(tonic)
        try:
            key = Key(spelling, mode)
        except MusicError:
            continue
        if key.fifths == fifths:
            return key
    raise MusicError(f"a key of {fifths} sharps or flats")


def read_marks(measures: tuple[Measure, ...]) -> Marks:
    """Tempo, dynamics, names and mutes from the directions of a part."""
    found = Marks()
    waiting: dict[str, tuple[Fraction, Technique]] = {}
    for measure, quarter, item in timed(measures, "direction", "sound"):
        element = item.element
        if quarter >= measure.start + measure.length and measure is not measures[-1]:
            quarter = measure.start + measure.length
        sound = element if element.tag == "sound" else element.find("sound")
        _sound(found, quarter, sound)
        technique: Technique | None = None
        for child in (c for kind in element.findall("direction-type") for c in kind):
            text = " ".join((child.text or "").split())
            if child.tag == "rehearsal" and text:
                found.names.append((measure.start, text))
            elif child.tag == "metronome" and (sound is None or sound.get("tempo") is None):
                bpm = _metronome(child)
                if bpm is not None:
                    found.tempos[quarter] = bpm
            elif child.tag == "dynamics":
                level = next((c.tag for c in child if c.tag in DYNAMICS), None)
                if level is not None:
                    found.dynamics.append((quarter, level))
                else:
                    found.dropped["dynamic"] += 1
            elif child.tag == "words":
                technique = next((t for pattern, t in _WORDS if pattern.search(text)), None)
                if technique is not None:
                    waiting.setdefault("", (quarter, technique))
                elif text and sound is None:
                    found.dropped["text above or below the staff"] += 1
            elif child.tag in ("dashes", "bracket"):
                number = child.get("number", "1")
                if child.get("type") == "start" and "" in waiting:
                    waiting[number] = waiting.pop("")
                elif child.get("type") == "stop" and number in waiting:
                    start, mark = waiting.pop(number)
                    found.spans.append((start, quarter, mark))
            elif child.tag in ("wedge", "pedal", "octave-shift", "segno", "coda", "harp-pedals"):
                found.dropped[child.tag] += 1
        if "" in waiting:  # words without a line are for the notes right there
            start, mark = waiting.pop("")
            found.spans.append((start, start, mark))
    for _, quarter, item in timed(measures, "note"):
        for child in (c for group in item.element.findall("notations/dynamics") for c in group):
            if child.tag in DYNAMICS:
                found.dynamics.append((quarter, child.tag))
    end = measures[-1].start + measures[-1].length
    found.spans += [(start, end, mark) for start, mark in waiting.values()]
    return found


def _sound(found: Marks, quarter: Fraction, sound: Element | None) -> None:
    if sound is None:
        return
    try:
        bpm = float(sound.get("tempo") or 0)
    except ValueError:
        bpm = 0.0
    if bpm > 0:
        found.tempos[quarter] = bpm
    first, second = number_of(sound, "swing/first"), number_of(sound, "swing/second")
    if first and second and first >= second > 0:
        found.swing = first / (first + second)
    for jump in _JUMPS:
        if sound.get(jump) is not None:
            found.dropped[f"jump ({jump})"] += 1


def _metronome(element: Element) -> float | None:
    unit = _UNITS.get((element.findtext("beat-unit") or "").strip())
    count = number_of(element, "per-minute")
    if unit is None or count is None:
        return None
    dots = len(element.findall("beat-unit-dot"))
    return float(count * unit * (2 - Fraction(1, 2**dots)))


def transposition(measures: tuple[Measure, ...]) -> Interval:
    """From the written pitch to the sound, as the part's first ``transpose`` says."""
    for _, _, item in timed(measures, "attributes"):
        transpose = item.element.find("transpose")
        if transpose is not None:
            octaves = int(number_of(transpose, "octave-change", Fraction(0)) or 0)
            chromatic = int(number_of(transpose, "chromatic", Fraction(0)) or 0)
            diatonic = number_of(transpose, "diatonic")
            steps = round(chromatic * 7 / 12) if diatonic is None else int(diatonic)
            return Interval(steps, chromatic).shifted_octaves(octaves)
    return Interval(0, 0)
