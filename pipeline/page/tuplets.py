"""Tuplets whole where they close, cut at beats where not, and the brackets over them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from fractions import Fraction

from pipeline.music.metre import Metre
from pipeline.music.value import odd_part
from pipeline.page.heads import Event, Head
from pipeline.page.rhythm import split_at_beats

Stretch = tuple[Fraction, Fraction, tuple[Head, ...]]


def cut_tuplets(stretches: Iterable[Stretch], lead: Fraction, metre: Metre) -> Iterator[Stretch]:
    """Tuplets whole where they close evenly; otherwise cut at beats, so that each beat closes."""
    waiting = list(stretches)
    while waiting:
        first, last, _ = waiting[0]
        if odd_part(last - first) == 1 and odd_part(first) == 1:
            yield waiting.pop(0)
            continue
        count = _closing(waiting)
        span = waiting[count - 1][1] - first if count else Fraction(0)
        if count and span.numerator in (1, 2, 4, 3) and span <= 4:
            yield from waiting[:count]
            del waiting[:count]
            continue
        # cut the first stretch that runs over a beat, or give up and print it as it is
        for place, (start, end, heads) in enumerate(waiting[: count or len(waiting)]):
            parts = list(split_at_beats(start + lead, end + lead, metre))
            if len(parts) > 1:
                waiting[place : place + 1] = [
                    (
                        a - lead,
                        b - lead,
                        tuple(
                            replace(
                                h,
                                part=h.part + i,
                                tie_back=h.tie_back or i > 0,
                                tie_on=h.tie_on or i + 1 < len(parts),
                            )
                            for h in heads
                        ),
                    )
                    for i, (a, b) in enumerate(parts)
                ]
                break
        else:
            yield waiting.pop(0)


def _closing(stretches: Sequence[Stretch]) -> int:
    """How many stretches from the first make a tuplet that ends where it can, or 0."""
    ratio = odd_part(stretches[0][1] - stretches[0][0])
    for count, (first, last, _) in enumerate(stretches, start=1):
        if odd_part(last - first) not in (ratio, 1):
            return 0
        if odd_part(last - stretches[0][0]) == 1:
            return count
    return 0


def bracketed(events: list[Event]) -> list[Event]:
    """Tuplet brackets from where a ratio starts to where its time closes evenly."""
    done = list(events)
    start: int | None = None
    for place, event in enumerate(done):
        if event.value.actual == 1:
            start = None
            continue
        if start is None or done[start].value.actual != event.value.actual:
            start = place
            done[place] = replace(event, tuplet_start=True)
        if odd_part(event.end - done[start].onset) == 1:
            done[place] = replace(done[place], tuplet_stop=True)
            start = None
    # a bracket that never closed is not drawn; the ratio still stands on each note
    opened: int | None = None
    for place, event in enumerate(done):
        if event.tuplet_start:
            if opened is not None:
                done[opened] = replace(done[opened], tuplet_start=False)
            opened = place
        if event.tuplet_stop:
            opened = None
    if opened is not None:
        done[opened] = replace(done[opened], tuplet_start=False)
    return done
