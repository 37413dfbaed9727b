"""Which key the notes are in, by the profiles of :mod:`pipeline.music.keyfinding`."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.music.key import Key
from pipeline.music.keyfinding import key_fits
from pipeline.music.tab import SoundingNote, Tab
from pipeline.music.technique import Bend, Dead


@dataclass(frozen=True, slots=True)
class KeyGuess:
    """A key and how well the notes' durations correlate with its profile, -1..1."""

    key: Key
    fit: float


def heard_midi(tab: Tab, sounding: SoundingNote) -> int:
    """MIDI number a note is heard at in the end: a bend counts where it arrives."""
    bend = sounding.note.get(Bend)
    return sounding.note.sounding_midi(tab.instrument) + (round(float(bend.peak)) if bend else 0)


def pitch_class_quarters(tab: Tab) -> np.ndarray:
    """How long each pitch class sounds in the played form: shape (12,), quarters.

    A bent note counts at the pitch the bend reaches; dead notes have no pitch.
    """
    found = np.zeros(12)
    for sounding in tab.sounding:
        if sounding.note.has(Dead):
            continue
        found[heard_midi(tab, sounding) % 12] += float(sounding.duration)
    return found


def key_guesses(quarters: np.ndarray) -> tuple[KeyGuess, ...]:
    """The 24 major and minor keys, best first, for pitch-class durations of shape (12,)."""
    return tuple(KeyGuess(key, fit) for key, fit in key_fits(quarters.tolist()))


def find_key(tab: Tab) -> KeyGuess:
    """The major or minor key that fits the tab's notes best."""
    return key_guesses(pitch_class_quarters(tab))[0]
