"""The drummer: patterns with variations, fills before boundaries, stops, count-in, ending."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from pipeline.music.chart import Play
from pipeline.sound.groove import DRUM_KEYS, DrumPattern
from pipeline.sound.part import Hit, Part, generator, hits_sorted, velocity_of
from pipeline.sound.stage import Stage, StageBar

_SHORT = 0.25
# what the drummer strikes with the band on such a chord: drum, velocity
_TOGETHER = {
    Play.STOP: (("kick", 116), ("snare", 104), ("closed_hat", 90)),
    Play.HIT: (("kick", 116), ("crash", 96)),
    Play.HOLD: (("kick", 112), ("crash", 104)),
}


@dataclass(frozen=True)
class CountIn:
    """``clicks``: (quarter, accented), quarters before the start being negative; ``quarters``:
    how much is counted before the piece starts."""

    quarters: Fraction
    clicks: tuple[tuple[Fraction, bool], ...]


def count_in(stage: Stage, *, bpm: float) -> CountIn:
    """One bar of clicks on the felt beats, two when a bar is short; a pickup's missing
    beats are counted too, and the clicks go on through the pickup.

    Short: fewer than three felt beats, or less than 1.3 s.
    """
    full = next((bar for bar in stage.bars if not bar.pickup), stage.bars[0])
    metre = full.placed.bar.metre
    beat = metre.beat_quarters if full.beat == 1 else full.beat
    short = metre.quarters / beat < 3 or float(metre.quarters) * 60 / bpm < 1.3
    bars = 2 if short else 1
    first = stage.bars[0]
    lead = metre.quarters - first.placed.bar.length if first.pickup else Fraction(0)
    total = metre.quarters * bars + lead
    clicks = [
        (place - total, place % metre.quarters == 0)
        for place in _steps(Fraction(0), total + (first.placed.bar.length if first.pickup else 0), beat)
    ]
    return CountIn(total, tuple(clicks))


def _steps(start: Fraction, end: Fraction, step: Fraction) -> Iterator[Fraction]:
    while start < end:
        yield start
        start += step


def count_part(counted: CountIn) -> Part:
    """The clicks, apart from the drums so that their loudness does not hang on the groove's."""
    hits = [
        Hit(float(at), _SHORT, DRUM_KEYS["side_stick"], 112 if strong else 88)
        for at, strong in counted.clicks
    ]
    return Part("count-in", hits_sorted(hits), program=0, drums=True, loose_s=0.0)


def drum_part(stage: Stage, *, seed: int) -> Part:
    """All the drummer strikes from the first full bar on, closing hit included."""
    rng = generator(seed, "drums")
    hits: list[Hit] = []
    for number, bar in enumerate(stage.bars):
        if not bar.pickup:
            last = number == len(stage.bars) - 1
            hits += _bar(stage, bar, last, rng)
    end = float(stage.end)
    # the closing hit is a little over the groove's own strongest kick, whatever that is
    strong = velocity_of(max(step.force for line in stage.groove.drums[0].lines.values() for step in line))
    for drum, share in (("kick", 1.0), ("crash", 0.9)):
        hits.append(Hit(end, 4.0, DRUM_KEYS[drum], int(strong * share)))
    return Part("drums", hits_sorted(hits), program=0, drums=True, loose_s=0.003)


def _bar(stage: Stage, bar: StageBar, last: bool, rng: np.random.Generator) -> Iterator[Hit]:
    groove = bar.groove
    pattern = groove.drums[bar.turn % len(groove.drums)]
    fill, fill_at = _fill(stage, bar, last)
    alone = [s for s in bar.stretches if s.alone]
    crash = bar.opens == "section" or (bar.opens == "phrase" and bar.placed.start > 0 and bar.turn % 4 == 0)
    for drum, at, force in _laid(bar, pattern, fill, fill_at):
        if any(s.start <= at < s.end for s in alone):
            continue
        if crash and at == bar.start and drum in ("ride", "closed_hat"):
            drum, force = "crash", 7
        velocity = velocity_of(force) + int(rng.integers(-3, 4))
        yield Hit(bar.felt(at), _SHORT, DRUM_KEYS[drum], min(127, max(1, velocity)))
    for stretch in bar.stretches:
        if stretch.fresh:
            for drum, velocity in _TOGETHER.get(stretch.play, ()):
                yield Hit(bar.felt(stretch.start), _SHORT, DRUM_KEYS[drum], velocity)


def _fill(stage: Stage, bar: StageBar, last: bool) -> tuple[DrumPattern | None, Fraction]:
    """The fill that closes this bar and the moment it takes over: half the bar before a new
    section or the end, the last beat or two before a new phrase."""
    fills = bar.groove.fills
    if not fills or not (bar.closes or last) or any(s.alone for s in bar.stretches):
        return None, bar.end
    length = bar.placed.bar.length
    big = last or bar.closes == "section"
    share = length / 2 if big else min(length / 4, 2 * bar.beat)
    beats = -(-share // bar.beat)  # from a whole beat
    if beats * bar.beat >= length and len(stage.bars) > 1:
        return None, bar.end
    return fills[0 if big else -1], bar.end - beats * bar.beat


def _laid(
    bar: StageBar, pattern: DrumPattern, fill: DrumPattern | None, fill_at: Fraction
) -> Iterator[tuple[str, Fraction, int]]:
    """(drum, quarter, force) of the pattern up to the fill, and of the fill to the bar's end.

    The fill is laid so that its last beat is the bar's last.
    """
    steps = bar.groove.steps
    length = bar.placed.bar.length / bar.beat
    for drum, line in pattern.lines.items():
        for step in line:
            for cycle in _steps(step.at, length, pattern.beats):
                at = bar.placed_at(cycle, steps=steps)
                if at < fill_at:
                    yield drum, at, step.force
    if fill is None:
        return
    shift = length - fill.beats
    for drum, line in fill.lines.items():
        for step in line:
            if step.at + shift >= 0:
                at = bar.placed_at(step.at + shift, steps=steps)
                if fill_at <= at < bar.end:
                    yield drum, at, step.force
