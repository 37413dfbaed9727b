"""Note values: every duration a musician can write comes back to the same quarters."""

from __future__ import annotations

import itertools
from fractions import Fraction as F

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.music.errors import MusicError
from pipeline.music.value import TYPES, NoteValue, spell_duration, tuplet_ratio

values = st.builds(
    lambda kind, dots, actual: NoteValue(kind, dots, *(tuplet_ratio(actual) if actual > 1 else (1, 1))),
    st.sampled_from(["whole", "half", "quarter", "eighth", "16th", "32nd"]),
    st.integers(0, 2),
    st.sampled_from([1, 3, 5, 7]),
)


@given(st.lists(values, min_size=1, max_size=3))
def test_spelled_values_add_up(parts: list[NoteValue]) -> None:
    same = [part for part in parts if (part.actual, part.normal) == (parts[0].actual, parts[0].normal)]
    total = sum((part.quarters for part in same), F(0))
    assert sum(part.quarters for part in spell_duration(total)) == total


@given(values)
def test_one_written_value_is_spelled_as_one(value: NoteValue) -> None:
    if (value.dots, value.actual) in ((1, 3), (2, 7)):
        return  # the dots (3/2, 7/4) undo the tuplet (2/3, 4/7): the same length as a plain note
    assert spell_duration(value.quarters) == (value,)


@pytest.mark.parametrize(
    ("quarters", "names"),
    [("4", "whole"), ("3", "half."), ("7/2", "half.."), ("5/2", "half eighth"), ("5", "whole quarter"),
     ("1/3", "eighth3"), ("2/3", "quarter3"), ("1/5", "16th5"), ("3/4", "eighth."), ("9/8", "quarter 32nd")],
)  # fmt: skip
def test_durations_in_words(quarters: str, names: str) -> None:
    spelled = spell_duration(F(quarters))
    words = (v.kind + "." * v.dots + (str(v.actual) if v.actual > 1 else "") for v in spelled)
    assert " ".join(words) == names


@pytest.mark.parametrize(("actual", "normal"), [(3, 2), (5, 4), (6, 4), (7, 4), (9, 8)])
def test_tuplets_take_the_time_of_the_next_lower_power_of_two(actual: int, normal: int) -> None:
    assert tuplet_ratio(actual) == (actual, normal)


def test_each_type_is_half_of_the_one_before() -> None:
    lengths = list(TYPES.values())
    assert all(a == 2 * b for a, b in itertools.pairwise(lengths))
    assert TYPES["quarter"] == 1


@pytest.mark.parametrize("quarters", [F(0), F(-1)])
def test_a_note_lasts(quarters: F) -> None:
    with pytest.raises(MusicError, match="longer than nothing"):
        spell_duration(quarters)


def test_nothing_is_finer_than_a_256th() -> None:
    with pytest.raises(MusicError, match="finer than a 256th"):
        spell_duration(F(1, 1024))
