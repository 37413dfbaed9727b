"""Strings, tunings, capo and the places where a pitch lies."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.music.errors import MusicError, SpellingError
from pipeline.music.instrument import INSTRUMENTS, Instrument, parse_tuning

instruments = st.builds(
    lambda name, capo: INSTRUMENTS[name].with_capo(capo),
    st.sampled_from(sorted(INSTRUMENTS)),
    st.integers(0, 7),
)


@given(instruments, st.integers(0, 100))
def test_places_are_all_the_frets_that_sound_the_pitch(neck: Instrument, midi: int) -> None:
    everywhere = {
        (string, fret)
        for string in range(1, len(neck.strings) + 1)
        for fret in range(neck.highest_fret + 1)
        if neck.midi(string, fret) == midi
    }
    assert set(neck.places(midi)) == everywhere
    low, high = neck.midi_range
    if everywhere:
        assert low <= midi <= high


@given(instruments, st.integers(0, 15))
def test_a_capo_raises_every_string_by_its_fret(neck: Instrument, fret: int) -> None:
    bare = neck.with_capo(0)
    for string in range(1, len(neck.strings) + 1):
        assert neck.open_midi(string) == bare.open_midi(string) + neck.capo
        if fret <= neck.highest_fret:
            assert neck.midi(string, fret) == bare.midi(string, fret + neck.capo)


@given(instruments)
def test_frets_come_closer_up_the_neck(neck: Instrument) -> None:
    places = [neck.fret_mm(n) for n in range(neck.frets + 1)]
    gaps = [b - a for a, b in itertools.pairwise(places)]
    assert places[0] == 0
    assert gaps == sorted(gaps, reverse=True)
    assert neck.fret_mm(12) == pytest.approx(neck.scale_mm / 2)


def test_which_instruments_are_re_entrant() -> None:
    """Ukulele and five-string banjo: common practice."""
    assert {name for name, neck in INSTRUMENTS.items() if neck.reentrant} == {"ukulele", "banjo"}


def test_tunings_are_read_from_the_bottom_line_up() -> None:
    drop = INSTRUMENTS["guitar"].tuned(parse_tuning("D2 A2 D3 G3 B3 E4"))
    assert drop.strings == INSTRUMENTS["guitar drop D"].strings
    assert drop.open_midi(6) == 38
    assert parse_tuning("D2,A2") == parse_tuning(" D2  A2 ")


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: INSTRUMENTS["ukulele"].midi(6, 0), "ukulele has 4 strings, there is no string 6"),
        (lambda: INSTRUMENTS["ukulele"].midi(0, 0), "there is no string 0"),
        (lambda: INSTRUMENTS["guitar"].midi(1, 23), r"fret 23 is beyond the neck of the guitar \(0 to 22\)"),
        (lambda: INSTRUMENTS["guitar"].with_capo(5).midi(1, 18), r"\(0 to 17\)"),
        (lambda: INSTRUMENTS["guitar"].midi(1, -1), "fret -1 is beyond"),
        (lambda: INSTRUMENTS["guitar"].with_capo(22), "no place for a capo at fret 22"),
        (lambda: INSTRUMENTS["guitar"].tuned(()), "1 to 12 strings, got 0"),
        (lambda: Instrument("stick", INSTRUMENTS["bass"].strings, 0, 800.0, 33), "1 to 36 frets, got 0"),
        (lambda: parse_tuning("E2 A2 banana"), "not a pitch: 'banana'"),
        (lambda: parse_tuning("  "), "empty tuning"),
    ],
)
def test_what_no_neck_has(make: object, says: str) -> None:
    with pytest.raises(MusicError, match=says):
        make()  # type: ignore[operator]


def test_a_bad_tuning_is_a_spelling_error() -> None:
    with pytest.raises(SpellingError):
        parse_tuning("E A D G B E")
