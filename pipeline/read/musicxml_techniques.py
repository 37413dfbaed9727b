"""The notations of a MusicXML note as techniques.

References
----------
MusicXML 4.0: ``technical``, ``articulations``, ``ornaments``, ``bend`` (a release is negative),
``notehead``, ``play``.
"""

from __future__ import annotations

import itertools
from collections import Counter
from fractions import Fraction
from typing import Final
from xml.etree.ElementTree import Element

from pipeline.music.errors import MusicError
from pipeline.music.key import Key
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
    Technique,
    TremoloPicking,
    Trill,
    Vibrato,
)
from pipeline.read.musicxml_measures import number_of
from pipeline.read.texttab_marks import bend_through, harmonic_sounds

_ARTICULATIONS: Final[dict[str, Technique]] = {
    "accent": Accent(), "strong-accent": Accent(strong=True), "staccato": Staccato(), "staccatissimo": Staccato(),
    "scoop": Slide(SlideKind.IN_BELOW), "plop": Slide(SlideKind.IN_ABOVE), "doit": Slide(SlideKind.OUT_UP),
    "falloff": Slide(SlideKind.OUT_DOWN),
}  # fmt: skip
_TECHNICAL_READ: Final = frozenset(
    {"string", "fret", "hammer-on", "pull-off", "bend", "harmonic", "tap", "down-bow", "up-bow", "fingering"}
)
_NOTATIONS_READ: Final = frozenset(
    {"tied", "tuplet", "slur", "slide", "glissando", "technical", "articulations", "ornaments", "dynamics"}
)


def bend_of(bends: list[Element]) -> Bend | None:
    """One bend from the ``bend`` elements of a note, or None when they go nowhere."""
    heights: list[Fraction] = []
    timing: list[tuple[Fraction, Fraction]] = []
    prebent = False
    for element in bends:
        amount = number_of(element, "bend-alter", Fraction(0)) or Fraction(0)
        if element.find("pre-bend") is not None and not heights:
            heights.append(abs(amount))
            prebent = True
            continue
        if not heights:
            heights.append(Fraction(0))
        now = heights[-1]
        if element.find("release") is None:
            heights.append(now + amount)
        elif amount > 0 and now == 0:  # up and down in one element, as some programs write it
            heights += [amount, Fraction(0)]
        else:  # some write the release as 0: all the way down
            heights.append(now - abs(amount) if amount else Fraction(0))
        first, last = element.get("first-beat"), element.get("last-beat")
        try:
            if first is not None and last is not None:
                timing.append((Fraction(first) / 100, Fraction(last) / 100))
        except (ValueError, ZeroDivisionError):
            timing.clear()
    heights = [min(Fraction(12), max(Fraction(0), h)) for h in heights]
    if not heights or max(heights) == 0:
        return None
    if len(timing) == len(heights) - 1 and timing:
        exact = _timed_bend(heights, timing)
        if exact is not None:
            return exact
    try:
        return bend_through(tuple(heights), prebent=prebent)
    except MusicError:
        return None


def _timed_bend(heights: list[Fraction], timing: list[tuple[Fraction, Fraction]]) -> Bend | None:
    """The moves at the times that ``first-beat`` and ``last-beat`` (percent of the note) give."""
    near = [(start.limit_denominator(64), end.limit_denominator(64)) for start, end in timing]
    points: dict[Fraction, Fraction] = {Fraction(0): heights[0]}
    for (start, end), (low, high) in zip(near, itertools.pairwise(heights), strict=True):
        if not 0 <= start < end <= 1:
            return None
        points.setdefault(start, low)
        points[end] = high
    points.setdefault(Fraction(1), heights[-1])
    try:
        return Bend(tuple(sorted(points.items())))
    except MusicError:
        return None


