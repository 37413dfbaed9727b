"""What stands above the staves besides notes: phrase names, tempo, swing, dynamics, mutes.

Each direction is (offset in its bar, ``direction`` element); ``staff`` is 1 unless it says so.
"""

from __future__ import annotations

import itertools
from collections import defaultdict
from collections.abc import Iterator, Sequence
from fractions import Fraction
from typing import Final
from xml.etree.ElementTree import Element, SubElement

from pipeline.music.metre import Metre
from pipeline.music.tab import DYNAMICS, Note, Tab
from pipeline.music.technique import Grace, LetRing, PalmMute

# MusicXML 4.0, sound: dynamics in percent of a forte of MIDI velocity 90; steps are common practice
LOUDNESS: Final = {name: round((20 + 14 * n) / 90 * 100) for n, name in enumerate(DYNAMICS)}

LONGEST_NAME: Final = 60  # characters of a phrase's name that fit on a line of the page


class Directions:
    """All directions of a tab, by written bar."""

    def __init__(self, tab: Tab, *, for_engraver: bool = False) -> None:
        self.tab = tab
        self._found: dict[int, list[tuple[Fraction, Element]]] = defaultdict(list)
        self._phrases(longest=LONGEST_NAME if for_engraver else None)
        self._tempos(for_engraver=for_engraver)
        self._dynamics()
        if not for_engraver:
            for kind, words in ((PalmMute, "P.M."), (LetRing, "let ring")):
                for first, last in runs_of(tab, kind):
                    self._span(tab.notes[first], tab.notes[last], words)

    def of_bar(self, index: int) -> Sequence[tuple[Fraction, Element]]:
        return self._found.get(index, ())

    @property
    def offsets(self) -> Iterator[Fraction]:
        return (offset for found in self._found.values() for offset, _ in found)

    def _add(self, quarter: Fraction, element: Element) -> None:
        bar = self.tab.form.written.bar_at(quarter)
        self._found[bar.index].append((quarter - bar.start, element))

    def _phrases(self, *, longest: int | None) -> None:
        for phrase in self.tab.phrases:
            first, _ = self.tab.form.bar_span(phrase.first, phrase.last)
            element = Element("direction", {"placement": "above"})
            kind = SubElement(element, "direction-type")
            SubElement(kind, "rehearsal", {"enclosure": "none"}).text = (
                phrase.name if longest is None or len(phrase.name) <= longest else phrase.name[:longest] + "…"
            )
            self._add(self.tab.form.written.bars[first].start, element)

    def _tempos(self, *, for_engraver: bool) -> None:
        for place, tempo in enumerate(self.tab.tempos):
            if for_engraver and place == 0:
                continue  # the page's heading tells it
            bar = self.tab.form.written.bar_at(tempo.quarter)
            element = Element("direction", {"placement": "above"})
            metronome = SubElement(SubElement(element, "direction-type"), "metronome")
            dotted, beats = counted(tempo.bpm, bar.bar.metre)
            SubElement(metronome, "beat-unit").text = "quarter"
            if dotted:
                SubElement(metronome, "beat-unit-dot")
            SubElement(metronome, "per-minute").text = f"{beats:g}"
            swing = self.tab.swing
            if place == 0 and swing != Fraction(1, 2):
                SubElement(SubElement(element, "direction-type"), "words").text = swing_words(swing)
            sound = SubElement(element, "sound", {"tempo": f"{tempo.bpm:g}"})
            if place == 0 and swing != Fraction(1, 2):
                ratio = SubElement(sound, "swing")
                SubElement(ratio, "first").text = str(swing.numerator)
                SubElement(ratio, "second").text = str(swing.denominator - swing.numerator)
                SubElement(ratio, "swing-type").text = "eighth"
            self._add(tempo.quarter, element)

    def _dynamics(self) -> None:
        """Where the loudness changes; nothing while all is at the default."""
        if all(note.dynamic == "mf" for note in self.tab.notes):
            return
        now = ""
        for onset, notes in itertools.groupby(self.tab.notes, key=lambda note: note.onset):
            # notes struck together share one mark, that of the loudest
            loudest = max((note.dynamic for note in notes), key=DYNAMICS.index)
            if loudest != now:
                now = loudest
                element = Element("direction", {"placement": "below"})
                SubElement(SubElement(SubElement(element, "direction-type"), "dynamics"), now)
                SubElement(element, "sound", {"dynamics": str(LOUDNESS[now])})
                self._add(onset, element)

    def _span(self, first: Note, last: Note, words: str) -> None:
        for note, kind in ((first, "start"), (last, "stop")):
            element = Element("direction", {"placement": "below"})
            if kind == "start":
                SubElement(SubElement(element, "direction-type"), "words").text = words
            SubElement(SubElement(element, "direction-type"), "dashes", {"type": kind})
            SubElement(element, "staff").text = "2"
            self._add(note.onset, element)


def swing_words(swing: Fraction) -> str:
    return f"swing {swing.numerator}:{swing.denominator - swing.numerator}"


def counted(bpm: float, metre: Metre) -> tuple[bool, float]:
    """A tempo as players count it: (in dotted quarters?, counts a minute, to a tenth)."""
    dotted = metre.beat_quarters == Fraction(3, 2)
    return dotted, round(bpm / 1.5 if dotted else bpm, 1)


def runs_of(tab: Tab, kind: type) -> Iterator[tuple[int, int]]:
    """Indices (first, last) of each run of neighbouring notes that all carry a technique."""
    first: int | None = None
    before = 0
    for index, note in enumerate(tab.notes):
        if note.has(Grace):
            continue
        if note.has(kind):
            if first is None:
                first = index
            before = index
        elif first is not None:
            yield first, before
            first = None
    if first is not None:
        yield first, before
