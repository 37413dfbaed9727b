"""Placing the nodes of a directed graph in columns, from left to right, with few crossings.

Conventions
-----------
Lengths in pixels, y downwards. A node has a rank; each edge leads from a lower to a higher rank,
and each distinct rank is a column. An edge over several columns gets a lane in each of them; edges
from one node, or to one node, share their lanes, so that a trunk with branches is drawn.

References
----------
Sugiyama, Tagawa & Toda (1981), "Methods for visual understanding of hierarchical system
structures", IEEE Trans. SMC 11(2): order by barycentres, lanes for long edges. Gansner,
Koutsofios, North & Vo (1993), "A technique for drawing directed graphs", IEEE Trans. Software
Eng. 19(3): exchange of neighbours, long edges kept straighter than short ones.
"""

from __future__ import annotations

from bisect import bisect_right, insort
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from operator import sub
from typing import Final

_SWEEPS: Final = 24
_PATIENCE: Final = 6  # sweeps without a better order
_RELAXATIONS: Final = 40
_STILL: Final = 0.05  # pixels that no cell moves by any more
_HOME: Final = 0.05  # the pull to the middle of all
_LANE_HEIGHT: Final = 6.0
_PORTS_APART: Final = 7.0
_THIN: Final = 8.0  # the width of a column that holds no boxes
# how much an edge wants to be level: between nodes, at one end of a long edge (where many may
# meet), within it
_PULL: Final = {0: 4.0, 1: 1.0, 2: 16.0}

Edge = tuple[str, str]
Point = tuple[float, float]


@dataclass(frozen=True)
class Node:
    """A box of that size, in the column of its rank."""

    width: float
    height: float
    rank: float


@dataclass(frozen=True)
class Line:
    """A piece of one or more edges, those named: between two columns, or level through one."""

    start: Point
    end: Point
    edges: tuple[Edge, ...]


@dataclass(frozen=True)
class Layout:
    """Where everything goes.

    places : node → its upper left corner
    widths : node → that of its column, which its box may fill
    lines : the pieces that the edges are drawn of, each once
    width, height : of all of it
    """

    places: dict[str, Point]
    widths: dict[str, float]
    lines: tuple[Line, ...]
    width: float
    height: float


@dataclass(eq=False)
class _Cell:
    """A node or a lane in a column; ``y`` is its middle."""

    name: str
    height: float
    lane: bool
    before: list[_Cell]
    after: list[_Cell]
    place: int = 0
    y: float = 0.0


def lay_out(nodes: Mapping[str, Node], edges: Sequence[Edge], *, gap_x: float, gap_y: float) -> Layout:
    """Columns, order and places. The same graph, given in the same order, gives the same layout.

    gap_x, gap_y : between columns, and between the nodes of a column

    Raises
    ------
    ValueError : an edge that does not lead to a higher rank.
    KeyError : an edge of a node that is not there.
    """
    edges = tuple(dict.fromkeys(edges))
    columns, chains = _columns(nodes, edges)
    _order(columns)
    _settle(columns, gap_y)
    return _measured(nodes, columns, chains, gap_x)


def _columns(
    nodes: Mapping[str, Node], edges: Sequence[Edge]
) -> tuple[list[list[_Cell]], dict[Edge, list[_Cell]]]:
    """Nodes and lanes by column, joined; and each edge's cells from end to end."""
    ranks = sorted({node.rank for node in nodes.values()})
    number = {rank: place for place, rank in enumerate(ranks)}
    columns: list[list[_Cell]] = [[] for _ in ranks]
    cells = {}
    for name, node in nodes.items():
        cells[name] = _Cell(name, node.height, False, [], [])
        columns[number[node.rank]].append(cells[name])
    spans = {}
    for start, end in edges:
        spans[start, end] = range(number[nodes[start].rank] + 1, number[nodes[end].rank])
        if nodes[start].rank >= nodes[end].rank:
            raise ValueError(f"the edge from {start!r} to {end!r} does not lead to a higher rank")
    long = [edge for edge, span in spans.items() if span]
    leaving, entering = Counter(start for start, _ in long), Counter(end for _, end in long)
    lanes: dict[tuple[int, str, int], _Cell] = {}
    chains = {}
    for (start, end), span in spans.items():
        chain = [cells[start]]
        shared = (0, start) if leaving[start] >= entering[end] else (1, end)
        for place in span:
            if (*shared, place) not in lanes:
                lanes[*shared, place] = _Cell("", _LANE_HEIGHT, True, [], [])
                columns[place].append(lanes[*shared, place])
            chain.append(lanes[*shared, place])
        chain.append(cells[end])
        chains[start, end] = chain
        for one, other in pairwise(chain):
            if other not in one.after:
                one.after.append(other)
                other.before.append(one)
    return columns, chains


