"""Played times as notated times: which grid each beat is on, and how long notes are written.

Exactly notated times (from notation software: within a tick of a grid) come back as they
were written. Played ones are moved: for each beat the grid that explains its onsets best for
its fineness, then the ends: gaps that a player leaves are filled, short notes marked.

Even eighths that are played long-short throughout are *swing*: they are straightened, and
the share of the first one told.

The costs are our own; a cost for the fineness of the grid beside the squared error follows
the idea of A. T. Cemgil, P. Desain, B. Kappen, "Rhythm quantization for transcription",
Computer Music Journal 24(2), 2000.
"""

from __future__ import annotations

import bisect
import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

# grids of exact notation, simplest first: steps to the quarter
EXACT: Final = (1, 2, 4, 3, 8, 6, 5, 16, 12, 7, 9, 10, 14, 24, 18, 15, 20, 28)
# what a grid of so many steps to the beat costs
_SIMPLE: Final = {1: 0.0, 2: 0.3, 4: 0.9, 3: 1.2, 8: 4.0, 6: 3.2, 5: 6.0, 12: 8.0, 7: 8.0, 16: 12.0}
_COMPOUND: Final = {1: 0.0, 3: 0.2, 6: 0.9, 2: 2.0, 12: 4.0, 4: 4.0, 9: 6.0}
_SPREAD: Final = 0.045  # of a beat: how far players stray
_COLLISION: Final = 8.0  # two notes of one line at one place
GATHERED_S: Final = 0.035  # struck within this: together
_SWINGS: Final = (Fraction(7, 12), Fraction(3, 5), Fraction(5, 8), Fraction(2, 3), Fraction(7, 10))


@dataclass(frozen=True, slots=True)
class PlayedNote:
    """Quarters as played; ``line`` holds one note at a time (a string), None: not known."""

    onset: Fraction
    end: Fraction
    line: int | None = None


@dataclass(frozen=True, slots=True)
class Beat:
    """A felt beat: its start and length in quarters."""

    start: Fraction
    quarters: Fraction


@dataclass(frozen=True, slots=True)
class Quantised:
    """onsets, ends : written quarters, in the order given
    staccato : which notes sound far shorter than written
    swing : share of a beat that the first of two eighths takes
    exact : whether the times were notated, so that nothing was moved
    """

    onsets: tuple[Fraction, ...]
    ends: tuple[Fraction, ...]
    staccato: tuple[bool, ...]
    swing: Fraction
    exact: bool


def quantise(
    notes: Sequence[PlayedNote],
    beats: Sequence[Beat],
    *,
    tick: Fraction,
    beat_s: float = 0.5,
    notated: bool = False,
) -> Quantised:
    """Written times of played notes.

    Parameters
    ----------
    beats : cover the piece, in order
    tick : the finest step of the source, quarters
    beat_s : how long a beat lasts, seconds, for what counts as struck together
    notated : the times are known to be notated, however few they are
    """
    half = Fraction(1, 2)
    if not notes:
        return Quantised((), (), (), half, True)
    starts = [beat.start for beat in beats]
    exact = _exactly([note.onset for note in notes], starts, tick, notated)
    if exact is not None:
        ends = _exactly([note.end for note in notes], starts, tick, notated)
        if ends is not None and all(e > o for o, e in zip(exact, ends, strict=True)):
            return Quantised(tuple(exact), tuple(ends), (False,) * len(notes), half, True)
        made, short = _ends(notes, exact, beats, starts, half)
        return Quantised(tuple(exact), tuple(made), tuple(short), half, True)
    gathered = _gathered(notes, beats, starts, beat_s)
    swing = _swing(gathered, beats, starts)
    onsets = _onsets(notes, gathered, beats, starts, swing)
    made, short = _ends(notes, onsets, beats, starts, swing)
    return Quantised(tuple(onsets), tuple(made), tuple(short), swing, False)


def _home(time: Fraction, starts: Sequence[Fraction]) -> int:
    return max(0, bisect.bisect_right(starts, time) - 1)


