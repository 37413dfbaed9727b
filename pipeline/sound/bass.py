"""The bass player: the chord's lowest note where the chord falls, and a way to the next one."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from typing import Final

import numpy as np

from pipeline.sound.groove import Step
from pipeline.sound.part import Hit, Part, generator, hits_sorted, velocity_of
from pipeline.sound.stage import Harmony, Stage, StageBar, Stretch

LOWEST: Final = 28  # E1, the open fourth string of a bass
HIGHEST: Final = 50  # D3, above it a bass leaves its office
_HOME: Final = 36


class _Player:
    def __init__(self, stage: Stage, rng: np.random.Generator) -> None:
        self.stage = stage
        self.rng = rng
        self.last = _HOME
        self.aim: int | None = None  # the next root, when a walk has chosen its octave

    def near(self, pitch_class: int) -> int:
        """The note of this pitch class nearest the last one, drawn a little to the middle."""
        choices = [k for k in range(LOWEST, HIGHEST + 1) if k % 12 == pitch_class % 12]
        return min(choices, key=lambda k: (abs(k - self.last) + 0.35 * abs(k - _HOME), k))

    def root(self, harmony: Harmony) -> int:
        if self.aim is not None and self.aim % 12 == harmony.bass:
            return self.aim
        return self.near(harmony.bass)

    def word(self, word: str, harmony: Harmony, at: Fraction, here: Stretch) -> int:
        degrees = {
            "3": harmony.degree(3, 4, 2, 10, 9),
            "5": harmony.degree(5),
            "6": harmony.degree(6, 13, 7),
            "7": harmony.degree(7, 6, 5),
        }
        if word == "R":
            return self.root(harmony)
        if word == "8":
            low = self.near(harmony.bass)
            return low + 12 if low + 12 <= HIGHEST else low - 12 if low - 12 >= LOWEST else low
        if word in degrees:
            found = degrees[word]
            return self.near(harmony.root + found) if found is not None else self.root(harmony)
        target = self.target(at, here)
        return self.approach(target) if word == "a" else self.walk(harmony, target)

    def going(self, word: str, at: Fraction, here: Stretch, leads: bool, likely: float) -> str:
        """The word with its way to the next chord settled: only a note just before a change
        leads, and a line that does not walk stays at home when the same bass note follows."""
        following = self.stage.next_change(at)
        ahead = following.harmony if following else None
        goes_on = ahead is not None
        moves = ahead is not None and here.harmony is not None and ahead.bass != here.harmony.bass
        if word == "a":
            return word if leads and (moves or (goes_on and likely == 1.0)) else "w" if likely == 1.0 else "5"
        if leads and moves and word != "w" and self.rng.random() < likely:
            return "a"
        return "a" if word == "w" and leads and moves else word

    def target(self, at: Fraction, here: Stretch) -> int:
        """Where the line is going: the lowest note of the next chord."""
        following = self.stage.next_change(at)
        harmony = following.harmony if following else here.harmony
        self.aim = self.near(harmony.bass) if harmony else self.last
        return self.aim

    def approach(self, target: int) -> int:
        """A step below or above the target, chromatic or in the scale, going on in the
        direction the line has; a fifth above now and then."""
        below = self.last <= target
        options: list[tuple[int, float]] = []
        for step, weight in ((1, 3.0), (2, 2.0)):
            for side in (-1, 1):
                key = target + side * step
                in_scale = key % 12 in self.stage.scale
                if LOWEST <= key <= HIGHEST and key != self.last and (step == 1 or in_scale):
                    options.append(
                        (key, weight * (2.0 if (side < 0) == below else 1.0) * (1.5 if in_scale else 1.0))
                    )
        if target + 7 <= HIGHEST and target + 7 != self.last:
            options.append((target + 7, 0.8))
        return self.draw(options, target)

    def walk(self, harmony: Harmony, target: int) -> int:
        """A chord note or a note of the scale, by a small step, not further from the target."""
        options: list[tuple[int, float]] = []
        for key in range(max(LOWEST, self.last - 5), min(HIGHEST, self.last + 5) + 1):
            if key == self.last:
                continue
            weight = 3.0 if key % 12 in harmony.tones else 1.0 if key % 12 in self.stage.scale else 0.0
            nearer = abs(key - target) <= abs(self.last - target) or abs(key - target) <= 4
            if weight:
                options.append((key, weight * (2.0 if nearer else 0.6) / (1 + 0.2 * abs(key - self.last))))
        return self.draw(options, self.root(harmony))

    def draw(self, options: list[tuple[int, float]], otherwise: int) -> int:
        if not options:
            return otherwise
        weights = np.array([w for _, w in options])
        return options[int(self.rng.choice(len(options), p=weights / weights.sum()))][0]

    def bar(self, bar: StageBar) -> Iterator[Hit]:
        for step, at, until, here, leads in _plan(bar):
            if here.harmony is None:
                continue
            word = self.going(step.word, at, here, leads, bar.groove.bass.approach)
            key = self.word(word, here.harmony, at, here)
            if word == "R":
                self.aim = None
            self.last = key
            start, end = bar.felt(at), bar.felt(until)
            length = 0.4 * float(bar.beat) if here.stop else end - start
            yield Hit(start, max(0.05, length * 0.97), key, velocity_of(step.force))


def _plan(bar: StageBar) -> list[tuple[Step, Fraction, Fraction, Stretch, bool]]:
    """(step, start, end, stretch, whether a new chord follows at once) of one bar.

    Every chord that is struck gets its lowest note on its first moment, whatever the
    pattern says; a stop or a chord held gets nothing more.
    """
    patterns = bar.groove.bass.patterns
    placed = bar.laid(patterns[bar.turn % len(patterns)])
    for stretch in bar.stretches:
        if stretch.fresh:
            old = placed.get(stretch.start)
            force = max(7, old[0].force) if old else 7
            until = old[1] if old else min(stretch.end, stretch.start + bar.beat)
            placed[stretch.start] = (Step(Fraction(0), Fraction(1), "R", force), until)
    played = bar.in_turn(placed)
    afters = [*(at for _, at, _, _ in played[1:]), bar.end]
    return [
        (step, at, until, here, after >= here.end and here.end - at <= bar.beat and at != here.start)
        for (step, at, until, here), after in zip(played, afters, strict=True)
    ]


def bass_part(stage: Stage, *, seed: int) -> Part:
    """The bass line, closing note included. In a pickup bar the bass waits."""
    player = _Player(stage, generator(seed, "bass"))
    hits: list[Hit] = []
    for bar in stage.bars:
        if not bar.pickup:
            hits += player.bar(bar)
    if stage.last_harmony:
        hits.append(Hit(float(stage.end), 3.0, player.root(stage.last_harmony), 96))
    return Part("bass", hits_sorted(hits), stage.groove.bass.program, loose_s=0.004)
