"""How long a build will still take, from the weights of its steps and what they took so far.

Conventions
-----------
A weight is the rough seconds of one step on one core, as it was declared. ``now`` is a reading
in seconds of a clock that only goes forward. Nothing here looks at a clock itself.

Method
------
Work is counted in weights; a step that is being made counts by the share of its likely time
that has passed. The pace, in seconds by the clock for each unit of work, is measured over the
recent past, so that it holds how many processes there are and how busy the machine is. Lessons
that nobody has looked at yet are taken to be like the mean of those seen, with nothing to do
in the unchanged ones. What is said follows the clock and is drawn to each new estimate slowly.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Final

_HALF_LIFE_S: Final = 300.0  # the past counts half after this long: machines get busy and free again
_LEAST_STEPS: Final = 3  # before so many steps were made, nothing is known
_LEAST_S: Final = 3.0
_LEAST_SHARE: Final = 0.1  # of a mean lesson's work
_MOST_OF_A_STEP: Final = 0.9  # a step that takes longer than expected is not yet made
_STEADIEST_S: Final = 4.0  # the least time constant of the smoothing
_STEADY_SHARE: Final = 0.1  # and as a share of what is left
_BELIEVED: Final = 2.0  # the declared weights count as much as so many measured units of work


class TimeLeft:
    """The estimate for one build.

    lessons : how many the build looks at
    """

    def __init__(self, lessons: int) -> None:
        self._lessons = lessons
        self._seen: set[str] = set()
        self._open: dict[str, dict[str, float]] = {}  # lesson → step not yet ended → weight
        self._since: dict[tuple[str, str], float] = {}  # steps being made
        self._made_count = 0
        self._made_weight = 0.0
        self._made_s = 0.0
        self._past_s = 0.0
        self._past_work = 0.0
        self._work_then = 0.0
        self._then: float | None = None
        self._said: float | None = None
        self._said_at = 0.0

    def lesson_begun(self, lesson: str, steps: Mapping[str, float], *, now: float) -> None:
        """``steps``: name → weight, of all that will end as made, reused or failed."""
        self._advance(now)
        self._seen.add(lesson)
        self._open[lesson] = dict(steps)

    def started(self, lesson: str, step: str, *, now: float) -> None:
        if self._then is None:
            self._then = now
        self._advance(now)
        if step in self._open.get(lesson, ()):
            self._since[lesson, step] = now

    def ended(self, lesson: str, step: str, *, now: float, made_s: float | None) -> None:
        """``made_s``: how long it took to make, None when it was not made (reused or failed)."""
        weight = self._open.get(lesson, {}).pop(step, None)
        self._since.pop((lesson, step), None)
        if weight is not None and made_s is not None:
            self._made_count += 1
            self._made_weight += weight
            self._made_s += made_s
        self._advance(now)

    def lesson_ended(self, lesson: str, *, now: float) -> None:
        """Done, failed, or found unchanged without having begun."""
        self._seen.add(lesson)
        for step in self._open.pop(lesson, {}):
            self._since.pop((lesson, step), None)
        self._advance(now)

    def seconds(self, now: float) -> float | None:
        """The time left, None as long as too little is known to say."""
        self._advance(now)
        estimate = self._estimate(now)
        if estimate is None:
            return None
        if self._said is None:
            self._said, self._said_at = estimate, now
        passed = max(0.0, now - self._said_at)
        expected = self._said - passed
        steadiness = max(_STEADIEST_S, _STEADY_SHARE * self._said)
        drawn = (estimate - expected) * (1 - math.exp(-passed / steadiness))
        self._said, self._said_at = max(0.0, expected + drawn), now
        return self._said

    def _estimate(self, now: float) -> float | None:
        """What the numbers say now, not smoothed."""
        if self._made_count < _LEAST_STEPS or self._past_s < _LEAST_S or self._past_work <= 0:
            return None
        still_open = sum(sum(steps.values()) for steps in self._open.values())
        mean = (self._made_weight + still_open) / max(1, len(self._seen))
        if self._made_weight < _LEAST_SHARE * mean:
            return None
        unseen = max(0, self._lessons - len(self._seen))
        work = still_open - self._begun_work(now) + unseen * mean
        # when little is left, the longest step decides, however many processes there are
        longest = max((self._likely_s(i) - (now - since) for i, since in self._since.items()), default=0.0)
        return max(work * self._past_s / self._past_work, longest, 0.0)

    def _likely_s(self, step: tuple[str, str]) -> float:
        weight = self._open[step[0]][step[1]]
        return weight * (self._made_s + _BELIEVED) / (self._made_weight + _BELIEVED)

    def _begun_work(self, now: float) -> float:
        """The work in steps that are being made."""
        return sum(
            self._open[i[0]][i[1]] * min(_MOST_OF_A_STEP, (now - since) / max(self._likely_s(i), 1e-6))
            for i, since in self._since.items()
        )

    def _advance(self, now: float) -> None:
        """Let the past fade and take in what was worked since."""
        if self._then is None:
            return
        passed = max(0.0, now - self._then)
        self._then = max(now, self._then)
        work = self._made_weight + self._begun_work(now)
        fade = 0.5 ** (passed / _HALF_LIFE_S)
        self._past_s = self._past_s * fade + passed
        self._past_work = max(0.0, self._past_work * fade + work - self._work_then)
        self._work_then = work


def said_left(seconds: float) -> str:
    """The time left as one says it: ``about 40 s left``, ``about 12 min left``."""
    if seconds < 5:
        return "a few seconds left"
    if seconds < 57.5:
        return f"about {5 * round(seconds / 5)} s left"
    minutes = max(1, round(seconds / 60))
    if minutes < 60:
        return f"about {minutes} min left"
    tens = 10 * round(minutes / 10)
    hours, rest = divmod(tens, 60)
    return f"about {hours} h {rest} min left" if rest else f"about {hours} h left"
