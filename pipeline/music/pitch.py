"""Pitch: number and spelling together, intervals, and transposition.

Conventions
-----------
- MIDI numbers: A4 = 69, C4 (middle C) = 60. Octaves as in MusicXML: 4 starts at middle C.
- A *spelling* is a letter and an alteration in semitones (sharp +1, flat -1).
- The *line of fifths* numbers spellings: F -1, C 0, G 1, D 2 ... B-flat -2. It makes
  transposition with right spelling an addition.

References
----------
ISO 16:1975 (A4 = 440 Hz). MusicXML 4.0, element ``octave``.
Temperley, D. (2000), "The line of fifths", Music Analysis 19(3), 289-319.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from pipeline.music.errors import MusicError, SpellingError

STEPS: Final = "CDEFGAB"
STEP_SEMITONES: Final = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
_FIFTHS_ORDER: Final = "FCGDAEB"
ALTER_TEXT: Final = {-3: "bbb", -2: "bb", -1: "b", 0: "", 1: "#", 2: "##", 3: "###"}
ALTER_SIGN: Final = {-3: "♭♭♭", -2: "♭♭", -1: "♭", 0: "", 1: "♯", 2: "♯♯", 3: "♯♯♯"}
A4_MIDI: Final = 69
A4_HZ: Final = 440.0


def midi_to_hz(midi: float, *, a4_hz: float = A4_HZ) -> float:
    """Frequency in hertz of a (possibly fractional) MIDI number, equal temperament."""
    return float(a4_hz * 2.0 ** ((midi - A4_MIDI) / 12.0))


@dataclass(frozen=True, slots=True)
class Interval:
    """A directed interval: diatonic ``steps`` (a third is 2) and chromatic ``semitones``."""

    steps: int
    semitones: int

    @property
    def fifths(self) -> int:
        """How far the interval moves a spelling along the line of fifths."""
        return 7 * self.semitones - 12 * self.steps

    def __neg__(self) -> Interval:
        return Interval(-self.steps, -self.semitones)

    def __add__(self, other: Interval) -> Interval:
        return Interval(self.steps + other.steps, self.semitones + other.semitones)

    def shifted_octaves(self, octaves: int) -> Interval:
        """The same interval ``octaves`` higher (negative: lower)."""
        return Interval(self.steps + 7 * octaves, self.semitones + 12 * octaves)


_NAME: Final = re.compile(r"([A-Ga-g])([#♯b♭𝄪𝄫x]*)")


def _alter_of(signs: str) -> int:
    weights = {"#": 1, "♯": 1, "x": 2, "𝄪": 2, "b": -1, "♭": -1, "𝄫": -2}
    return sum(weights[sign] for sign in signs)


@dataclass(frozen=True, slots=True)
class Spelling:
    """A pitch class by name: letter A-G and alteration, -3..3 semitones."""

    step: str
    alter: int = 0

    def __post_init__(self) -> None:
        if self.step not in STEP_SEMITONES:
            raise MusicError(f"a note name is one of A to G, got {self.step!r}")
        if not -3 <= self.alter <= 3:
            raise MusicError(f"at most three sharps or flats on a note, got {self.alter:+d}")

    @classmethod
    def parse(cls, text: str) -> Spelling:
        """Read ``F#``, ``Bb``, ``E♭``, ``Fx``.

        Raises
        ------
        SpellingError : ``text`` is not a note name.
        """
        match = _NAME.fullmatch(text.strip())
        if match is None:
            raise SpellingError(f"not a note name: {text!r} (such as A, F#, Bb)", text=text)
        alter = _alter_of(match[2])
        if abs(alter) > 3:
            raise SpellingError(f"too many sharps or flats: {text!r}", text=text, column=1)
        return cls(match[1].upper(), alter)

    @classmethod
    def from_fifths(cls, fifths: int) -> Spelling:
        """The spelling at a place on the line of fifths (C is 0)."""
        return cls(_FIFTHS_ORDER[(fifths + 1) % 7], (fifths + 1) // 7)

    @property
    def fifths(self) -> int:
        return _FIFTHS_ORDER.index(self.step) - 1 + 7 * self.alter

    @property
    def pitch_class(self) -> int:
        """0 for C ... 11 for B."""
        return (STEP_SEMITONES[self.step] + self.alter) % 12

    def transposed(self, interval: Interval) -> Spelling:
        """Moved by ``interval``; a name that would need more than two sharps or
        flats is replaced by its simplest enharmonic neighbour."""
        fifths = self.fifths + interval.fifths
        while fifths > 19:  # B double-sharp, the last with two
            fifths -= 12
        while fifths < -15:  # F double-flat
            fifths += 12
        return Spelling.from_fifths(fifths)

    def text(self) -> str:
        return self.step + ALTER_TEXT[self.alter]

    def symbol(self) -> str:
        """With the musical signs ♯ and ♭."""
        return self.step + ALTER_SIGN[self.alter]

    def __str__(self) -> str:
        return self.text()


@dataclass(frozen=True, slots=True)
class Pitch:
    """A sounding pitch: a spelling and the octave its letter stands in."""

    spelling: Spelling
    octave: int

    @classmethod
    def parse(cls, text: str) -> Pitch:
        """Read ``E2``, ``F#4``, ``Bb3``.

        Raises
        ------
        SpellingError : ``text`` is not a note name with an octave.
        """
        match = re.fullmatch(r"\s*([A-Ga-g][#♯b♭x]*)(-?\d)\s*", text)
        if match is None:
            raise SpellingError(
                f"not a pitch: {text!r} (a note name and an octave, such as E2, F#4)", text=text
            )
        return cls(Spelling.parse(match[1]), int(match[2]))

    @classmethod
    def from_midi(cls, midi: int, spelling: Spelling) -> Pitch:
        """The pitch with this number and this name.

        Raises
        ------
        MusicError : the name does not sound that pitch class.
        """
        if spelling.pitch_class != midi % 12:
            raise MusicError(f"{spelling} is not MIDI note {midi}")
        return cls(spelling, (midi - STEP_SEMITONES[spelling.step] - spelling.alter) // 12 - 1)

    @property
    def midi(self) -> int:
        return 12 * (self.octave + 1) + STEP_SEMITONES[self.spelling.step] + self.spelling.alter

    @property
    def diatonic(self) -> int:
        """Staff height: 7 a octave, C4 is 28."""
        return 7 * self.octave + STEPS.index(self.spelling.step)

    def hz(self, *, a4_hz: float = A4_HZ) -> float:
        return midi_to_hz(self.midi, a4_hz=a4_hz)

    def transposed(self, interval: Interval) -> Pitch:
        """Moved by ``interval``, letter and number both; see :meth:`Spelling.transposed`."""
        midi = self.midi + interval.semitones
        return Pitch.from_midi(midi, self.spelling.transposed(interval))

    def interval_to(self, other: Pitch) -> Interval:
        return Interval(other.diatonic - self.diatonic, other.midi - self.midi)

    def __str__(self) -> str:
        return f"{self.spelling}{self.octave}"
