"""Dynamics, accents and ghost notes from velocities: few changes, marks only where they are clear."""

from __future__ import annotations

import itertools
import statistics
from collections.abc import Sequence
from typing import Final, Protocol

from pipeline.music.tab import DYNAMICS
from pipeline.music.technique import Accent, Ghost, Technique

_SOFTEST, _STEP = 20, 14  # velocity of ppp, and between two dynamics
_ACCENT, _GHOST = 18, 30  # above and below the bar's middle
_FEW: Final = 0.25  # share of a bar's notes that can be accents


class Loud(Protocol):
    """A note whose dynamic and marks are set."""

    marks: tuple[Technique, ...]
    dynamic: str


def dynamic_of(velocity: float) -> str:
    return DYNAMICS[max(0, min(len(DYNAMICS) - 1, round((velocity - _SOFTEST) / _STEP)))]


def loudness(struck: Sequence[tuple[int, int]], notes: Sequence[Loud], *, known: bool) -> None:
    """Set dynamics and marks.

    struck : (velocity, index of its bar) of each note
    known : the file's velocities are known to mean dynamics
    """
    velocities = [velocity for velocity, _ in struck]
    if len(set(velocities)) <= 1 and not known:
        return  # one velocity throughout is a program's default
    steps = [dynamic_of(velocity) for velocity in velocities]
    changes = sum(a != b for a, b in itertools.pairwise(steps))
    if known or changes <= max(1, len(steps) // 12):
        for note, step in zip(notes, steps, strict=True):
            note.dynamic = step
        return
    by_bar: dict[int, list[int]] = {}
    for index, (_, bar) in enumerate(struck):
        by_bar.setdefault(bar, []).append(index)
    now: float | None = None
    for bar in sorted(by_bar):
        own = by_bar[bar]
        middle = statistics.median(velocities[i] for i in own)
        if now is None or abs(middle - now) > _STEP * 0.8:
            now = middle
        loud = [i for i in own if velocities[i] >= middle + _ACCENT]
        soft = [i for i in own if velocities[i] <= middle - _GHOST]
        for i in own:
            notes[i].dynamic = dynamic_of(now)
        for group, mark in ((loud, Accent()), (soft, Ghost())):
            if 0 < len(group) <= _FEW * len(own):
                for i in group:
                    if not any(isinstance(m, type(mark)) for m in notes[i].marks):
                        notes[i].marks = (*notes[i].marks, mark)