def _exactly(
    times: Sequence[Fraction], starts: Sequence[Fraction], tick: Fraction, notated: bool
) -> list[Fraction] | None:
    """Times that lie on grids within a tick, put there; None when too many do not.

    That a grid fits is worth the less the more points it and the simpler ones have: the
    logarithm of how likely it is by chance is added up.
    """
    slack = min(tick, Fraction(1, 200)) if tick < Fraction(1, 90) else tick / 2
    by_beat: dict[int, set[Fraction]] = {}
    for time in times:
        by_beat.setdefault(_home(time, starts), set()).add(time)
    found: dict[Fraction, Fraction] = {}
    chance, unfit = 0.0, 0
    for home, own in by_beat.items():
        start = starts[home]
        grid = next((d for d in EXACT if all(_on(t - start, d, slack) is not None for t in own)), None)
        for time in own:
            on = grid or next((d for d in EXACT if _on(time - start, d, slack) is not None), None)
            if on is None:
                found[time] = time
                unfit += 1
                continue
            placed = _on(time - start, on, slack)
            found[time] = start + (placed if placed is not None else time - start)
            points = sum(EXACT[: EXACT.index(on) + 1])
            chance += math.log(min(1.0, points * float(max(2 * slack, tick))))
    if not notated and (unfit > 0.02 * len(found) or chance > -2.5):
        return None
    return [found[time] for time in times]


def _on(offset: Fraction, steps: int, slack: Fraction) -> Fraction | None:
    place = Fraction(round(offset * steps), steps)
    return place if abs(place - offset) <= slack else None


def _gathered(
    notes: Sequence[PlayedNote], beats: Sequence[Beat], starts: Sequence[Fraction], beat_s: float
) -> list[Fraction]:
    """Onsets, with those struck together made one: a strum takes its middle."""
    order = sorted(range(len(notes)), key=lambda i: (notes[i].onset, i))
    found = [note.onset for note in notes]
    group: list[int] = []

    def close() -> None:
        middle = statistics.median_low([notes[i].onset for i in group])
        for i in group:
            found[i] = middle

    for i in order:
        near = (
            Fraction(GATHERED_S / beat_s).limit_denominator(1000)
            * beats[_home(notes[i].onset, starts)].quarters
        )
        lines = {notes[j].line for j in group} - {None}
        if group and (notes[i].onset - notes[group[0]].onset > near or notes[i].line in lines):
            close()
            group = []
        group.append(i)
    close()
    return found


def _swing(onsets: Sequence[Fraction], beats: Sequence[Beat], starts: Sequence[Fraction]) -> Fraction:
    """The share of the first eighth where beats are played long-short throughout, else 1/2."""
    inner: dict[int, list[float]] = {}
    for onset in set(onsets):
        home = _home(onset, starts)
        share = float((onset - starts[home]) / beats[home].quarters)
        if 0.14 < share < 0.86 and beats[home].quarters.denominator == 1:
            inner.setdefault(home, []).append(share)
    pairs = [shares[0] for shares in inner.values() if len(shares) == 1]
    if len(pairs) < 4 or len(pairs) < 0.6 * len(inner):
        return Fraction(1, 2)
    middle = statistics.median(pairs)
    steady = statistics.median(abs(share - middle) for share in pairs)
    if not 0.56 <= middle <= 0.72 or steady > 0.05:
        return Fraction(1, 2)
    return min(_SWINGS, key=lambda swing: abs(float(swing) - middle))


def _onsets(
    notes: Sequence[PlayedNote],
    gathered: Sequence[Fraction],
    beats: Sequence[Beat],
    starts: Sequence[Fraction],
    swing: Fraction,
) -> list[Fraction]:
    by_beat: dict[int, list[int]] = {}
    for i, onset in enumerate(gathered):
        by_beat.setdefault(_home(onset, starts), []).append(i)
    found = list(gathered)
    before = 1
    for home in sorted(by_beat):
        own = by_beat[home]
        beat = beats[home]
        shares = [float((gathered[i] - beat.start) / beat.quarters) for i in own]
        grids = _COMPOUND if beat.quarters.denominator == 2 and beat.quarters > 1 else _SIMPLE
        swung = swing != Fraction(1, 2) and len({s for s in shares if 0.14 < s < 0.86}) == 1
        choices = [
            (_cost(shares, [notes[i].line for i in own], grid, swing if swung and grid == 2 else None)
             + fine - (0.5 if grid == before else 0.0), grid)
            for grid, fine in grids.items()
        ]  # fmt: skip
        _, grid = min(choices)
        before = grid
        for i, share in zip(own, shares, strict=True):
            point = _nearest(share, grid, swing if swung and grid == 2 else None)
            found[i] = beat.start + beat.quarters * Fraction(point, grid)
    return found


