"""The measures of a MusicXML part: what lies where, in quarters, and the form they make.

References
----------
MusicXML 4.0: ``divisions``, ``backup``, ``forward``, ``time``, ``barline``, ``repeat``, ``ending``.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Final
from xml.etree.ElementTree import Element

from pipeline.errors import Problems
from pipeline.music.errors import MusicError
from pipeline.music.metre import Bar, Form, Metre
from pipeline.music.value import TYPES

_MOST: Final = 1_000_000  # no number in a score is larger
_TIMED: Final = ("direction", "harmony", "sound")


def number_of(element: Element | None, path: str, default: Fraction | None = None) -> Fraction | None:
    """The number in a child element, or ``default`` when there is none or it is not a number."""
    text = element.findtext(path) if element is not None else None
    try:
        number = default if text is None or not text.strip() else Fraction(text.strip())
    except (ValueError, ZeroDivisionError):
        return default
    return default if number is None or abs(number) > _MOST else number


@dataclass(slots=True)
class Item:
    """Something in a measure and how many quarters into it."""

    offset: Fraction
    element: Element
    duration: Fraction = Fraction(0)


@dataclass(slots=True)
class Measure:
    """One measure: its items in the order of the file.

    name : its number as the file has it
    start : quarters from the start of the piece, written
    """

    name: str
    metre: Metre
    items: list[Item]
    filled: Fraction
    implicit: bool = False
    repeat_start: bool = False
    repeat_times: int = 0
    endings: tuple[int, ...] = ()
    start: Fraction = Fraction(0)
    length: Fraction = Fraction(0)


@dataclass
class MeasureReader:
    """Reads the measures of a part one after another."""

    part: Element
    path: Path
    problems: Problems
    measures: list[Measure] = field(default_factory=list)
    _divisions: Fraction = Fraction(1)
    _metre: Metre = field(default_factory=Metre)
    _endings: tuple[int, ...] = ()

    def error(self, measure: str, what: str, remedy: str) -> None:
        self.problems.error(f"measure {measure}: {what}", path=self.path, remedy=remedy)

    def caution(self, measure: str, what: str, remedy: str = "") -> None:
        self.problems.caution(f"measure {measure}: {what}", path=self.path, remedy=remedy)

    def read(self) -> tuple[tuple[Measure, ...], Form | None]:
        """The measures in place and their form; the form is None, told, when they cannot be bars."""
        for index, element in enumerate(self.part.findall("measure")):
            self.measures.append(self._measure(element, element.get("number") or str(index + 1)))
        form = self._form()
        return tuple(self.measures), form

    def _measure(self, element: Element, name: str) -> Measure:
        items: list[Item] = []
        now = filled = onset = Fraction(0)
        repeat_start, repeat_times, ending_stops = False, 0, False
        for child in element:
            length = self._duration(child)
            if child.tag == "attributes":
                self._attributes(child, name)
                items.append(Item(now, child))
            elif child.tag == "backup":
                now = max(Fraction(0), now - length)
            elif child.tag == "forward":
                now += length
                filled = max(filled, now)
            elif child.tag == "note":
                if child.find("grace") is not None:
                    items.append(Item(now, child))
                    continue
                if child.find("chord") is None:
                    onset = now
                    now += length
                items.append(Item(onset, child, length))
                filled = max(filled, now)
            elif child.tag in _TIMED:
                shift = (number_of(child, "offset", Fraction(0)) or Fraction(0)) / self._divisions
                items.append(Item(max(Fraction(0), now + shift), child))
            elif child.tag == "barline":
                start, times, stops = self._barline(child, name)
                repeat_start |= start
                repeat_times = max(repeat_times, times)
                ending_stops |= stops
        found = Measure(
            name, self._metre, items, filled, element.get("implicit") == "yes", repeat_start, repeat_times,
            self._endings,
        )  # fmt: skip
        if ending_stops:
            self._endings = ()
        return found

    def _duration(self, element: Element) -> Fraction:
        """Quarters; a note that states none lasts as it is drawn, and so does a tuplet's whose
        duration was rounded to whole divisions."""
        stated = number_of(element, "duration")
        if element.tag != "note" or (stated is not None and element.find("time-modification") is None):
            return (stated or Fraction(0)) / self._divisions
        drawn = TYPES.get((element.findtext("type") or "").strip(), Fraction(0))
        drawn *= 2 - Fraction(1, 2 ** len(element.findall("dot")))
        actual = number_of(element, "time-modification/actual-notes")
        normal = number_of(element, "time-modification/normal-notes")
        drawn = drawn * normal / actual if actual and normal else drawn
        if stated is None:
            return drawn
        return drawn if abs(drawn * self._divisions - stated) < 1 else stated / self._divisions

    def _attributes(self, element: Element, name: str) -> None:
        divisions = number_of(element, "divisions")
        if divisions is not None and divisions > 0:
            self._divisions = divisions
        time = element.find("time")
        if time is None:
            return
        if time.find("senza-misura") is not None:
            self.caution(name, "music without metre is read in the metre before it")
            return
        beats = [b.text or "" for b in time.findall("beats")]
        units = [b.text or "" for b in time.findall("beat-type")]
        try:
            figures = [
                (sum(int(part) for part in b.split("+")), int(u)) for b, u in zip(beats, units, strict=True)
            ]
            unit = max(u for _, u in figures)
            self._metre = Metre(sum(b * unit // u for b, u in figures), unit)
        except (ValueError, MusicError) as error:
            self.error(name, f"not a metre ({error})", "Write it as two figures such as 4/4.")

    def _barline(self, element: Element, name: str) -> tuple[bool, int, bool]:
        start, times, stops = False, 0, False
        ending = element.find("ending")
        if ending is not None:
            if ending.get("type") == "start":
                numbers = (ending.get("number") or "").replace(",", " ").split()
                self._endings = tuple(int(n) for n in numbers if n.isdecimal() and int(n) > 0)
                if not self._endings:
                    self.caution(
                        name,
                        f"an ending without a number ({ending.get('number')!r}) is read as always played",
                    )
            else:
                stops = True
        repeat = element.find("repeat")
        if repeat is not None:
            if repeat.get("direction") == "forward":
                start = True
            else:
                text = repeat.get("times") or "2"
                times = max(2, int(text)) if text.isdecimal() else 2
        return start, times, stops

    def _form(self) -> Form | None:
        bars: list[Bar] = []
        good = True
        first = self.measures[0]
        pickup = 0 < first.filled < first.metre.quarters and len(self.measures) > 1
        now = Fraction(0)
        for index, measure in enumerate(self.measures):
            full = measure.metre.quarters
            if measure.filled > full:
                good = False
                self.error(
                    measure.name, f"it holds {measure.filled} quarters, its metre {measure.metre} holds {full}",
                    "Correct the measure, or give it the metre it has.",
                )  # fmt: skip
            measure.length = self._length(index)
            measure.start = now
            now += measure.length
            if good:
                bars.append(
                    Bar(
                        index if pickup else index + 1, measure.metre, measure.length, pickup and index == 0,
                        measure.repeat_start, measure.repeat_times, measure.endings,
                    )
                )  # fmt: skip
        if not good:
            return None
        self._tell_numbers(bars)
        form = Form(tuple(bars))
        try:
            form.played.length  # noqa: B018  # unrolls the repeats
        except MusicError as error:
            self.problems.error(str(error), path=self.path, remedy="Lower the times of the repeats.")
            return None
        return form

    def _tell_numbers(self, bars: list[Bar]) -> None:
        """Bars are counted through; a score with halved bars or its own numbers counts otherwise."""
        for measure, bar in zip(self.measures, bars, strict=True):
            if measure.name.isdecimal() and int(measure.name) != bar.number:
                self.caution(
                    measure.name, f"it is bar {bar.number} here, where every measure counts",
                    "Name bars by the numbers of the engraved tab.",
                )  # fmt: skip
                return

    def _length(self, index: int) -> Fraction:
        """A measure may be short at the start, at the end, at a repeat, and when the file says so."""
        measure, full = self.measures[index], self.measures[index].metre.quarters
        if not 0 < measure.filled < full:
            return full
        before = self.measures[index - 1] if index else None
        at_edge = index in (0, len(self.measures) - 1) or measure.repeat_times or measure.repeat_start
        if measure.implicit or at_edge or (before is not None and (before.repeat_times or before.implicit)):
            return measure.filled
        # a bar written in two halves, as at the end of a line of verse
        halves = [m for m in (before, self.measures[index + 1]) if m is not None and m.metre == measure.metre]
        if any(m.filled + measure.filled == full for m in halves):
            return measure.filled
        self.caution(
            measure.name, f"it holds {measure.filled} of {full} quarters; the rest is read as silence",
            "Fill it with rests in the notation software.",
        )  # fmt: skip
        return full


def timed(measures: tuple[Measure, ...], *tags: str) -> Iterator[tuple[Measure, Fraction, Item]]:
    """Items of these kinds with their quarter on the written timeline, inside their measure."""
    for measure in measures:
        for item in measure.items:
            if item.element.tag in tags:
                yield measure, measure.start + min(item.offset, measure.length), item
