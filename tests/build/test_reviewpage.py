"""The review page speaks to a musician."""

from __future__ import annotations

import pytest

from pipeline.build.reviewpage import _bands, _heard, _steadiness
from pipeline.music.metre import Metre


def test_keys_are_words() -> None:
    """They were once "Dm" on the page and "D minor" in the names of the files."""
    entries = [
        {"key": key, "tempo_bpm": 92.0, "lead": lead}
        for key in ("Dm", "F#m", "E dorian")
        for lead in ("guide", "none")
    ]
    bands = _bands(entries, Metre(4, 4))
    assert [band["key"] for band in bands] == ["D minor", "F♯ minor", "E dorian"]
    assert [[mix["lead"] for mix in band["mixes"]] for band in bands] == [["none", "guide"]] * 3


@pytest.mark.parametrize(("metre", "told"), [(Metre(4, 4), "108 bpm"), (Metre(6, 8), "♩. = 72")])
def test_a_band_is_counted_as_the_piece_is(metre: Metre, told: str) -> None:
    """A piece in 6/8 was at ♩. = 72 in the head of the page and at 108 bpm over its players."""
    assert _bands([{"key": "C", "tempo_bpm": 108.0, "lead": "none"}], metre)[0]["tempo"] == told


@pytest.mark.parametrize(
    ("statuses", "told"),
    [
        (
            ["played"] * 3 + ["missing", "wrong", "missing"],
            "Notes: 3 heard as written, 2 not heard and 1 heard at another pitch.",
        ),
        (["played"] * 2, "Notes: 2 heard as written."),
        ([], ""),
    ],
)
def test_what_was_heard_is_a_sentence(statuses: list[str], told: str) -> None:
    assert _heard({"notes": [{"status": status} for status in statuses]}) == told


@pytest.mark.parametrize(("residual_ms", "told"), [(27.4, "27 ms"), (0.2, "1 ms")])
def test_steadiness_in_plain_words(residual_ms: float, told: str) -> None:
    assert _steadiness(residual_ms) == f"Notes lie within about {told} of the beat around them."
