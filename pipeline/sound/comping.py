"""The chord players: voicings that move as little as they can, in the groove's rhythm.

References
----------
Smooth voice-leading as least total motion between neighbouring voicings: Tymoczko, D.
(2006), "The geometry of musical chords", Science 313, 72-74. Which notes of a chord a
small voicing keeps (third and seventh first, the fifth last): common practice.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from fractions import Fraction
from functools import lru_cache

from pipeline.music.chart import Play
from pipeline.sound.groove import ChordPlayer, Step
from pipeline.sound.part import Hit, Part, generator, hits_sorted, velocity_of
from pipeline.sound.stage import Harmony, Stage, StageBar, Stretch

_RANK = (3, 7, 6, 13, 9, 11, 4, 2, 1, 5)


def chosen_tones(harmony: Harmony, voices: int) -> tuple[int, ...]:
    """Pitch classes a voicing of ``voices`` notes holds, the most telling first.

    Bent tones come right after third and seventh; under a ninth or more the root is left
    to the bass before the fifth is.
    """
    have = harmony.degrees
    if len(have) <= voices:
        order = sorted(have)
    else:
        bent = [d for d in _RANK if d in have and harmony.chord.degrees[d] != 0 and d not in (3, 7)]
        rank = [3, 7, *bent, *_RANK]
        if any(d in have for d in (9, 11, 13)):
            rank = [d for d in rank if d != 1] + [1]
        order = [d for d in dict.fromkeys(rank) if d in have]
    return tuple(dict.fromkeys((harmony.root + have[d]) % 12 for d in order))[:voices]


@lru_cache(maxsize=4096)
def _voicings(tones: tuple[int, ...], voices: int, low: int, high: int) -> tuple[tuple[int, ...], ...]:
    """Every voicing of these pitch classes in the register: all tones there, others doubled,
    no gap over a ninth, no seconds at the bottom."""
    keys = [k for k in range(low, high + 1) if k % 12 in tones]
    count = max(voices, len(tones))
    found = []
    for combo in itertools.combinations(keys, count):
        gaps = [b - a for a, b in itertools.pairwise(combo)]
        if {k % 12 for k in combo} != set(tones) or max(gaps, default=0) > 12:
            continue
        if combo[-1] - combo[0] > (19 if count < 5 else 26) or (gaps and gaps[0] < 3 and combo[0] < 60):
            continue
        if 1 in gaps[1:] or sum(g == 2 for g in gaps) > 1:
            continue
        found.append(combo)
    if found:
        return tuple(found)
    # tones that only sit close together: any order with the least crowding, then as they come
    every = [c for c in itertools.combinations(keys, len(tones)) if {k % 12 for k in c} == set(tones)]
    return tuple(sorted(every, key=lambda c: (sum(b - a < 2 for a, b in itertools.pairwise(c)), c))[:40])


def motion(before: tuple[int, ...], after: tuple[int, ...]) -> float:
    """Total movement in semitones, voice by voice from the top; a voice more or less costs 4."""
    pairs = zip(reversed(before), reversed(after), strict=False)
    return sum(abs(a - b) for a, b in pairs) + 4.0 * abs(len(before) - len(after))


def best_voicing(harmony: Harmony, player: ChordPlayer, before: tuple[int, ...] | None) -> tuple[int, ...]:
    """The voicing nearest the one before, drawn to the middle of the register."""
    low, high = player.register
    options = _voicings(tuple(sorted(chosen_tones(harmony, player.voices))), player.voices, low, high)
    middle = (low + high) / 2

    def cost(voicing: tuple[int, ...]) -> tuple[float, tuple[int, ...]]:
        centre = abs(sum(voicing) / len(voicing) - middle)
        rooted = 0.0 if player.voices < 5 or voicing[0] % 12 == harmony.bass else 12.0
        return ((motion(before, voicing) if before else 0.0) + 0.8 * centre + rooted, voicing)

    return min(options, key=cost)


def chord_part(stage: Stage, place: int, *, seed: int) -> Part:
    """The part of the groove's chord player number ``place``, closing chord included.

    Silent under no chord; a stop is one short stroke, a chord held one that rings. In a pickup bar the player waits.
    """
    player = stage.groove.chords[place]
    name = f"chords {place + 1}"
    rng = generator(seed, name)
    held: tuple[int, ...] | None = None
    hits: list[Hit] = []
    offset = int(rng.integers(0, len(player.patterns)))
    for bar in stage.bars:
        if bar.pickup:
            continue
        local = bar.groove.chords[min(place, len(bar.groove.chords) - 1)]
        for step, at, until, here in _plan(bar, local, offset):
            if here.harmony is None:
                continue
            held = best_voicing(here.harmony, player, held)
            start = bar.felt(at)
            length = 0.35 * float(bar.beat) if here.stop else bar.felt(until) - start
            down = (at - bar.start) % bar.beat == 0
            hits += _stroke(held, start, length, step.force, player.spread_s, down=down)
    if stage.last_harmony:
        last = best_voicing(stage.last_harmony, player, held)
        hits += _stroke(last, float(stage.end), 6.0, 6, player.spread_s * 2, down=True)
    return Part(name, hits_sorted(hits), player.program, loose_s=0.005)


def _stroke(
    voicing: tuple[int, ...], start: float, length: float, force: int, spread_s: float, *, down: bool
) -> Iterator[Hit]:
    order = voicing if down else tuple(reversed(voicing))
    for place, key in enumerate(order):
        late = spread_s * place / max(1, len(order) - 1)
        softer = 6 if key not in (voicing[0], voicing[-1]) else 0
        yield Hit(start, max(0.05, length * 0.95), key, max(1, velocity_of(force) - softer), late)


def _plan(bar: StageBar, player: ChordPlayer, offset: int) -> list[tuple[Step, Fraction, Fraction, Stretch]]:
    """(step, start, end, stretch) of one bar. A chord that the pattern would pass over gets
    a stroke on its first moment, and a hit a strong one; a stroke that would ring into the next chord is cut there,
    and goes on with the new chord when half a beat or more is left of it."""
    placed = bar.laid(player.patterns[(bar.turn + offset) % len(player.patterns)])
    for stretch in bar.stretches:
        struck = any(stretch.start <= at < min(stretch.end, stretch.start + bar.beat) for at in placed)
        held = next((u for at, (_, u) in placed.items() if at < stretch.start < u), None)
        hit = stretch.play is Play.HIT
        if stretch.fresh and (stretch.alone or hit or not struck):
            until = held if held and held - stretch.start >= bar.beat / 2 else stretch.start + bar.beat
            placed[stretch.start] = (
                Step(Fraction(0), Fraction(1), "x", 9 if hit else 6),
                min(until, stretch.end),
            )
    return bar.in_turn(placed)
