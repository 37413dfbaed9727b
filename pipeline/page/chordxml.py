"""Chord symbols as MusicXML ``harmony`` elements, and where a written page shows them.

References
----------
MusicXML 4.0, elements ``harmony``, ``kind``, ``degree``: the alteration of an added degree
counts from the major (for the seventh: minor) degree, that of an altered one from what the kind has.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Final
from xml.etree.ElementTree import Element, SubElement

from pipeline.music.chart import ChordSpan, unpushed
from pipeline.music.chord import KINDS, Chord
from pipeline.music.metre import Form, PlacedBar

# Chord.kind -> MusicXML 4.0 kind-value
KIND_VALUES: Final = {
    "maj": "major",
    "min": "minor",
    "dim": "diminished",
    "aug": "augmented",
    "5": "power",
    "sus2": "suspended-second",
    "sus4": "suspended-fourth",
    "maj6": "major-sixth",
    "min6": "minor-sixth",
    "7": "dominant",
    "maj7": "major-seventh",
    "min7": "minor-seventh",
    "minmaj7": "major-minor",
    "hdim7": "half-diminished",
    "dim7": "diminished-seventh",
    "9": "dominant-ninth",
    "maj9": "major-ninth",
    "min9": "minor-ninth",
    "11": "dominant-11th",
    "maj11": "major-11th",
    "min11": "minor-11th",
    "13": "dominant-13th",
    "maj13": "major-13th",
    "min13": "minor-13th",
}


@dataclass(frozen=True, slots=True)
class ShownChord:
    """A chord name on the written page.

    bar : index of the written bar
    offset : quarters into that bar
    chord : None is N.C.
    """

    bar: int
    offset: Fraction
    chord: Chord | None


def shown_chords(spans: Sequence[ChordSpan], form: Form) -> tuple[tuple[ShownChord, ...], tuple[str, ...]]:
    """Chord names where they change, and notes on what the page cannot show.

    The page has each bar once: it shows the chords of the first time through. A chord that
    goes on is named again where a repeat or an ending starts, at segno and coda, and wherever
    the music comes from elsewhere: the bar that was read before does not tell it there.
    """
    shown: list[ShownChord] = []
    cautions: list[str] = []
    now: Chord | None = None
    started = False
    spans = unpushed(spans)
    by_bar: dict[int, list[PlacedBar]] = {}
    for bar in form.played.bars:
        by_bar.setdefault(bar.written, []).append(bar)
    landings = {
        two.written for one, two in itertools.pairwise(form.played.bars) if two.written != one.written + 1
    }
    for place in form.written.bars:
        passes = by_bar.get(place.index, [])
        slices = [tuple(_slice(spans, bar.start, bar.end)) for bar in passes]
        if not slices:
            continue
        if any(other != slices[0] for other in slices[1:]):
            cautions.append(
                f"the chords of bar {place.bar.number} are not the same each time it is played; "
                "the page shows those of the first time"
            )
        before = form.bars[place.index - 1] if place.index else None
        signs = place.bar.signs
        afresh = (
            place.bar.repeat_start
            or signs.segno
            or signs.coda
            or place.index in landings
            or (before is not None and before.signs.jump is not None)
            or bool(before and place.bar.endings and place.bar.endings != before.endings)
        )
        for offset, chord in slices[0]:
            if not started and chord is None and place.bar.pickup:
                continue  # nothing is said about a pickup before the first chord
            if chord != now or not started or (afresh and offset == 0):
                shown.append(ShownChord(place.index, offset, chord))
                now, started = chord, True
    return tuple(shown), tuple(cautions)


def _slice(
    spans: Sequence[ChordSpan], start: Fraction, end: Fraction
) -> Iterable[tuple[Fraction, Chord | None]]:
    for span in spans:
        if span.start < end and span.end > start:
            yield max(span.start, start) - start, span.chord


def _signed(parent: Element, name: str, alter: int) -> None:
    if alter:
        SubElement(parent, name).text = str(alter)


def harmony(chord: Chord | None, *, signs: bool = False) -> Element:
    """The ``harmony`` element, without offset and staff; ``signs``: for printing, its text with
    ♭ and ♯ and no degrees."""
    top = Element("harmony")
    root = SubElement(top, "root")
    if chord is None:
        # MusicXML 4.0, kind-value "none": the root is written but not shown
        SubElement(root, "root-step", {"text": ""}).text = "C"
        SubElement(top, "kind", {"text": "N.C."}).text = "none"
        return top
    SubElement(root, "root-step").text = chord.root.step
    _signed(root, "root-alter", chord.root.alter)
    SubElement(top, "kind", {"text": chord.suffix(signs=signs)}).text = KIND_VALUES[chord.kind]
    if chord.bass is not None:
        bass = SubElement(top, "bass")
        SubElement(bass, "bass-step").text = chord.bass.step
        _signed(bass, "bass-alter", chord.bass.alter)
    if signs:
        return top  # the text says it all; the engraver would print degrees once more
    degrees = KINDS[chord.kind][0]
    for change in chord.changes:
        degree = SubElement(top, "degree", {"print-object": "no"})
        SubElement(degree, "degree-value").text = str(change.degree)
        if change.action == "omit":
            action, alter = "subtract", 0
        elif change.action == "alter" and change.degree in degrees:
            action, alter = "alter", change.alter - degrees[change.degree]
        else:
            # an added seventh counts from the dominant chord's, a minor one
            action, alter = "add", change.alter + (1 if change.degree == 7 else 0)
        SubElement(degree, "degree-alter").text = str(alter)
        SubElement(degree, "degree-type").text = action
    return top
