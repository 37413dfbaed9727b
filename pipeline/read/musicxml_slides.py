"""Slides and ties between the notes of a MusicXML part, and the note of the file they join."""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass
from fractions import Fraction
from xml.etree.ElementTree import Element

from pipeline.music.pitch import Spelling
from pipeline.music.technique import Slide, SlideKind, Technique
from pipeline.read.musicxml_measures import Measure, timed


@dataclass(slots=True)
class RawNote:
    """A note of the file before it has its place: written quarters, sounding MIDI number."""

    element: Element
    measure: str
    onset: Fraction
    duration: Fraction
    midi: int
    spelling: Spelling | None
    string: int | None
    fret: int | None
    tied: bool
    voice: int
    grace: bool
    bare: bool = False  # the file does not say where it is fretted


def loosen_ties(raws: list[RawNote], measures: tuple[Measure, ...]) -> int:
    """Unties notes whose tie comes from no note of their pitch; returns how many.

    Where an ending or a repeat starts the tie may come from further back.
    """
    ends = {(raw.midi, raw.onset + raw.duration) for raw in raws if not raw.grace}
    jumps = {measure.start for measure in measures if measure.endings or measure.repeat_start}
    loose = [r for r in raws if r.tied and (r.midi, r.onset) not in ends and r.onset not in jumps]
    for raw in loose:
        raw.tied = False
    return len(loose)


def slides_of(
    raws: list[RawNote], measures: tuple[Measure, ...], dropped: Counter[str]
) -> dict[int, list[Technique]]:
    """Slides by note: how it is reached, then how it is left.

    A slide under a slur is not struck again; where a part has no slurs at all, none is.
    """
    found: dict[int, list[Technique]] = defaultdict(list)
    waiting: dict[tuple[str, str], int] = {}
    order = sorted(range(len(raws)), key=lambda i: (raws[i].onset, not raws[i].grace))
    slurred = _slurred(measures)
    # programs that number lines by string or voice number slurs alike
    lines_used = {
        c.get("number", "1")
        for r in raws
        for n in r.element.findall("notations")
        for c in n
        if c.tag == "slide"
    }
    paired = bool({number for number, _, _ in slurred} & lines_used)
    for index in order:
        lines = [
            c for n in raws[index].element.findall("notations") for c in n if c.tag in ("slide", "glissando")
        ]
        for line in sorted(lines, key=lambda c: c.get("type") == "start"):
            name = (line.tag, line.get("number", "1"))
            if line.get("type") == "start":
                waiting[name] = index
            elif name in waiting:
                source = raws[waiting.pop(name)]
                if source.string != raws[index].string:
                    dropped["slide from one string to another"] += 1
                    continue
                legato = not slurred or any(
                    a <= source.onset and raws[index].onset <= b
                    for number, a, b in slurred
                    if not paired or number == name[1]
                )
                found[index].append(Slide(SlideKind.LEGATO if legato else SlideKind.SHIFT))
            else:
                found[index].append(Slide(SlideKind.IN_BELOW))
    for index in waiting.values():
        found[index] += [Slide(SlideKind.OUT_DOWN)]
    return found


def _slurred(measures: tuple[Measure, ...]) -> list[tuple[str, Fraction, Fraction]]:
    """Stretches under slurs, of any staff of the part: number, start, end."""
    open_slurs: dict[str, Fraction] = {}
    found: list[tuple[str, Fraction, Fraction]] = []
    # voices stand one after another in the file, a slur may lead from one to another
    for _, quarter, item in sorted(timed(measures, "note"), key=lambda found: found[1]):
        slurs = item.element.findall("notations/slur")
        for slur in sorted(slurs, key=lambda slur: slur.get("type") == "start"):
            number = slur.get("number", "1")
            if slur.get("type") == "start":
                open_slurs[number] = quarter
            elif slur.get("type") == "stop" and number in open_slurs:
                found.append((number, open_slurs.pop(number), quarter))
    return found
