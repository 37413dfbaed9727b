"""Naming the notes of a tab by the chords they sound over.

A tab says string and fret, not G sharp or A flat. In a key both may be right; over an E7 it
is G sharp, the chord's third (a chord tone takes the chord's own name: common practice).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from pipeline.music.chart import ChordSpan
from pipeline.music.pitch import Pitch
from pipeline.music.tab import Tab


def respelled(tab: Tab, spans: Sequence[ChordSpan]) -> Tab:
    """The same tab with each chord tone named as in the chord it first sounds over, every
    other note as in the key. ``spans`` cover the played form, in order."""
    notes = []
    for note in tab.notes:
        pitch = tab.key.spell_midi(note.pitch.midi)
        moment = min(tab.form.written_to_played(note.onset), default=None)
        span = next((s for s in spans if moment is not None and s.start <= moment < s.end), None)
        if span is not None and span.chord is not None:
            names = {tone.pitch_class: tone for tone in span.chord.tones if abs(tone.alter) < 2}
            name = names.get(pitch.midi % 12)
            if name is not None:
                pitch = Pitch.from_midi(pitch.midi, name)
        notes.append(replace(note, pitch=pitch))
    return replace(tab, notes=tuple(notes))
