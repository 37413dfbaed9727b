"""Fretted instruments: strings, tunings, capo, neck.

Conventions
-----------
String 1 is the first (thinnest on a guitar) string, the top line of a tab; on a
re-entrant instrument (ukulele, banjo) it need not be the highest-sounding. Frets count
from the capo. MIDI number = open string + capo + fret (MusicXML 4.0: ``staff-tuning``,
``capo``, ``fret``).

The distance from nut to fret n on a string of length L is L (1 - 2^(-n/12)), twelve-tone
equal temperament.
"""

from __future__ import annotations

import itertools
import re
from dataclasses import dataclass, replace
from typing import Final

from pipeline.music.errors import MusicError, SpellingError
from pipeline.music.pitch import Pitch
from pipeline.music.words import tidy


@dataclass(frozen=True, slots=True)
class Instrument:
    """A fretted instrument as tuned.

    strings : open pitches without capo, string 1 first
    frets : number of frets
    capo : fret the capo sits on, 0 for none
    scale_mm : vibrating length of the open string, millimetres
    program : General MIDI program, 0-based
    written_octaves : how many octaves above its sound the part is written (guitar, bass: 1)
    clef : "G" or "F"
    """

    name: str
    strings: tuple[Pitch, ...]
    frets: int
    scale_mm: float
    program: int
    capo: int = 0
    written_octaves: int = 0
    clef: str = "G"

    def __post_init__(self) -> None:
        object.__setattr__(self, "name", tidy(self.name))
        if not 1 <= len(self.strings) <= 12:
            raise MusicError(f"{self.name}: 1 to 12 strings, got {len(self.strings)}")
        if not 1 <= self.frets <= 36:
            raise MusicError(f"{self.name}: 1 to 36 frets, got {self.frets}")
        if not 0 <= self.capo < self.frets:
            raise MusicError(f"{self.name}: no place for a capo at fret {self.capo}")

    def open_midi(self, string: int) -> int:
        """MIDI number of the open string, capo included.

        Raises
        ------
        MusicError : no such string.
        """
        if not 1 <= string <= len(self.strings):
            raise MusicError(f"{self.name} has {len(self.strings)} strings, there is no string {string}")
        return self.strings[string - 1].midi + self.capo

    def midi(self, string: int, fret: int) -> int:
        """MIDI number of a fretted note.

        Raises
        ------
        MusicError : no such string, or beyond the neck.
        """
        if not 0 <= fret <= self.highest_fret:
            raise MusicError(f"fret {fret} is beyond the neck of the {self.name} (0 to {self.highest_fret})")
        return self.open_midi(string) + fret

    @property
    def highest_fret(self) -> int:
        """Counted from the capo."""
        return self.frets - self.capo

    @property
    def midi_range(self) -> tuple[int, int]:
        """Lowest and highest MIDI number on the neck."""
        opens = [self.open_midi(s) for s in range(1, len(self.strings) + 1)]
        return min(opens), max(opens) + self.highest_fret

    def places(self, midi: int) -> tuple[tuple[int, int], ...]:
        """Every (string, fret) that sounds this MIDI number, string 1 first."""
        found = ((s, midi - self.open_midi(s)) for s in range(1, len(self.strings) + 1))
        return tuple((s, fret) for s, fret in found if 0 <= fret <= self.highest_fret)

    def fret_mm(self, fret: float) -> float:
        """Distance from the nut to a fret (counted from the nut), millimetres."""
        return float(self.scale_mm * (1.0 - 2.0 ** (-fret / 12.0)))

    @property
    def reentrant(self) -> bool:
        """Whether some string sounds higher than the one above it on the tab."""
        midis = [pitch.midi for pitch in self.strings]
        return any(lower > upper for upper, lower in itertools.pairwise(midis))

    def tuned(self, strings: tuple[Pitch, ...]) -> Instrument:
        return replace(self, strings=strings)

    def with_capo(self, capo: int) -> Instrument:
        return replace(self, capo=capo)


def _strings(low_to_high: str) -> tuple[Pitch, ...]:
    """Open strings as musicians say them, from the bottom line of the tab up."""
    return tuple(Pitch.parse(name) for name in reversed(low_to_high.split()))


def _guitar(name: str, tuning: str, *, program: int = 25) -> Instrument:
    return Instrument(name, _strings(tuning), 22, 648.0, program, written_octaves=1)


# Tunings: common practice. Scale lengths: typical of the instrument, common practice.
INSTRUMENTS: Final[dict[str, Instrument]] = {
    item.name: item
    for item in (
        _guitar("guitar", "E2 A2 D3 G3 B3 E4"),
        _guitar("electric guitar", "E2 A2 D3 G3 B3 E4", program=27),
        _guitar("nylon guitar", "E2 A2 D3 G3 B3 E4", program=24),
        _guitar("guitar drop D", "D2 A2 D3 G3 B3 E4"),
        _guitar("guitar DADGAD", "D2 A2 D3 G3 A3 D4"),
        _guitar("guitar half-step down", "Eb2 Ab2 Db3 Gb3 Bb3 Eb4"),
        _guitar("7-string guitar", "B1 E2 A2 D3 G3 B3 E4", program=27),
        Instrument("bass", _strings("E1 A1 D2 G2"), 24, 864.0, 33, written_octaves=1, clef="F"),
        Instrument("5-string bass", _strings("B0 E1 A1 D2 G2"), 24, 864.0, 33, written_octaves=1, clef="F"),
        Instrument("ukulele", _strings("G4 C4 E4 A4"), 15, 346.0, 24),
        Instrument("mandolin", _strings("G3 D4 A4 E5"), 20, 350.0, 25),
        Instrument("banjo", _strings("G4 D3 G3 B3 D4"), 22, 667.0, 105, written_octaves=1),
    )
}


def parse_tuning(text: str) -> tuple[Pitch, ...]:
    """Read open strings from the bottom line of the tab to the top: ``D2 A2 D3 G3 A3 D4``.

    Returns string 1 first.

    Raises
    ------
    SpellingError : a word that is not a pitch with an octave.
    """
    words = re.split(r"[\s,]+", text.strip())
    if words == [""]:
        raise SpellingError("an empty tuning (such as E2 A2 D3 G3 B3 E4)", text=text)
    return tuple(Pitch.parse(word) for word in reversed(words))
