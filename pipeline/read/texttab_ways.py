"""The way through a text tab: endings, and the words of jumps, in the lines above the strings.

Grammar (EBNF)
--------------
::

    endings = { digits , { "," digits } , "." , { "-" } } ;     over the bars they cover
    signs   = { "Segno" | "Coda" | "To Coda" | "Fine" | jump } ;   each over its bar
    jump    = ( "D.C." | "D.S." | "Da Capo" | "Dal Segno" ) , [ "al Fine" | "al Coda" ] ;

Both may stand in one line. Segno and Coda are for the start of their bar, the others for its end.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from pipeline.music.metre import NO_SIGNS, Jump, Signs
from pipeline.read.source import SourceText
from pipeline.read.texttab_lines import SIGN
from pipeline.read.texttab_strings import ScannedSystem

_AT_START: Final = ("segno", "coda", "𝄋", "𝄌")
_CLOSE: Final = 2  # columns between a word and the barline it is written to
_ENDING: Final = re.compile(r"(?P<numbers>\d+(?:\s?[,.]\s?\d+)*)\.?(?P<dashes>[-_ |]*)")


def read_endings(source: SourceText, scanned: ScannedSystem) -> list[tuple[int, ...]]:
    """The passes in which each bar is played, as the line above says; empty: all."""
    found: list[tuple[int, ...]] = [() for _ in scanned.bars]
    if scanned.system.endings is None:
        return found
    number, text = scanned.system.endings
    matches = list(_ENDING.finditer(text))
    for index, match in enumerate(matches):
        numbers = tuple(int(n) for n in re.split(r"\s*[,.]\s*", match["numbers"]))
        first = next((i for i, bar in enumerate(scanned.bars) if match.start() < bar[1]), None)
        if first is None and not scanned.sound:
            continue  # what is wrong with its bars is told
        if first is None or 0 in numbers:
            source.error(
                number,
                match.start() + 1,
                f"the ending {match[0]!r} is not above a bar",
                "Write 1.---- above its bars.",
            )
            continue
        last = first
        dashes = match["dashes"].rstrip(" |")
        limit = matches[index + 1].start() if index + 1 < len(matches) else len(text) + 10_000
        while last + 1 < len(scanned.bars):
            begin = scanned.bars[last + 1][0]
            if dashes:
                more = match.start("dashes") + len(dashes) - 1 > begin
            else:  # without dashes an ending goes on to its repeat sign
                more = (
                    not scanned.repeat_times[last]
                    and any(scanned.repeat_times[last + 1 :])
                    and begin < limit - 1
                )
            if not more:
                break
            last += 1
        for bar in range(first, last + 1):
            found[bar] = numbers
    return found


def _bar_of(match: re.Match[str], bars: Sequence[tuple[int, int]], *, at_start: bool) -> int:
    """The bar that a word is meant for: the one it begins over; a word for the end of a bar may also
    be written to its right barline, and then reach over bars before."""

    def home(place: int) -> int:
        return next((i for i, (_, end) in enumerate(bars) if place < end), len(bars) - 1)

    begun, ended = home(match.start()), home(match.end() - 1)
    if at_start or begun == ended or abs(match.start() - bars[begun][0]) < _CLOSE:
        return begun
    return ended if match.end() >= bars[ended][1] - _CLOSE else begun


def read_signs(source: SourceText, scanned: ScannedSystem) -> list[tuple[Signs, tuple[int, int]]]:
    """The words of jumps above each bar, with their line and column (1-based)."""
    found = [(NO_SIGNS, (0, 0)) for _ in scanned.bars]
    for number, match in (
        (number, match) for number, text in scanned.system.signs for match in SIGN.finditer(text)
    ):
        word = " ".join(match[0].lower().split())
        bar = _bar_of(match, scanned.bars, at_start=word in _AT_START)
        signs, at = found[bar]
        if word in ("segno", "𝄋"):
            signs = replace(signs, segno=True)
        elif word in ("coda", "𝄌"):
            signs = replace(signs, coda=True)
        elif word == "to coda":
            signs = replace(signs, to_coda=True)
        elif word == "fine":
            signs = replace(signs, fine=True)
        elif signs.jump is not None:
            source.error(
                number, match.start() + 1, f"a second jump at one bar: {match[0]}", "Keep one of them."
            )
        else:
            signs = replace(signs, jump=Jump.parse(match[0]))
        found[bar] = signs, (at if at[0] and signs.jump is None else (number, match.start() + 1))
    return found
