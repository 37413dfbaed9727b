"""Techniques of a note as MusicXML 4.0 ``notations``, and links between notes of one string.

On the tab staff stands how a note is played (string, fret, bend, hammer-on ...), on the
notation staff what is read there (slurs, articulations, ornaments, slides).
"""

from __future__ import annotations

import itertools
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Final
from xml.etree.ElementTree import Element, SubElement

from pipeline.music.harmonic import harmonic_sounds
from pipeline.music.tab import Note, Tab
from pipeline.music.technique import (
    Accent,
    Bend,
    HammerOn,
    Harmonic,
    HarmonicKind,
    LetRing,
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
from pipeline.page.directions import decimal
from pipeline.page.heads import Head

# MusicXML 4.0 articulations: scoop and plop lead into a note, doit and falloff out of it
SLIDE_WORDS: Final = {
    SlideKind.IN_BELOW: "scoop",
    SlideKind.IN_ABOVE: "plop",
    SlideKind.OUT_UP: "doit",
    SlideKind.OUT_DOWN: "falloff",
}
_STEPS: Final = {1: "half", 2: "whole"}  # MusicXML 4.0, trill-step, by frets up
_JOINED: Final = (SlideKind.LEGATO, SlideKind.SHIFT)


@dataclass(frozen=True, slots=True)
class Links:
    """Which note goes into which, by index in ``Tab.notes``.

    hammers, pulls, slides : target -> source
    slur_starts, slur_stops : ends of each legato chain (hammer-ons, pull-offs, legato slides)
    alone : notes that say how they are reached, and no note of their string stands before them
    """

    hammers: dict[int, int]
    pulls: dict[int, int]
    slides: dict[int, int]
    slur_starts: frozenset[int]
    slur_stops: frozenset[int]
    alone: frozenset[int] = frozenset()


def links_of(tab: Tab) -> Links:
    """A joined note starts from the nearest earlier note on its string."""
    hammers: dict[int, int] = {}
    pulls: dict[int, int] = {}
    slides: dict[int, int] = {}
    legato: dict[int, int] = {}
    last: dict[int, int] = {}
    alone: set[int] = set()
    for index, note in enumerate(tab.notes):
        source = last.get(note.string)
        slide = note.get(Slide)
        if source is not None and not note.tied:
            if note.has(HammerOn):
                hammers[index] = legato[index] = source
            if note.has(PullOff):
                pulls[index] = legato[index] = source
            if slide is not None and slide.kind in _JOINED:
                slides[index] = source
                if slide.kind is SlideKind.LEGATO:
                    legato[index] = source
        if source is None and not note.tied:
            joined = slide is not None and slide.kind in _JOINED
            alone |= {index} if joined or note.has(HammerOn, PullOff) else set()
        last[note.string] = index
    sources = set(legato.values())
    return Links(
        hammers,
        pulls,
        slides,
        frozenset(sources - set(legato)),
        frozenset(set(legato) - sources),
        frozenset(alone),
    )


def bend_elements(bend: Bend) -> list[Element]:
    """One ``bend`` for each move of the string.

    A pre-bend comes first; a release has a negative amount; ``first-beat`` and ``last-beat``
    (MusicXML 4.0, bend-sound) say, in percent of the note, from when to when. Where the string is
    held before or after a place at which it does not move either, a ``bend`` of 0 says so.
    """
    made: list[Element] = []
    if bend.prebent:
        made.append(_bend(bend.points[0][1], "pre-bend"))
    flat_before = False
    moves = list(itertools.pairwise(bend.points))
    for place, ((t0, s0), (t1, s1)) in enumerate(moves):
        flat = s0 == s1
        flat_after = place + 1 < len(moves) and moves[place + 1][0][1] == moves[place + 1][1][1]
        if not flat or flat_before or flat_after:
            made.append(_bend(s1 - s0, "release" if s1 < s0 else None, t0, t1))
        flat_before = flat
    return made


def _bend(
    amount: Fraction, child: str | None, start: Fraction | None = None, end: Fraction | None = None
) -> Element:
    attributes = {}
    if start is not None and end is not None:
        attributes = {"first-beat": decimal(start * 100), "last-beat": decimal(end * 100)}
    bend = Element("bend", attributes)
    SubElement(bend, "bend-alter").text = decimal(amount)
    if child:
        SubElement(bend, child)
    return bend


def loose_ties(tab: Tab) -> list[int]:
    """Indices of tied notes before which nothing of their string and fret ends, a repeat's start apart."""
    sources = {(note.string, note.fret, note.end) for note in tab.notes if not note.grace}
    bars = tab.form.bars
    jumps = {
        place.start
        for place in tab.form.written.bars
        if bars[place.index].repeat_start or bars[place.index].endings
    }
    return [
        index
        for index, note in enumerate(tab.notes)
        if note.tied and note.onset not in jumps and (note.string, note.fret, note.onset) not in sources
    ]


def usual_sounds(harmonic: Harmonic, fret: int) -> int | None:
    """What a harmonic sounds where nothing else is said: its node's partial, else the octave."""
    return harmonic_sounds(fret) if harmonic.kind is HarmonicKind.NATURAL else 12


class NotationWriter:
    """Fills the ``notations`` of heads; ``links`` knows which notes belong together."""

    def __init__(self, tab: Tab) -> None:
        self.tab = tab
        self.links = links_of(tab)
        self._sources: dict[str, dict[int, list[int]]] = {
            name: _inverted(table)
            for name, table in (
                ("hammer-on", self.links.hammers),
                ("pull-off", self.links.pulls),
                ("slide", self.links.slides),
            )
        }

    def tie(self, notations: Element, head: Head) -> None:
        if head.tie_back:
            SubElement(notations, "tied", {"type": "stop"})
        if head.tie_on:
            SubElement(notations, "tied", {"type": "start"})

    def for_tab(self, notations: Element, head: Head, *, rings: bool = True) -> None:
        """String, fret and how the note is played; ``rings``: a let ring is written here."""
        note, first = head.note, head.part == 0
        technical = Element("technical")
        SubElement(technical, "string").text = str(note.string)
        SubElement(technical, "fret").text = str(note.fret)
        if first:
            self._fingers(technical, note)
            self._joined(technical, head.index, "hammer-on", self.links.hammers, "H")
            self._joined(technical, head.index, "pull-off", self.links.pulls, "P")
            bend = note.get(Bend)
            if bend is not None:
                technical.extend(bend_elements(bend))
            if note.has(Tap):
                SubElement(technical, "tap", {"hand": "right"})
            self._harmonic(technical, note)
            technical.extend(_in_words(note))
            stroke = note.get(Stroke)
            if stroke is not None:
                SubElement(technical, "down-bow" if stroke.down else "up-bow")
        self._slide(notations, head)
        notations.append(technical)
        if first:
            self._articulations(notations, note)
            self._ornaments(notations, note, full=True)
            if note.has(LetRing) and rings:
                SubElement(notations, "tied", {"type": "let-ring"})

    def for_staff(self, notations: Element, head: Head, chord: Sequence[Head], *, full: bool = True) -> None:
        """What a reader of the notation staff sees; what a whole chord shares stands at its first head.

        full : with what our own marks show on the page
        """
        number = {"number": str(head.note.string)}
        if head.part == 0:
            if head.index in self.links.slur_stops:
                SubElement(notations, "slur", {"type": "stop", **number})
            if head.index in self.links.slur_starts:
                SubElement(notations, "slur", {"type": "start", **number})
        self._slide(notations, head)
        if head.part == 0:
            self._articulations(notations, head.note, told=_told(head, chord))
            self._ornaments(notations, head.note, full=full)
            technical = Element("technical")
            stroke = head.note.get(Stroke)
            if stroke is not None and stroke not in _told(head, chord):
                SubElement(technical, "down-bow" if stroke.down else "up-bow")
            if head.note.get(Harmonic) not in _told(head, chord):
                self._harmonic(technical, head.note)
            self._fingers(technical, head.note)
            if len(technical):
                notations.append(technical)

    @staticmethod
    def _fingers(technical: Element, note: Note) -> None:
        if note.finger is not None:
            # the fretting thumb: T, common practice
            SubElement(technical, "fingering").text = str(note.finger) if note.finger else "T"
        if note.pluck is not None:
            SubElement(technical, "pluck").text = note.pluck

    def _joined(self, technical: Element, index: int, name: str, table: dict[int, int], letter: str) -> None:
        number = {"number": str(self.tab.notes[index].string)}
        kind = HammerOn if name == "hammer-on" else PullOff
        if index in table or (index in self.links.alone and self.tab.notes[index].has(kind)):
            SubElement(technical, name, {"type": "stop", **number})
        if index in self._sources[name]:
            SubElement(technical, name, {"type": "start", **number}).text = letter

    def _slide(self, notations: Element, head: Head) -> None:
        number = {"number": str(head.note.string), "line-type": "solid"}
        if head.part == 0 and head.index in self.links.slides:
            SubElement(notations, "slide", {"type": "stop", **number})
        # the line leaves from the last head of a note that is tied on
        if head.index in self._sources["slide"] and not head.tie_on:
            SubElement(notations, "slide", {"type": "start", **number})

    @staticmethod
    def _harmonic(technical: Element, note: Note) -> None:
        harmonic = note.get(Harmonic)
        if harmonic is None:
            return
        element = SubElement(technical, "harmonic")
        natural = harmonic.kind is HarmonicKind.NATURAL
        SubElement(element, "natural" if natural else "artificial")
        # the pitch written is where the finger is: touched, or fretted under the touched node
        SubElement(element, "touching-pitch" if natural else "base-pitch")

    @staticmethod
    def _articulations(notations: Element, note: Note, *, told: frozenset[Technique] = frozenset()) -> None:
        group = Element("articulations")
        accent = note.get(Accent)
        if accent is not None and accent not in told:
            SubElement(group, "strong-accent" if accent.strong else "accent")
        if note.has(Staccato) and Staccato() not in told:
            SubElement(group, "staccato")
        for slide in (t for t in note.techniques if isinstance(t, Slide) and t.kind in SLIDE_WORDS):
            SubElement(group, SLIDE_WORDS[slide.kind])
        if len(group):
            notations.append(group)

    @staticmethod
    def _ornaments(notations: Element, note: Note, *, full: bool) -> None:
        group = Element("ornaments")
        trill, vibrato, tremolo = note.get(Trill), note.get(Vibrato), note.get(TremoloPicking)
        if trill is not None:
            step = _STEPS.get(trill.fret - note.fret)
            SubElement(group, "trill-mark", {"trill-step": step} if step else {})
        if vibrato is not None and full:
            # named as vibrato, so that nobody takes it for the line of a trill
            line = "guitarWideVibratoStroke" if vibrato.wide else "guitarVibratoStroke"
            SubElement(group, "wavy-line", {"type": "start", "smufl": line})
            SubElement(group, "wavy-line", {"type": "stop"})
        if tremolo is not None:
            SubElement(group, "tremolo", {"type": "single"}).text = str(tremolo.strokes)
        if len(group):
            notations.append(group)


def _in_words(note: Note) -> list[Element]:
    """What MusicXML has no element for: pinch harmonics, what a harmonic sounds, wide trills."""
    words: list[str] = []
    harmonic, trill = note.get(Harmonic), note.get(Trill)
    if harmonic is not None:
        pinch = "pinch " if harmonic.kind is HarmonicKind.PINCH else ""
        if harmonic.sounds != usual_sounds(harmonic, note.fret):
            words.append(f"{pinch}harmonic {harmonic.sounds:+d}")
        elif pinch:
            words.append("pinch harmonic")
    if trill is not None and trill.fret - note.fret not in _STEPS:
        words.append(f"trill to fret {trill.fret}")
    made = [Element("other-technical") for _ in words]
    for element, text in zip(made, words, strict=True):
        element.text = text
    return made


def _told(head: Head, chord: Sequence[Head]) -> frozenset[Technique]:
    """Techniques that an earlier head of the chord carries."""
    earlier = itertools.takewhile(lambda other: other is not head, chord)
    return frozenset(mark for other in earlier for mark in other.note.techniques)


def _inverted(table: dict[int, int]) -> dict[int, list[int]]:
    found: dict[int, list[int]] = defaultdict(list)
    for target, source in table.items():
        found[source].append(target)
    return dict(found)
