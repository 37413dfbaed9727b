"""The way through a piece with D.C. and D.S.: the bars in the order they are played.

The orders are common practice: after a jump repeats are not taken again and of endings the
last is played; Fine and To Coda count only then.
"""

from __future__ import annotations

from fractions import Fraction as F

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.music.errors import MusicError
from pipeline.music.metre import Bar, Form, Jump, Metre, Signs

FOUR = Metre(4, 4)
WORDS = {
    "segno": Signs(segno=True),
    "coda": Signs(coda=True),
    "tocoda": Signs(to_coda=True),
    "fine": Signs(fine=True),
}


def form_of(text: str) -> Form:
    """Bars split by commas: words for signs, ``|:`` ``:|`` for repeats, ``1.`` for an ending, D.C. and D.S."""
    bars = []
    for number, words in enumerate(text.split(","), 1):
        signs: dict[str, object] = {}
        more: dict[str, object] = {}
        jump: list[str] = []
        for word in words.split():
            if word == "|:":
                more["repeat_start"] = True
            elif word == ":|":
                more["repeat_times"] = 2
            elif word[0].isdigit():
                more["endings"] = (int(word.strip(".")),)
            elif word in WORDS:
                signs |= {"to_coda" if word == "tocoda" else word: True}
            elif word != "-":
                jump.append(word)
        if jump:
            signs["jump"] = Jump.parse(" ".join(jump))
        bars.append(Bar(number, FOUR, F(4), signs=Signs(**signs), **more))  # type: ignore[arg-type]
    return Form(tuple(bars))


def order(text: str) -> list[int]:
    return [bar.bar.number for bar in form_of(text).played.bars]


@pytest.mark.parametrize(
    ("written", "played"),
    [
        ("-, -, D.C.", [1, 2, 3, 1, 2, 3]),
        ("-, fine, -, D.C. al Fine", [1, 2, 3, 4, 1, 2]),
        ("-, segno, -, D.S.", [1, 2, 3, 4, 2, 3, 4]),
        ("-, segno, tocoda, -, D.S. al Coda, coda, -", [1, 2, 3, 4, 5, 2, 3, 6, 7]),
        ("-, tocoda, D.C. al Coda, coda", [1, 2, 3, 1, 2, 4]),
        ("-, segno, fine, -, D.S. al Fine, -", [1, 2, 3, 4, 5, 2, 3]),
        # repeats are taken before the jump, not after it
        ("|:, :|, fine, D.C. al Fine", [1, 2, 1, 2, 3, 4, 1, 2, 3]),
        # of endings the last is played after the jump
        ("|:, 1. :|, 2., fine, D.C. al Fine", [1, 2, 1, 3, 4, 5, 1, 3, 4]),
        # the jump at a repeat sign waits for the last time through
        ("fine, |:, :| D.C. al Fine", [1, 2, 3, 2, 3, 1]),
        # repeats inside the coda are taken
        ("tocoda, D.C. al Coda, coda |:, :|", [1, 2, 1, 3, 4, 3, 4]),
        # a jump is taken once, two jumps one after the other
        ("segno, D.S., -, D.C. al Fine, fine", [1, 2, 1, 2, 3, 4, 1, 2, 3, 4, 5]),
        # To Coda and Fine are passed over the first time
        ("tocoda, fine, D.C. al Coda, coda", [1, 2, 3, 1, 4]),
    ],
)
def test_bars_are_played_in_this_order(written: str, played: list[int]) -> None:
    assert order(written) == played


def test_a_bar_that_a_jump_leads_back_to_counts_on() -> None:
    form = form_of("|:, :|, D.C.")
    assert [(b.bar.number, b.passing) for b in form.played.bars] == [
        (1, 1), (2, 1), (1, 2), (2, 2), (3, 1), (1, 3), (2, 3), (3, 2),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("written", "says"),
    [
        ("-, D.S.", "bar 2: D.S. has no segno before it"),
        ("-, D.S., segno", "has no segno before it"),
        ("-, D.C. al Fine", "bar 2: D.C. al Fine has no Fine"),
        ("fine, segno, D.S. al Fine", "has no Fine"),
        ("-, D.C. al Coda, coda", "has no To Coda"),
        ("tocoda, D.C. al Coda", "has no coda sign"),
    ],
)
def test_jumps_that_lead_nowhere_are_refused(written: str, says: str) -> None:
    with pytest.raises(MusicError, match=says):
        form_of(written)


@given(st.sampled_from(["start", "segno"]), st.sampled_from(["end", "fine", "coda"]))
def test_a_jump_reads_back_as_written(to: str, until: str) -> None:
    assert Jump.parse(Jump(to, until).text()) == Jump(to, until)


@pytest.mark.parametrize(
    ("words", "jump"),
    [
        ("DC al fine", Jump("start", "fine")),
        ("D. S. al coda", Jump("segno", "coda")),
        ("da capo", Jump()),
        ("Dal Segno al Fine", Jump("segno", "fine")),
    ],
)
def test_jumps_as_musicians_write_them(words: str, jump: Jump) -> None:
    assert Jump.parse(words) == jump


@pytest.mark.parametrize("words", ["", "D.C. al", "Fine", "segno", "D.S. al end"])
def test_other_words_are_no_jump(words: str) -> None:
    with pytest.raises(MusicError, match="not a jump"):
        Jump.parse(words)


@given(st.lists(st.sampled_from(["-", "segno", "fine", "tocoda", "coda", "|:", ":|"]), min_size=1, max_size=8),
       st.sampled_from(["D.C.", "D.C. al Fine", "D.C. al Coda", "D.S.", "D.S. al Fine", "D.S. al Coda"]))  # fmt: skip
def test_any_jump_ends_and_each_place_leads_back(words: list[str], jump: str) -> None:
    try:
        form = form_of(", ".join([*words, jump, "coda", "-"]))
    except MusicError:
        return
    assert form.played.length <= 8 * form.written.length
    for bar in form.played.bars:
        assert bar.start in form.written_to_played(form.written.bars[bar.written].start)
