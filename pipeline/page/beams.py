"""Which notes share a beam: those of one beat, in 4/4 plain eighths of one half bar.

Common practice. Rests and notes of a quarter or longer end a beam.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from typing import Final

from pipeline.music.metre import Metre
from pipeline.page.heads import Event

FLAGS: Final = {"eighth": 1, "16th": 2, "32nd": 3, "64th": 4, "128th": 5, "256th": 6}


def beat_groups(metre: Metre) -> list[Fraction]:
    """Lengths in quarters of the beat groups of a full bar."""
    unit = Fraction(4, metre.unit)
    if metre.compound or metre.unit < 8:
        return [metre.beat_quarters] * int(metre.quarters / metre.beat_quarters)
    # 3/8 in one, 5/8 as 3+2, 7/8 as 2+2+3, others in twos and a last three
    if metre.beats <= 3:
        return [metre.quarters]
    if metre.beats == 5:
        return [3 * unit, 2 * unit]
    count, odd = divmod(metre.beats, 2)
    sizes = [2] * (count - odd) + [3] * odd
    return [size * unit for size in sizes]


def beamed(events: list[Event], metre: Metre, lead: Fraction) -> list[Event]:
    """The events of a layer with their beams."""
    marks: list[Fraction] = [Fraction(0)]
    for length in beat_groups(metre):
        marks.append(marks[-1] + length)

    def group_of(event: Event) -> int:
        place = event.onset + lead
        return max(n for n, mark in enumerate(marks) if mark <= place)

    runs: list[list[int]] = []
    for index, event in enumerate(events):
        if not event.heads or event.value.kind not in FLAGS:
            runs.append([])
            continue
        if not runs or not runs[-1] or group_of(events[runs[-1][-1]]) != group_of(event):
            runs.append([])
        runs[-1].append(index)
    runs = [run for run in runs if run]
    if metre == Metre(4, 4):
        runs = _half_bars(runs, events, lead)
    done = list(events)
    for run in runs:
        if len(run) > 1:
            flags = [FLAGS[events[i].value.kind] for i in run]
            for place, index in enumerate(run):
                done[index] = replace(done[index], beams=_beams(flags, place))
    return done


def _half_bars(runs: list[list[int]], events: list[Event], lead: Fraction) -> list[list[int]]:
    """Neighbouring runs of one half bar joined when they hold nothing but plain eighths."""

    def plain(run: list[int]) -> bool:
        return all(events[i].value.kind == "eighth" and events[i].value.actual == 1
                   and not events[i].value.dots for i in run)  # fmt: skip

    joined: list[list[int]] = []
    for run in runs:
        before = joined[-1] if joined else None
        if (
            before
            and before[-1] + 1 == run[0]
            and plain(before)
            and plain(run)
            and (events[before[0]].onset + lead) // 2 == (events[run[-1]].onset + lead) // 2
        ):
            before.extend(run)
        else:
            joined.append(list(run))
    return joined


def _beams(flags: list[int], place: int) -> tuple[str, ...]:
    """The states of each beam level at one note of a run."""
    states = []
    for level in range(1, flags[place] + 1):
        before = place > 0 and flags[place - 1] >= level
        after = place + 1 < len(flags) and flags[place + 1] >= level
        if before and after:
            states.append("continue")
        elif after:
            states.append("begin")
        elif before:
            states.append("end")
        else:
            # a stub points to its neighbour in the same beat: backwards, but for the first note
            states.append("forward hook" if place == 0 else "backward hook")
    return tuple(states)
