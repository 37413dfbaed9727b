"""The even rate behind what containers say."""

from __future__ import annotations

from fractions import Fraction as F

import pytest

from pipeline.framerate import even_rate


@pytest.mark.parametrize(
    ("average", "base", "even"),
    [
        (F(30), F(30), F(30)),
        (F(30000, 1001), F(30000, 1001), F(30000, 1001)),  # ITU-R BT.601: 29.97
        (F(53910000, 1798921), F(1000), F(30000, 1001)),
        (F(2499, 100), F(1000), F(25)),
        (F(281, 10), F(30), F(30)),  # frames were dropped
        (F(25), F(50), F(25)),  # the rate of fields
        (F(15), F(15), F(15)),
        (F(1234567, 45678), F(1000), F(1234567, 45678).limit_denominator(1001)),
        (F(240), F(240), F(120)),
        (F(1, 10), F(1, 10), F(1)),
    ],
)
def test_averaged_rates_are_made_even(average: F, base: F, even: F) -> None:
    assert even_rate(average, base) == even
