"""Grace notes put before the events that they lead into."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from typing import Final

from pipeline.music.metre import PlacedBar
from pipeline.music.technique import Grace
from pipeline.page.heads import BarLayers, Head, Layer, LooseGraces

_MIXED: Final = 0  # instead of a voice


def with_graces(layers: list[Layer], graces: list[Head], bar: PlacedBar, *, exact: bool) -> BarLayers:
    """Grace notes before the event that they lead into, those of one voice together.

    It is one of their strings, else one of their voice, else what sounds in the first layer;
    in an exact layout only one that starts with them in a layer of their voice, and those of two
    voices at one moment stay together, so that their order is kept.
    """
    waiting: dict[tuple[Fraction, int], list[Head]] = {}
    for onset, found in itertools.groupby(graces, key=lambda head: head.note.onset - bar.start):
        heads = list(found)
        voices = [head.note.voice for head in heads]
        mixed = len(set(voices)) > 1 and (exact or voices != sorted(voices))
        for head in heads:
            waiting.setdefault((onset, _MIXED if mixed else head.note.voice), []).append(head)
    taken: dict[tuple[int, int], list[tuple[Head, ...]]] = {}
    loose: list[LooseGraces] = []
    for (onset, voice), heads in waiting.items():
        strings = {head.note.string for head in heads}
        homes = [
            (
                event.onset != onset,
                not any(h.note.voice == voice for h in event.heads),
                not any(h.note.string in strings and h.part == 0 for h in event.heads),
                layer.number,
                place,
            )
            for layer in layers
            for place, event in enumerate(layer.events)
            if (event.onset == onset and (not exact or (voice != _MIXED and layer.number % 2 == voice % 2)))
            or (not exact and layer.number == 1 and event.onset <= onset < event.end)
        ]
        if homes:
            taken.setdefault(min(homes)[3:], []).extend(_grace_groups(heads))
        else:
            loose.append(LooseGraces(onset, tuple(_grace_groups(heads))))
    done = []
    for layer in layers:
        events = list(layer.events)
        for (number, place), groups in taken.items():
            if number == layer.number:
                events[place] = replace(events[place], graces=tuple(groups))
        done.append(replace(layer, events=tuple(events)))
    return BarLayers(bar, tuple(done), tuple(loose))


def _grace_groups(heads: list[Head]) -> Iterator[tuple[Head, ...]]:
    """What is struck together, in turn."""
    group: list[Head] = []
    for head in heads:
        grace = head.note.get(Grace)
        if group and not (grace is not None and grace.together):
            yield tuple(group)
            group = []
        group.append(head)
    if group:
        yield tuple(group)
