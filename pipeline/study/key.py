"""Which key the notes are in.

References
----------
Krumhansl, C. L., Kessler, E. J. (1982), "Tracing the dynamic changes in perceived tonal
organization in a spatial representation of musical keys", Psychological Review 89(4),
334-368: the probe-tone profiles; correlation as the measure, as in Krumhansl (1990).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from pipeline.music.key import Key
from pipeline.music.tab import SoundingNote, Tab
from pipeline.music.technique import Bend, Dead

_PROFILES: Final = {
    "major": (6.35, 2.23, 3.48, 2.33, 4.38, 4.09, 2.52, 5.19, 2.39, 3.66, 2.29, 2.88),
    "minor": (6.33, 2.68, 3.52, 5.38, 2.60, 3.53, 2.54, 4.75, 3.98, 2.69, 3.34, 3.17),
}
# the usual name of each tonic: at most six sharps or flats in the signature
_TONICS: Final = {
    "major": ["C", "Db", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B"],
    "minor": ["C", "C#", "D", "Eb", "E", "F", "F#", "G", "G#", "A", "Bb", "B"],
}


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
    found = [
        KeyGuess(
            Key.parse(f"{name} {mode}"),
            float(np.corrcoef(quarters, np.roll(_PROFILES[mode], tonic))[0, 1]) if np.ptp(quarters) else 0.0,
        )
        for mode, names in _TONICS.items()
        for tonic, name in enumerate(names)
    ]
    return tuple(sorted(found, key=lambda guess: -guess.fit))


def find_key(tab: Tab) -> KeyGuess:
    """The major or minor key that fits the tab's notes best."""
    return key_guesses(pitch_class_quarters(tab))[0]
