"""Chords by their degree in a key: Roman numerals and studio numbers, in and out.

Conventions
-----------
- *Roman* numerals count in the key's own scale: in A minor VI is F and VII is G. Upper case
  is major, lower case minor: ``ii7``, ``V7``, ``vii°``, ``iiø7``, ``III+``. A flat before a
  degree that the mode has lowered already names the same note (in minor bVI is VI), two
  flats lower it further. That flat is written in every mode but minor, as players do: F is
  bVII in G mixolydian. In a mode with a lowered seventh a diminished ``vii°`` stands on the
  raised one, and ``bvii°`` on the lowered. ``V7/ii`` is the dominant of the second degree.
- *Studio numbers* count in the major scale of the tonic, whatever the mode: ``1``, ``4maj7``,
  ``57`` (a seventh chord on 5), ``2-7``, ``b7``, ``7ø7``.
- The bass behind a slash is a degree of the key, counted as the chord's own is: in C, ``I/3``
  and ``1/3`` are C/E, ``V/7`` is G/B.
- What follows the degree is what follows the root in a chord's name.

References
----------
Numerals of the diatonic chords of major, minor and harmonic minor, and of dominants of other
degrees: common practice, checked against music21's in the tests.
"""

from __future__ import annotations

import re
from typing import Final

from pipeline.music.chord import KINDS, Chord
from pipeline.music.errors import MusicError, SpellingError
from pipeline.music.key import Key
from pipeline.music.pitch import STEPS, Interval, Spelling

NUMERALS: Final = ("I", "II", "III", "IV", "V", "VI", "VII")
_MAJOR: Final = (0, 2, 4, 5, 7, 9, 11)
_SIGNS: Final = r"(?P<signs>[#b♯♭]{0,6})"
_ROMAN: Final = re.compile(_SIGNS + r"(?P<degree>VII|VI|IV|V|I{1,3}|vii|vi|iv|v|i{1,3})")
_NUMBER: Final = re.compile(_SIGNS + r"(?P<degree>[1-7])")
_BASS: Final = re.compile(r"/([#b♯♭]{0,6})([1-7])$")
_APPLIED: Final = re.compile(r"/([#b♯♭]{0,6}(?:VII|VI|IV|V|I{1,3}|vii|vi|iv|v|i{1,3}))$")
_SHRUNK: Final = ("dim", "dim7", "hdim7")  # kinds that stand on the raised seventh in minor
_SHRUNK_TEXT: Final = re.compile(r"(?:dim|[°º˚]|o(?![a-z])|ø|Ø)")


def is_degree(text: str) -> bool:
    """Whether a word is meant as a numeral or a number, not as a chord's name."""
    return bool(_ROMAN.match(text) or _NUMBER.match(text))


def _lowered(key: Key, step: int) -> int:
    """What the mode does to a degree (0-based) of the major scale, in semitones."""
    return (key.scale[step] - key.tonic.pitch_class) % 12 - _MAJOR[step]


def _signs_to_alter(count: int, mode: int) -> int:
    """Semitones against the major scale that ``count`` signs (flats negative) mean, where the
    mode has the degree altered by ``mode``."""
    if count < 0 and mode < 0:
        return min(mode, count)
    return mode + count


def _alter_to_signs(alter: int, mode: int) -> str:
    """Inverse of :func:`_signs_to_alter`."""
    if alter >= mode:
        return "#" * (alter - mode)
    return "b" * (-alter if mode < 0 else mode - alter)


def _raised_seventh(key: Key, step: int, *, shrunk: bool) -> bool:
    return shrunk and step == 6 and _lowered(key, 6) == -1


def _note(key: Key, step: int, signs: str, *, roman: bool, shrunk: bool = False) -> Spelling:
    count = sum(1 if sign in "#♯" else -1 for sign in signs)
    mode = _lowered(key, step) if roman else 0
    if roman and _raised_seventh(key, step, shrunk=shrunk):
        alter = count - 1 if count > 0 else count
    else:
        alter = _signs_to_alter(count, mode)
    interval = Interval(step, _MAJOR[step] + alter)
    return Spelling.from_fifths(key.tonic.fifths + interval.fifths)


def _degree(key: Key, note: Spelling, *, roman: bool, shrunk: bool = False) -> tuple[str, int]:
    """The signs and the 0-based degree of a note."""
    step = (STEPS.index(note.step) - STEPS.index(key.tonic.step)) % 7
    # on the line of fifths a semitone of alteration is seven places
    plain = key.tonic.fifths + Interval(step, _MAJOR[step]).fifths
    alter = (note.fifths - plain) // 7
    if not roman:
        return _alter_to_signs(alter, 0), step
    if _raised_seventh(key, step, shrunk=shrunk):
        return ("#" * (alter + 1) if alter > 0 else "b" * -alter), step
    mode = _lowered(key, step)
    if alter == mode < 0 and key.mode not in ("minor", "aeolian"):
        return "b" * -mode, step  # of the modes only minor is written without them
    return _alter_to_signs(alter, mode), step


def _bass_text(chord: Chord, key: Key, *, roman: bool) -> str:
    if chord.bass is None:
        return ""
    signs, step = _degree(key, chord.bass, roman=roman)
    return f"/{signs}{step + 1}"


_SHORT: Final = {"dim": "°", "dim7": "°7", "hdim7": "ø7", "aug": "+"}


