"""Which bars share a line: lines full, none crowded, phrases at the left where a reader looks.

The breaks are the cheapest way through the piece by dynamic programming, as text setters
break paragraphs (Knuth, D. E. & Plass, M. F. (1981), "Breaking paragraphs into lines",
Software: Practice and Experience 11, 1119-1184), with a price on a phrase that starts
inside a line.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Final

# prices: of a line, of room left in it (times the square of its share), of a phrase inside it
_LINE: Final = 0.2
_ROOM: Final = 6.0
_INSIDE: Final = 1.4
_CROWDED: Final = 1.0  # most of a line that bars at their natural width may take
_LAST_SHORT: Final = 0.5  # a last line shorter than a third
_LAST_ALONE: Final = 1.5  # a single bar left over for the last line


def line_starts(
    widths: Sequence[float], width: float, *, lead: float, phrases: Collection[int]
) -> tuple[int, ...]:
    """Indices of the bars that start a line, without the first.

    Parameters
    ----------
    widths : natural width of each bar
    width : of a line, same unit
    lead : what clef and key take at the start of each line but the first
    phrases : indices of bars at which a phrase starts
    """
    count = len(widths)
    best: list[tuple[float, int]] = [(0.0, 0)]
    for end in range(1, count + 1):
        choices: list[tuple[float, int]] = []
        for start in range(end - 1, -1, -1):
            natural = sum(widths[start:end]) + (lead if start else 0.0)
            if natural > width * _CROWDED and end - start > 1:
                break
            choices.append((best[start][0] + _price(natural / width, start, end, count, phrases), start))
        best.append(min(choices))
    starts: list[int] = []
    end = count
    while end:
        end = best[end][1]
        starts.append(end)
    return tuple(sorted(start for start in starts if start))


def _price(share: float, start: int, end: int, count: int, phrases: Collection[int]) -> float:
    price = _LINE + _INSIDE * sum(start < bar < end for bar in phrases)
    if end == count:
        short = _LAST_SHORT if share < 1 / 3 and start else 0.0
        return price + short + (_LAST_ALONE if end - start == 1 and start else 0.0)
    return price + _ROOM * (1 - min(share, 1.0)) ** 2
