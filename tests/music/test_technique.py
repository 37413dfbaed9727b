"""Techniques: bends as curves, and what cannot be played."""

from __future__ import annotations

from fractions import Fraction as F

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.music.errors import MusicError
from pipeline.music.instrument import INSTRUMENTS
from pipeline.music.technique import Bend, TremoloPicking
from tests.samples import tab_of

amounts = st.fractions(F(1, 4), 4, max_denominator=4).filter(lambda a: a > 0)


@given(amounts)
def test_the_four_bends(amount: F) -> None:
    shapes = [
        (Bend.up(amount), 0, amount, False, False),
        (Bend.up_release(amount), 0, 0, False, True),
        (Bend.pre(amount), amount, amount, True, False),
        (Bend.pre_release(amount), amount, 0, True, True),
    ]
    for bend, first, last, prebent, released in shapes:
        assert bend.peak == amount
        assert (bend.semitones_at(0.0), bend.semitones_at(1.0)) == (float(first), float(last))
        assert (bend.prebent, bend.released) == (prebent, released)


@given(amounts, st.floats(0, 1))
def test_a_bend_stays_between_fret_and_peak(amount: F, moment: float) -> None:
    for bend in (Bend.up(amount), Bend.up_release(amount), Bend.pre_release(amount)):
        assert -1e-9 <= bend.semitones_at(moment) <= float(amount) + 1e-9
        for time, height in bend.points:
            assert bend.semitones_at(float(time)) == pytest.approx(float(height))


@pytest.mark.parametrize(
    ("points", "says"),
    [
        (((0, 0),), "runs from the start"),
        (((0, 0), (F(1, 2), 2)), "runs from the start"),
        (((F(1, 4), 0), (1, 2)), "runs from the start"),
        (((0, 0), (F(1, 2), 2), (F(1, 2), 1), (1, 0)), "go forward in time"),
        (((0, 0), (1, 13)), "at most twelve semitones"),
        (((0, 0), (1, -1)), "never below its fret"),
        (((0, 0), (1, 0)), "without a target"),
    ],
)
def test_bends_that_cannot_be(points: tuple[tuple[F, F], ...], says: str) -> None:
    with pytest.raises(MusicError, match=says):
        Bend(tuple((F(t), F(s)) for t, s in points))


@pytest.mark.parametrize("strokes", [0, 4])
def test_tremolo_has_one_to_three_strokes(strokes: int) -> None:
    with pytest.raises(MusicError, match="one to three strokes"):
        TremoloPicking(strokes)


def test_a_unison_bend_arrives_at_the_note_beside_it() -> None:
    """Fret 7 of the third string, bent by two, with fret 5 of the second: both E4 (common practice)."""
    guitar = INSTRUMENTS["electric guitar"]
    bend = Bend.up(2)
    assert guitar.midi(3, 7) + bend.semitones_at(1.0) == guitar.midi(2, 5) == 64
    tab = tab_of([(0, 2, 3, 7, (bend,)), (0, 2, 2, 5, ())])
    assert [(s.onset, s.note.get(Bend)) for s in tab.sounding] == [(0, None), (0, bend)]