def _quality(chord: Chord) -> tuple[bool, str]:
    """Whether the third is minor by its name, and what is written behind the degree."""
    suffix = chord.suffix()
    base = KINDS[chord.kind][1]
    if chord.kind in _SHORT:
        rest = suffix.removeprefix(base)
        # a bare figure behind the sign would be taken for its own
        bare = bool(rest) and rest[0] not in "(" and chord.kind in ("dim", "aug")
        return chord.kind != "aug", _SHORT[chord.kind] + (f"({rest})" if bare else rest)
    if base.startswith("m") and not base.startswith("maj"):
        return True, suffix[1:]
    return False, suffix


def roman(chord: Chord, key: Key) -> str:
    """The chord's Roman numeral: ``V7``, ``ii7``, ``bVII``, ``I/3``.

    :func:`parse_degree` reads it back as the same chord.
    """
    signs, step = _degree(key, chord.root, roman=True, shrunk=chord.kind in _SHRUNK)
    return _numeral(signs, step, chord) + _bass_text(chord, key, roman=True)


def _numeral(signs: str, step: int, chord: Chord) -> str:
    minor, rest = _quality(chord)
    numeral = NUMERALS[step].lower() if minor else NUMERALS[step]
    return signs + numeral + (f"({rest})" if rest[:1] in ("b", "#") else rest)


def _figure(signs: str, step: int, chord: Chord) -> str:
    minor, rest = _quality(chord)
    if chord.kind not in _SHORT and minor:
        # -5 would be a flat fifth
        rest = "-" + (f"({rest})" if rest[:1] in ("b", "#") else rest)
    return f"{signs}{step + 1}{rest}"


def _like(match: re.Match[str], chord: Chord, *, roman: bool) -> str:
    """The degree that was read with this chord's quality, as a suggestion."""
    degree = match["degree"].upper()
    if roman:
        return _numeral(match["signs"], NUMERALS.index(degree), chord)
    return _figure(match["signs"], int(degree) - 1, chord)


def number(chord: Chord, key: Key) -> str:
    """The chord's studio number: ``57``, ``2-7``, ``b7``, ``1/3``.

    :func:`parse_degree` reads it back as the same chord.
    """
    signs, step = _degree(key, chord.root, roman=False)
    return _figure(signs, step, chord) + _bass_text(chord, key, roman=False)


def parse_degree(text: str, key: Key) -> Chord:
    """Read a Roman numeral or a studio number in ``key``.

    Raises
    ------
    SpellingError : it is neither, with the column where reading stopped.
    """
    is_roman = _ROMAN.match(text) is not None
    head, rest, bass = text, "", None
    low = _BASS.search(text)
    # 6/9 is a chord's quality, not a bass; degrees end at seven anyway
    if low is not None and low.start():
        head = text[: low.start()]
        bass = _note_or_fail(key, int(low[2]) - 1, low[1], text, low.start(1), roman=is_roman)
    applied = _APPLIED.search(head) if is_roman else None
    home = key
    if applied is not None and applied.start():
        target = parse_degree(applied[1], key)
        home = _key_on(target, text, applied.start(1))
        head = head[: applied.start()]
    match = (_ROMAN if is_roman else _NUMBER).match(head)
    if match is None:
        raise SpellingError(
            f"not a degree: {text!r} (such as ii7, V7, bVII, or 2-7, 57, b7)", text=text, column=0
        )
    rest = head[match.end() :]
    minor = is_roman and match["degree"].islower()
    step = NUMERALS.index(match["degree"].upper()) if is_roman else int(match["degree"]) - 1
    if minor and not _SHRUNK_TEXT.match(rest) and not re.match(r"m(?!aj)|-", rest):
        rest, added = "m" + rest, 1
    else:
        added = 0
    try:
        quality = Chord.parse("C" + rest)
    except SpellingError as error:
        column = max(0, error.column - 1 - added) + match.end()
        raise SpellingError(
            str(error).replace(repr("C" + rest), repr(text)).replace("chord name", "chord"),
            text=text,
            column=min(column, len(text)),
            suggestion=error.suggestion and _like(match, Chord.parse(error.suggestion), roman=is_roman),
        ) from error
    if quality.root.alter:  # V#9: the sign would go to the root of the chord's name
        raise SpellingError(
            f"not a chord: {text!r} (a sign behind the bare degree: write {match[0]}({rest}) or {match[0]}7{rest})",
            text=text,
            column=match.end(),
        )
    if quality.bass is not None:
        raise SpellingError(
            f"not a chord: {text!r} (the bass of a chord by degree is a degree too, such as {match[0]}/3)",
            text=text,
            column=text.rindex("/") + 1,
        )
    shrunk = quality.kind in _SHRUNK
    root = _note_or_fail(home, step, match["signs"], text, 0, roman=is_roman, shrunk=shrunk)
    return Chord(root, quality.kind, quality.changes, bass)


def _note_or_fail(
    key: Key, step: int, signs: str, text: str, column: int, *, roman: bool, shrunk: bool = False
) -> Spelling:
    try:
        return _note(key, step, signs, roman=roman, shrunk=shrunk)
    except MusicError as error:
        raise SpellingError(f"not a chord: {text!r} ({error})", text=text, column=column) from error


def _key_on(chord: Chord, text: str, column: int) -> Key:
    """The key in which a dominant of this chord is counted."""
    mode = "minor" if chord.degrees.get(3) == -1 else "major"
    try:
        return Key(chord.root, mode)
    except MusicError as error:
        raise SpellingError(f"not a chord: {text!r} ({error})", text=text, column=column) from error
