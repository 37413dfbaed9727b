"""Tunings as musicians say them: ``drop D``, ``DADGAD``, ``half-step down``, ``open G``.

Each is understood against the usual strings of an instrument, so that it fits any number of
strings: ``drop A`` lowers the bottom string of a seven-string guitar as ``drop D`` does that
of a six-string one.

Conventions
-----------
Strings come and go with string 1 first; text names them from the bottom line of the tab up.

References
----------
The names of the tunings and what they mean: common practice.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Sequence
from fractions import Fraction
from typing import Final

from pipeline.music.errors import SpellingError
from pipeline.music.instrument import parse_tuning
from pipeline.music.pitch import Pitch, Spelling

NAMES: Final = (
    "standard", "half-step down", "whole step down", "Eb standard", "drop D", "drop A", "double drop D", "open G",
    "DADGAD", "double C", "low G",
)  # fmt: skip

_FLATS: Final = ("C", "Db", "D", "Eb", "E", "F", "Gb", "G", "Ab", "A", "Bb", "B")
_SHARPS: Final = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
_NOTE: Final = r"[a-g](?:#|♯|b|♭)?"
# the usual strings (bottom up, no octaves) they are retunings of: name -> bottom up
_NAMED: Final[dict[str, dict[str, str]]] = {
    "E A D G B E": {
        "open c": "C G C G C E",
        "open d": "D A D F# A D",
        "open d minor": "D A D F A D",
        "open e": "E B E G# B E",
        "open e minor": "E B E G B E",
        "open g": "D G D G B D",
        "open g minor": "D G D G Bb D",
        "open a": "E A E A C# E",
    },
    "G D G B D": {
        "open g": "G D G B D",
        "double c": "G C G C D",
        "sawmill": "G D G C D",
    },
}
_AMOUNTS: Final = {
    "a": Fraction(1), "one": Fraction(1), "whole": Fraction(1), "full": Fraction(1), "half": Fraction(1, 2),
    "one and a half": Fraction(3, 2), "1 1/2": Fraction(3, 2), "1½": Fraction(3, 2), "1.5": Fraction(3, 2),
    "½": Fraction(1, 2), "1/2": Fraction(1, 2), "two": Fraction(2), "three": Fraction(3),
    "1": Fraction(1), "2": Fraction(2), "3": Fraction(3),
}  # fmt: skip
_STEPS: Final = re.compile(
    rf"(?:an? )?(?P<amount>{'|'.join(sorted(map(re.escape, _AMOUNTS), key=len, reverse=True))})"
    r" ?(?:an? )?(?P<unit>steps?|tones?|semitones?)"
)


def tuned_by_name(text: str, usual: Sequence[Pitch]) -> tuple[Pitch, ...] | None:
    """The open strings that ``text`` names, string 1 first, or None when it names no tuning.

    usual : the open strings of the instrument as it usually is, string 1 first

    Pitches with octaves are taken as they stand; note names without, apart or run together,
    in the octave nearest to the usual string.
    """
    words = " ".join(re.sub(r"[\s_,-]+", " ", text).split())
    low = re.sub(r"\b(?:tuning|tuned)\b", "", words.lower())
    low = " ".join(low.split())
    if low in ("standard", "normal", "regular", "usual"):
        return tuple(usual)
    return (
        _by_steps(low, usual)
        or _dropped(low, usual)
        or _standard_on(low, usual)
        or _from_table(low, usual)
        or _by_letters(words, usual)
        or _by_pitches(text)
    )


def near(name: Spelling, pitch: Pitch) -> Pitch:
    """The pitch of this name nearest to another, at most six semitones below or five above."""
    midi = pitch.midi + (name.pitch_class - pitch.midi + 6) % 12 - 6
    return Pitch.from_midi(midi, name)


def _moved(strings: Sequence[Pitch], semitones: int, *, bottom: Spelling | None = None) -> tuple[Pitch, ...]:
    """All strings moved, and named with sharps or flats as the key of the bottom one is."""
    if semitones == 0:
        return tuple(strings)
    midis = [pitch.midi + semitones for pitch in strings]
    home = bottom or Spelling.parse(_FLATS[midis[-1] % 12])
    names = _SHARPS if home.fifths > 0 else _FLATS
    return tuple(Pitch.from_midi(midi, Spelling.parse(names[midi % 12])) for midi in midis)


def _falls_in_order(strings: Sequence[Pitch]) -> bool:
    """Whether the bottom string is the lowest; a drop means nothing on a re-entrant instrument."""
    return all(lower.midi < upper.midi for upper, lower in itertools.pairwise(strings))


def _by_steps(low: str, usual: Sequence[Pitch]) -> tuple[Pitch, ...] | None:
    match = re.fullmatch(r"(?:(?P<before>down|up) )?(?P<size>.+?)(?: (?P<after>down|lower|up|higher))?", low)
    size = _STEPS.fullmatch(match["size"]) if match else None
    if match is None or size is None or bool(match["before"]) == bool(match["after"]):
        return None
    semitones = _AMOUNTS[size["amount"]] * (1 if size["unit"].startswith("semi") else 2)
    down = (match["before"] or match["after"]) in ("down", "lower")
    return _moved(usual, int(-semitones if down else semitones)) if semitones.denominator == 1 else None


def _dropped(low: str, usual: Sequence[Pitch]) -> tuple[Pitch, ...] | None:
    """The bottom string a whole step below the others' tuning (double: the top one too); those
    move along where the note named asks for it (drop C on a guitar: C G C F A D)."""
    match = re.fullmatch(rf"(?P<double>double )?drop(?:ped)? ?(?P<note>{_NOTE})", low)
    if match is None or not _falls_in_order(usual):
        return None
    name = Spelling.parse(match["note"])
    shift = (name.pitch_class + 2 - usual[-1].midi) % -12
    if shift < -6:
        return None
    strings = list(_moved(usual, shift, bottom=name))
    strings[-1] = Pitch.from_midi(strings[-1].midi - 2, name)
    if match["double"]:
        strings[0] = _moved(strings[:1], -2, bottom=name)[0]
    return tuple(strings)


def _standard_on(low: str, usual: Sequence[Pitch]) -> tuple[Pitch, ...] | None:
    match = re.fullmatch(rf"(?P<note>{_NOTE}) ?(?P<flat>flat)? standard", low)
    if match is None or not _falls_in_order(usual):
        return None
    name = Spelling.parse(match["note"] + ("b" if match["flat"] else ""))
    return _moved(usual, near(name, usual[-1]).midi - usual[-1].midi, bottom=name)


def _from_table(low: str, usual: Sequence[Pitch]) -> tuple[Pitch, ...] | None:
    letters = " ".join(pitch.spelling.text() for pitch in reversed(usual))
    found = _NAMED.get(letters, {}).get(low)
    if found is not None:
        return _by_letters(found, usual)
    if low == "low g" and letters == "G C E A" and not _falls_in_order(usual):  # ukulele
        bottom = usual[-1]
        return (*usual[:-1], Pitch(bottom.spelling, bottom.octave - 1))
    return None


def _by_letters(words: str, usual: Sequence[Pitch]) -> tuple[Pitch, ...] | None:
    names = words.split()
    if len(names) == 1 and len(words) == len(usual):
        names = list(words)  # dadgad: a b among small letters is a string, not a flat
    elif len(names) == 1:
        names = re.findall(r"[A-G][#b♯♭]?", words) if re.fullmatch(r"(?:[A-G][#b♯♭]?)+", words) else names
    if len(names) != len(usual) or not all(re.fullmatch(_NOTE, name.lower()) for name in names):
        return None
    return tuple(near(Spelling.parse(n), p) for n, p in zip(reversed(names), usual, strict=True))


def _by_pitches(text: str) -> tuple[Pitch, ...] | None:
    try:
        return parse_tuning(text)
    except SpellingError:
        return None