class TechniqueReader:
    """Reads the techniques of one note after another and counts what it cannot keep."""

    def __init__(self, key: Key) -> None:
        self.key = key
        self.dropped: Counter[str] = Counter()
        self.wavy = False  # inside a wavy line that runs over several notes

    def read(self, note: Element, fret: int, midi: int, *, tied: bool) -> list[Technique]:
        """In the order of the text tab; joints (hammer-on, slide ...) are given by the caller's pairs."""
        found: list[Technique] = []
        technical = [child for group in note.findall("notations/technical") for child in group]
        names = {child.tag for child in technical}
        stops = {child.tag for child in technical if child.get("type") == "stop"}
        if "hammer-on" in stops:
            found.append(HammerOn())
        if "pull-off" in stops:
            found.append(PullOff())
        articulations = [child.tag for group in note.findall("notations/articulations") for child in group]
        found += [_ARTICULATIONS[tag] for tag in articulations if tag in ("scoop", "plop")]
        if "tap" in names:
            found.append(Tap())
        grace = note.find("grace")
        if grace is not None:
            found.append(Grace(on_beat=grace.get("steal-time-following") is not None))
        head = note.find("notehead")
        if head is not None and (head.text or "").strip() in ("x", "cross", "circle-x"):
            found.append(Dead())
        if head is not None and head.get("parentheses") == "yes" and not tied:
            found.append(Ghost())
        found += self._harmonic(technical, fret)
        bends = [child for child in technical if child.tag == "bend"]
        bend = bend_of(bends)
        if bend is not None:
            found.append(bend)
        elif bends:
            self.dropped["bend that goes nowhere"] += 1
        found += self._ornaments(note, fret, midi)
        found += [_ARTICULATIONS[tag] for tag in articulations if tag in ("doit", "falloff")]
        strokes = number_of(note, "notations/ornaments/tremolo")
        if strokes is not None and 1 <= strokes <= 3:
            found.append(TremoloPicking(int(strokes)))
        if any(tag.startswith("staccat") for tag in articulations):
            found.append(Staccato())
        found += [_ARTICULATIONS[tag] for tag in articulations if tag in ("accent", "strong-accent")][:1]
        if any((mute.text or "") == "palm" for mute in note.findall("play/mute")):
            found.append(PalmMute())
        lets = [*note.findall("tie"), *note.findall("notations/tied")]
        if any(tie.get("type") == "let-ring" for tie in lets):
            found.append(LetRing())
        if names & {"down-bow", "up-bow"}:
            found.append(Stroke(down="down-bow" in names))
        self._count(note, names, articulations)
        return found

    def _harmonic(self, technical: list[Element], fret: int) -> list[Technique]:
        element = next((child for child in technical if child.tag == "harmonic"), None)
        if element is None:
            return []
        words = " ".join(c.text or "" for c in technical if c.tag == "other-technical").lower()
        if "pinch" in words:
            return [Harmonic(HarmonicKind.PINCH)]
        if element.find("artificial") is not None:
            return [Harmonic(HarmonicKind.ARTIFICIAL)]
        sounds = harmonic_sounds(fret)
        if sounds is None:
            self.dropped[f"there is no natural harmonic at fret {fret}"] += 1
            return []
        return [Harmonic(HarmonicKind.NATURAL, sounds)]

    def _ornaments(self, note: Element, fret: int, midi: int) -> list[Technique]:
        found: list[Technique] = []
        waves = note.findall("notations/ornaments/wavy-line")
        types = [wave.get("type") for wave in waves]
        trill = note.find("notations/ornaments/trill-mark")
        if trill is None and (waves or self.wavy):
            wide = any("Wide" in (wave.get("smufl") or "") for wave in waves)
            found.append(Vibrato(wide=wide))
        if trill is not None:
            found.append(Trill(fret + self._trill_step(trill, midi)))
        if "start" in types:
            self.wavy = trill is None
        if "stop" in types:
            self.wavy = False
        return found

    def _trill_step(self, trill: Element, midi: int) -> int:
        """Semitones up to the trill's other note: as stated, or the next note of the key."""
        stated = {"half": 1, "whole": 2}.get(trill.get("trill-step") or "")
        if stated is not None:
            return stated
        return next(step for step in (1, 2, 3) if (midi + step) % 12 in self.key.scale)

    def _count(self, note: Element, names: set[str], articulations: list[str]) -> None:
        """Remember what stands on the note and has no place in a tab here."""
        for tag in names - _TECHNICAL_READ - {"other-technical"}:
            self.dropped[tag] += 1
        for tag in articulations:
            if tag not in _ARTICULATIONS:
                self.dropped[tag] += 1
        for group in note.findall("notations/ornaments"):
            for child in group:
                if child.tag not in ("trill-mark", "wavy-line", "tremolo", "accidental-mark"):
                    self.dropped[child.tag] += 1
        for group in note.findall("notations"):
            for child in group:
                if child.tag not in _NOTATIONS_READ:
                    self.dropped[child.tag] += 1
        if note.find("lyric") is not None:
            self.dropped["lyric"] += 1
