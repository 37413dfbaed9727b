"""The barlines of a chart: repeats with their counts, endings with their numbers.

The grammar is in :mod:`pipeline.read.charttext`.
"""

from __future__ import annotations

import re
from typing import Final

from pipeline.music.metre import MAX_PLAYED_BARS
from pipeline.read.source import SourceText

_MOST_IN_A_RANGE: Final = 100
BARLINE: Final = re.compile(
    r"(?P<close>:)?(?P<bar>[|‖]+)(?:(?P<open>:)|\s*[xX](?P<times>\d{1,18})(?=\s|\||$))?"
    r"(?:\s*(?P<ending>\d{1,18}(?:(?:\s*[,-]\s*|\.)\d{1,18})*)\.(?!\d)|(?P<loose>\d\d?)(?=\s+[A-GN]))?"
)


def endings_of(source: SourceText, number: int, match: re.Match[str]) -> tuple[int, ...]:
    """The passes that the ending behind this barline is for; none when told."""
    found: list[int] = []
    group = "ending" if match["ending"] else "loose"
    for part in re.split(r"\s*[,.]\s*", match[group]):
        low, _, high = (word.strip() for word in part.partition("-"))
        last = int(high or low) if high.isdecimal() or not high else -1  # 1-2-3
        if last - int(low) > _MOST_IN_A_RANGE or last < int(low):
            source.error(number, match.start(group) + 1, f"the endings {part} are no range", "Write |1-3.")
            return ()
        found += range(int(low), last + 1)
    if 0 in found:
        source.error(number, match.start(group) + 1, "endings are numbered from 1", "Write |1. and |2.")
        return ()
    return tuple(found)


def times_of(source: SourceText, number: int, match: re.Match[str]) -> int:
    """How often the section that ends here is played; 0 where none ends."""
    if match["times"] and not match["close"]:
        source.error(
            number, match.start() + 1, f"x{match['times']} after a bar that is not repeated", "Write :|x3."
        )  # fmt: skip
        return 0
    if not match["close"]:
        return 0
    times = int(match["times"] or 2)
    if not 2 <= times <= MAX_PLAYED_BARS:
        source.error(
            number, match.start() + 1, f"a repeat played {times} times", f"Write :|x2 to :|x{MAX_PLAYED_BARS}."
        )  # fmt: skip
        return 2
    return times
