"""Which notes print an accidental: those not given by the key or by an earlier one in the bar.

Common practice: an accidental holds for its line or space until the bar line; a note tied
over from before the bar line needs none.
"""

from __future__ import annotations

from fractions import Fraction

from pipeline.music.technique import Dead
from pipeline.page.heads import BarLayers
from pipeline.page.layers import in_time

_SHARPS = "FCGDAEB"


def signature(fifths: int) -> dict[str, int]:
    """Letter -> alteration under a key signature."""
    if fifths >= 0:
        return dict.fromkeys(_SHARPS[:fifths], 1)
    return dict.fromkeys(_SHARPS[::-1][:-fifths], -1)


def accidentals_of(bar: BarLayers, fifths: int) -> dict[tuple[int, Fraction, int], int]:
    """(layer, onset in the bar, id of the head) -> alteration to print, for heads that need one."""
    key = signature(fifths)
    state: dict[tuple[str, int], int] = {}
    found: dict[tuple[int, Fraction, int], int] = {}
    for layer, event in in_time(bar):
        groups = [*event.graces, event.heads]
        for head in (head for group in groups for head in group):
            pitch = head.note.pitch
            place = (pitch.spelling.step, pitch.octave)
            if head.tie_back or head.note.has(Dead):
                continue
            if state.get(place, key.get(place[0], 0)) != pitch.spelling.alter:
                found[layer.number, event.onset, id(head)] = pitch.spelling.alter
                state[place] = pitch.spelling.alter
    return found
