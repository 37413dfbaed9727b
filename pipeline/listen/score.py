"""What the take should sound like: the tab as expected events and expected pitches.

Conventions
-----------
- ``nominal_s``: seconds from the start of the played form at the tab's own tempo and swing.
- Pitches are (possibly fractional) MIDI numbers at the tab's reference.
- An *event* is one or more notes that start together; it is what an onset in the take is
  looked for. Grace notes are events of their own, a moment before (or on) the beat.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Final

import numpy as np
import numpy.typing as npt

from pipeline.music.tab import SoundingNote, Tab
from pipeline.music.technique import (
    Bend,
    Dead,
    Ghost,
    Grace,
    HammerOn,
    LetRing,
    PalmMute,
    PullOff,
    Slide,
    SlideKind,
    Staccato,
    Tap,
    TremoloPicking,
    Trill,
    Vibrato,
)
from pipeline.music.timemap import TimeMap, swung

Floats = npt.NDArray[np.float64]

GRACE_S: Final = 0.07  # a grace note at moderate tempo: common practice
RING_S: Final = 4.0  # how long a note left ringing is expected to be heard
MUTED_S: Final = 0.15  # a palm-muted note is heard for about this long


@dataclass(frozen=True, slots=True)
class ExpectedNote:
    """A struck note as it should be heard.

    index : place in ``Tab.sounding``
    nominal_s, length_s : start and written length at the tab's tempo
    end_s : until when it is heard (longer when left to ring)
    midi : pitch at its very start (a pre-bend is already up)
    curve : (share of its length 0..1, MIDI) points, the pitch as it goes on
    slurred : sounded without a new stroke (hammer-on, pull-off, legato slide)
    pitched : False for a dead note
    level : expected amplitude, 1 for a plain note
    decay_s : time constant of its dying away
    """

    index: int
    source: SoundingNote
    nominal_s: float
    length_s: float
    end_s: float
    midi: float
    curve: tuple[tuple[float, float], ...]
    slurred: bool
    pitched: bool
    level: float
    decay_s: float

    def midi_at(self, second: float) -> float:
        """Pitch at a nominal second."""
        share = min(1.0, max(0.0, (second - self.nominal_s) / max(1e-6, self.length_s)))
        return float(np.interp(share, [t for t, _ in self.curve], [m for _, m in self.curve]))


@dataclass(frozen=True, slots=True)
class Event:
    """Notes that start together.

    quarter : played quarter
    anchors : whether the time map may lean on it (grace notes before the beat do not)
    """

    quarter: float
    nominal_s: float
    notes: tuple[ExpectedNote, ...]
    anchors: bool

    @property
    def slurred(self) -> bool:
        return all(note.slurred for note in self.notes)


def swung_quarters(tab: Tab, quarters: list[Fraction]) -> Floats:
    """Played quarters -> where they fall with the tab's swing, beat by beat within each bar.

    The pairs are counted from the end of a pickup, so that half a beat of pickup is an
    off-beat.
    """
    if tab.swing == Fraction(1, 2):
        return np.array([float(q) for q in quarters])
    found = []
    for quarter in quarters:
        bar = tab.form.played.bar_at(quarter)
        if bar.bar.metre.compound:  # triplets are written out there
            found.append(float(quarter))
            continue
        lead = (bar.bar.metre.quarters - bar.bar.length) if bar.bar.pickup else Fraction(0)
        place = float(lead + quarter - bar.start)
        found.append(float(bar.start - lead) + float(swung([place], tab.swing)[0]))
    return np.array(found)


def nominal_map(tab: Tab) -> TimeMap:
    """Played quarters (already swung) -> nominal seconds."""
    return TimeMap.of_tab(tab)


def _curve(tab: Tab, item: SoundingNote) -> tuple[tuple[float, float], ...]:
    midi = float(item.note.sounding_midi(tab.instrument))
    bend, slide = item.note.get(Bend), item.note.get(Slide)
    if bend is not None:
        return tuple((float(t), midi + float(s)) for t, s in bend.points)
    if slide is not None and slide.kind is SlideKind.OUT_DOWN:
        return ((0.0, midi), (0.7, midi), (1.0, midi - 5.0))
    if slide is not None and slide.kind is SlideKind.OUT_UP:
        return ((0.0, midi), (0.7, midi), (1.0, midi + 5.0))
    return ((0.0, midi), (1.0, midi))


def _release_s(item: SoundingNote, ends_s: float, next_s: float | None) -> float:
    if item.note.has(LetRing):
        rings = ends_s + RING_S
        return min(rings, next_s) if next_s is not None else rings
    return ends_s


def expected_notes(tab: Tab) -> tuple[ExpectedNote, ...]:
    """Every struck note of the played form, in the order of ``tab.sounding``."""
    sounding = tab.sounding
    mapping = nominal_map(tab)
    starts = mapping.to_seconds(swung_quarters(tab, [n.onset for n in sounding]))
    ends = mapping.to_seconds(swung_quarters(tab, [n.end for n in sounding]))
    following: dict[int, float] = {}
    later: list[float | None] = [None] * len(sounding)
    for place in range(len(sounding) - 1, -1, -1):
        string = sounding[place].note.string
        later[place] = following.get(string)
        following[string] = float(starts[place])
    made = []
    sounded: set[int] = set()
    for place, item in enumerate(sounding):
        note = item.note
        start, end = float(starts[place]), float(ends[place])
        grace = note.get(Grace)
        if grace is not None:
            start, end = (start, start + GRACE_S) if grace.on_beat else (start - GRACE_S, start)
        slide = note.get(Slide)
        slurred = note.has(HammerOn, PullOff) or (slide is not None and slide.kind is SlideKind.LEGATO)
        slurred = slurred and note.string in sounded
        curve = _curve(tab, item)
        level = 0.4 if note.has(Ghost) else 0.7 if slurred else 1.0
        decay = MUTED_S if note.has(PalmMute) else 1.5
        if note.has(Staccato):
            end = start + 0.5 * (end - start)
        made.append(
            ExpectedNote(
                index=item.index,
                source=item,
                nominal_s=start,
                length_s=end - start,
                end_s=_release_s(item, end, later[place]),
                midi=curve[0][1],
                curve=curve,
                slurred=slurred and not note.has(Tap, TremoloPicking, Trill),
                pitched=not note.has(Dead),
                level=level,
                decay_s=decay,
            )
        )
        sounded.add(note.string)
    return tuple(made)


def events(tab: Tab, notes: tuple[ExpectedNote, ...]) -> tuple[Event, ...]:
    """Notes gathered into events, in time order."""
    groups: dict[tuple[float, float], list[ExpectedNote]] = {}
    on_beat = {note.source.onset for note in notes if (g := note.source.note.get(Grace)) and g.on_beat}
    for note in notes:
        nominal = note.nominal_s
        if note.source.onset in on_beat and not note.source.note.grace:
            nominal += GRACE_S
        groups.setdefault((round(nominal, 6), float(note.source.onset)), []).append(note)
    found = []
    for (nominal, quarter), members in sorted(groups.items()):
        grace = members[0].source.note.get(Grace)
        anchors = grace.on_beat if grace is not None else members[0].source.onset not in on_beat
        found.append(Event(quarter, nominal, tuple(members), anchors))
    return tuple(found)


def wavering(note: ExpectedNote) -> bool:
    """Whether the pitch moves while the note sounds."""
    return note.source.note.has(Bend, Vibrato, Slide, Trill)
