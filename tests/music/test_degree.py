"""Chords by degree: Roman numerals and studio numbers, read and written in any key."""

from __future__ import annotations

import pytest
from hypothesis import given

from pipeline.music.chord import Chord
from pipeline.music.degree import is_degree, number, parse_degree, roman
from pipeline.music.errors import SpellingError
from pipeline.music.key import Key
from pipeline.music.pitch import Interval
from tests.chart_strategies import chords
from tests.music.strategies import intervals, keys


@given(chords, keys())
def test_every_chord_comes_back_from_its_degree(chord: Chord, key: Key) -> None:
    for text in (roman(chord, key), number(chord, key)):
        assert is_degree(text), text
        assert parse_degree(text, key) == chord, text
        assert not any(c.isspace() for c in text)


@given(chords, keys(), intervals)
def test_a_degree_is_the_same_in_every_key(chord: Chord, key: Key, interval: Interval) -> None:
    """One chart serves any key: moved chords sound at the same degrees of the moved key."""
    moved = key.transposed(interval)
    for text in (roman(chord, key), number(chord, key)):
        try:
            again = parse_degree(text, moved)
        except SpellingError:  # a root beyond three sharps or flats
            continue
        distance = (moved.tonic.pitch_class - key.tonic.pitch_class) % 12
        assert again.root.pitch_class == (chord.root.pitch_class + distance) % 12
        assert again.degrees == chord.degrees


@pytest.mark.parametrize(
    ("key", "names", "numerals", "numbers"),
    [
        # diatonic chords: common practice, and tests/outside/test_degrees.py
        ("C", "C Dm Em F G Am Bdim", "I ii iii IV V vi vii°", "1 2- 3- 4 5 6- 7°"),
        ("G", "Gmaj7 Am7 Bm7 Cmaj7 D7 Em7 F#m7b5", "Imaj7 ii7 iii7 IVmaj7 V7 vi7 viiø7",
         "1maj7 2-7 3-7 4maj7 57 6-7 7ø7"),
        ("Am", "Am Bdim C Dm E F G G#dim7 E7 Caug", "i ii° III iv V VI VII vii°7 V7 III+",
         "1- 2° b3 4- 5 b6 b7 7°7 57 b3+"),
        ("A", "A7 D7 A7 E7", "I7 IV7 I7 V7", "17 47 17 57"),  # the chords of a blues
        ("C", "Ab Bb Eb Db F#m7b5 C#dim7", "bVI bVII bIII bII #ivø7 #i°7", "b6 b7 b3 b2 #4ø7 #1°7"),
        ("Am", "F#dim Bb Gdim Ab", "#vi° bII bvii° bI", "6° b2 b7° b1"),
        ("D dorian", "Dm7 G7 C E7", "i7 IV7 bVII II7", "1-7 47 b7 27"),
        ("C", "C/E G/B Am/G F/A C/Bb", "I/3 V/7 vi/5 IV/6 I/b7", "1/3 5/7 6-/5 4/6 1/b7"),
        ("Am", "Am/C E/G# Am/G", "i/3 V/#7 i/7", "1-/b3 5/7 1-/b7"),
        ("F", "F6/9 Gm9 C13b9 Fadd9 Csus4 C7sus4 F5", "I6/9 ii9 V13b9 Iadd9 Vsus4 V7sus4 I5",
         "16/9 2-9 513b9 1add9 5sus4 57sus4 15"),
        ("C", "Cm(maj7) Cmaj7#11 C7#9 C7alt Cmadd9", "i(maj7) Imaj7#11 I7#9 I7alt iadd9",
         "1-(maj7) 1maj7#11 17#9 17alt 1-add9"),
    ],
)  # fmt: skip
def test_what_a_musician_writes(key: str, names: str, numerals: str, numbers: str) -> None:
    home = Key.parse(key)
    found = [Chord.parse(name) for name in names.split()]
    assert " ".join(roman(chord, home) for chord in found) == numerals
    assert " ".join(number(chord, home) for chord in found) == numbers


