"""Names for notes outside the key, taken from the chord they sound over.

The key alone cannot tell the G sharp of an E7 from the A flat of an F minor, both at home in
C major; the chord can. Notes of the scale keep their names, and so do notes that are foreign
to the chord too: common practice.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction

from pipeline.music.chart import ChordSpan
from pipeline.music.pitch import Pitch, Spelling
from pipeline.music.tab import Note, Tab
from pipeline.music.technique import Dead


def _name_in(span: ChordSpan, note: Note) -> Spelling | None:
    if span.chord is None or note.has(Dead):
        return None
    tones = (*span.chord.tones, span.chord.lowest)
    found = (tone for tone in tones if tone.pitch_class == note.pitch.midi % 12 and abs(tone.alter) < 2)
    return next(found, None)


def respelled(tab: Tab, spans: Sequence[ChordSpan]) -> Tab:
    """``tab`` with each note outside the key named as in the chord it is struck over.

    A note that its writer named otherwise than the key does keeps that name.
    A note that is played several times goes by the chord of the first; a tied note is named
    like the note it goes on from.
    """
    if not spans:
        return tab
    starts = [span.start for span in spans]
    names: dict[int, Spelling] = {}
    for item in tab.sounding:
        key, pitch = tab.key_at(item.note.onset), item.note.pitch
        if item.source in names or pitch.midi % 12 in key.scale or pitch != key.spell_midi(pitch.midi):
            continue
        span = spans[max(0, bisect_right(starts, item.onset) - 1)]
        name = _name_in(span, item.note)
        names[item.source] = name or item.note.pitch.spelling
    notes: list[Note] = []
    last: dict[tuple[int, int], tuple[Fraction, Pitch]] = {}
    for index, note in enumerate(tab.notes):
        pitch = Pitch.from_midi(note.pitch.midi, names[index]) if index in names else note.pitch
        end, before = last.get((note.string, note.fret), (None, pitch))
        if note.tied and end == note.onset:
            pitch = before
        last[note.string, note.fret] = note.end, pitch
        notes.append(replace(note, pitch=pitch))
    return replace(tab, notes=tuple(notes))
