"""Hand positions: hand-made cases a player can check, and laws.

Four fingers over four frets, one fret of reach on either side, the number of a position being
the first finger's fret, in Roman figures: common practice.
"""

from __future__ import annotations

from fractions import Fraction as F

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.music.tab import Note, Phrase
from pipeline.music.technique import Dead
from pipeline.study.position import hand_positions, phrase_positions, roman
from tests.samples import lead_tab, tab_of


def line(*frets: int) -> tuple[Note, ...]:
    """One note after the other on the third string."""
    return tab_of([(F(i, 2), F(1, 2), 3, fret, ()) for i, fret in enumerate(frets)]).notes


@pytest.mark.parametrize(
    ("frets", "positions"),
    [
        ((5, 7, 8, 5), (5,)),  # one finger to a fret
        ((7,), (7,)),
        ((5, 7), (5,)),
        ((8, 7, 5, 8), (5,)),
        ((4, 5, 8, 5), (5,)),  # the first finger reaches back one fret
        ((5, 8, 9, 8, 5), (5,)),  # the fourth reaches one up
        ((5, 7, 8, 12, 14, 15), (5, 12)),
        ((12, 14, 15, 5, 7, 8), (12, 5)),
        ((5, 8, 12, 15, 5, 8), (5, 12)),  # each once, in the order met
        ((0, 1, 3, 0, 2), (1,)),  # open strings: the first position
        ((0, 2, 4), (1,)),
        ((0, 5, 7), (5,)),
        ((0, 0), ()),
        ((), ()),
    ],
)
def test_positions_of_a_line(frets: tuple[int, ...], positions: tuple[int, ...]) -> None:
    assert hand_positions(line(*frets)) == positions


def test_dead_notes_need_no_finger() -> None:
    tab = tab_of([(0, 1, 3, 5, ()), (1, 1, 3, 12, (Dead(),)), (2, 1, 3, 8, ())])
    assert hand_positions(tab.notes) == (5,)


def test_notes_at_once_are_one_grip() -> None:
    """A barre chord at the third fret, its top at the fifth: one position."""
    grip = [(0, 1, string, fret, ()) for string, fret in ((6, 3), (5, 5), (4, 5), (3, 4), (2, 3), (1, 3))]
    assert hand_positions(tab_of(grip).notes) == (3,)


def test_a_grip_no_hand_can_hold_still_has_a_position() -> None:
    assert len(hand_positions(tab_of([(0, 1, 6, 1, ()), (0, 1, 1, 12, ())]).notes)) == 1


def test_phrases_have_their_own() -> None:
    tab = lead_tab()
    assert [phrase_positions(tab, phrase) for phrase in tab.phrases] == [(5,), (5,)]
    tab = tab_of([(0, 1, 3, 5, ()), (4, 1, 3, 12, ())])
    assert phrase_positions(tab, Phrase("one", 1, 1)) == (5,)
    assert phrase_positions(tab, Phrase("two", 2, 2)) == (12,)


@given(st.lists(st.integers(0, 22), max_size=30))
def test_every_fret_is_within_reach_of_a_position(frets: list[int]) -> None:
    positions = hand_positions(line(*frets))
    for fret in frets:
        assert fret == 0 or any(position - 1 <= fret <= position + 4 for position in positions)


@given(st.lists(st.integers(6, 15), min_size=1, max_size=20), st.integers(1, 6))
def test_further_up_the_neck_the_hand_moves_as_much(frets: list[int], up: int) -> None:
    moved = hand_positions(line(*(fret + up for fret in frets)))
    assert moved == tuple(position + up for position in hand_positions(line(*frets)))


@pytest.mark.parametrize(
    ("number", "figures"), [(1, "I"), (4, "IV"), (5, "V"), (9, "IX"), (12, "XII"), (14, "XIV"), (24, "XXIV"), (39, "XXXIX")]
)  # fmt: skip
def test_roman_figures(number: int, figures: str) -> None:
    """Common practice."""
    assert roman(number) == figures


@pytest.mark.parametrize("number", [0, 40, -1])
def test_no_such_position(number: int) -> None:
    with pytest.raises(ValueError, match="fret from 1 to 39"):
        roman(number)
