"""From heard moments to the map of the take: which notes to trust, and what lies between them."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from typing import Final

import numpy as np
import numpy.typing as npt

from pipeline.listen.alignment import HeardBar, HeardNote
from pipeline.listen.judge import Verdict
from pipeline.listen.onsets import steady
from pipeline.listen.score import Event, nominal_map, swung_quarters
from pipeline.music.tab import Tab
from pipeline.music.timemap import TimeMap

Floats = npt.NDArray[np.float64]

BREATH: Final = Fraction(1, 48)  # quarters: the jump of the map in a pause is drawn out over so much
AT_ONCE_S: Final = 0.05  # bars from before the recording take no longer
TRUSTED: Final = 0.25  # the map leans on events of at least this confidence


def placed(
    tab: Tab,
    happenings: Sequence[Event],
    seconds: Floats,
    held: Floats,
    verdicts: dict[int, Verdict],
    slope: float,
) -> tuple[TimeMap, tuple[HeardNote, ...], tuple[HeardBar, ...], float]:
    """The map, the notes, the bars, and the median distance (ms) of notes from where their neighbours
    put them, pauses taken out (``held``, see ``pipeline.listen.breaths``)."""
    nominal = np.array([event.nominal_s for event in happenings])
    beat_s = 60.0 / tab.tempo_bpm
    attack = np.array([max(verdicts[n.index].attack for n in e.notes) for e in happenings])
    lost = np.array([all(verdicts[n.index].status == "missing" for n in e.notes) for e in happenings])
    trust = np.where(lost, 0.05, np.clip(attack, 0.1, 1.0))
    by_neighbours, _ = steady(nominal, seconds - held, trust, reach_s=2.0 * beat_s)
    residual = np.abs(seconds - held - by_neighbours)
    confidence = (1.0 - np.exp(-attack / 0.3)) / (1.0 + (residual / 0.08) ** 2)
    confidence = np.where(lost, np.minimum(confidence, 0.2), confidence)
    kept = [
        i for i, event in enumerate(happenings) if event.anchors and not lost[i] and confidence[i] >= TRUSTED
    ]
    if len(kept) < 2:
        kept = [i for i, event in enumerate(happenings) if event.anchors] or [0]
    time_map = _time_map(tab, happenings, seconds, held, kept, confidence, slope)
    notes = []
    for place, event in enumerate(happenings):
        for note in event.notes:
            source, verdict = note.source, verdicts[note.index]
            at = float(seconds[place])
            if verdict.status == "missing" and lost[place]:
                at = time_map.seconds_at(event.quarter)
            notes.append(
                HeardNote(
                    index=note.index,
                    bar=source.bar.ordinal,
                    beat=float(source.beat),
                    quarter=float(source.onset),
                    seconds=round(at, 4),
                    confidence=round(float(confidence[place]), 3),
                    status=verdict.status,
                )
            )
    notes.sort(key=lambda note: note.index)
    quarters = np.array([event.quarter for event in happenings])
    first_heard = min((e.quarter for i, e in enumerate(happenings) if not lost[i]), default=0.0)
    bars = []
    for bar in tab.form.played.bars:
        near = np.abs(quarters - float(bar.start))
        close = near <= 2.0
        sure = float(np.average(confidence[close], weights=1.0 / (0.1 + near[close]))) if close.any() else 0.2
        if bar.end <= first_heard and time_map.seconds_at(bar.start) < AT_ONCE_S:
            sure = 0.0
        at_bar = round(time_map.seconds_at(bar.start), 4)
        bars.append(HeardBar(bar.ordinal, at_bar, round(sure, 3)))
    played = residual[~lost]
    median = 1e3 * float(np.median(played)) if len(played) else 0.0
    return time_map, tuple(notes), tuple(bars), round(median, 2)


def _time_map(
    tab: Tab,
    happenings: Sequence[Event],
    seconds: Floats,
    held: Floats,
    kept: Sequence[int],
    confidence: Floats,
    slope: float,
) -> TimeMap:
    """Through the events that are kept; ends go on at the local tempo. The time of a pause passes
    right before the note after it."""
    best: dict[float, int] = {}
    for i in kept:
        quarter = happenings[i].quarter
        if quarter not in best or confidence[i] > confidence[best[quarter]]:
            best[quarter] = i
    points: list[tuple[float, float]] = []
    waited: list[float] = []
    beats: list[Fraction] = []
    for quarter, i in sorted(best.items()):
        if not points or (seconds[i] - points[-1][1] > 1e-3 and quarter > points[-1][0]):
            if points and held[i] > waited[-1]:
                beats.append(_exact(quarter) - min(BREATH, (_exact(quarter) - _exact(points[-1][0])) / 2))
            points.append((quarter, float(seconds[i])))
            waited.append(float(held[i]))
    begin, end = Fraction(0), tab.form.played.length
    beats += [Fraction(q) for q in range(int(end) + 1)] + [bar.start for bar in tab.form.played.bars]
    beats.append(end)
    have = {quarter for quarter, _ in points}
    missing = sorted(
        {q for q in beats if begin <= q <= end and not any(abs(float(q) - h) < 1e-6 for h in have)}
    )
    if missing:
        points += _between_points(tab, points, waited, missing, slope)
    clean: list[tuple[float, float]] = []
    for quarter, second in _within_recording(sorted(points)):
        if not clean or (quarter > clean[-1][0] and second > clean[-1][1] + 1e-4):
            clean.append((quarter, second))
    return TimeMap.from_points(clean)


def _within_recording(points: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """What would come before the recording, passed over in a moment at its start."""
    before = [quarter for quarter, second in points if second < 0]
    later = points[len(before) :]
    if not before or not later:
        return points
    passing = np.linspace(0.0, min(AT_ONCE_S, 0.5 * later[0][1]), len(before), endpoint=False)
    return [*zip(before, passing.tolist(), strict=True), *later]


def _exact(quarter: float) -> Fraction:
    return Fraction(quarter).limit_denominator(960)


def _nominal(tab: Tab, quarters: Sequence[Fraction]) -> Floats:
    return nominal_map(tab).to_seconds(swung_quarters(tab, list(quarters)))


def _between_points(
    tab: Tab,
    points: Sequence[tuple[float, float]],
    waited: Sequence[float],
    wanted: Sequence[Fraction],
    slope: float,
) -> list[tuple[float, float]]:
    """Beats without a note of their own, so that swing and drift bend the map there too.

    Between notes: the local tempo's curve, tied to the notes on either side; before the first
    and after the last: on at the tempo there.
    """
    known = _nominal(tab, [_exact(q) for q, _ in points])
    pauses = np.array(waited)
    seconds = np.array([s for _, s in points]) - pauses
    at = _nominal(tab, wanted)
    reach_s = 120.0 / tab.tempo_bpm
    even = np.ones(len(known))
    smooth, _ = steady(known, seconds, even, reach_s=reach_s, at=at)
    smooth_known, _ = steady(known, seconds, even, reach_s=reach_s, at=known)
    found = smooth + np.interp(at, known, seconds - smooth_known)
    for edge, outside in ((0, at < known[0]), (-1, at > known[-1])):
        pace = _pace(known, seconds, slope, edge=edge, reach_s=2 * reach_s)
        found[outside] = seconds[edge] + pace * (at[outside] - known[edge])
    # what lies between a note and the pause after it goes on from that note
    last = np.clip(np.searchsorted(known, at, side="right") - 1, 0, len(known) - 1)
    found = found + pauses[last]
    following = np.append(seconds + pauses, np.inf)[last + 1]
    inside = (found < following - 1e-3) | (at < known[0])
    return [(float(q), float(s)) for q, s, fits in zip(wanted, found, inside, strict=True) if fits]


def _pace(known: Floats, seconds: Floats, slope: float, *, edge: int, reach_s: float) -> float:
    """Seconds to a nominal second within ``reach_s`` of the first (edge 0) or last (-1) point."""
    near = np.abs(known - known[edge]) <= reach_s
    if np.count_nonzero(near) < 3:
        return slope
    fit = float(np.polyfit(known[near], seconds[near], 1)[0])
    return float(np.clip(fit, 0.6 * slope, 1.6 * slope))
