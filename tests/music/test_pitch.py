"""Pitches and intervals: number and name stay together."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.music.errors import MusicError, SpellingError
from pipeline.music.pitch import Interval, Pitch, Spelling, midi_to_hz
from tests.music.strategies import intervals, pitches, spellings


@pytest.mark.parametrize(
    ("text", "midi"),
    [("C4", 60), ("A4", 69), ("B3", 59), ("Cb4", 59), ("B#3", 60), ("E2", 40), ("F##4", 67), ("Fx4", 67),
     ("B♭3", 58), ("F♯5", 78), ("C-1", 0), ("g9", 127)],
)  # fmt: skip
def test_names_and_numbers(text: str, midi: int) -> None:
    assert Pitch.parse(text).midi == midi


@given(pitches)
def test_text_reads_back(pitch: Pitch) -> None:
    assert Pitch.parse(str(pitch)) == pitch
    assert Pitch.from_midi(pitch.midi, pitch.spelling) == pitch


@given(spellings)
def test_place_on_the_line_of_fifths_and_back(spelling: Spelling) -> None:
    assert Spelling.from_fifths(spelling.fifths) == spelling
    assert spelling.pitch_class == 7 * spelling.fifths % 12
    assert Spelling.parse(spelling.text()) == Spelling.parse(spelling.symbol()) == spelling


@given(st.integers(-15, 19))
def test_a_fifth_up_is_one_place_on(fifths: int) -> None:
    below, above = Spelling.from_fifths(fifths), Spelling.from_fifths(fifths + 1)
    assert (above.pitch_class - below.pitch_class) % 12 == 7
    assert (ord(above.step) - ord(below.step)) % 7 == 4


@given(pitches, intervals)
def test_there_and_back(pitch: Pitch, interval: Interval) -> None:
    moved = pitch.transposed(interval)
    assert moved.midi == pitch.midi + interval.semitones
    if abs(pitch.spelling.fifths + interval.fifths) <= 12:  # no name had to be simplified
        assert moved.diatonic == pitch.diatonic + interval.steps
        assert pitch.interval_to(moved) == interval
        assert moved.transposed(-interval) == pitch


@given(pitches, pitches, intervals)
def test_two_pitches_moved_keep_their_distance(low: Pitch, high: Pitch, interval: Interval) -> None:
    assert high.transposed(interval).midi - low.transposed(interval).midi == high.midi - low.midi


@given(spellings, intervals)
def test_no_name_needs_more_than_two_signs(spelling: Spelling, interval: Interval) -> None:
    assert abs(spelling.transposed(interval).transposed(interval).alter) <= 2


@given(intervals, intervals)
def test_intervals_add_up(a: Interval, b: Interval) -> None:
    assert (a + b).fifths == a.fifths + b.fifths
    assert a + -a == Interval(0, 0)
    assert a.shifted_octaves(2).fifths == a.fifths


@given(st.floats(0, 127))
def test_an_octave_doubles_the_frequency(midi: float) -> None:
    assert midi_to_hz(midi + 12) == pytest.approx(2 * midi_to_hz(midi))


@pytest.mark.parametrize(
    ("read", "text", "says"),
    [
        (Spelling.parse, "H", "not a note name: 'H'"),
        (Spelling.parse, "", "not a note name"),
        (Spelling.parse, "C####", "too many sharps"),
        (Pitch.parse, "E", "not a pitch: 'E'.*octave"),
        (Pitch.parse, "4E", "not a pitch"),
    ],
)
def test_what_is_no_pitch(read: object, text: str, says: str) -> None:
    with pytest.raises(SpellingError, match=says) as caught:
        read(text)  # type: ignore[operator]
    assert caught.value.text == text


def test_a_name_must_sound_its_number() -> None:
    with pytest.raises(MusicError, match="G is not MIDI note 66"):
        Pitch.from_midi(66, Spelling("G"))
    with pytest.raises(MusicError, match="A to G"):
        Spelling("X")
    with pytest.raises(MusicError, match="at most three"):
        Spelling("A", 4)
