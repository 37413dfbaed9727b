"""A part: what one player of the band strikes, and how a person's hands are off by a little.

Conventions
-----------
Times are quarters on the played timeline with swing already in them; the seconds come
from the time map when the part is turned into events.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from pipeline.music.timemap import TimeMap
from pipeline.sound.events import Events

DRUM_CHANNEL = 9


@dataclass(frozen=True, slots=True)
class Hit:
    """One struck note. ``quarter``, ``length``: played quarters; ``key``: MIDI number;
    ``velocity`` 1-127; ``late_s``: seconds behind its place (a strum)."""

    quarter: float
    length: float
    key: int
    velocity: int
    late_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Part:
    """A player's hits. ``loose_s``: spread (one standard deviation) of the timing."""

    name: str
    hits: tuple[Hit, ...]
    program: int
    drums: bool = False
    loose_s: float = 0.004


def generator(seed: int, name: str) -> np.random.Generator:
    """Random choices of one player: the same seed and name, the same choices."""
    return np.random.default_rng([seed & 0xFFFFFFFF, zlib.crc32(name.encode())])


def perform(part: Part, time_map: TimeMap, *, seed: int, fine_tune_cents: float = 0.0) -> Events:
    """The part as played: seconds from the time map, small deviations from the seed.

    No note is off by more than twice ``loose_s``, and none of one instant drifts apart.
    """
    rng = generator(seed, part.name + " hands")
    channel = DRUM_CHANNEL if part.drums else 0
    events = Events()
    events.dry(channel)
    if not part.drums:
        events.program(0.0, channel, part.program)
        events.fine_tune(channel, fine_tune_cents)
    offsets: dict[float, float] = {}
    hits = sorted(part.hits, key=lambda h: (h.quarter, h.key))
    starts = time_map.to_seconds([h.quarter for h in hits])
    ends = time_map.to_seconds([h.quarter + h.length for h in hits])
    by_key: dict[int, list[tuple[float, float, int]]] = {}
    for hit, start, end in zip(hits, starts, ends, strict=True):
        if hit.quarter not in offsets:
            loose = part.loose_s
            offsets[hit.quarter] = float(np.clip(rng.normal(0.0, loose), -2 * loose, 2 * loose))
        shift = offsets[hit.quarter] + hit.late_s
        velocity = int(np.clip(hit.velocity + rng.integers(-4, 5), 1, 127))
        begin = max(0.0, float(start) + shift)
        by_key.setdefault(hit.key, []).append((begin, max(begin + 0.03, float(end) + shift - 0.01), velocity))
    for key, notes in by_key.items():
        notes.sort()
        following = [begin for begin, _, _ in notes[1:]] + [np.inf]
        for (begin, end, velocity), limit in zip(notes, following, strict=True):
            # a key must be let go before it is struck again, or its end would end the new note
            if limit - begin > 0.002:
                events.note(begin, min(end, limit - 0.001), channel, key, velocity)
    return events


def velocity_of(force: int) -> int:
    """MIDI velocity of a pattern's force 1-9."""
    return 22 + 11 * force


def hits_sorted(hits: Iterable[Hit]) -> tuple[Hit, ...]:
    return tuple(sorted(hits, key=lambda h: (h.quarter, h.key, h.velocity)))
