"""A tab as a MusicXML 4.0 score, and what of a tab MusicXML has no place for.

Conventions
-----------
- The measures: see :mod:`pipeline.page.scorexml`.
- What the standard has no element for, and a reader of ours wants back, stands in
  ``miscellaneous-field`` elements, only where it is needed: ``phrases`` (a line for each,
  ``first-last name`` by printed bars), ``a4-hz``, ``frets`` and ``scale-mm`` of the instrument.

References
----------
MusicXML 4.0 (W3C Music Notation Community Group, 2021), score-partwise.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from typing import Final
from xml.etree.ElementTree import Element, SubElement, indent, tostring

from pipeline.music.chart import ChordSpan
from pipeline.music.instrument import INSTRUMENTS
from pipeline.music.pitch import A4_HZ
from pipeline.music.tab import Tab
from pipeline.music.technique import Grace, Slide
from pipeline.page.barxml import octave_of
from pipeline.page.chordxml import shown_chords
from pipeline.page.directions import told_by_names
from pipeline.page.layers import lay_out
from pipeline.page.notations import links_of, loose_ties
from pipeline.page.scorexml import ScoreWriter

_DOCTYPE: Final = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<!DOCTYPE score-partwise PUBLIC "-//Recordare//DTD MusicXML 4.0 Partwise//EN" '
    '"http://www.musicxml.org/dtds/partwise.dtd">\n'
)
# XML 1.0, production 2 (Char)
_FORBIDDEN: Final = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def write_musicxml(tab: Tab, spans: Sequence[ChordSpan] = (), *, credit: str = "", rights: str = "") -> bytes:
    """The score as a MusicXML 4.0 document, UTF-8; the same music gives the same bytes.

    Parameters
    ----------
    spans : the chords over the played form, see :meth:`pipeline.music.chart.Chart.spans`
    credit, rights : who made it; who may do what with it
    """
    shown, _ = shown_chords(spans, tab.form)
    top = _score(tab, ScoreWriter(tab, lay_out(tab, exact=True), shown), credit=credit, rights=rights)
    for element in top.iter():
        if element.text:
            element.text = _FORBIDDEN.sub("", element.text)
    indent(top, " ")
    return (_DOCTYPE + tostring(top, encoding="unicode") + "\n").encode()


def engraver_score(writer: ScoreWriter) -> bytes:
    """The score for the engraver, without what stands in the heading of the page."""
    return tostring(_score(writer.tab, writer), encoding="unicode").encode()


def _score(tab: Tab, writer: ScoreWriter, *, credit: str = "", rights: str = "") -> Element:
    top = Element("score-partwise", {"version": "4.0"})
    if tab.title:
        SubElement(SubElement(top, "work"), "work-title").text = tab.title
    identification = SubElement(top, "identification")
    if credit:
        SubElement(identification, "creator").text = credit
    if rights:
        SubElement(identification, "rights").text = rights
    SubElement(SubElement(identification, "encoding"), "software").text = "lessonwright"
    fields = {} if writer.for_engraver else _fields(tab)
    if fields:
        holder = SubElement(identification, "miscellaneous")
        for name, value in fields.items():
            SubElement(holder, "miscellaneous-field", {"name": name}).text = value
    top.append(_part_list(tab, named=not writer.for_engraver))
    top.append(writer.part("P1"))
    return top


def _part_list(tab: Tab, *, named: bool) -> Element:
    instrument = tab.instrument
    top = Element("part-list")
    part = SubElement(top, "score-part", {"id": "P1"})
    SubElement(part, "part-name").text = instrument.name if named else ""
    SubElement(
        SubElement(part, "score-instrument", {"id": "P1-I1"}), "instrument-name"
    ).text = instrument.name
    midi = SubElement(part, "midi-instrument", {"id": "P1-I1"})
    SubElement(midi, "midi-channel").text = "1"
    SubElement(midi, "midi-program").text = str(instrument.program + 1)  # MusicXML counts from 1
    return top


def _fields(tab: Tab) -> dict[str, str]:
    found = {}
    if not told_by_names(tab):
        found["phrases"] = "\n".join(f"{p.first}-{p.last} {p.name}" for p in tab.phrases)
    if tab.a4_hz != A4_HZ:
        found["a4-hz"] = f"{tab.a4_hz!r}"
    known = INSTRUMENTS.get(tab.instrument.name)
    if known is not None and len(known.strings) != len(tab.instrument.strings):
        known = None  # a reader would not take it for that
    if known is None or known.frets != tab.instrument.frets:
        found["frets"] = str(tab.instrument.frets)
    if known is None or known.scale_mm != tab.instrument.scale_mm:
        found["scale-mm"] = f"{tab.instrument.scale_mm!r}"
    return found


def lost_in_musicxml(tab: Tab) -> tuple[str, ...]:
    """What MusicXML has no place for, one short sentence for each thing; empty: nothing is lost."""
    return tuple(dict.fromkeys(_losses(tab)))


def _losses(tab: Tab) -> Iterator[str]:
    if tab.comments:
        count = len(tab.comments)
        yield f"{count} comment{'' if count == 1 else 's'}"
    for bar in tab.form.bars:
        if bar.double and bar.repeat_times:
            yield f"bar {bar.number}: the double barline, as a repeat sign stands there"
    first = tab.form.bars[0]
    if first.length < first.metre.quarters and not first.pickup:
        yield f"bar {first.number}: that it is short but no pickup"
    start = 0 if first.pickup else 1
    if any(bar.number != number for number, bar in enumerate(tab.form.bars, start=start)):
        yield f"the numbers of the bars: a reader counts them through from {start}"
    pitches = [*tab.instrument.strings, *(note.pitch for note in tab.notes)]
    if any(octave_of(pitch) != pitch.octave for pitch in pitches):
        yield "the octave of pitches below C0 or above B9"
    links = links_of(tab)
    for index in loose_ties(tab):
        yield f"{tab.where(tab.notes[index])}: a tie that comes from no note"
    for index in sorted(links.alone):
        if tab.notes[index].has(Slide):
            yield f"{tab.where(tab.notes[index])}: a slide that comes from no note"
    goes_on = {(note.string, note.fret, note.onset) for note in tab.notes if note.tied}
    for target, source in links.slides.items():
        left = tab.notes[source]
        if (left.string, left.fret, left.end) in goes_on:
            yield f"{tab.where(tab.notes[target])}: a slide from a note that is tied on"
        one, two = tab.notes[source].get(Grace), tab.notes[target].get(Grace)
        same = tab.notes[source].onset == tab.notes[target].onset
        if one and two and same and (two.together or tab.notes[source].voice != tab.notes[target].voice):
            yield f"{tab.where(tab.notes[target])}: how grace notes struck together slide into one another"
    words = [tab.title, tab.instrument.name, *(phrase.name for phrase in tab.phrases)]
    words += [lyric.text for lyric in tab.lyrics] + [remark.text for remark in tab.remarks]
    codes = sorted({f"U+{ord(char):04X}" for text in words for char in _FORBIDDEN.findall(text)})
    if codes:
        yield f"characters that XML forbids ({', '.join(codes)})"
