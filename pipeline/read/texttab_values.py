"""The duration line of a text tab: its tokens and what they last.

Grammar (EBNF)
--------------
::

    token  = sum [ ":" sum { "," sum } ] [ "_" ] ;   step : held, tied on
    sum    = value { "+" value } ;
    value  = letter [ figure ] [ dots ] | letter [ dots ] [ figure ] | exact ;
    letter = "w" | "h" | "q" | "e" | "s" | "t" ;     whole ... thirty-second
    figure = "3" | "5" | "6" | "7" | "9"             n notes in the time of the next lower power of two
           | "(" digits [ ":" digits ] ")" ;         any other ratio: e(11), e(4:3)
    dots   = "." | ".." ;
    exact  = "{" digits [ "/" digits ] "}" ;         quarters

The *step* is how long until the next column. After a colon stands how long the notes are
held where that differs: one sum for all the notes of the column or one for each, from the
top string down.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

from pipeline.music.value import LETTERS, tuplet_ratio

_DOTS: Final = (Fraction(1), Fraction(3, 2), Fraction(7, 4))
_FIGURE: Final = r"(?:[35679]|\(\d{1,3}(?::\d{1,3})?\))"
_VALUE: Final = rf"(?:[whqest](?:{_FIGURE}?\.{{0,2}}|\.{{1,2}}{_FIGURE})|\{{\d{{1,200}}(?:/\d{{1,200}})?\}})"
_SUM: Final = rf"{_VALUE}(?:\+{_VALUE})*"
_TOKEN: Final = re.compile(rf"(?P<step>{_SUM})(?::(?P<held>{_SUM}(?:,{_SUM})*))?(?P<tie>_)?")
_PART: Final = re.compile(
    r"\{(?P<exact>[^}]+)\}|(?P<letter>[whqest])(?P<before>\.{0,2})"
    r"(?:(?P<figure>[35679])|\((?P<actual>\d+)(?::(?P<normal>\d+))?\))?(?P<after>\.{0,2})"
)


@dataclass(frozen=True, slots=True)
class DurationMark:
    """One token: where it stands (0-based column), how long until the next column, what is held.

    held : lengths of the notes, one for all or one each from the top string; empty: the step
    """

    start: int
    text: str
    step: Fraction
    held: tuple[Fraction, ...] = ()
    tied: bool = False


def _value(text: str) -> Fraction:
    """One value. Raises ZeroDivisionError for a ratio with a 0."""
    match = _PART.fullmatch(text)
    assert match is not None  # the token was matched as a whole
    if match["exact"]:
        return Fraction(match["exact"])
    length = LETTERS[match["letter"]] * _DOTS[len(match["before"]) + len(match["after"])]
    figure = match["figure"] or match["actual"]
    if figure:
        actual, normal = tuplet_ratio(int(figure))
        length *= Fraction(int(match["normal"] or normal), actual)
    return length


def _sum(text: str) -> Fraction:
    return sum((_value(part) for part in text.split("+")), Fraction(0))


_known: dict[str, tuple[Fraction, tuple[Fraction, ...], bool] | None] = {}


def _decode(text: str) -> tuple[Fraction, tuple[Fraction, ...], bool] | None:
    match = _TOKEN.fullmatch(text)
    if match is None:
        return None
    try:
        step = _sum(match["step"])
        held = tuple(_sum(part) for part in (match["held"] or "").split(",") if part)
    except ZeroDivisionError:
        return None
    return (step, held, bool(match["tie"])) if step > 0 and all(length > 0 for length in held) else None


def read_duration(text: str, start: int = 0) -> DurationMark | None:
    """The mark that a token means, or None when it is none."""
    text = text.lower()
    if text not in _known:
        if len(_known) > 2000:
            _known.clear()
        _known[text] = _decode(text)
    found = _known[text]
    return None if found is None else DurationMark(start, text, *found)
