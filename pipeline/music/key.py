"""Keys and modes: signature, spelling of every chromatic note, distance to another key.

References
----------
Key signature as the number of fifths from C: MusicXML 4.0, element ``fifths``.
The names of the chromatic notes (raised leading note in minor, lowered third and
seventh in major, flat fifth as the blue note): common practice.
"""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass
from typing import Final

from pipeline.music.errors import MusicError, SpellingError
from pipeline.music.pitch import Interval, Pitch, Spelling

# mode: (fifths of its tonic above the tonic of the major scale with that signature,
#        scale in semitones from the tonic,
#        flattest chromatic name allowed, in fifths from the tonic)
_MODES: Final[dict[str, tuple[int, tuple[int, ...], int]]] = {
    "major": (0, (0, 2, 4, 5, 7, 9, 11), -4),
    "lydian": (-1, (0, 2, 4, 6, 7, 9, 11), -4),
    "mixolydian": (1, (0, 2, 4, 5, 7, 9, 10), -5),
    "dorian": (2, (0, 2, 3, 5, 7, 9, 10), -6),
    "minor": (3, (0, 2, 3, 5, 7, 8, 10), -6),
    "phrygian": (4, (0, 1, 3, 5, 7, 8, 10), -6),
    "locrian": (5, (0, 1, 3, 5, 6, 8, 10), -6),
}
MODES: Final = tuple(_MODES)
_ALIASES: Final = {
    "": "major", "maj": "major", "ma": "major", "ionian": "major", "m": "minor", "min": "minor", "mi": "minor",
    "aeolian": "minor", "dor": "dorian", "mix": "mixolydian",
}  # fmt: skip
_KEY: Final = re.compile(r"\s*([A-G][#♯b♭]?)\s*([A-Za-z]*)\s*")
# ways to say a key that are not its name here: what to replace by what, in lower case
_SAID: Final = (
    (r"^h", "b"),  # the German name of B: common practice
    (r"[\s-]*flat\b", "b"),
    (r"[\s-]*sharp\b", "#"),
    (r"moll\b", "m"),
    (r"dur\b", ""),
    (r"[-_.]", " "),
)


@dataclass(frozen=True, slots=True)
class Key:
    """A tonic and a mode, with a signature of at most seven sharps or flats."""

    tonic: Spelling
    mode: str = "major"

    def __post_init__(self) -> None:
        if self.mode not in _MODES:
            raise MusicError(f"unknown mode {self.mode!r}; known: {', '.join(MODES)}")
        if not -7 <= self.fifths <= 7:
            raise MusicError(f"{self.tonic} {self.mode} would need more than seven sharps or flats")

    @classmethod
    def parse(cls, text: str) -> Key:
        """Read ``Am``, ``F#m``, ``Bb``, ``E dorian``, ``A minor``.

        Raises
        ------
        SpellingError : ``text`` is not a key; with the key it was probably meant to be.
        """
        match = _KEY.fullmatch(text)
        word = "" if match is None else "maj" if match[2] == "M" else match[2].lower()
        mode = _ALIASES.get(word, word)
        if match is None or mode not in _MODES:
            meant = _suggest(text)
            hint = f"did you mean {meant}?" if meant else "such as Am, Bb, E dorian"
            known = f"; modes: {', '.join(MODES)}" if match is not None and not meant else ""
            column = match.start(2) if match is not None else 0
            raise SpellingError(
                f"not a key: {text!r}{known or f' ({hint})'}", text=text, column=column, suggestion=meant
            )
        try:
            return cls(Spelling.parse(match[1]), mode)
        except MusicError as error:
            raise SpellingError(str(error), text=text, suggestion=_suggest(text)) from error

    @property
    def fifths(self) -> int:
        """The key signature: sharps positive, flats negative."""
        return self.tonic.fifths - _MODES[self.mode][0]

    @property
    def minorish(self) -> bool:
        """Whether the third above the tonic is minor."""
        return 3 in _MODES[self.mode][1]

    @property
    def scale(self) -> tuple[int, ...]:
        """Pitch classes of the seven notes, from the tonic up."""
        return tuple((self.tonic.pitch_class + step) % 12 for step in _MODES[self.mode][1])

    def spell(self, pitch_class: int) -> Spelling:
        """The name a musician gives this pitch class in this key."""
        # twelve neighbours on the line of fifths hold each pitch class once
        flattest = self.tonic.fifths + _MODES[self.mode][2]
        wanted = 7 * pitch_class % 12
        return Spelling.from_fifths(flattest + (wanted - flattest) % 12)

    def spell_midi(self, midi: int) -> Pitch:
        return Pitch.from_midi(midi, self.spell(midi % 12))

    def interval_to(self, other: Key) -> Interval:
        """The nearest move from this tonic to the other's: -6..+5 semitones."""
        fifths = other.tonic.fifths - self.tonic.fifths
        semitones = 7 * fifths % 12
        if semitones > 5:
            semitones -= 12
        steps, left = divmod(7 * semitones - fifths, 12)
        if left:  # cannot happen: both sides are congruent modulo 12
            raise MusicError("keys are not a whole interval apart")
        return Interval(steps, semitones)

    def transposed(self, interval: Interval) -> Key:
        """The key moved by ``interval``, respelled where the signature would pass seven."""
        fifths = self.fifths + interval.fifths
        while fifths > 7:
            fifths -= 12
        while fifths < -7:
            fifths += 12
        return Key(Spelling.from_fifths(fifths + _MODES[self.mode][0]), self.mode)

    def text(self) -> str:
        """``Am``, ``Bb``, ``E dorian``."""
        if self.mode == "major":
            return self.tonic.text()
        if self.mode == "minor":
            return self.tonic.text() + "m"
        return f"{self.tonic.text()} {self.mode}"

    def symbol(self) -> str:
        """For readers: ``A minor``, ``B♭ major``."""
        return f"{self.tonic.symbol()} {self.mode}"

    def __str__(self) -> str:
        return self.text()


def _suggest(text: str) -> str | None:
    """The name of the key that ``text`` probably means, or None."""
    word = text.strip().lower()
    for pattern, plain in _SAID:
        word = re.sub(pattern, plain, word)
    match = re.fullmatch(r"([a-g][#♯b♭]?)\s*([a-z]*)\s*", word)
    if match is None:
        return None
    modes = {**_ALIASES, **{mode: mode for mode in MODES}}
    near = difflib.get_close_matches(match[2], modes, n=1, cutoff=0.7)
    if match[2] and not near:
        return None
    mode = modes[near[0]] if match[2] else "major"
    tonic = Spelling.parse(match[1])
    for fifths in (tonic.fifths, tonic.fifths - 12, tonic.fifths + 12):  # G# major is written Ab
        if -7 <= fifths - _MODES[mode][0] <= 7:
            return Key(Spelling.from_fifths(fifths), mode).text()
    return None
