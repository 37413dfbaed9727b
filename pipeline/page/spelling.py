"""Names of notes by the chord they stand over: G sharp over E7, whatever the key's habit.

A tab gives string and fret; its notes are named from the key. Where the chord of the moment
has that note, readers expect the chord's name for it: common practice. Notes that someone
named otherwise than the key would, keep their name.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from pipeline.music.chart import ChordSpan
from pipeline.music.pitch import Pitch
from pipeline.music.tab import Note, Tab


def respelled(tab: Tab, spans: Sequence[ChordSpan]) -> Tab:
    """The same tab with notes named by their chords."""
    if not spans:
        return tab
    moments = {bar.written: bar.start for bar in reversed(tab.form.played.bars)}

    def named(note: Note) -> Note:
        midi = note.pitch.midi
        if note.pitch.spelling != tab.key.spell(midi % 12):
            return note
        home = tab.form.written.bar_at(note.onset)
        if home.index not in moments:
            return note
        moment = moments[home.index] + note.onset - home.start
        chord = next((span.chord for span in spans if span.start <= moment < span.end), None)
        tones = (*chord.tones, chord.lowest) if chord else ()
        name = next((tone for tone in tones if tone.pitch_class == midi % 12), None)
        # a double sharp or flat would be right and unreadable
        if name is None or abs(name.alter) > 1 or name == note.pitch.spelling:
            return note
        return replace(note, pitch=Pitch.from_midi(midi, name))

    return replace(tab, notes=tuple(map(named, tab.notes)))
