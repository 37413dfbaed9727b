"""Words beside the notes are kept in one form."""

from __future__ import annotations

import unicodedata

from hypothesis import given
from hypothesis import strategies as st

from pipeline.music.words import tidy


@given(st.text())
def test_tidy_words_are_composed_on_one_line_and_stay_so(text: str) -> None:
    words = tidy(text)
    assert tidy(words) == words
    assert unicodedata.is_normalized("NFC", words)
    assert words == " ".join(words.split())


def test_an_accent_behind_what_is_left_out_joins_its_letter() -> None:
    """What is left out of e, NUL, accent used to leave the two uncomposed."""
    assert tidy("e\x00\u0301") == "é"