# -- order ----------------------------------------------------------------------------------------


def _order(columns: list[list[_Cell]]) -> None:
    """Sort each column so that few edges cross: the best of several sweeps."""
    for column in columns:
        _number(column)
    best, fewest = [list(column) for column in columns], _crossings(columns)
    best_sweep = 0
    for sweep in range(_SWEEPS):
        if not fewest or sweep - best_sweep > _PATIENCE:
            break
        forward = sweep % 2 == 0
        for column in columns[1:] if forward else columns[-2::-1]:
            _by_barycentre(column, forward)
        _exchange(columns)
        crossings = _crossings(columns)
        if crossings < fewest:
            best, fewest, best_sweep = [list(column) for column in columns], crossings, sweep
    for column, sorted_column in zip(columns, best, strict=True):
        column[:] = sorted_column
        _number(column)


def _number(column: list[_Cell]) -> None:
    for place, cell in enumerate(column):
        cell.place = place


def _by_barycentre(column: list[_Cell], forward: bool) -> None:
    def middle(cell: _Cell) -> float:
        others = cell.before if forward else cell.after
        return sum(other.place for other in others) / len(others) if others else cell.place

    column.sort(key=middle)
    _number(column)


def _exchange(columns: list[list[_Cell]]) -> None:
    """Exchange neighbours for as long as that takes away crossings."""
    better = True
    while better:
        better = False
        for column in columns:
            for place, (upper, lower) in enumerate(pairwise(list(column))):
                if column[place] is not upper:
                    continue  # it was just moved
                now = _crossed(upper.before, lower.before) + _crossed(upper.after, lower.after)
                then = _crossed(lower.before, upper.before) + _crossed(lower.after, upper.after)
                if then < now:
                    column[place], column[place + 1] = lower, upper
                    upper.place, lower.place = place + 1, place
                    better = True


def _crossed(upper: Sequence[_Cell], lower: Sequence[_Cell]) -> int:
    """Crossings between the edges of two cells on one side, the first above the second."""
    below = sorted(cell.place for cell in lower)
    return sum(bisect_right(below, cell.place - 1) for cell in upper)


def _crossings(columns: list[list[_Cell]]) -> int:
    """Of all edges: the inversions of their ends, column by column."""
    count = 0
    for column in columns[:-1]:
        passed: list[int] = []
        for cell in column:
            ends = sorted(other.place for other in cell.after)
            count += sum(len(passed) - bisect_right(passed, end) for end in ends)
            for end in ends:
                insort(passed, end)
    return count


# -- places ---------------------------------------------------------------------------------------


def _settle(columns: list[list[_Cell]], gap: float) -> None:
    """Heights: each cell as level with its neighbours as the order and the gaps allow."""
    for column in columns:
        _spread(column, [0.0] * len(column), [1.0] * len(column), gap)
    main = _largest(columns)
    for relaxation in range(_RELAXATIONS):
        before = [cell.y for column in columns for cell in column]
        # what has no part in the largest piece would drift away from it
        middle = sum(cell.y for column in columns for cell in column if cell in main) / max(1, len(main))
        # in the last rounds all pull; before, only one side, so that distant columns agree
        for forward in (True, False):
            for column in columns if forward else columns[::-1]:
                wishes, weights = [], []
                for cell in column:
                    others = cell.before if forward else cell.after
                    if relaxation >= _RELAXATIONS // 2 or not others:
                        others = [*cell.before, *cell.after]
                    pulls = [_PULL[cell.lane + other.lane] for other in others]
                    home = 0.0 if cell in main and pulls else _HOME
                    wish = sum(p * o.y for p, o in zip(pulls, others, strict=True)) + home * middle
                    weights.append(sum(pulls) + home)
                    wishes.append(wish / weights[-1])
                _spread(column, wishes, weights, gap)
        after = [cell.y for column in columns for cell in column]
        if relaxation > _RELAXATIONS // 2 and max(map(abs, map(sub, after, before)), default=0.0) < _STILL:
            break


