"""Notes without string and fret: lines and chords as players take them (common practice)."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from fractions import Fraction as F

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.music.chord import Chord
from pipeline.music.fingering import Place, Unplaced, place_notes
from pipeline.music.instrument import INSTRUMENTS, Instrument

GUITAR = INSTRUMENTS["guitar"]


def line(midis: Sequence[int], bent: Sequence[int] = ()) -> list[Unplaced]:
    """Eighths; the ones whose index is in ``bent`` are bent."""
    return [Unplaced(F(i, 2), F(i + 1, 2), midi, bent=i in bent) for i, midi in enumerate(midis)]


def together(midis: Sequence[int], onset: F = F(0)) -> list[Unplaced]:
    return [Unplaced(onset, onset + 1, midi) for midi in midis]


def frets_of(places: Sequence[Place | None]) -> list[int]:
    return [place[1] for place in places if place is not None]


def test_g_major_lies_in_open_position() -> None:
    """Two octaves from the low G: common practice."""
    scale = [43, 45, 47, 48, 50, 52, 54, 55, 57, 59, 60, 62, 64, 66, 67]
    assert place_notes(line(scale), GUITAR) == [
        (6, 3), (5, 0), (5, 2), (5, 3), (4, 0), (4, 2), (4, 4), (3, 0),
        (3, 2), (2, 0), (2, 1), (2, 3), (1, 0), (1, 2), (1, 3),
    ]  # fmt: skip


def test_a_minor_pentatonic_lies_in_its_box() -> None:
    """A lick from the high C with a bent D: fifth position, nothing open. Common practice."""
    lick = [69, 72, 69, 67, 62, 60, 57, 60, 57]
    assert place_notes(line(lick, bent=[4]), GUITAR) == [
        (1, 5), (1, 8), (1, 5), (2, 8), (3, 7), (3, 5), (4, 7), (3, 5), (4, 7),
    ]  # fmt: skip


# shapes from the lowest string up, x not played: common practice
CHORDS = {
    "C": "x32010", "G": "320003", "D": "xx0232", "Em": "022000", "Am": "x02210", "F": "133211", "Bm": "x24432",
    "A": "x02220", "E": "022100", "Dm": "xx0231", "Bb": "x13331", "G7": "320001", "F#m": "244222",
}  # fmt: skip


@pytest.mark.parametrize("name", CHORDS)
def test_chords_are_taken_as_everybody_takes_them(name: str) -> None:
    shape = [(6 - i, int(fret)) for i, fret in enumerate(CHORDS[name]) if fret != "x"]
    midis = [GUITAR.midi(*place) for place in shape]
    assert {midi % 12 for midi in midis} == set(Chord.parse(name).pitch_classes)
    assert place_notes(together(midis), GUITAR) == shape


def test_few_shifts_of_the_hand() -> None:
    """What returns to a high note is played up there, not by jumping to and fro."""
    places = place_notes(line([76, 72, 74, 71, 76, 72, 74, 71, 76]), GUITAR)
    assert max(frets_of(places)) - min(frets_of(places)) <= 4 and 0 not in frets_of(places)


def test_a_held_note_keeps_its_string_and_the_hand() -> None:
    held = Unplaced(F(0), F(4), 48)  # C on the fifth string, third fret
    above = [Unplaced(F(i), F(i + 1), midi) for i, midi in enumerate([64, 62, 60, 55])]
    places = place_notes([held, *above], GUITAR)
    assert places[0] == (5, 3)
    assert all(place and place[0] != 5 and place[1] <= 4 for place in places[1:])


def test_what_is_stated_stays() -> None:
    stated = [Unplaced(F(0), F(1), 64, string=3, fret=9), Unplaced(F(1), F(2), 62, string=3)]
    assert place_notes(stated, GUITAR) == [(3, 9), (3, 7)]
    neighbours = place_notes([*stated, Unplaced(F(2), F(3), 67)], GUITAR)
    assert neighbours[2] is not None and neighbours[2][1] >= 7


def test_nobody_sits_on_a_string_that_is_needed_soon() -> None:
    long = Unplaced(F(0), F(4), 64)
    open_string = Unplaced(F(2), F(3), 65, string=1, fret=1)
    assert place_notes([long, open_string], GUITAR)[0] != (1, 0)


def test_bent_notes_are_fretted() -> None:
    assert place_notes(line([64], bent=[0]), GUITAR)[0] != (1, 0)
    assert place_notes(line([40], bent=[0]), GUITAR) == [(6, 0)]  # there is no other place


def test_grace_notes_come_first_on_the_string_they_lead_to() -> None:
    grace, note = Unplaced(F(1), F(1), 62), Unplaced(F(1), F(2), 63)
    found = place_notes([note, grace], GUITAR)
    assert found == [(2, 4), (2, 3)]
    double = [Unplaced(F(1), F(1), 62), Unplaced(F(1), F(1), 62, together=True)]
    one, two = place_notes(double, GUITAR)
    assert one and two and one[0] != two[0]


def test_short_strings_of_other_instruments() -> None:
    """The banjo's fifth string and the ukulele's fourth are left open (common practice)."""
    banjo, ukulele = INSTRUMENTS["banjo"], INSTRUMENTS["ukulele"]
    tune = place_notes(line([50, 52, 54, 55, 57, 59, 60, 62, 64, 66, 69, 71]), banjo)
    assert None not in tune and all(p is None or p[0] != 5 or p[1] == 0 for p in tune)
    assert place_notes(together([67, 60, 64, 72]), ukulele) == [(4, 0), (3, 0), (2, 0), (1, 3)]


def test_no_place() -> None:
    assert place_notes(line([20, 64, 110]), GUITAR) == [None, (1, 0), None]
    assert place_notes([], GUITAR) == []
    eight = place_notes(together(range(60, 68)), GUITAR)
    assert 1 <= sum(place is not None for place in eight) <= 6
    low = place_notes(together([40, 41, 42]), GUITAR)  # one string has them all
    assert sum(place is not None for place in low) == 1
    assert place_notes([Unplaced(F(0), F(1), 64, string=9, fret=0)], GUITAR) == [None]


NOTES = st.lists(
    st.builds(
        lambda onset, length, midi, bent, string: Unplaced(F(onset, 4), F(onset + length, 4), midi, string, None, bent),
        st.integers(0, 12), st.integers(0, 8), st.integers(30, 90), st.booleans(),
        st.one_of(st.none(), st.none(), st.none(), st.integers(1, 4)),
    ),
    max_size=24,
)  # fmt: skip


@given(NOTES, st.sampled_from(sorted(INSTRUMENTS)), st.sampled_from([0, 3]))
def test_every_place_sounds_its_note_on_a_string_of_its_own(
    notes: list[Unplaced], name: str, capo: int
) -> None:
    instrument: Instrument = INSTRUMENTS[name].with_capo(capo)
    places = place_notes(notes, instrument)
    assert len(places) == len(notes)
    placed = [(n, p) for n, p in zip(notes, places, strict=True) if p is not None]
    for one, at in placed:
        assert instrument.midi(*at) == one.midi
    for (a, p), (b, q) in itertools.combinations(placed, 2):
        if p[0] == q[0] and a.string is None and a.onset < a.end and b.onset < b.end:
            assert a.end <= b.onset or b.end <= a.onset
    for note, place in zip(notes, places, strict=True):
        if place is None and note.string is None and instrument.places(note.midi):
            # only for want of a string: others sound meanwhile
            others = [o for o in notes if o is not note]
            assert any(o.onset <= note.onset < max(o.end, o.onset + F(1, 8)) for o in others) or any(
                note.onset <= o.onset < note.end for o in others
            )


@given(NOTES)
def test_same_notes_same_places(notes: list[Unplaced]) -> None:
    assert place_notes(notes, GUITAR) == place_notes(notes, GUITAR)
