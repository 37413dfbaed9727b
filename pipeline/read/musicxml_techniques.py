"""The notations of a MusicXML note as techniques.

References
----------
MusicXML 4.0: ``technical``, ``articulations``, ``ornaments``, ``bend`` (a release is negative),
``notehead``, ``play``.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterable
from fractions import Fraction
from typing import Final
from xml.etree.ElementTree import Element

from pipeline.music.errors import MusicError
from pipeline.music.key import Key
from pipeline.music.pitch import STEP_SEMITONES
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
    conflicts,
    reaches,
)
from pipeline.read.musicxml_ledger import ARTICULATIONS, ORNAMENTS, TECHNICAL, Ledger
from pipeline.read.musicxml_measures import number_of
from pipeline.read.musicxml_notes import RawNote
from pipeline.read.source import plain_number
from pipeline.read.texttab_marks import bend_through, harmonic_sounds

_ARTICULATIONS: Final[dict[str, Technique]] = {
    "accent": Accent(), "strong-accent": Accent(strong=True), "staccato": Staccato(), "staccatissimo": Staccato(),
    "scoop": Slide(SlideKind.IN_BELOW), "plop": Slide(SlideKind.IN_ABOVE), "doit": Slide(SlideKind.OUT_UP),
    "falloff": Slide(SlideKind.OUT_DOWN),
}  # fmt: skip
_HEADS_DEAD: Final = ("x", "cross", "circle-x")
_HEADS_PLAIN: Final = ("", "normal", "none", "diamond")  # a diamond is how a harmonic is drawn
_TRILL_TO: Final = re.compile(r"trill (?:to|with) fret (\d{1,2})", re.IGNORECASE)
_SOUNDS: Final = re.compile(r"harmonic ([+-]\d{1,3})", re.IGNORECASE)
_ALTERS: Final = {
    "flat-flat": -2, "flat": -1, "natural": 0, "sharp": 1, "double-sharp": 2, "sharp-sharp": 2,
}  # fmt: skip
_OTHERS: Final = ("other-technical", "other-ornament")
_STEPS: Final = "CDEFGAB"
_PLUCKS: Final = {"p": "p", "i": "i", "m": "m", "a": "a", "c": "c", "x": "c", "e": "c", "ch": "c", "s": "c"}
_NOT_ON_TIED: Final = (Tap, Grace, Dead, Ghost, Stroke, HammerOn, PullOff)  # they are struck or reached


def bend_of(bends: list[Element]) -> Bend | None:
    """One bend from the ``bend`` elements of a note, or None when they go nowhere."""
    heights: list[Fraction] = []
    timing: list[tuple[Fraction, Fraction]] = []
    prebent = False
    for element in bends:
        amount = (number_of(element, "bend-alter") or Fraction(0)).limit_denominator(1000)
        if element.find("pre-bend") is not None and not heights:
            heights.append(abs(amount))
            prebent = True
            continue
        if not heights:
            heights.append(Fraction(0))
        now = heights[-1]
        if amount == 0 and element.find("release") is None:
            heights.append(now)
        elif element.find("release") is None:
            heights.append(now + amount)
        elif amount > 0 and now == 0:  # up and down in one element, as some programs write it
            heights += [amount, Fraction(0)]
        else:  # some write the release as 0: all the way down
            heights.append(now - abs(amount) if amount else Fraction(0))
        first, last = element.get("first-beat"), element.get("last-beat")
        try:
            if first is not None and last is not None and len(first) + len(last) < 60:
                timing.append((plain_number(first) / 100, plain_number(last) / 100))
        except ValueError:
            timing.clear()
    heights = [min(Fraction(12), max(Fraction(0), h)) for h in heights]
    if not heights or max(heights) == 0:
        return None
    if len(timing) == len(heights) - 1 and timing:
        timed = _timed_bend(heights, timing)
        if timed is not None:
            return timed
    try:
        return bend_through(tuple(heights), prebent=prebent)
    except MusicError:
        return None


def _timed_bend(heights: list[Fraction], timing: list[tuple[Fraction, Fraction]]) -> Bend | None:
    """The moves at the times that ``first-beat`` and ``last-beat`` (percent of the note) give."""
    near = [(start.limit_denominator(1000), end.limit_denominator(1000)) for start, end in timing]
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
    """Reads the techniques of one note after another and lists what it cannot keep.

    key : by which a trill without a stated step goes
    highest_fret : of the instrument
    """

    def __init__(self, key: Key, highest_fret: int, ledger: Ledger) -> None:
        self.key, self.highest_fret, self.ledger = key, highest_fret, ledger
        self._wavy: set[int] = set()  # voices inside a wavy line that runs over several notes

    def read(
        self, raw: RawNote, fret: int, open_midi: int, slides: Iterable[Technique], *, together: bool
    ) -> tuple[Technique, ...]:
        """The techniques that a note can carry; ``open_midi`` is that of its string."""
        marks, tied = raw.marks, raw.tied
        names = {child.tag for child in marks.technical}
        stops = {child.tag for child in marks.technical if child.get("type") == "stop"}
        found: list[Technique] = list(slides)
        if "hammer-on" in stops:
            found.append(HammerOn())
        if "pull-off" in stops:
            found.append(PullOff())
        tap = marks.one("tap")
        if tap is not None and tap.get("hand") == "left":
            self._drop("tap of the left hand", raw)
        elif tap is not None:
            found.append(Tap())
        grace = raw.element.find("grace")
        if grace is not None:
            late = grace.get("steal-time-following") is not None
            slurred_on = grace.get("slash") == "no" and not {"steal-time-previous", "make-time"}.intersection(
                grace.attrib
            )
            found.append(Grace(on_beat=late or slurred_on, together=together))
        found += self._head(raw)
        found += self._harmonic(raw, fret, open_midi)
        bends = [child for child in marks.technical if child.tag == "bend"]
        if raw.twin is not None:  # both staves may show the bend
            own = [
                c for group in raw.element.iterfind("notations/technical") for c in group if c.tag == "bend"
            ]
            bends = own or bends
        if bends:
            found += self._bend(bends, raw)
        found += self._ornaments(raw, fret, open_midi + fret)
        articulations = {child.tag for child in marks.articulations}
        found += [mark for tag, mark in _ARTICULATIONS.items() if tag in articulations]
        if any((mute.text or "").strip() == "palm" for e in raw.elements for mute in e.iterfind("play/mute")):
            found.append(PalmMute())
        lets = [
            *(t for e in raw.elements for t in e.iterfind("tie")),
            *(m for m in marks.others if m.tag == "tied"),
        ]
        if any(tie.get("type") == "let-ring" for tie in lets):
            found.append(LetRing())
        if names & {"down-bow", "up-bow"}:
            found.append(Stroke(down="down-bow" in names))
        self._count(raw, fret)
        return self.fitting(found, raw, tied=tied)

    def fitting(self, techniques: Iterable[Technique], raw: RawNote, *, tied: bool) -> tuple[Technique, ...]:
        """Those that can be together on one note, the first of a kind kept, the rest listed."""
        kept: list[Technique] = []
        for technique in techniques:
            name = _name(technique)
            if technique in kept:
                continue
            if tied and (isinstance(technique, _NOT_ON_TIED) or reaches(technique)):
                if not isinstance(technique, Dead | Ghost):  # the head is drawn like the one before
                    self._drop(f"{name} on a tied note", raw)
                continue
            if next(conflicts([*kept, technique]), None) is not None:
                self._drop(f"{name} beside {_name(kept[-1])}", raw)
                continue
            kept.append(technique)
        return tuple(kept)

    def _drop(self, name: str, raw: RawNote) -> None:
        self.ledger.drop(name, raw.element, raw.measure.name)

    def _head(self, raw: RawNote) -> list[Technique]:
        found: list[Technique] = []
        for element in raw.elements:
            head = element.find("notehead")
            if head is None:
                continue
            shape = (head.text or "").strip()
            if shape in _HEADS_DEAD:
                found.append(Dead())
            elif shape not in _HEADS_PLAIN:
                self._drop(f"{shape} note head", raw)
            if head.get("parentheses") == "yes":
                found.append(Ghost())
        return found

    def _bend(self, bends: list[Element], raw: RawNote) -> list[Technique]:
        for element in bends:
            if element.find("with-bar") is not None:
                self._drop("with-bar", raw)
        strings = [element for element in bends if element.find("with-bar") is None]
        bend = bend_of(strings)
        if bend is not None:
            return [bend]
        if strings:
            self._drop("bend that goes nowhere", raw)
        return []

    def _harmonic(self, raw: RawNote, fret: int, open_midi: int) -> list[Technique]:
        element = raw.marks.one("harmonic")
        if element is None:
            return []
        words = " ".join(c.text or "" for c in raw.marks.technical if c.tag == "other-technical").lower()
        stated = _SOUNDS.search(words)
        sounds = int(stated[1]) if stated is not None else None
        sounding = element.find("sounding-pitch") is not None and raw.midi >= 0
        kind = HarmonicKind.ARTIFICIAL
        if "pinch" in words:
            kind = HarmonicKind.PINCH
        elif element.find("artificial") is None:
            kind = HarmonicKind.NATURAL
        base = open_midi if kind is HarmonicKind.NATURAL else open_midi + fret
        if sounds is None and sounding and -48 <= raw.midi - base <= 48:
            sounds = raw.midi - base
        if kind is not HarmonicKind.NATURAL:
            return [Harmonic(kind, 12 if sounds is None else sounds)]
        if sounds is None:
            sounds = harmonic_sounds(fret)
        if sounds is None:
            what = f"there is no natural harmonic at fret {fret}"
            self._drop("harmonic without string and fret" if raw.bare else what, raw)
            return []
        return [Harmonic(kind, sounds)]

    def _ornaments(self, raw: RawNote, fret: int, midi: int) -> list[Technique]:
        found: list[Technique] = []
        waves = [child for child in raw.marks.ornaments if child.tag == "wavy-line"]
        types = {wave.get("type") for wave in waves}
        trill = next((child for child in raw.marks.ornaments if child.tag == "trill-mark"), None)
        shaken = any((wave.get("smufl") or "").startswith("guitar") for wave in waves)
        if (trill is None or shaken) and (waves or raw.voice in self._wavy):
            found.append(Vibrato(wide=any("wide" in (wave.get("smufl") or "").lower() for wave in waves)))
        if "start" in types and trill is None:
            self._wavy.add(raw.voice)
        if "stop" in types:
            self._wavy.discard(raw.voice)
        if trill is not None:
            other = self._trilled(raw, trill, fret, midi)
            if other != fret and 0 <= other <= self.highest_fret:
                found.append(Trill(other))
            else:
                self._drop("trill beyond the neck", raw)
        for child in raw.marks.ornaments:
            if child.tag != "tremolo":
                continue
            strokes = number_of(child, ".")
            if child.get("type", "single") == "single" and strokes is not None and 1 <= strokes <= 3:
                found.append(TremoloPicking(int(strokes)))
            else:
                self._drop(f"{child.get('type', 'single')} tremolo", raw)
        return found

    def _trilled(self, raw: RawNote, trill: Element, fret: int, midi: int) -> int:
        """The fret of a trill's other note: as stated, or the next note of the key."""
        for child in (*raw.marks.technical, *raw.marks.ornaments):
            words = _TRILL_TO.search(child.text or "") if child.tag in _OTHERS else None
            if words is not None:
                return int(words[1])
        stated = {"half": 1, "whole": 2}.get(trill.get("trill-step") or "")
        if stated is not None:
            return fret + stated
        sign = next((child for child in raw.marks.ornaments if child.tag == "accidental-mark"), None)
        alter = _ALTERS.get((sign.text or "").strip()) if sign is not None else None
        if alter is not None and raw.spelling is not None:
            upper = _STEPS[(_STEPS.index(raw.spelling.step) + 1) % 7]
            return fret + ((STEP_SEMITONES[upper] + alter - midi) % 12 or 1)
        return fret + next(step for step in (1, 2, 3) if (midi + step) % 12 in self.key.scale)

    def fingers(self, raw: RawNote, fret: int) -> tuple[int | None, str | None]:
        """Fretting finger (0 the thumb) and finger of the picking hand."""
        finger: int | None = None
        pluck: str | None = None
        for child in raw.marks.technical:
            if child.tag not in ("fingering", "pluck"):
                continue
            text = (child.text or "").strip()
            if child.tag == "fingering" and finger is None and text in ("1", "2", "3", "4"):
                finger = int(text)
            elif child.tag == "fingering" and finger is None and text.upper() == "T":
                finger = 0
            elif child.tag == "fingering" and text == "0":
                if fret:
                    self._drop("fingering 0", raw)
            elif text.lower() in _PLUCKS and pluck is None:
                pluck = _PLUCKS[text.lower()]
            elif text != ("T" if finger == 0 else str(finger)) and _PLUCKS.get(text.lower()) != pluck:
                self._drop(f"{child.tag} {text}"[:30], raw)
        return finger, pluck

    def _count(self, raw: RawNote, fret: int) -> None:
        """List what stands on the note and has no place in a tab here."""
        marks, measure = raw.marks, raw.measure.name
        for child in marks.technical:
            if child.tag not in TECHNICAL or (child.tag == "open-string" and fret):
                self.ledger.drop(child.tag, child, measure)
            elif child.tag == "other-technical":
                text = (child.text or "").strip()
                known = "pinch" in text.lower() or _SOUNDS.search(text) or _TRILL_TO.search(text)
                if not known:
                    self.ledger.drop(f"technique {text!r}"[:40], child, measure)
        for child in marks.articulations:
            if child.tag not in ARTICULATIONS:
                self.ledger.drop(child.tag, child, measure)
        trilled = any(child.tag == "trill-mark" for child in marks.ornaments)
        for child in marks.ornaments:
            if child.tag == "other-ornament" and _TRILL_TO.search(child.text or ""):
                continue
            if child.tag not in ORNAMENTS or (child.tag == "accidental-mark" and not trilled):
                self.ledger.drop(child.tag, child, measure)
        for element in raw.elements:
            for play in element.iterfind("play"):
                for child in play:
                    if child.tag != "mute" or (child.text or "").strip() not in ("palm", "off"):
                        self.ledger.drop(f"playback {child.tag}", child, measure)


def _name(technique: Technique) -> str:
    if isinstance(technique, Slide):
        return f"slide {technique.kind.value}" if technique.kind.value[:2] in ("in", "ou") else "slide"
    return {
        HammerOn: "hammer-on", PullOff: "pull-off", PalmMute: "palm mute", LetRing: "let ring", Dead: "dead note",
        TremoloPicking: "tremolo",
    }.get(type(technique), type(technique).__name__.lower())  # fmt: skip
