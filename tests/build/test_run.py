"""Steps in order, once each, in processes of their own; what fails stops only what needs it."""

from __future__ import annotations

import re
import time
from pathlib import Path
from typing import Any

import pytest

from pipeline.build.crew import Crew, Flight
from pipeline.build.graph import Graph
from pipeline.build.pools import Pools
from pipeline.build.step import Step
from pipeline.build.work import Done
from pipeline.errors import MissingError
from tests.build.fakes import run_steps, step


class Bench:
    """A store, a log of runs, and a way to run steps."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.log = folder / "log"
        self.log.mkdir()

    def run(self, *steps: Step, jobs: int = 2, **more: Any) -> dict[tuple[str, str], Done]:
        return run_steps(steps, self.folder / "store", jobs=jobs, **more)

    @property
    def runs(self) -> int:
        return len(list(self.log.iterdir()))


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


def text(done: Done) -> str:
    assert done.made is not None, done.outcome
    return done.made.path("out.txt").read_text()


def test_outputs_of_one_step_reach_the_next(bench: Bench) -> None:
    done = bench.run(
        step("c", "c", bench.log, needs=("a", "b")), step("a", "a", bench.log), step("b", "b", bench.log)
    )
    assert text(done["tune", "c"]) == "abc"
    assert done["tune", "b"].outcome.made is not None
    assert done["tune", "b"].outcome.made.notes == ("noted",)
    assert list(done) == [("tune", "c"), ("tune", "a"), ("tune", "b")]


def test_the_second_run_makes_nothing(bench: Bench) -> None:
    steps = [step("a", "a", bench.log), step("b", "b", bench.log, needs=("a",))]
    bench.run(*steps)
    assert bench.runs == 2
    done = bench.run(*steps)
    assert bench.runs == 2
    assert {one.state for one in done.values()} == {"reused"}
    assert done["tune", "b"].outcome.made is not None
    assert done["tune", "b"].outcome.made.notes == ("noted",)


def test_only_what_depends_on_a_change_is_made_again(bench: Bench, tmp_path: Path) -> None:
    source = tmp_path / "tab.txt"
    source.write_text("x")

    def steps() -> list[Step]:
        return [
            step("a", "a", bench.log, files=(("tab", source),)),
            step("b", "b", bench.log),
            step("c", "c", bench.log, needs=("a", "b")),
        ]

    bench.run(*steps())
    source.write_text("y")
    done = bench.run(*steps())
    assert [done["tune", name].state for name in "abc"] == ["made", "reused", "made"]
    assert text(done["tune", "c"]) == "yabc"


def test_same_output_after_a_change_goes_no_further(bench: Bench) -> None:
    """What a step made is the input of the next, not how it came about."""
    bench.run(step("a", "a", bench.log), step("b", "b", bench.log, needs=("a",)))
    changed = step("a", "a", bench.log, weight=1.0)
    changed = type(changed)(**{**changed.__dict__, "version": 2})
    done = bench.run(changed, step("b", "b", bench.log, needs=("a",)))
    assert [done["tune", name].state for name in "ab"] == ["made", "reused"]


def test_two_lessons_share_what_is_the_same(bench: Bench) -> None:
    done = bench.run(step("a", "a", bench.log), step("a", "a", bench.log, lesson="air"))
    assert bench.runs == 1
    assert sorted(one.state for one in done.values()) == ["made", "reused"]


@pytest.mark.parametrize(
    ("fail", "message"),
    [
        ("raise", "RuntimeError: the wire broke"),
        ("missing", "no bank of sounds; install one"),
        ("full", r"the disk is full \(.*out\.txt\); free some space and build again"),
        ("extra", "made stray.txt, which it does not declare"),
        ("nothing", "was to make out.txt and did not"),
        ("killed", "its process was killed twice, perhaps for want of memory"),
    ],
)
def test_a_failure_stops_only_what_needs_it(bench: Bench, fail: str, message: str) -> None:
    steps = [
        step("bad", "bad", bench.log, fail=fail),
        step("after", "x", bench.log, needs=("bad",)),
        step("beside", "y", bench.log),
        step("other", "z", bench.log, lesson="air"),
    ]
    done = bench.run(*steps)
    assert done["tune", "bad"].state == "failed"
    assert re.search(message, done["tune", "bad"].outcome.message)
    assert done["tune", "after"].state == "skipped"
    assert text(done["tune", "beside"]) == "y"
    assert text(done["air", "other"]) == "z"
    assert list((bench.folder / "store" / "making").iterdir()) == []
    # what was finished stays finished
    again = bench.run(*steps[2:])
    assert {one.state for one in again.values()} == {"reused"}


def test_an_error_of_the_sources_keeps_its_place(bench: Bench) -> None:
    done = bench.run(step("bad", "bad", bench.log, fail="source"))
    problem = done["tune", "bad"].outcome.problems[0]
    assert problem.text() == "tab.txt:3:7: error: a wrong note\n  play the right one"


def test_a_killed_worker_is_replaced(bench: Bench) -> None:
    done = bench.run(step("a", "a", bench.log, fail="killed once"), jobs=1)
    assert text(done["tune", "a"]) == "a"
    assert bench.runs == 2


def test_a_step_that_hangs_is_given_up(bench: Bench) -> None:
    steps = [
        step("bad", "bad", bench.log, fail="hang"),
        step("after", "x", bench.log, needs=("bad",)),
        step("beside", "y", bench.log),
    ]
    done = bench.run(*steps, limit_s=2.0)
    assert done["tune", "bad"].outcome.message.startswith(
        "it had not ended after 0.0333 minutes and was stopped"
    )
    assert done["tune", "after"].outcome.message == "needs bad, which failed"
    assert text(done["tune", "beside"]) == "y"
    assert list((bench.folder / "store" / "making").iterdir()) == []


def test_a_source_saved_while_it_was_read_is_kept_under_no_key(bench: Bench, tmp_path: Path) -> None:
    source = tmp_path / "tab.txt"
    source.write_text("x")
    done = bench.run(step("a", "a", bench.log, files=(("tab", source),), fail="changes"))
    assert done["tune", "a"].outcome.message == f"{source} was changed while it was being read; build again"
    assert not list((bench.folder / "store" / "objects").glob("*/*"))


def test_a_dry_run_makes_nothing_and_tells_what_hangs_on_what(bench: Bench) -> None:
    steps = [
        step("a", "a", bench.log),
        step("b", "b", bench.log, needs=("a",)),
        step("c", "c", bench.log),
    ]
    bench.run(steps[2])
    done = bench.run(*steps, dry=True)
    assert bench.runs == 1
    assert [done["tune", name].state for name in "abc"] == ["would be made", "would be made", "reused"]
    assert done["tune", "b"].why == ("it was not made before",)


def test_a_cluster_without_workers_is_waited_for_and_then_told() -> None:
    """Work that nobody could begin span without a pause, and the pool was never asked."""

    class Deserted:
        jobs, checks = 0, 0

        def check(self) -> None:
            self.checks += 1
            if self.checks == 3:
                raise MissingError("there has been no worker")

    pool = Deserted()
    crew = Crew(Pools(lambda: pool, lambda: pool, cluster=True))  # type: ignore[arg-type, return-value]
    crew.offer(Flight("a step", len, "", print, away=True))
    begun = time.monotonic()
    with pytest.raises(MissingError, match="no worker"):
        for _ in range(100):
            crew.turn()
    assert pool.checks == 3
    assert time.monotonic() - begun > 0.5  # it looked, and slept between


def test_an_input_that_went_away(bench: Bench, tmp_path: Path) -> None:
    done = bench.run(step("a", "a", bench.log, files=(("tab", tmp_path / "gone.txt"),)))
    assert done["tune", "a"].state == "failed"
    assert "No such file or directory" in done["tune", "a"].outcome.message


def test_a_graph_must_make_sense(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="two steps of tune are called 'a'"):
        Graph([step("a", "a", tmp_path), step("a", "b", tmp_path)])
    with pytest.raises(ValueError, match="step 'a' of tune needs 'z', which is not there"):
        Graph([step("a", "a", tmp_path, needs=("z",))])
    with pytest.raises(ValueError, match="steps wait for each other: "):
        Graph([step("a", "a", tmp_path, needs=("b",)), step("b", "b", tmp_path, needs=("a",))])


def test_a_product_brings_what_it_needs(tmp_path: Path) -> None:
    graph = Graph(
        [step("a", "a", tmp_path), step("b", "b", tmp_path, needs=("a",)), step("c", "c", tmp_path)]
    )
    assert {name for _, name in graph.chosen(["b"]).steps} == {"a", "b"}
    assert graph.chosen([]) is graph
    assert graph.products == {"a", "b", "c"}


def test_long_ways_come_first(tmp_path: Path) -> None:
    graph = Graph(
        [
            step("short", "s", tmp_path, weight=5),
            step("start", "a", tmp_path, weight=1),
            step("end", "b", tmp_path, weight=9, needs=("start",)),
        ]
    )
    assert graph.urgency["tune", "start"] == 10 > graph.urgency["tune", "short"]
