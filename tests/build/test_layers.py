"""Placing a graph in columns."""

from __future__ import annotations

from itertools import combinations, pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.build.layers import Edge, Layout, Line, Node, lay_out

GAP_X, GAP_Y = 40.0, 10.0


def boxes(ranks: dict[str, float], width: float = 100.0, height: float = 30.0) -> dict[str, Node]:
    return {name: Node(width, height, rank) for name, rank in ranks.items()}


def laid(ranks: dict[str, float], edges: list[Edge]) -> Layout:
    return lay_out(boxes(ranks), edges, gap_x=GAP_X, gap_y=GAP_Y)


def crossing(one: Line, other: Line) -> bool:
    """Whether two lines between the same columns cross."""
    if one.start[0] != other.start[0] or one.end[0] != other.end[0]:
        return False
    return (one.start[1] - other.start[1]) * (one.end[1] - other.end[1]) < -1e-6


def crossings(layout: Layout) -> int:
    return sum(crossing(one, other) for one, other in combinations(layout.lines, 2))


def test_a_chain_is_level() -> None:
    layout = laid({"a": 0, "b": 1, "c": 2}, [("a", "b"), ("b", "c")])
    assert [layout.places[name] for name in "abc"] == [(0.0, 0.0), (140.0, 0.0), (280.0, 0.0)]
    assert (layout.width, layout.height) == (380.0, 30.0)
    assert [(line.start, line.end) for line in layout.lines] == [
        ((100.0, 15.0), (140.0, 15.0)),
        ((240.0, 15.0), (280.0, 15.0)),
    ]


def test_what_can_be_drawn_without_crossings_is() -> None:
    """A tree whose leaves are given in a bad order."""
    ranks = {"root": 0.0, "x": 1.0, "y": 1.0, "z": 1.0}
    edges: list[Edge] = [("root", "z"), ("root", "y"), ("root", "x")]
    for n in range(12):
        ranks[f"leaf {n}"] = 2.0
        edges.append(("xyz"[n % 3], f"leaf {n}"))
    assert crossings(laid(ranks, edges)) == 0


def test_a_graph_that_must_cross_crosses_as_little_as_it_can() -> None:
    """Three and three, each joined with each: nine crossings at the least (common knowledge: the
    pairs of pairs, 3·2/2 · 3·2/2), whatever the order."""
    ranks = {name: float(name.isupper()) for name in "abcABC"}
    layout = laid(ranks, [(a, b) for a in "abc" for b in "ABC"])
    assert crossings(layout) == 9


def test_long_edges_of_one_node_share_a_trunk() -> None:
    ranks = {"a": 0.0, "middle": 1.0} | {f"leaf {n}": 2.0 for n in range(5)}
    layout = laid(ranks, [("a", "middle"), *(("a", f"leaf {n}") for n in range(5))])
    through = [line for line in layout.lines if line.start[0] == 140.0 and line.end[0] == 240.0]
    assert len(through) == 1
    assert len(through[0].edges) == 5


def test_long_edges_to_one_node_share_a_trunk() -> None:
    ranks = {f"root {n}": 0.0 for n in range(5)} | {"middle": 1.0, "z": 2.0}
    layout = laid(ranks, [("middle", "z"), *((f"root {n}", "z") for n in range(5))])
    through = [line for line in layout.lines if line.start[0] == 140.0 and line.end[0] == 240.0]
    assert [len(line.edges) for line in through] == [5]


def test_what_stands_alone_does_not_drift_away() -> None:
    """A step without sources and needs, below others that reached far: the picture of the demo
    week was once 12,500 pixels high, since all the rest moved up a little in each round."""
    ranks = {f"source {n}": 0.0 for n in range(5)} | {f"s {n}": 1.0 for n in range(10)}
    ranks |= {"alone": 1.0, "one": 2.0, "other": 3.0} | {f"z {n}": 2.0 for n in range(4)}
    edges = [(f"source {n % 5}", f"s {n}") for n in range(10)] + [(f"s {n}", f"z {n % 4}") for n in range(10)]
    edges += [(f"z {n}", "other") for n in range(3)]
    assert laid(ranks, edges).height < 11 * 40 * 1.3


def test_an_edge_that_does_not_lead_on_is_refused() -> None:
    with pytest.raises(ValueError, match=r"the edge from 'a' to 'b' does not lead to a higher rank"):
        laid({"a": 1, "b": 1}, [("a", "b")])


def test_nothing_is_nowhere() -> None:
    assert laid({}, []) == Layout({}, {}, (), 0.0, 0.0)


@st.composite
def graphs(draw: st.DrawFn) -> tuple[dict[str, Node], list[Edge]]:
    count = draw(st.integers(1, 14))
    nodes = {
        f"n{n}": Node(
            draw(st.sampled_from([5.0, 80.0, 120.0])),
            draw(st.sampled_from([5.0, 30.0, 52.0])),
            draw(st.sampled_from([0.0, 0.5, 1.0, 2.0, 3.0])),
        )
        for n in range(count)
    }
    possible = [(a, b) for a in nodes for b in nodes if nodes[a].rank < nodes[b].rank]
    edges = draw(st.lists(st.sampled_from(possible), max_size=30)) if possible else []
    return nodes, edges


@settings(max_examples=60, deadline=None)
@given(graph=graphs())
def test_any_graph(graph: tuple[dict[str, Node], list[Edge]]) -> None:
    """Boxes stand apart; every edge is one unbroken way from the right of its start to the left
    of its end, through nothing but gaps; the same graph is placed the same way."""
    nodes, edges = graph
    layout = lay_out(nodes, edges, gap_x=GAP_X, gap_y=GAP_Y)
    assert layout == lay_out(nodes, edges, gap_x=GAP_X, gap_y=GAP_Y)
    for one, other in combinations(nodes, 2):
        (x0, y0), (x1, y1) = layout.places[one], layout.places[other]
        if x0 == x1:
            upper, lower, height = (y0, y1, nodes[one].height) if y0 < y1 else (y1, y0, nodes[other].height)
            assert lower - upper - height >= GAP_Y - 1e-6
    for name, node in nodes.items():
        x, y = layout.places[name]
        assert -1e-6 <= y <= layout.height - node.height + 1e-6
        assert 0 <= x <= layout.width - node.width + 1e-6
    for edge in edges:
        mine = sorted((line for line in layout.lines if edge in line.edges), key=lambda line: line.start)
        start, end = edge
        assert mine[0].start[0] == pytest.approx(layout.places[start][0] + layout.widths[start])
        assert mine[-1].end[0] == pytest.approx(layout.places[end][0])
        for name, at in ((start, mine[0].start[1]), (end, mine[-1].end[1])):
            assert layout.places[name][1] <= at + 1e-6 <= layout.places[name][1] + nodes[name].height + 2e-6
        for before, after in pairwise(mine):
            assert before.end == pytest.approx(after.start)
        for line in mine:
            for name, node in nodes.items():
                x, y = layout.places[name]
                if line.start[0] <= x and x + layout.widths[name] <= line.end[0] and node.width > 8:
                    assert line.start[1] == line.end[1]
                    assert not y < line.start[1] < y + node.height