def _points(grid: int, swing: Fraction | None) -> list[float]:
    if swing is not None:
        return [0.0, float(swing), 1.0]
    return [place / grid for place in range(grid + 1)]


def _nearest(share: float, grid: int, swing: Fraction | None) -> int:
    if swing is None:
        return min(grid, max(0, math.floor(share * grid + 0.5)))
    points = _points(grid, swing)
    return min(range(len(points)), key=lambda k: abs(points[k] - share))


def _cost(shares: Sequence[float], lines: Sequence[int | None], grid: int, swing: Fraction | None) -> float:
    points = _points(grid, swing)
    cost = 0.0
    taken: dict[tuple[int, int | None], float] = {}
    seen: set[float] = set()
    for share, line in zip(shares, lines, strict=True):
        place = _nearest(share, grid, swing)
        if share not in seen:
            cost += ((share - points[place]) / _SPREAD) ** 2
            seen.add(share)
        other = taken.setdefault((place, line), share)
        if abs(other - share) > 1e-9:
            cost += _COLLISION
    return cost


def _ends(
    notes: Sequence[PlayedNote],
    onsets: Sequence[Fraction],
    beats: Sequence[Beat],
    starts: Sequence[Fraction],
    swing: Fraction,
) -> tuple[list[Fraction], list[bool]]:
    """Written ends: legato gaps filled, the rest on the eighths or finer of the beat."""
    total = beats[-1].start + beats[-1].quarters
    moments = sorted(set(onsets))
    by_line: dict[int | None, list[Fraction]] = {}
    for note, onset in zip(notes, onsets, strict=True):
        by_line.setdefault(note.line, []).append(onset)
    for own in by_line.values():
        own.sort()
    ends: list[Fraction] = []
    short: list[bool] = []
    for note, onset in zip(notes, onsets, strict=True):
        lasted = note.end - note.onset
        if swing != Fraction(1, 2):
            straight = _straight(note.end, beats, starts, swing) - _straight(note.onset, beats, starts, swing)
            lasted = max(straight, lasted / 4)
        place = bisect.bisect_right(moments, onset)
        following = moments[place] if place < len(moments) else None
        limit = total
        if note.line is not None:
            line = by_line[note.line]
            place = bisect.bisect_right(line, onset)
            limit = line[place] if place < len(line) else total
        end, staccato = _end(onset, lasted, following)
        ends.append(max(min(end, limit), min(onset + Fraction(1, 16), limit)))
        short.append(staccato)
    return ends, short


def _end(onset: Fraction, lasted: Fraction, following: Fraction | None) -> tuple[Fraction, bool]:
    gap = None if following is None else following - onset
    if gap is not None and lasted <= gap * Fraction(5, 4):
        if lasted >= gap * Fraction(7, 10):
            return onset + gap, False
        if gap <= 1:
            return onset + gap, lasted < gap * Fraction(9, 20) and lasted < Fraction(1, 3)
    # an end between beats goes to the nearest eighth, short notes to the nearest sixteenth
    step = Fraction(1, 2) if lasted >= Fraction(3, 4) else Fraction(1, 4)
    end = onset + lasted
    near = Fraction(round(end / step)) * step
    if near <= onset:
        near = onset + max(step / 2, Fraction(1, 8))
    if following is not None and abs(following - end) < step / 2:
        near = following
    return near, False


def _straight(time: Fraction, beats: Sequence[Beat], starts: Sequence[Fraction], swing: Fraction) -> Fraction:
    """A swung moment where even eighths would have it."""
    beat = beats[_home(time, starts)]
    share = (time - beat.start) / beat.quarters
    if share < swing:
        return beat.start + beat.quarters * share / (2 * swing)
    return beat.start + beat.quarters * (Fraction(1, 2) + (share - swing) / (2 * (1 - swing)))
