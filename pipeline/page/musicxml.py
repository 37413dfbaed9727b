"""A tab as a MusicXML 4.0 score: one part, notation staff above, tab staff below.

Conventions
-----------
- The staves hold the same notes: voices 1-4 (or as many as there are) on staff 1, the next on staff 2.
- Pitches are what string and fret sound. Instruments written an octave above their sound
  have a clef with an octave sign (``clef-octave-change``), so there is no ``transpose``.
- Each head has an ``id``: ``n<index>`` on staff 1 and ``t<index>`` on staff 2, ``index`` counting
  in ``Tab.notes``; further heads tied to it have ``-2``, ``-3`` ... appended.

References
----------
MusicXML 4.0 (W3C Music Notation Community Group, 2021), score-partwise.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Sequence
from fractions import Fraction
from typing import Final
from xml.etree.ElementTree import Element, SubElement, indent, tostring

from pipeline.music.chart import ChordSpan
from pipeline.music.metre import Bar, Metre
from pipeline.music.pitch import Pitch
from pipeline.music.tab import Tab
from pipeline.music.technique import Dead, Ghost, Harmonic, PalmMute
from pipeline.page.accidentals import accidentals_of
from pipeline.page.chordxml import ShownChord, harmony, shown_chords
from pipeline.page.directions import Directions
from pipeline.page.heads import Event, Head
from pipeline.page.layers import ALL_LAYERS, BarLayers, Layer, Layout, in_time, lay_out
from pipeline.page.notations import NotationWriter

_DOCTYPE: Final = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<!DOCTYPE score-partwise PUBLIC "-//Recordare//DTD MusicXML 4.0 Partwise//EN" '
    '"http://www.musicxml.org/dtds/partwise.dtd">\n'
)
_ACCIDENTALS: Final = {
    -3: "triple-flat",
    -2: "flat-flat",
    -1: "flat",
    0: "natural",
    1: "sharp",
    2: "double-sharp",
    3: "triple-sharp",
}


def write_musicxml(tab: Tab, spans: Sequence[ChordSpan] = (), *, credit: str = "", rights: str = "") -> bytes:
    """The score as a MusicXML 4.0 document, UTF-8; the same music gives the same bytes.

    Parameters
    ----------
    spans : the chords over the played form, see :meth:`pipeline.music.chart.Chart.spans`
    credit, rights : who made it; who may do what with it
    """
    shown, _ = shown_chords(spans, tab.form)
    top = ScoreWriter(tab, lay_out(tab, most=ALL_LAYERS), shown).score(credit=credit, rights=rights)
    indent(top, " ")
    return (_DOCTYPE + tostring(top, encoding="unicode") + "\n").encode()


class ScoreWriter:
    """Builds the score. ``for_engraver``: without what our own marks draw on the tab staff, and
    with new lines at the bars (by index) in ``line_starts``."""

    def __init__(
        self,
        tab: Tab,
        layout: Layout,
        chords: Sequence[ShownChord],
        *,
        for_engraver: bool = False,
        line_starts: Collection[int] = (),
    ) -> None:
        self.tab, self.layout, self.chords = tab, layout, chords
        self.for_engraver, self.line_starts = for_engraver, line_starts
        self.notations = NotationWriter(tab)
        self.directions = Directions(tab, for_engraver=for_engraver)
        self.divisions = _divisions(layout, [*self.directions.offsets, *(chord.offset for chord in chords)])
        self.two_voices = any(note.voice == 2 for note in tab.notes)
        numbers = (layer.number for bar in layout.bars for layer in bar.layers)
        self.voices = max(4, *numbers)
        self.ids: dict[str, int] = {}

    def score(self, *, credit: str = "", rights: str = "") -> Element:
        top = Element("score-partwise", {"version": "4.0"})
        if self.tab.title:
            SubElement(SubElement(top, "work"), "work-title").text = self.tab.title
        identification = SubElement(top, "identification")
        if credit:
            SubElement(identification, "creator").text = credit
        if rights:
            SubElement(identification, "rights").text = rights
        SubElement(SubElement(identification, "encoding"), "software").text = "lessonwright"
        self._part_list(top)
        part = SubElement(top, "part", {"id": "P1"})
        for bar in self.layout.bars:
            self._measure(part, bar)
        return top

    def _part_list(self, top: Element) -> None:
        instrument = self.tab.instrument
        part = SubElement(SubElement(top, "part-list"), "score-part", {"id": "P1"})
        SubElement(part, "part-name").text = "" if self.for_engraver else instrument.name
        SubElement(
            SubElement(part, "score-instrument", {"id": "P1-I1"}), "instrument-name"
        ).text = instrument.name
        midi = SubElement(part, "midi-instrument", {"id": "P1-I1"})
        SubElement(midi, "midi-channel").text = "1"
        SubElement(midi, "midi-program").text = str(instrument.program + 1)  # MusicXML counts from 1

    def ticks(self, quarters: Fraction) -> str:
        ticks = quarters * self.divisions
        assert ticks.denominator == 1
        return str(ticks.numerator)

    def _measure(self, part: Element, bar: BarLayers) -> None:
        written, index = bar.bar.bar, bar.bar.index
        before = self.tab.form.bars[index - 1] if index else None
        attributes = {"number": str(written.number), "implicit": "yes"} if written.pickup else {
            "number": str(written.number)
        }  # fmt: skip
        measure = SubElement(part, "measure", attributes)
        if index in self.line_starts:
            SubElement(measure, "print", {"new-system": "yes"})
        self._left_barline(measure, index)
        self._attributes(measure, written, before)
        marks = self._marks(bar)
        accidentals = accidentals_of(bar, self.tab.key.fifths)
        for staff in (1, 2):
            for layer in bar.layers:
                if staff == 2 or layer.number > 1:
                    backup = SubElement(measure, "backup")
                    SubElement(backup, "duration").text = self.ticks(written.length)
                self._layer(measure, layer, staff, marks if staff == layer.number == 1 else [], accidentals)
        self._right_barline(measure, index)

    def _marks(self, bar: BarLayers) -> list[tuple[Fraction, Element]]:
        """Directions and chords of a bar, by offset; names first, then tempo, then chords."""
        marks = list(self.directions.of_bar(bar.bar.index))
        for chord in self.chords:
            if chord.bar == bar.bar.index:
                element = harmony(chord.chord, signs=self.for_engraver)
                marks.append((chord.offset, element))
        return sorted(marks, key=lambda mark: mark[0])

    def _place(self, measure: Element, mark: Element, offset: Fraction) -> None:
        """``offset`` before ``staff`` and ``sound``, as the schema wants."""
        tail = [child for child in mark if child.tag in ("voice", "staff", "sound")]
        for child in tail:
            mark.remove(child)
        if offset:
            SubElement(mark, "offset").text = self.ticks(offset)
        staff = next((child for child in tail if child.tag == "staff"), None)
        if staff is None:
            staff = Element("staff")
            staff.text = "1"
        mark.append(staff)
        mark.extend(child for child in tail if child.tag == "sound")
        measure.append(mark)

    def _layer(
        self,
        measure: Element,
        layer: Layer,
        staff: int,
        marks: list[tuple[Fraction, Element]],
        accidentals: dict[tuple[int, Fraction, int], int],
    ) -> None:
        waiting = list(marks)
        for event in layer.events:
            while waiting and waiting[0][0] < event.end:
                offset, mark = waiting.pop(0)
                self._place(measure, mark, offset - event.onset)
            # the engraver knows no grace notes on a tab staff: they would take time there
            for group in () if self.for_engraver and staff == 2 else event.graces:
                self._chord(measure, event, group, layer, staff, accidentals, grace=True)
            if event.heads:
                self._chord(measure, event, event.heads, layer, staff, accidentals)
            else:
                self._rest(measure, event, layer, staff)

    def _rest(self, measure: Element, event: Event, layer: Layer, staff: int) -> None:
        # rests show once, on the notation staff, where they belong to a voice that someone wrote
        hidden = staff == 2 or layer.number > (2 if self.two_voices else 1)
        note = SubElement(measure, "note", {"print-object": "no"} if hidden else {})
        SubElement(note, "rest", {"measure": "yes"} if event.whole_bar else {})
        SubElement(note, "duration").text = self.ticks(event.length)
        self._voice(note, layer, staff)
        if not event.whole_bar:
            self._value(note, event)
        SubElement(note, "staff").text = str(staff)
        notations = Element("notations")
        self._tuplet(notations, event, staff)
        if len(notations):
            note.append(notations)

    def _voice(self, note: Element, layer: Layer, staff: int) -> None:
        SubElement(note, "voice").text = str(layer.number + (self.voices if staff == 2 else 0))

    @staticmethod
    def _value(note: Element, event: Event) -> None:
        value = event.value
        SubElement(note, "type").text = value.kind
        for _ in range(value.dots):
            SubElement(note, "dot")

    @staticmethod
    def _ratio(note: Element, event: Event) -> None:
        value = event.value
        if value.actual > 1:
            ratio = SubElement(note, "time-modification")
            SubElement(ratio, "actual-notes").text = str(value.actual)
            SubElement(ratio, "normal-notes").text = str(value.normal)

    def _tuplet(self, notations: Element, event: Event, staff: int) -> None:
        shown = {} if staff == 1 else {"show-number": "none"}
        if event.tuplet_start:
            bracket = "no" if event.beams and staff == 1 else "yes"
            if staff == 2:
                bracket = "no"
            SubElement(notations, "tuplet", {"type": "start", "bracket": bracket, **shown})
        if event.tuplet_stop:
            SubElement(notations, "tuplet", {"type": "stop"})

    def _identity(self, head: Head, staff: int) -> str:
        base = f"{'n' if staff == 1 else 't'}{head.index}"
        self.ids[base] = self.ids.get(base, 0) + 1
        return base if self.ids[base] == 1 else f"{base}-{self.ids[base]}"

    def _chord(
        self,
        measure: Element,
        event: Event,
        heads: Sequence[Head],
        layer: Layer,
        staff: int,
        accidentals: dict[tuple[int, Fraction, int], int],
        *,
        grace: bool = False,
    ) -> None:
        for place, head in enumerate(heads):
            note = SubElement(measure, "note", {"id": self._identity(head, staff)})
            if grace:
                SubElement(note, "grace", {"slash": "yes"})
            if place:
                SubElement(note, "chord")
            note.append(_pitch(head.note.pitch))
            if not grace:
                SubElement(note, "duration").text = self.ticks(event.length)
                for tied, kind in ((head.tie_back, "stop"), (head.tie_on, "start")):
                    if tied:
                        SubElement(note, "tie", {"type": kind})
            self._voice(note, layer, staff)
            if grace:
                SubElement(note, "type").text = "eighth"
            else:
                self._value(note, event)
            sign = accidentals.get((layer.number, event.onset, id(head)))
            if staff == 1 and sign is not None and not head.note.has(Dead):
                SubElement(note, "accidental").text = _ACCIDENTALS[sign]
            if not grace:
                self._ratio(note, event)
            if staff == 2:
                SubElement(note, "stem").text = "none"
            self._head_shape(note, head, staff)
            SubElement(note, "staff").text = str(staff)
            if place == 0 and staff == 1 and not grace:
                for level, state in enumerate(event.beams, start=1):
                    SubElement(note, "beam", {"number": str(level)}).text = state
            notations = Element("notations")
            self.notations.tie_and_tuplet(notations, head)
            if place == 0 and not grace:
                self._tuplet(notations, event, staff)
            self._technique(notations, head, heads, staff)
            if len(notations):
                note.append(notations)
            if staff == 2 and head.note.has(PalmMute) and not self.for_engraver:
                SubElement(SubElement(note, "play"), "mute").text = "palm"

    def _technique(self, notations: Element, head: Head, chord: Sequence[Head], staff: int) -> None:
        if staff == 1:
            self.notations.for_staff(notations, head, chord, wavy=not self.for_engraver)
        elif self.for_engraver:
            technical = SubElement(notations, "technical")
            SubElement(technical, "string").text = str(head.note.string)
            SubElement(technical, "fret").text = str(head.note.fret)
        else:
            self.notations.for_tab(notations, head)

    def _head_shape(self, note: Element, head: Head, staff: int) -> None:
        if staff == 2 and self.for_engraver:
            return
        shape = "normal"
        if head.note.has(Dead):
            shape = "x"
        elif head.note.has(Harmonic) and staff == 1:
            shape = "diamond"
        ghost = head.note.has(Ghost)
        if ghost or shape != "normal":
            SubElement(note, "notehead", {"parentheses": "yes"} if ghost else {}).text = shape

    def _left_barline(self, measure: Element, index: int) -> None:
        bars = self.tab.form.bars
        bar, before = bars[index], bars[index - 1] if index else None
        starts = bool(bar.endings) and (before is None or before.endings != bar.endings)
        if not (bar.repeat_start or starts):
            return
        barline = SubElement(measure, "barline", {"location": "left"})
        if bar.repeat_start:
            SubElement(barline, "bar-style").text = "heavy-light"
        if starts:
            self._ending(barline, bar, "start")
        if bar.repeat_start:
            SubElement(barline, "repeat", {"direction": "forward"})

    def _right_barline(self, measure: Element, index: int) -> None:
        bars = self.tab.form.bars
        bar, after = bars[index], bars[index + 1] if index + 1 < len(bars) else None
        stops = bool(bar.endings) and (after is None or after.endings != bar.endings)
        last = after is None
        if not (bar.repeat_times or stops or last):
            return
        barline = SubElement(measure, "barline", {"location": "right"})
        if bar.repeat_times or last:
            SubElement(barline, "bar-style").text = "light-heavy"
        if stops:
            self._ending(barline, bar, "stop" if bar.repeat_times or last else "discontinue")
        if bar.repeat_times:
            times = {"times": str(bar.repeat_times)} if bar.repeat_times > 2 or not bar.endings else {}
            SubElement(barline, "repeat", {"direction": "backward", **times})

    @staticmethod
    def _ending(barline: Element, bar: Bar, kind: str) -> None:
        numbers = ",".join(map(str, bar.endings))
        ending = SubElement(barline, "ending", {"number": numbers, "type": kind})
        if kind == "start":
            ending.text = ", ".join(f"{number}." for number in bar.endings)

    def _attributes(self, measure: Element, bar: Bar, before: Bar | None) -> None:
        if before is not None and before.metre == bar.metre:
            return
        attributes = SubElement(measure, "attributes")
        if before is None:
            SubElement(attributes, "divisions").text = str(self.divisions)
            key = SubElement(attributes, "key")
            SubElement(key, "fifths").text = str(self.tab.key.fifths)
            SubElement(key, "mode").text = self.tab.key.mode
        self._time(attributes, bar.metre)
        if before is None:
            SubElement(attributes, "staves").text = "2"
            self._clefs(attributes)
            self._tuning(attributes)

    def _time(self, attributes: Element, metre: Metre) -> None:
        time = SubElement(attributes, "time")
        SubElement(time, "beats").text = str(metre.beats)
        SubElement(time, "beat-type").text = str(metre.unit)

    def _clefs(self, attributes: Element) -> None:
        instrument = self.tab.instrument
        clef = SubElement(attributes, "clef", {"number": "1"})
        SubElement(clef, "sign").text = instrument.clef
        SubElement(clef, "line").text = "4" if instrument.clef == "F" else "2"
        if instrument.written_octaves:
            SubElement(clef, "clef-octave-change").text = str(-instrument.written_octaves)
        clef = SubElement(attributes, "clef", {"number": "2"})
        SubElement(clef, "sign").text = "TAB"
        SubElement(clef, "line").text = str((len(instrument.strings) + 1) // 2 + 2)

    def _tuning(self, attributes: Element) -> None:
        instrument = self.tab.instrument
        details = SubElement(attributes, "staff-details", {"number": "2"})
        SubElement(details, "staff-lines").text = str(len(instrument.strings))
        # lines count from the bottom, strings from the top
        pitches = list(reversed(instrument.strings))
        if self.for_engraver:
            # it takes a tab whose bottom line is the highest (a banjo's) for one turned upside down
            pitches.sort(key=lambda pitch: pitch.midi)
        for line, pitch in enumerate(pitches, start=1):
            tuning = SubElement(details, "staff-tuning", {"line": str(line)})
            SubElement(tuning, "tuning-step").text = pitch.spelling.step
            if pitch.spelling.alter:
                SubElement(tuning, "tuning-alter").text = str(pitch.spelling.alter)
            SubElement(tuning, "tuning-octave").text = str(pitch.octave)
        if instrument.capo:
            SubElement(details, "capo").text = str(instrument.capo)


def _pitch(pitch: Pitch) -> Element:
    element = Element("pitch")
    SubElement(element, "step").text = pitch.spelling.step
    if pitch.spelling.alter:
        SubElement(element, "alter").text = str(pitch.spelling.alter)
    SubElement(element, "octave").text = str(pitch.octave)
    return element


def _divisions(layout: Layout, offsets: Iterable[Fraction]) -> int:
    """The fewest ticks to the quarter in which every onset, length and offset is whole."""
    found = {offset.denominator for offset in offsets}
    for bar in layout.bars:
        found.add(bar.bar.bar.length.denominator)
        for _, event in in_time(bar):
            found |= {event.onset.denominator, event.length.denominator}
    return math.lcm(*found)