@pytest.mark.parametrize(
    ("text", "key", "name"),
    [
        ("viio", "C", "Bdim"), ("viidim", "C", "Bdim"), ("vii°", "C", "Bdim"), ("viiº7", "C", "Bdim7"),
        ("iiø", "Am", "Bm7b5"), ("ii7b5", "Am", "Bm7b5"), ("iim7b5", "Am", "Bm7b5"), ("IVm", "C", "Fm"),
        ("♭VII", "C", "Bb"), ("bVI", "Am", "F"), ("VI", "Am", "F"), ("bbVI", "Am", "Fb"), ("VII", "Am", "G"),
        ("#vii°7", "Am", "G#dim7"), ("vii°7", "Am", "G#dim7"), ("bvii°", "Am", "Gdim"), ("VII7", "Am", "G7"),
        ("V/V", "C", "D"), ("V7/ii", "C", "A7"), ("vii°7/V", "C", "F#dim7"), ("V7/IV", "C", "C7"),
        ("V7/iv", "Am", "A7"), ("vii°7/ii", "C", "C#dim7"), ("ii7/ii", "C", "Em7"), ("V7/V/7", "C", "D7/B"),
        ("V7/bVII", "C", "F7"), ("1-", "C", "Cm"), ("1m", "C", "Cm"), ("57", "F", "C7"), ("4maj7", "Am", "Dmaj7"),
        ("b3", "Am", "C"), ("3", "Am", "C#"), ("7o7", "C", "Bdim7"), ("5/b7", "C", "G/Bb"), ("16/9", "C", "C6/9"),
        ("6-7/5", "C", "Am7/G"), ("2sus4", "Bb", "Csus4"), ("V7/9", "C", "G9"),
    ],
)  # fmt: skip
def test_how_else_they_write_it(text: str, key: str, name: str) -> None:
    """Applied dominants and the raised seventh of minor: common practice."""
    assert parse_degree(text, Key.parse(key)) == Chord.parse(name)


@pytest.mark.parametrize(
    ("text", "column", "says", "suggestion"),
    [
        ("8", 0, "not a degree", None),
        ("H", 0, "not a degree", None),
        ("Iq", 1, "'q' is not understood", "I"),
        ("vi7x", 3, "'x' is not understood", "vi7"),
        ("2-7x", 3, "'x' is not understood", "2-7"),
        ("imj7", 2, "not understood", "Imaj7"),
        ("I/E", 2, "a degree too, such as I/3", None),
        ("V7/8", 3, "not understood", None),
        ("#######I", 0, "not a degree", None),
        ("######I", 0, "three sharps", None),
        ("V/##VI/x", 7, "a bass note", None),
    ],
)
def test_what_is_no_degree(text: str, column: int, says: str, suggestion: str | None) -> None:
    with pytest.raises(SpellingError, match=says) as caught:
        parse_degree(text, Key.parse("C"))
    if suggestion is not None:
        assert caught.value.suggestion == suggestion
    assert caught.value.column == column


@pytest.mark.parametrize(
    ("key", "name", "numeral"),
    [
        ("G mixolydian", "F", "bVII"), ("A dorian", "C", "bIII"), ("A dorian", "G", "bVII"),
        ("E phrygian", "F", "bII"), ("Am", "F", "VI"), ("Am", "G", "VII"), ("Am", "C", "III"),
    ],
)  # fmt: skip
def test_modes_but_minor_write_their_lowered_degrees_with_a_flat(key: str, name: str, numeral: str) -> None:
    """As players write them, whatever the mode has lowered itself: common practice. Both are read."""
    home, chord = Key.parse(key), Chord.parse(name)
    assert roman(chord, home) == numeral
    assert parse_degree(numeral, home) == parse_degree(numeral.lstrip("b"), home) == chord


@pytest.mark.parametrize("text", ["Am7", "C", "F#", "Bb7", "N.C.", "%", "Segno", "dim", "x"])
def test_names_are_no_degrees(text: str) -> None:
    assert not is_degree(text)


@pytest.mark.parametrize("text", ["V#9", "5b9", "7b5", "1#11", "VIIb", "4#"])
def test_a_sign_right_behind_the_degree_is_refused(text: str) -> None:
    """V#9 was once read as V9: the sign went to the root of the name and was lost."""
    with pytest.raises(SpellingError, match="a sign behind the bare degree"):
        parse_degree(text, Key.parse("C"))
