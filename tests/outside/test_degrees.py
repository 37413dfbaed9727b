"""Degrees against music21's roman numerals and progressions of the trade.

Sources
-------
- music21 10: ``roman.RomanNumeral`` for the notes of numerals, applied dominants included.
- Chords of harmonic minor: college handout figures (i ii° III+ iv V VI vii°).
- Twelve-bar blues: I I I I / IV IV I I / V IV I I, and in A the chords A7 D7 E7; ii-V-I,
  the descending bass in minor and the rest: common practice.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.errors import Problems
from pipeline.music.chord import Chord
from pipeline.music.degree import number, parse_degree, roman
from pipeline.music.key import Key
from pipeline.page.charttext import write_chart_text
from pipeline.read.charttext import read_chart_text

MAJOR_TONICS = ("C", "G", "Eb", "F#", "Db", "A")
MINOR_TONICS = ("A", "E", "C", "F#", "Bb")
# our numeral -> music21's where it is written otherwise
IN_MAJOR = {
    "I": "I", "ii": "ii", "iii": "iii", "IV": "IV", "V": "V", "vi": "vi", "vii°": "viio",
    "Imaj7": "I7", "ii7": "ii7", "iii7": "iii7", "IVmaj7": "IV7", "V7": "V7", "vi7": "vi7", "viiø7": "viiø7",
    "bVII": "bVII", "bVI": "bVI", "bIII": "bIII", "bII": "bII", "iv": "iv", "#iv°7": "#ivo7", "I+": "I+",
    "V7/ii": "V7/ii", "V7/V": "V7/V", "V7/IV": "V7/IV", "V7/vi": "V7/vi", "V7/iii": "V7/iii",
    "vii°7/V": "viio7/V", "vii°7/ii": "viio7/ii", "vii°7/vi": "viio7/vi", "V/V": "V/V", "V7/bVII": "V7/bVII",
}  # fmt: skip
IN_MINOR = {
    "i": "i", "ii°": "iio", "III": "III", "iv": "iv", "v": "v", "V": "V", "VI": "VI", "VII": "VII", "vii°": "viio",
    "vii°7": "viio7", "iiø7": "iiø7", "V7": "V7", "III+": "III+", "iv7": "iv7", "V7/iv": "V7/iv", "V7/V": "V7/V",
    "bII": "bII", "VImaj7": "VI7", "IIImaj7": "III7", "V7/III": "V7/III",
}  # fmt: skip


def theirs(figure: str, key: str) -> tuple[int, set[int]]:
    from music21.roman import RomanNumeral

    numeral = RomanNumeral(figure, key[0] + key[1:].replace("b", "-"))
    return numeral.root().pitchClass, {pitch.pitchClass for pitch in numeral.pitches}


@pytest.mark.parametrize(("ours", "figure"), sorted(IN_MAJOR.items()))
def test_numerals_in_major_as_music21_has_them(ours: str, figure: str) -> None:
    for tonic in MAJOR_TONICS:
        chord = parse_degree(ours, Key.parse(tonic))
        assert (chord.root.pitch_class, set(chord.pitch_classes)) == theirs(figure, tonic)


@pytest.mark.parametrize(("ours", "figure"), sorted(IN_MINOR.items()))
def test_numerals_in_minor_as_music21_has_them(ours: str, figure: str) -> None:
    for tonic in MINOR_TONICS:
        chord = parse_degree(ours, Key.parse(tonic + "m"))
        step = tonic[0].lower() + tonic[1:]
        assert (chord.root.pitch_class, set(chord.pitch_classes)) == theirs(figure, step)


def test_chords_of_harmonic_minor() -> None:
    """The handout's chords: Am Bdim Caug Dm E F G#dim are i ii° III+ iv V VI vii°."""
    key = Key.parse("Am")
    names = ["Am", "Bdim", "Caug", "Dm", "E", "F", "G#dim"]
    assert [roman(Chord.parse(name), key) for name in names] == ["i", "ii°", "III+", "iv", "V", "VI", "vii°"]


@pytest.mark.parametrize(
    ("key", "names", "numerals", "numbers"),
    [
        ("A", "A7 A7 A7 A7 D7 D7 A7 A7 E7 D7 A7 E7", "I7 I7 I7 I7 IV7 IV7 I7 I7 V7 IV7 I7 V7",
         "17 17 17 17 47 47 17 17 57 47 17 57"),
        ("Bb", "Cm7 F7 Bbmaj7", "ii7 V7 Imaj7", "2-7 57 1maj7"),
        ("Cm", "Dm7b5 G7b9 Cm(maj7)", "iiø7 V7b9 i(maj7)", "2ø7 57b9 1-(maj7)"),
        ("C", "Cmaj7 A7 Dm7 G7", "Imaj7 VI7 ii7 V7", "1maj7 67 2-7 57"),
        ("Am", "Am G F E7", "i VII VI V7", "1- b7 b6 57"),
        ("G", "G D Em C", "I V vi IV", "1 5 6- 4"),
        ("D", "D A/C# Bm7 G", "I V/7 vi7 IV", "1 5/7 6-7 4"),
        ("E mixolydian", "E D A E", "I bVII IV I", "1 b7 4 1"),
        ("E", "E D A E", "I bVII IV I", "1 b7 4 1"),
    ],
)  # fmt: skip
def test_progressions_of_the_trade(key: str, names: str, numerals: str, numbers: str) -> None:
    home = Key.parse(key)
    chords = [Chord.parse(name) for name in names.split()]
    assert " ".join(roman(chord, home) for chord in chords) == numerals
    assert " ".join(number(chord, home) for chord in chords) == numbers
    for text in (numerals, numbers):
        assert [parse_degree(word, home) for word in text.split()] == chords


def test_one_chart_serves_any_key() -> None:
    """The same twelve bars in degrees, played in E flat: Eb7 Ab7 Bb7."""
    blues = "| I7 | IV7 | I7 | % |\n| IV7 | % | I7 | % |\n| V7 | IV7 | I7 | V7 |\n"
    problems = Problems()
    chart = read_chart_text(blues, path=Path("blues.txt"), problems=problems, key=Key.parse("Eb"))
    assert chart is not None
    assert not problems.errors
    named = [bar.chords[0].chord for bar in chart.bars]
    assert " ".join(map(str, named)) == "Eb7 Ab7 Eb7 Eb7 Ab7 Ab7 Eb7 Eb7 Bb7 Ab7 Eb7 Bb7"
    assert write_chart_text(chart, chords="roman", key=Key.parse("Eb")).split() == blues.split()
