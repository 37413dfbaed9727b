"""What stands above the staves besides notes: signs, phrase names, tempo, swing, words, dynamics, mutes.

Each direction is (offset in its bar, ``direction`` element); ``staff`` is 1 unless it says so.

Conventions
-----------
- Segno and coda signs are numbered from 1 in ``sound``, so that a jump says which one it leads to.
- What holds at the end of a bar (a jump, Fine, To Coda) has the bar's length as its offset.
- A remark's direction has an ``id`` (``r1``, ``r2`` ...), so that words such as "Fine" stay words.
- A span (P.M., let ring) stands where every note that starts in it has the mark.
"""

from __future__ import annotations

import itertools
from collections import defaultdict
from collections.abc import Iterator, Sequence
from fractions import Fraction
from typing import Final
from xml.etree.ElementTree import Element, SubElement

from pipeline.music.metre import Metre
from pipeline.music.tab import DYNAMICS, Tab
from pipeline.music.technique import Grace, LetRing, PalmMute

# MusicXML 4.0, sound: dynamics in percent of a forte of MIDI velocity 90; steps are common practice
LOUDNESS: Final = {name: round((20 + 14 * n) / 90 * 100) for n, name in enumerate(DYNAMICS)}

LONGEST_NAME: Final = 60  # characters of a phrase's name that fit on a line of the page


class Directions:
    """All directions of a tab, by written bar.

    apart : indices of the notes whose loudness is not that of their moment
    ringing : indices of the notes under a "let ring"
    """

    def __init__(self, tab: Tab, *, for_engraver: bool = False) -> None:
        self.tab = tab
        self.apart: set[int] = set()
        self.ringing: set[int] = set()
        self._found: dict[int, list[tuple[Fraction, Element]]] = defaultdict(list)
        self._signs()
        self._phrases(longest=LONGEST_NAME if for_engraver else None)
        self._tempos(for_engraver=for_engraver)
        self._remarks()
        self._dynamics()
        if not for_engraver:
            self._spans(PalmMute, "P.M.", 1)
            self._spans(LetRing, "let ring", 2)

    def of_bar(self, index: int) -> Sequence[tuple[Fraction, Element]]:
        return self._found.get(index, ())

    def _add(self, quarter: Fraction, element: Element) -> None:
        bar = self.tab.form.written.bar_at(quarter)
        self._found[bar.index].append((quarter - bar.start, element))

    def _signs(self) -> None:
        bars = self.tab.form.bars
        segnos = [index for index, bar in enumerate(bars) if bar.signs.segno]
        codas = [index for index, bar in enumerate(bars) if bar.signs.coda]
        for index, bar in enumerate(bars):
            signs = bar.signs
            if signs.segno:
                self._sign(index, Element("segno"), {"segno": str(segnos.index(index) + 1)})
            if signs.coda:
                self._sign(index, Element("coda"), {"coda": str(codas.index(index) + 1)})
            if signs.to_coda:
                following = next((n for n, home in enumerate(codas, start=1) if home > index), None)
                self._word(index, "To Coda", {} if following is None else {"tocoda": str(following)})
            if signs.fine:
                self._word(index, "Fine", {"fine": "yes"})
            if signs.jump is not None:
                back = sum(home <= index for home in segnos)
                way = {"dalsegno": str(back)} if signs.jump.to == "segno" else {"dacapo": "yes"}
                words = signs.jump.text()
                if signs.jump.until == "end" and self._may_stop():
                    words += " senza Fine"  # a bare D.C. is taken as al Fine where there is one
                self._word(index, words, way)

    def _may_stop(self) -> bool:
        return any(bar.signs.fine or bar.signs.to_coda for bar in self.tab.form.bars)

    def _sign(self, index: int, sign: Element, sound: dict[str, str]) -> None:
        """At the start of a bar."""
        element = Element("direction", {"placement": "above"})
        SubElement(element, "direction-type").append(sign)
        SubElement(element, "sound", sound)
        self._found[index].append((Fraction(0), element))

    def _word(self, index: int, words: str, sound: dict[str, str]) -> None:
        """At the end of a bar."""
        element = Element("direction", {"placement": "above"})
        SubElement(SubElement(element, "direction-type"), "words", {"halign": "right"}).text = words
        if sound:
            SubElement(element, "sound", sound)
        self._found[index].append((self.tab.form.bars[index].length, element))

    def _remarks(self) -> None:
        for number, remark in enumerate(self.tab.remarks, start=1):
            element = Element("direction", {"placement": "above", "id": f"r{number}"})
            SubElement(SubElement(element, "direction-type"), "words").text = remark.text
            self._add(remark.quarter, element)

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
            sound = SubElement(element, "sound", {"tempo": f"{tempo.bpm!r}".removesuffix(".0")})
            if place == 0 and swing != Fraction(1, 2):
                ratio = SubElement(sound, "swing")
                SubElement(ratio, "first").text = str(swing.numerator)
                SubElement(ratio, "second").text = str(swing.denominator - swing.numerator)
                SubElement(ratio, "swing-type").text = "eighth"
            self._add(tempo.quarter, element)

    def _dynamics(self) -> None:
        """Where the loudness changes: what is at the default from the start says nothing."""
        now = "mf"
        for onset, found in itertools.groupby(enumerate(self.tab.notes), key=lambda pair: pair[1].onset):
            # notes struck together share one mark, that of the loudest
            notes = list(found)
            loudest = max((note.dynamic for _, note in notes), key=DYNAMICS.index)
            self.apart |= {index for index, note in notes if note.dynamic != loudest}
            if loudest != now:
                now = loudest
                element = Element("direction", {"placement": "below"})
                SubElement(SubElement(SubElement(element, "direction-type"), "dynamics"), now)
                SubElement(element, "sound", {"dynamics": str(LOUDNESS[now])})
                self._add(onset, element)

    def _spans(self, technique: type, words: str, number: int) -> None:
        first: Fraction | None = None
        before = Fraction(0)
        under: list[int] = []
        for onset, found in itertools.groupby(enumerate(self.tab.notes), key=lambda pair: pair[1].onset):
            notes = list(found)
            if all(note.has(technique) for _, note in notes):
                first = onset if first is None else first
                before = onset
                under += [index for index, _ in notes]
            elif first is not None:
                self._span(first, before, words, number)
                first = None
        if first is not None:
            self._span(first, before, words, number)
        if technique is LetRing:
            self.ringing.update(under)

    def _span(self, first: Fraction, last: Fraction, words: str, number: int) -> None:
        for onset, kind in ((first, "start"), (last, "stop")):
            element = Element("direction", {"placement": "below"})
            if kind == "start":
                SubElement(SubElement(element, "direction-type"), "words").text = words
            dashes = {"type": kind, "number": str(number)}
            SubElement(SubElement(element, "direction-type"), "dashes", dashes)
            SubElement(element, "staff").text = "2"
            self._add(onset, element)


def told_by_names(tab: Tab) -> bool:
    """Whether each phrase runs from its name to the bar before the next one's, the last to the end."""
    numbers = [bar.number for bar in tab.form.bars]
    starts = [phrase.first for phrase in tab.phrases]
    ends = [numbers[numbers.index(start) - 1] for start in starts[1:]] + numbers[-1:]
    distinct = len({p.name for p in tab.phrases}) == len(set(starts)) == len(starts)
    return distinct and all(phrase.last == end for phrase, end in zip(tab.phrases, ends, strict=False))


def decimal(number: Fraction) -> str:
    """Without an exponent; to twelve places where it has no end."""
    text = f"{float(number):.12f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


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
