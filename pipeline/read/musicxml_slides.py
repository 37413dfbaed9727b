"""What joins the notes of a MusicXML part: slides with the slurs over them, and other slurs."""

from __future__ import annotations

from bisect import bisect_left
from collections import defaultdict
from collections.abc import Sequence
from fractions import Fraction
from xml.etree.ElementTree import Element

from pipeline.music.technique import Slide, SlideKind, Technique
from pipeline.read.musicxml_ledger import Ledger
from pipeline.read.musicxml_measures import Measure, timed
from pipeline.read.musicxml_notes import RawNote

_LINES = ("slide", "glissando")
_Moment = tuple[Fraction, bool, int]  # quarter, no grace note, which of the grace notes there


def slides_of(
    raws: Sequence[RawNote], measures: tuple[Measure, ...], ledger: Ledger, *, guess: bool = True
) -> dict[int, list[Technique]]:
    """Slides by note: how it is reached, then how it is left.

    A slide under a slur is not struck again; where a part has no slurs at all, none is (with ``guess``). A line that
    comes from nowhere slides in, one that leads nowhere slides out.
    """
    found: dict[int, list[Technique]] = defaultdict(list)
    waiting: dict[tuple[str, str], int] = {}
    order = sorted(range(len(raws)), key=lambda i: (raws[i].onset, not raws[i].grace))
    places = _places(measures)
    slurred = _slurred(measures, places)
    lines = {index: lines_of(raws[index]) for index in order}
    # programs that number lines by string or voice number slurs alike
    used = {line.get("number", "1") for some in lines.values() for line in some if line.tag == "slide"}
    paired = not guess or bool({number for number, _, _ in slurred} & used)
    for index in order:
        for line in sorted(lines[index], key=lambda c: c.get("type") == "start"):
            name = (line.tag, line.get("number", "1"))
            if line.get("type") == "start":
                if name in waiting:
                    found[waiting[name]].append(Slide(SlideKind.OUT_DOWN))
                waiting[name] = index
            elif name in waiting:
                source = raws[waiting.pop(name)]
                if source.string != raws[index].string:
                    ledger.drop("slide from one string to another", line, raws[index].measure.name)
                    continue
                here, there = places[id(source.element)], places[id(raws[index].element)]
                legato = (guess and not slurred) or any(
                    a <= here and there <= b for number, a, b in slurred if not paired or number == name[1]
                )
                found[index].append(Slide(SlideKind.LEGATO if legato else SlideKind.SHIFT))
            else:
                found[index].append(Slide(SlideKind.IN_BELOW))
    for index in waiting.values():
        found[index].append(Slide(SlideKind.OUT_DOWN))
    return found


def lines_of(raw: RawNote) -> list[Element]:
    """The lines on a note; those on its twin only where it has none itself."""
    own = [child for group in raw.element.iterfind("notations") for child in group if child.tag in _LINES]
    return (own or [child for child in raw.marks.others if child.tag in _LINES]) + raw.tail


def _places(measures: tuple[Measure, ...]) -> dict[int, _Moment]:
    """When each note (by its element) is struck; the grace notes of a voice one after another."""
    found: dict[int, _Moment] = {}
    turns: dict[tuple[Fraction, str, str], int] = defaultdict(int)
    for _, quarter, item in timed(measures, "note"):
        note = item.element
        if note.find("grace") is None:
            found[id(note)] = (quarter, True, 0)
            continue
        voice = (quarter, note.findtext("staff", "1"), note.findtext("voice", "1"))
        turns[voice] += note.find("chord") is None
        found[id(note)] = (quarter, False, turns[voice])
    return found


def _slurred(measures: tuple[Measure, ...], places: dict[int, _Moment]) -> list[tuple[str, _Moment, _Moment]]:
    """Stretches under slurs, of any staff of the part: number, start, end."""
    open_slurs: dict[str, _Moment] = {}
    found: list[tuple[str, _Moment, _Moment]] = []
    # voices stand one after another in the file, a slur may lead from one to another
    slurs = [
        (places[id(item.element)], slur.get("type") == "start", slur)
        for _, _, item in timed(measures, "note")
        for slur in item.element.iterfind("notations/slur")
    ]
    for moment, starts, slur in sorted(slurs, key=lambda found: found[:2]):
        number = slur.get("number", "1")
        if starts:
            open_slurs[number] = moment
        elif slur.get("type") == "stop" and number in open_slurs:
            found.append((number, open_slurs.pop(number), moment))
    return found


def tell_slurs(raws: Sequence[RawNote], joined: Sequence[bool], ledger: Ledger) -> None:
    """List the slurs under which no note is hammered, pulled or slid to: they phrase, which a tab
    does not say. ``joined`` tells for each raw note whether it is."""
    starts: dict[str, RawNote] = {}
    places = sorted(range(len(raws)), key=lambda i: (raws[i].onset, not raws[i].grace))
    onsets = sorted(raw.onset for raw, legato in zip(raws, joined, strict=True) if legato)
    for index in places:
        raw = raws[index]
        slurs = [m for m in raw.marks.others if m.tag == "slur"]
        for slur in sorted(slurs, key=lambda slur: slur.get("type") == "start"):
            number = slur.get("number", "1")
            if slur.get("type") == "start":
                starts[number] = raw
            elif slur.get("type") == "stop" and number in starts:
                first = starts.pop(number)
                place = bisect_left(onsets, first.onset)
                if place == len(onsets) or onsets[place] > raw.onset:
                    ledger.drop("slur", slur, first.measure.name)
    for raw in starts.values():
        ledger.drop("slur without an end", raw.element, raw.measure.name)
