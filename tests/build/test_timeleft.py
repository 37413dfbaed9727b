"""The time left, in builds that are only played through: the truth is known at every moment."""

from __future__ import annotations

import heapq
import random
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import pytest

from pipeline.build.timeleft import TimeLeft, said_left


@dataclass(frozen=True)
class Moment:
    """What was said at a moment, and how long it really took from there on."""

    now: float
    said: float | None
    true: float


def usual_steps(number: int) -> dict[str, float]:
    """Weights like those of a lesson in three editions."""
    backing = {f"backing {n}": 6.0 for n in range(3)} | {f"mp3 {n}": 2.0 for n in range(3)}
    return {"align": 8.0, "overlay": 6.0, "clip": 10.0, "page": 3.0, "midi": 0.5, "words": 0.5} | backing


def played(
    lessons: int,
    *,
    jobs: int = 2,
    window: int = 4,
    steps: Callable[[int], dict[str, float]] = usual_steps,
    took: Callable[[str, float, float], float] = lambda step, weight, now: weight,
    unchanged: Callable[[int], bool] = lambda number: False,
    reused: Callable[[str], bool] = lambda step: False,
) -> list[Moment]:
    """A build as it would go, asked four times a second.

    took : (step, weight, now) → seconds by the clock
    unchanged : whether the lesson of this number stands as it is
    reused : whether a step of this name is found in the store
    """
    left = TimeLeft(lessons)
    now, asked = 0.0, 0.0
    said: list[tuple[float, float | None]] = []
    at_work: dict[str, set[str]] = {}
    queue: list[tuple[str, str, float]] = []
    flying: list[tuple[float, str, str, float]] = []
    todo = list(range(lessons))
    while True:
        while todo and len(at_work) < window:
            number = todo.pop(0)
            name = f"lesson {number}"
            if unchanged(number):
                now += 0.01
                left.lesson_ended(name, now=now)
                continue
            mine = steps(number)
            left.lesson_begun(name, mine, now=now)
            at_work[name] = {step for step in mine if not reused(step)}
            for step, weight in mine.items():
                if reused(step):
                    left.ended(name, step, now=now, made_s=None)
                else:
                    queue.append((name, step, weight))
        while queue and len(flying) < jobs:
            name, step, weight = queue.pop(0)
            seconds = took(step, weight, now)
            left.started(name, step, now=now)
            heapq.heappush(flying, (now + seconds, name, step, seconds))
        if not flying:
            break
        while asked < flying[0][0]:
            asked += 0.25
            if asked >= now:
                said.append((asked, left.seconds(asked)))
        now, name, step, seconds = heapq.heappop(flying)
        left.ended(name, step, now=now, made_s=seconds)
        at_work[name].discard(step)
        if not at_work[name]:
            del at_work[name]
            left.lesson_ended(name, now=now)
    return [Moment(at, words, now - at) for at, words in said if at <= now]


def off(moment: Moment) -> float:
    """Of what is left, the share by which the estimate is wrong; a twentieth of the whole build
    is no matter, since at its end processes run out of work."""
    assert moment.said is not None
    spare = (moment.now + moment.true) / 20
    return max(0.0, abs(moment.said - moment.true) - spare) / moment.true


def jumps(moments: list[Moment]) -> list[float]:
    """How much more than the clock the estimate moved between two askings, as shares of it."""
    pairs = [(a, b) for a, b in pairwise(moments) if a.said and b.said]
    return [abs((b.said or 0) - (a.said or 0)) / (a.said or 1) for a, b in pairs if (a.said or 0) > 20]


def known(moments: list[Moment]) -> list[Moment]:
    return [moment for moment in moments if moment.said is not None]


def noisy(factor: float) -> Callable[[str, float, float], float]:
    dice = random.Random(4)
    return lambda step, weight, now: weight * factor * dice.uniform(0.6, 1.6)


@pytest.mark.parametrize("jobs", [1, 2, 8])
@pytest.mark.parametrize("factor", [0.2, 1.0, 5.0])
def test_thirty_like_lessons_are_foretold(jobs: int, factor: float) -> None:
    """On a machine five times faster or slower than the weights say, with any number of
    processes: within a quarter from a tenth of the way on, and steady."""
    moments = played(30, jobs=jobs, window=2 * jobs, took=noisy(factor))
    total = moments[0].true
    middle = [m for m in known(moments) if 0.1 * total < m.now < 0.9 * total]
    assert max(off(moment) for moment in middle) < 0.25
    assert max(jumps(middle)) < 0.03


def test_it_says_something_early_but_not_at_once() -> None:
    moments = played(30, took=noisy(1.0))
    first = known(moments)[0]
    assert 3 <= first.now < 0.1 * moments[0].true
    assert off(first) < 0.5


