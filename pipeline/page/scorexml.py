"""Measures and notes of a MusicXML 4.0 score: one part, notation staff above, tab staff below.

Conventions
-----------
- The staves hold the same notes: voices 1-4 (or as many as there are) on staff 1, the next on staff 2.
  Within a staff, voices with odd numbers hold voice 1 of the tab, those with even numbers voice 2.
- What no event of a staff starts with (words under a rest, grace notes before nothing) stands in a
  further voice that shows no rests.
- Pitches are what string and fret sound. Instruments written an octave above their sound
  have a clef with an octave sign (``clef-octave-change``), so there is no ``transpose``.
- Each head has an ``id``: ``n<index>`` on staff 1 and ``t<index>`` on staff 2, ``index`` counting
  in ``Tab.notes``; further heads tied to it have ``-2``, ``-3`` ... appended.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Sequence
from fractions import Fraction
from typing import Final
from xml.etree.ElementTree import Element, SubElement

from pipeline.music.pitch import Pitch
from pipeline.music.tab import Tab
from pipeline.music.technique import Dead, Ghost, Grace, Harmonic, PalmMute
from pipeline.page.accidentals import accidentals_of
from pipeline.page.barxml import (
    clef_elements,
    key_element,
    left_barline,
    octave_of,
    right_barline,
    time_element,
    tuning_element,
)
from pipeline.page.chordxml import ShownChord, harmony
from pipeline.page.directions import LOUDNESS, Directions
from pipeline.page.heads import BarLayers, Event, Head, Layer
from pipeline.page.layers import Layout, in_time
from pipeline.page.lyricxml import BarWords, Words
from pipeline.page.notations import NotationWriter

_ACCIDENTALS: Final = {
    -3: "triple-flat",
    -2: "flat-flat",
    -1: "flat",
    0: "natural",
    1: "sharp",
    2: "double-sharp",
    3: "triple-sharp",
}
# of the note's time, percent: an eighth before or after a quarter, common practice
_STOLEN: Final = "25"
_MOST_TICKS: Final = 16383  # MusicXML 4.0, divisions: the most for files that go with MIDI
Signs = dict[tuple[int, Fraction, int], int]  # see accidentals_of


class ScoreWriter:
    """Builds the measures of a part. ``for_engraver``: without what our own marks draw on the tab
    staff, and with new lines at the bars (by index) in ``line_starts``."""

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
        self.words = Words(tab)
        self.bar_words = [self.words.of_bar(bar, rests=not for_engraver) for bar in layout.bars]
        self.divisions = self._ticks()
        self.bar_ticks = self.divisions[0]  # of the bar that is being written
        self.key_changes = {change.quarter: change.key for change in tab.key_changes}
        self.two_voices = any(note.voice == 2 for note in tab.notes)
        highest = max(4, *(layer.number for bar in layout.bars for layer in bar.layers))
        self.voices = highest + highest % 2 + 2  # the last two for what starts with no event
        self.rests: frozenset[tuple[int, Fraction]] = frozenset()  # that the page shows of the bar
        self.parted = False  # whether the stems of the bar tell its voices apart
        self.ids: dict[str, int] = {}

    def _ticks(self) -> list[int]:
        """For each bar the ticks to the quarter in which every onset, length and offset is whole: the
        same in all of them, unless they would be more than other programs take."""
        fewest = []
        for bar, words in zip(self.layout.bars, self.bar_words, strict=True):
            found = {offset.denominator for offset, _ in self.directions.of_bar(bar.bar.index)}
            found |= {chord.offset.denominator for chord in self.chords if chord.bar == bar.bar.index}
            found |= {offset.denominator for offset in words.loose}
            found |= {graces.onset.denominator for graces in bar.loose}
            for _, event in in_time(bar):
                found |= {event.onset.denominator, event.length.denominator}
            fewest.append(math.lcm(*found, bar.bar.bar.length.denominator))
        common = math.lcm(*fewest)
        return fewest if common > _MOST_TICKS and not self.for_engraver else [common] * len(fewest)

    def part(self, identity: str) -> Element:
        part = Element("part", {"id": identity})
        for bar in self.layout.bars:
            self._measure(part, bar)
        return part

    def ticks(self, quarters: Fraction) -> str:
        ticks = quarters * self.bar_ticks
        assert ticks.denominator == 1
        return str(ticks.numerator)

    def _measure(self, part: Element, bar: BarLayers) -> None:
        written, index = bar.bar.bar, bar.bar.index
        attributes = {"number": str(written.number)}
        if written.pickup or (index and written.length < written.metre.quarters):
            attributes["implicit"] = "yes"
        measure = SubElement(part, "measure", attributes)
        if index in self.line_starts:
            SubElement(measure, "print", {"new-system": "yes"})
        self._extend(measure, left_barline(self.tab.form, index))
        self._attributes(measure, index)
        marks = self._marks(index)
        if self.for_engraver:
            self.rests = bar.needed_rests()
            # where rests are hidden the engraver would turn the stems of a voice now up, now down
            self.parted = sum(any(e.heads for e in layer.events) for layer in bar.layers) > 1
        accidentals = accidentals_of(bar, self.tab.key_at(bar.bar.start).fifths)
        for staff in (1, 2):
            for layer in bar.layers:
                if staff == 2 or layer.number > 1:
                    self._move(measure, "backup", written.length)
                first = staff == layer.number == 1
                self._layer(measure, layer, staff, marks if first else [], accidentals, index)
            self._loose(measure, bar, staff, accidentals)
        self._extend(measure, right_barline(self.tab.form, index))

    @staticmethod
    def _extend(measure: Element, element: Element | None) -> None:
        if element is not None:
            measure.append(element)

    def _move(self, measure: Element, way: str, quarters: Fraction) -> None:
        if quarters:
            SubElement(SubElement(measure, way), "duration").text = self.ticks(quarters)

    def _attributes(self, measure: Element, index: int) -> None:
        bars = self.tab.form.bars
        bar, start = bars[index], self.tab.form.written.bars[index].start
        found: list[Element] = []
        self.bar_ticks = self.divisions[index]
        if index == 0 or self.divisions[index - 1] != self.bar_ticks:
            divisions = Element("divisions")
            divisions.text = str(self.bar_ticks)
            found.append(divisions)
        if index == 0:
            found.append(key_element(self.tab.key))
        elif start in self.key_changes:
            found.append(key_element(self.key_changes[start]))
        if index == 0 or bars[index - 1].metre != bar.metre:
            found.append(time_element(bar.metre))
        if index == 0:
            staves = Element("staves")
            staves.text = "2"
            found += [staves, *clef_elements(self.tab.instrument)]
            # the engraver takes a tab whose bottom line is the highest (a banjo's) for one upside down
            found.append(tuning_element(self.tab.instrument, rising=self.for_engraver))
        if found:
            SubElement(measure, "attributes").extend(found)

    def _marks(self, index: int) -> list[tuple[Fraction, Element]]:
        """Directions and chords of a bar, by offset; signs, names, tempo ... then chords."""
        marks = list(self.directions.of_bar(index))
        for chord in self.chords:
            if chord.bar == index:
                marks.append((chord.offset, harmony(chord.chord, signs=self.for_engraver)))
        if self.for_engraver:
            marks += self._loose_words(index)
        return sorted(marks, key=lambda mark: mark[0])

    def _loose_words(self, index: int) -> Iterable[tuple[Fraction, Element]]:
        """The engraver puts words under notes only: others stand as text below the staff."""
        for offset, lyrics in self.bar_words[index].loose.items():
            direction = Element("direction", {"placement": "below"})
            kind = SubElement(direction, "direction-type")
            SubElement(kind, "words").text = " / ".join(lyric.text for lyric in lyrics)
            yield offset, direction

    def _place(self, measure: Element, mark: Element, offset: Fraction) -> None:
        """``offset`` before ``staff`` and ``sound``, as the schema wants."""
        tail = [child for child in mark if child.tag in ("voice", "staff", "sound")]
        for child in tail:
            mark.remove(child)
        if offset:
            sounding = {"sound": "yes"} if mark.tag == "direction" else {}
            SubElement(mark, "offset", sounding).text = self.ticks(offset)
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
        accidentals: Signs,
        index: int,
    ) -> None:
        waiting = list(marks)
        words: BarWords = self.bar_words[index]
        for event in layer.events:
            while waiting and waiting[0][0] < event.end:
                offset, mark = waiting.pop(0)
                self._place(measure, mark, offset - event.onset)
            # the engraver knows no grace notes on a tab staff: they would take time there
            for group in () if self.for_engraver and staff == 2 else event.graces:
                self._chord(measure, event, group, layer.number, staff, accidentals)
            before = len(measure)
            if event.heads:
                self._chord(measure, event, event.heads, layer.number, staff, accidentals)
            else:
                self._rest(measure, event, layer, staff)
            lyrics = words.held.get((layer.number, event.onset), ()) if staff == 1 else ()
            if lyrics:
                self._sung(measure[before], self.words.elements(lyrics))
        for _, mark in waiting:
            self._place(measure, mark, Fraction(0))

    @staticmethod
    def _sung(note: Element, lyrics: Sequence[Element]) -> None:
        note.extend(lyrics)
        if note.get("print-object") == "no":
            note.set("print-lyric", "yes")

    def _loose(self, measure: Element, bar: BarLayers, staff: int, accidentals: Signs) -> None:
        """Words and grace notes that stand where no event starts; not for the engraver."""
        length = bar.bar.bar.length
        if self.for_engraver:
            return
        for graces in bar.loose:
            self._move(measure, "backup", length)
            self._move(measure, "forward", graces.onset)
            event = Event(graces.onset, bar.layers[0].events[0].value)
            for group in graces.groups:
                self._chord(measure, event, group, None, staff, accidentals)
            self._move(measure, "forward", length - graces.onset)
        loose = sorted(self.bar_words[bar.bar.index].loose.items()) if staff == 1 else []
        if not loose:
            return
        self._move(measure, "backup", length)
        self._move(measure, "forward", loose[0][0])
        for (offset, lyrics), end in zip(loose, [*(o for o, _ in loose[1:]), length], strict=True):
            note = SubElement(measure, "note", {"print-object": "no"})
            SubElement(note, "rest")
            SubElement(note, "duration").text = self.ticks(end - offset)
            self._voice(note, self.voices, staff)
            SubElement(note, "staff").text = "1"
            self._sung(note, self.words.elements(lyrics))

    def _rest(self, measure: Element, event: Event, layer: Layer, staff: int) -> None:
        # rests show once, on the notation staff, where they belong to a voice that someone wrote
        hidden = staff == 2 or layer.number > (2 if self.two_voices else 1)
        if self.for_engraver and event.value.actual == 1:  # one in a tuplet completes its bracket
            hidden = hidden or (layer.number, event.onset) not in self.rests
        note = SubElement(measure, "note", {"print-object": "no"} if hidden else {})
        SubElement(note, "rest", {"measure": "yes"} if event.whole_bar else {})
        SubElement(note, "duration").text = self.ticks(event.length)
        self._voice(note, layer.number, staff)
        if not event.whole_bar:
            self._value(note, event)
        SubElement(note, "staff").text = str(staff)
        notations = Element("notations")
        self._tuplet(notations, event, staff)
        if len(notations):
            note.append(notations)

    def _voice(self, note: Element, number: int, staff: int) -> None:
        SubElement(note, "voice").text = str(number + (self.voices if staff == 2 else 0))

    @staticmethod
    def _value(note: Element, event: Event) -> None:
        value = event.value
        if value.kind:
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
        layer: int | None,
        staff: int,
        accidentals: Signs,
    ) -> None:
        """The heads of an event, or a group of its grace notes; ``layer``: None for one of its own."""
        for place, head in enumerate(heads):
            number = self.voices - 2 + head.note.voice if layer is None else layer
            grace = head.note.get(Grace)
            note = SubElement(measure, "note", {"id": self._identity(head, staff), **self._apart(head)})
            if grace is not None:
                SubElement(note, "grace", _grace(grace))
            if place:
                SubElement(note, "chord")
            note.append(_pitch(head.note.pitch))
            if grace is None:
                SubElement(note, "duration").text = self.ticks(event.length)
                for tied, kind in ((head.tie_back, "stop"), (head.tie_on, "start")):
                    if tied:
                        SubElement(note, "tie", {"type": kind})
            self._voice(note, number, staff)
            if grace is not None:
                SubElement(note, "type").text = "eighth"
            else:
                self._value(note, event)
            sign = accidentals.get((number, event.onset, id(head)))
            if staff == 1 and sign is not None and not head.note.has(Dead):
                SubElement(note, "accidental").text = _ACCIDENTALS[sign]
            if grace is None:
                self._ratio(note, event)
            if staff == 2:
                SubElement(note, "stem").text = "none"
            elif self.parted and grace is None:
                SubElement(note, "stem").text = "up" if number % 2 else "down"
            self._head_shape(note, head, staff)
            SubElement(note, "staff").text = str(staff)
            if place == 0 and staff == 1 and grace is None:
                for level, state in enumerate(event.beams, start=1):
                    SubElement(note, "beam", {"number": str(level)}).text = state
            notations = Element("notations")
            self.notations.tie(notations, head)
            if place == 0 and grace is None:
                self._tuplet(notations, event, staff)
            self._technique(notations, head, heads, staff)
            if len(notations):
                note.append(notations)
            if staff == 2 and head.note.has(PalmMute) and not self.for_engraver:
                SubElement(SubElement(note, "play"), "mute").text = "palm"

    def _apart(self, head: Head) -> dict[str, str]:
        """The loudness of a note that differs from what is struck with it."""
        if head.index not in self.directions.apart or self.for_engraver:
            return {}
        return {"dynamics": str(LOUDNESS[head.note.dynamic])}

    def _technique(self, notations: Element, head: Head, chord: Sequence[Head], staff: int) -> None:
        if staff == 1:
            self.notations.for_staff(notations, head, chord, full=not self.for_engraver)
        elif self.for_engraver:
            technical = SubElement(notations, "technical")
            SubElement(technical, "string").text = str(head.note.string)
            SubElement(technical, "fret").text = str(head.note.fret)
        else:
            covered = head.index in self.directions.ringing
            self.notations.for_tab(notations, head, rings=not (covered and head.tie_on))

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


def _grace(grace: Grace) -> dict[str, str]:
    if grace.on_beat:
        return {"steal-time-following": _STOLEN, "slash": "no"}
    return {"steal-time-previous": _STOLEN, "slash": "yes"}


def _pitch(pitch: Pitch) -> Element:
    element = Element("pitch")
    SubElement(element, "step").text = pitch.spelling.step
    if pitch.spelling.alter:
        SubElement(element, "alter").text = str(pitch.spelling.alter)
    SubElement(element, "octave").text = str(octave_of(pitch))
    return element
