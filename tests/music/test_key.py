"""Keys: signatures, the spelling of all twelve notes, and the way from one to another."""

from __future__ import annotations

import pytest
from hypothesis import given

from pipeline.music.errors import MusicError, SpellingError
from pipeline.music.key import MODES, Key
from pipeline.music.pitch import Interval, Spelling
from tests.music.strategies import intervals, keys


@pytest.mark.parametrize(
    ("text", "fifths"),
    [("C", 0), ("G", 1), ("F", -1), ("Bb", -2), ("F#", 6), ("Gb", -6), ("C#", 7), ("Cb", -7), ("Am", 0),
     ("Em", 1), ("F#m", 3), ("Ebm", -6), ("A dorian", 1), ("G mixolydian", 0), ("E phrygian", 0),
     ("F lydian", 0), ("B locrian", 0), ("A minor", 0), ("A major", 3), ("Bbm", -5)],
)  # fmt: skip
def test_signatures(text: str, fifths: int) -> None:
    """Circle of fifths and relative modes: common practice."""
    assert Key.parse(text).fifths == fifths


@pytest.mark.parametrize(
    ("text", "meant"),
    [
        ("Hm", "Bm"),
        ("H", "B"),
        ("h-moll", "Bm"),
        ("C-dur", "C"),
        ("am", "Am"),
        ("A-minor", "Am"),
        ("B flat minor", "Bbm"),
        ("F sharp minor", "F#m"),
        ("A dorain", "A dorian"),
        ("G#", "Ab"),
        ("Db minor", "C#m"),
    ],
)
def test_what_was_probably_meant(text: str, meant: str) -> None:
    """`Hm`, the German name of B minor (common practice), was only said not to be a key."""
    with pytest.raises(SpellingError) as caught:
        Key.parse(text)
    assert caught.value.suggestion == meant
    assert Key.parse(meant).text() == meant


@pytest.mark.parametrize("text", ["X", "", "Am7", "A banana", "Bb-flat"])
def test_nothing_is_guessed_out_of_the_blue(text: str) -> None:
    with pytest.raises(SpellingError) as caught:
        Key.parse(text)
    assert caught.value.suggestion is None


def test_a_large_m_is_major() -> None:
    """`AM` was read as A minor; in chord names M is major (common practice)."""
    assert Key.parse("AM") == Key.parse("A major")
    assert Key.parse("Am") == Key.parse("A minor")


@given(keys())
def test_text_reads_back(key: Key) -> None:
    assert Key.parse(key.text()) == key
    assert Key.parse(f"{key.tonic.symbol()} {key.mode}") == key


@given(keys())
def test_the_scale_is_spelled_with_seven_letters_and_the_signature(key: Key) -> None:
    names = [key.spell(pc) for pc in key.scale]
    assert sorted(name.step for name in names) == list("ABCDEFG")
    # seven neighbours on the line of fifths: F is -1 with no signature
    assert sorted(name.fifths for name in names) == list(range(key.fifths - 1, key.fifths + 6))


@given(keys())
def test_every_pitch_class_has_a_name_near_the_tonic(key: Key) -> None:
    for pitch_class in range(12):
        name = key.spell(pitch_class)
        assert name.pitch_class == pitch_class
        assert -6 <= name.fifths - key.tonic.fifths <= 8
        assert key.spell_midi(60 + pitch_class).midi == 60 + pitch_class


@pytest.mark.parametrize(
    ("key", "pitch_class", "name"),
    [("Am", 8, "G#"), ("A dorian", 6, "F#"), ("C", 10, "Bb"), ("C", 3, "Eb"), ("C", 6, "F#"), ("Em", 3, "D#"),
     ("Em", 10, "Bb"), ("G mixolydian", 5, "F"), ("G mixolydian", 10, "Bb"), ("Eb", 8, "Ab")],
)  # fmt: skip
def test_names_outside_the_scale(key: str, pitch_class: int, name: str) -> None:
    """Raised leading note in minor, lowered third and seventh in major, flat blue fifth: common practice."""
    assert str(Key.parse(key).spell(pitch_class)) == name


@given(keys(), keys())
def test_the_way_to_another_tonic_is_at_most_a_tritone(start: Key, goal: Key) -> None:
    interval = start.interval_to(goal)
    assert -6 <= interval.semitones <= 5
    assert start.tonic.transposed(interval).pitch_class == goal.tonic.pitch_class


@given(keys(), intervals)
def test_transposed_keys_have_a_signature_that_can_be_written(key: Key, interval: Interval) -> None:
    moved = key.transposed(interval)
    assert abs(moved.fifths) <= 7
    assert moved.mode == key.mode
    assert moved.tonic.pitch_class == (key.tonic.pitch_class + interval.semitones) % 12


@pytest.mark.parametrize(
    ("text", "says"),
    [("H", "not a key"), ("A blue", "modes: major, lydian"), ("", "not a key"), ("G# major", "more than seven"),
     ("am", "not a key")],
)  # fmt: skip
def test_what_is_no_key(text: str, says: str) -> None:
    with pytest.raises(SpellingError, match=says):
        Key.parse(text)


def test_no_such_mode() -> None:
    with pytest.raises(MusicError, match="unknown mode 'hypodorian'; known: "):
        Key(Spelling("A"), "hypodorian")
    assert len(MODES) == 7