def _largest(columns: list[list[_Cell]]) -> set[_Cell]:
    """The cells of the largest connected piece."""
    largest: set[_Cell] = set()
    seen: set[_Cell] = set()
    for column in columns:
        for cell in column:
            piece, todo = set(), [cell]
            while todo:
                now = todo.pop()
                if now not in seen:
                    seen.add(now)
                    piece.add(now)
                    todo += [*now.before, *now.after]
            if len(piece) > len(largest):
                largest = piece
    return largest


def _spread(column: list[_Cell], wishes: Sequence[float], weights: Sequence[float], gap: float) -> None:
    """The heights nearest to what is wished, in order and apart: a least-squares problem that
    becomes an isotonic regression when the least distances are taken off."""
    from scipy.optimize import isotonic_regression

    if not column:
        return
    offsets = [0.0]
    for upper, lower in pairwise(column):
        between = gap / 2 if upper.lane or lower.lane else gap
        offsets.append(offsets[-1] + (upper.height + lower.height) / 2 + between)
    fitted = isotonic_regression(
        [wish - offset for wish, offset in zip(wishes, offsets, strict=True)], weights=list(weights)
    ).x
    for cell, offset, free in zip(column, offsets, fitted, strict=True):
        cell.y = float(free) + offset


def _measured(
    nodes: Mapping[str, Node],
    columns: list[list[_Cell]],
    chains: dict[Edge, list[_Cell]],
    gap_x: float,
) -> Layout:
    top = min((cell.y - cell.height / 2 for column in columns for cell in column), default=0.0)
    bottom = max((cell.y + cell.height / 2 for column in columns for cell in column), default=0.0)
    left = 0.0
    spans: dict[_Cell, tuple[float, float]] = {}
    places, widths = {}, {}
    for column in columns:
        width = max((nodes[cell.name].width for cell in column if not cell.lane), default=0.0)
        for cell in column:
            cell.y -= top
            spans[cell] = (left, left + width)
            if not cell.lane:
                places[cell.name] = (left, cell.y - cell.height / 2)
                widths[cell.name] = width
        left += width + gap_x
    return Layout(places, widths, _lines(chains, spans), max(0.0, left - gap_x), bottom - top)


def _lines(chains: dict[Edge, list[_Cell]], spans: dict[_Cell, tuple[float, float]]) -> tuple[Line, ...]:
    pieces: dict[tuple[_Cell, ...], list[Edge]] = {}
    for edge, chain in chains.items():
        place = 0
        while place < len(chain) - 1:
            length = 2 if _passes(chain[place + 1], spans[chain[place + 1]]) else 1
            pieces.setdefault(tuple(chain[place : place + length + 1]), []).append(edge)
            place += length
            if chain[place].lane:
                pieces.setdefault((chain[place], chain[place]), []).append(edge)
    found = []
    for cells_of, edges in pieces.items():
        one, other = cells_of[0], cells_of[-1]
        if one is other:
            start, end = ((x, one.y) for x in spans[one])
        else:
            start = (spans[one][1], _port(one, one.after, cells_of[1]))
            end = (spans[other][0], _port(other, other.before, cells_of[-2]))
        found.append(Line(start, end, tuple(edges)))
    return tuple(found)


def _passes(cell: _Cell, span: tuple[float, float]) -> bool:
    """Whether a lane in a thin column needs no bend: one curve from its one neighbour to the
    other goes about there by itself."""
    if not cell.lane or span[1] - span[0] > _THIN or len(cell.before) != 1 or len(cell.after) != 1:
        return False
    return abs((cell.before[0].y + cell.after[0].y) / 2 - cell.y) <= _THIN


def _port(cell: _Cell, neighbours: Sequence[_Cell], one: _Cell) -> float:
    """At what height a line enters or leaves a node: several stand apart, in the order of where
    they come from or go to."""
    if cell.lane or len(neighbours) == 1:
        return cell.y
    room = min(cell.height * 0.6, _PORTS_APART * (len(neighbours) - 1))
    place = sorted(neighbours, key=lambda other: other.y).index(one)
    return cell.y + (place / (len(neighbours) - 1) - 0.5) * room
