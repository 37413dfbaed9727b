"""Tunings by name, against what the trade means by them."""

from __future__ import annotations

import pytest

from pipeline.music.instrument import INSTRUMENTS
from pipeline.music.tuning import NAMES, tuned_by_name


def tuned(instrument: str, name: str) -> str | None:
    """The open strings from the bottom line up."""
    strings = tuned_by_name(name, INSTRUMENTS[instrument].strings)
    return None if strings is None else " ".join(str(pitch) for pitch in reversed(strings))


# the strings of each tuning: common practice
@pytest.mark.parametrize(
    ("instrument", "name", "strings"),
    [
        ("electric guitar", "standard", "E2 A2 D3 G3 B3 E4"),
        ("guitar", "drop D", "D2 A2 D3 G3 B3 E4"),
        ("guitar", "drop C#", "C#2 G#2 C#3 F#3 A#3 D#4"),
        ("guitar", "drop Db", "Db2 Ab2 Db3 Gb3 Bb3 Eb4"),
        ("guitar", "drop C", "C2 G2 C3 F3 A3 D4"),
        ("guitar", "drop B", "B1 F#2 B2 E3 G#3 C#4"),
        ("guitar", "double drop D", "D2 A2 D3 G3 B3 D4"),
        ("guitar", "half-step down", "Eb2 Ab2 Db3 Gb3 Bb3 Eb4"),
        ("guitar", "Eb standard", "Eb2 Ab2 Db3 Gb3 Bb3 Eb4"),
        ("guitar", "whole step down", "D2 G2 C3 F3 A3 D4"),
        ("guitar", "D standard", "D2 G2 C3 F3 A3 D4"),
        ("guitar", "C# standard", "C#2 F#2 B2 E3 G#3 C#4"),
        ("guitar", "two steps down", "C2 F2 Bb2 Eb3 G3 C4"),
        ("guitar", "B standard", "B1 E2 A2 D3 F#3 B3"),
        ("guitar", "DADGAD", "D2 A2 D3 G3 A3 D4"),
        ("guitar", "open G", "D2 G2 D3 G3 B3 D4"),
        ("guitar", "open D", "D2 A2 D3 F#3 A3 D4"),
        ("guitar", "open E", "E2 B2 E3 G#3 B3 E4"),
        ("guitar", "open A", "E2 A2 E3 A3 C#4 E4"),
        ("guitar", "open C", "C2 G2 C3 G3 C4 E4"),
        ("7-string guitar", "drop A", "A1 E2 A2 D3 G3 B3 E4"),
        ("bass", "drop D", "D1 A1 D2 G2"),
        ("5-string bass", "half-step down", "Bb0 Eb1 Ab1 Db2 Gb2"),
        ("ukulele", "low G", "G3 C4 E4 A4"),
        ("ukulele", "A D F# B", "A4 D4 F#4 B4"),
        ("mandolin", "GDAD", "G3 D4 A4 D5"),
        ("banjo", "open G", "G4 D3 G3 B3 D4"),
        ("banjo", "double C", "G4 C3 G3 C4 D4"),
        ("banjo", "sawmill", "G4 D3 G3 C4 D4"),
    ],
)
def test_what_musicians_say(instrument: str, name: str, strings: str) -> None:
    assert tuned(instrument, name) == strings


@pytest.mark.parametrize(
    ("said", "plainly"),
    [
        ("Drop-D tuning", "drop D"),
        ("dropped d", "drop D"),
        ("tuned a half step down", "half-step down"),
        ("down half a step", "half-step down"),
        ("1/2 step down", "half-step down"),
        ("1 semitone lower", "half-step down"),
        ("E flat standard", "half-step down"),
        ("full step down", "whole step down"),
        ("1½ steps down", "3 semitones down"),
        ("one and a half steps down", "3 semitones down"),
        ("dadgad", "DADGAD"),
        ("D-A-D-G-A-D", "DADGAD"),
        ("D, A, D, G, A, D", "DADGAD"),
        ("EbAbDbGbBbEb", "half-step down"),
        ("Standard tuning", "standard"),
    ],
)
def test_other_ways_to_say_it(said: str, plainly: str) -> None:
    assert tuned("guitar", said) == tuned("guitar", plainly) is not None


@pytest.mark.parametrize(
    ("instrument", "name"),
    [
        ("guitar", "banana"),
        ("guitar", ""),
        ("guitar", "half down"),
        ("guitar", "half-step"),
        ("guitar", "a quarter tone down"),
        ("guitar", "half a semitone down"),
        ("guitar", "drop H"),
        ("guitar", "drop E"),  # that is where the string is
        ("guitar", "open F"),
        ("guitar", "D A D G A"),
        ("ukulele", "drop D"),  # its bottom line is not its lowest string
        ("bass", "open G"),
    ],
)
def test_what_names_no_tuning(instrument: str, name: str) -> None:
    assert tuned(instrument, name) is None


def test_pitches_stand_as_they_are_whatever_the_instrument() -> None:
    assert tuned("guitar", "F#1 B1 E2") == "F#1 B1 E2"


@pytest.mark.parametrize("name", ["guitar drop D", "guitar DADGAD", "guitar half-step down"])
def test_the_built_in_tunings_are_those_of_their_names(name: str) -> None:
    assert (
        tuned_by_name(name.removeprefix("guitar "), INSTRUMENTS["guitar"].strings)
        == INSTRUMENTS[name].strings
    )


@pytest.mark.parametrize("instrument", INSTRUMENTS)
def test_names_keep_the_strings_of_every_instrument(instrument: str) -> None:
    """Whatever a name does on an instrument, no string is lost or tuned out of reach."""
    usual = INSTRUMENTS[instrument].strings
    can = [strings for name in NAMES if (strings := tuned_by_name(name, usual)) is not None]
    assert len(can) >= 3
    for strings in can:
        assert len(strings) == len(usual)
        # low G on a ukulele is an octave down; nothing goes up far
        assert all(-12 <= a.midi - b.midi <= 5 for a, b in zip(strings, usual, strict=True))