def test_it_goes_down_with_the_clock_while_a_long_step_runs() -> None:
    left = TimeLeft(1)
    left.lesson_begun("tide", {"a": 10.0, "b": 10.0, "c": 10.0, "d": 100.0}, now=0.0)
    for place, step in enumerate("abc"):
        left.started("tide", step, now=10.0 * place)
        left.ended("tide", step, now=10.0 * place + 10.0, made_s=10.0)
    left.started("tide", "d", now=30.0)
    said = [left.seconds(30.0 + passed) for passed in range(0, 95, 5)]
    assert said[0] == pytest.approx(100.0, rel=0.05)
    for before, after in pairwise(said):
        assert before is not None and after is not None
        assert before - after == pytest.approx(5.0, abs=1.5)


def test_lessons_that_stand_count_as_nothing_to_do() -> None:
    """Nine in ten are unchanged: the rest of the three hundred is not taken for new work."""
    moments = played(300, took=noisy(1.0), unchanged=lambda number: number % 10 != 0)
    total = moments[0].true
    middle = [m for m in known(moments) if 0.2 * total < m.now < 0.9 * total]
    assert max(off(moment) for moment in middle) < 0.25


def test_steps_found_in_the_store_are_no_work() -> None:
    """One chord: the take is not listened to again, only the backing is new."""
    moments = played(60, took=noisy(1.0), reused=lambda step: not step.startswith(("backing", "mp3")))
    total = moments[0].true
    middle = [m for m in known(moments) if 0.1 * total < m.now < 0.9 * total]
    assert max(off(moment) for moment in middle) < 0.25


def test_a_machine_that_gets_slower_is_noticed_without_a_jump() -> None:
    """From the tenth minute on everything takes twice as long."""
    slow_from = 600.0
    moments = played(60, took=lambda step, weight, now: weight * (2.0 if now > slow_from else 1.0), window=2)
    later = [m for m in known(moments) if m.now > slow_from + 600 and m.true > 60]
    assert max(off(moment) for moment in later) < 0.25
    assert max(jumps(known(moments))) < 0.05


def test_the_last_long_step_decides() -> None:
    """With eight processes and one step of 100 s left, 100 s are left and not 100 / 8."""
    left = TimeLeft(1)
    left.lesson_begun("tide", {f"s{n}": 10.0 for n in range(16)} | {"long": 100.0}, now=0.0)
    for n in range(16):
        left.started("tide", f"s{n}", now=0.0)
    for n in range(16):
        left.ended("tide", f"s{n}", now=20.0, made_s=10.0)
    left.started("tide", "long", now=20.0)
    assert left.seconds(20.0) == pytest.approx(100.0, rel=0.05)


def test_nothing_is_said_of_a_build_that_only_reuses() -> None:
    left = TimeLeft(3)
    for n in range(3):
        left.lesson_begun(f"{n}", {"page": 3.0}, now=float(n))
        left.ended(f"{n}", "page", now=n + 0.5, made_s=None)
        left.lesson_ended(f"{n}", now=n + 0.6)
        assert left.seconds(n + 0.7) is None


def test_a_failed_lesson_takes_its_steps_with_it() -> None:
    left = TimeLeft(2)
    steps = {f"s{n}": 10.0 for n in range(8)}
    for lesson in ("a", "b"):
        left.lesson_begun(lesson, steps, now=0.0)
    for n in range(4):
        left.started("a", f"s{n}", now=10.0 * n)
        left.ended("a", f"s{n}", now=10.0 * n + 10, made_s=10.0)
    left.lesson_ended("b", now=40.0)
    assert left.seconds(40.0) == pytest.approx(40.0)


def test_weights_of_nothing_and_clocks_that_stand_are_borne() -> None:
    left = TimeLeft(0)
    left.lesson_begun("tide", {"a": 0.0, "b": 0.0, "c": 0.0, "d": 0.0}, now=5.0)
    for step in "abcd":
        left.started("tide", step, now=5.0)
        left.ended("tide", step, now=5.0, made_s=0.0)
    left.lesson_ended("tide", now=4.0)
    assert left.seconds(20.0) in (None, 0.0)


@pytest.mark.parametrize(
    ("seconds", "said"),
    [(0, "a few seconds left"), (7, "about 5 s left"), (42, "about 40 s left"), (58, "about 1 min left"),
     (89, "about 1 min left"), (150.1, "about 3 min left"), (3570, "about 1 h left"),
     (7700, "about 2 h 10 min left")],
)  # fmt: skip
def test_in_words(seconds: float, said: str) -> None:
    assert said_left(seconds) == said
