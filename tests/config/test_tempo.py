"""Practice tempos as creators write them."""

from __future__ import annotations

import pytest

from pipeline.config.tempo import TempoChoice


@pytest.mark.parametrize(
    ("written", "bpm"),
    [
        (80, 80.0),
        (62.5, 62.5),
        ("80%", 80.0),
        ("80 percent", 80.0),
        ("96 bpm", 96.0),
        ("96bpm", 96.0),
        ("96", 96.0),
    ],
)
def test_of_a_lesson_at_100(written: object, bpm: float) -> None:
    assert TempoChoice.parse(written).bpm_for(100.0) == bpm


def test_percent_and_bpm_differ_away_from_100() -> None:
    assert TempoChoice.parse(50).bpm_for(90.0) == 45.0
    assert TempoChoice.parse("50").bpm_for(90.0) == 50.0


@pytest.mark.parametrize(
    ("written", "said"),
    [
        ("fast", "not a tempo: 'fast'"),
        (True, "not a tempo"),
        ("-5", "not a tempo"),
        (5, "10 to 400 percent, got 5"),
        ("401%", "10 to 400 percent, got 401%"),
        ("600 bpm", "10 to 500 quarter notes a minute, got 600 bpm"),
        (10**400, "10 to 400 percent, got a number of many digits"),
        (-(10**400), "10 to 400 percent"),
        (float("nan"), "10 to 400 percent, got nan"),
        ("", "not a tempo"),
        (None, "not a tempo"),
    ],
)
def test_refused(written: object, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        TempoChoice.parse(written)


@pytest.mark.parametrize("written", [80, "96 bpm", 62.5])
def test_text_reads_back(written: object) -> None:
    choice = TempoChoice.parse(written)
    assert TempoChoice.parse(choice.text()) == choice
