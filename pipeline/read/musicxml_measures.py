"""The measures of a MusicXML part: what lies where, in quarters, and the form they make.

References
----------
MusicXML 4.0: ``divisions``, ``backup``, ``forward``, ``time``, ``barline``, ``repeat``, ``ending``.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from fractions import Fraction
from functools import lru_cache
from itertools import zip_longest
from typing import Final
from xml.etree.ElementTree import Element

from pipeline.music.errors import MusicError
from pipeline.music.metre import Bar, Form, Metre
from pipeline.music.value import TYPES
from pipeline.read.musicxml_ledger import ATTRIBUTES, BARLINE, Ledger
from pipeline.read.musicxml_signs import SignReader
from pipeline.read.source import plain_number

_MOST: Final = 10**12  # no number in a score is larger
_LONGEST_REPEAT: Final = 16  # measures that a measure repeat sign can stand for
_TIMED: Final = ("direction", "harmony", "sound", "figured-bass")
_SECTION_LINES: Final = ("light-light", "light-heavy", "heavy-heavy")
_PLAIN_LINES: Final = ("regular", "light-heavy", "heavy-light", "heavy-heavy", "none")


def number_of(element: Element | None, path: str, default: Fraction | None = None) -> Fraction | None:
    """The number in a child element, or ``default`` when there is none or it is not a number."""
    text = element.findtext(path) if element is not None else None
    number = None if text is None else _number(text.strip())
    return default if number is None else number


@lru_cache(maxsize=4096)
def _number(text: str) -> Fraction | None:
    # a score says few numbers often
    try:
        number = plain_number(text) if text else None
    except ValueError:
        return None
    return None if number is None or abs(number) > _MOST else number


@dataclass(slots=True)
class Item:
    """Something in a measure, how many quarters into it, and when on the written timeline."""

    offset: Fraction
    element: Element
    duration: Fraction = Fraction(0)
    quarter: Fraction = Fraction(0)


@dataclass(slots=True)
class Measure:
    """One measure: its items in the order of the file.

    index : 0-based place in the part
    name : its number as the file has it
    start : quarters from the start of the piece, written
    section : the barline of the end of a section stands after it
    free : without metre; it has the length of what it holds
    """

    element: Element
    index: int
    name: str
    metre: Metre
    items: list[Item]
    filled: Fraction
    implicit: bool = False
    repeat_start: bool = False
    repeat_times: int = 0
    endings: tuple[int, ...] = ()
    double: bool = False
    section: bool = False
    free: bool = False
    start: Fraction = Fraction(0)
    length: Fraction = Fraction(0)

    @property
    def end(self) -> Fraction:
        return self.start + self.length

    @property
    def silent(self) -> bool:
        """Whether nothing but rests stands in it."""
        return not any(i.element.tag == "note" and i.element.find("rest") is None for i in self.items)


@dataclass
class MeasureReader:
    """Reads the measures of a part one after another."""

    part: Element
    ledger: Ledger
    signs: SignReader
    measures: list[Measure] = field(default_factory=list)
    _divisions: Fraction = Fraction(1)
    _metre: Metre = field(default_factory=Metre)
    _stated: bool = False  # a metre has been stated
    _free: bool = False
    _endings: tuple[int, ...] = ()
    _repeated: int = 0  # measures that a measure repeat sign stands for, now

    def read(self) -> tuple[tuple[Measure, ...], tuple[Bar, ...] | None]:
        """The measures in place and their bars; None, told, when they cannot be bars."""
        for index, element in enumerate(self.part.findall("measure")):
            name = " ".join((element.get("number") or "").split())[:12] or str(index + 1)
            measure = self._measure(element, index, name)
            self._repeat_measure(measure)
            self.measures.append(measure)
        bars = self._bars()
        return tuple(self.measures), bars

    def _measure(self, element: Element, index: int, name: str) -> Measure:
        items: list[Item] = []
        found = Measure(
            element, index, name, self._metre, items, Fraction(0), element.get("implicit") == "yes"
        )
        now = filled = onset = Fraction(0)
        ending_stops = False
        for child in element:
            tag = child.tag
            if tag == "note":
                if child.find("grace") is not None:
                    items.append(Item(now, child))
                    continue
                length = self._duration(child)
                if child.find("chord") is None:
                    onset = now
                    now += length
                items.append(Item(onset, child, length))
                filled = max(filled, now)
            elif tag == "attributes":
                self._attributes(child, found, now)
                items.append(Item(now, child))
            elif tag == "backup":
                now = max(Fraction(0), now - self._duration(child))
            elif tag == "forward":
                now += self._duration(child)
                filled = max(filled, now)
            elif tag in _TIMED:
                shift = (number_of(child, "offset", Fraction(0)) or Fraction(0)) / self._divisions
                items.append(Item(max(Fraction(0), now + shift), child))
                sounds = child.findall("sound") if tag == "direction" else [child] if tag == "sound" else []
                if any(sound.get("forward-repeat") == "yes" for sound in sounds):
                    found.repeat_start = True
            elif tag == "barline":
                ending_stops |= self._barline(child, found, now)
            elif tag not in ("print", "link", "bookmark", "grouping"):
                self.ledger.drop(tag, child, name)
        found.filled, found.metre, found.endings = filled, self._metre, self._endings
        found.free = self._free or (not self._stated and filled > self._metre.quarters)
        if ending_stops:
            self._endings = ()
        return found

    def _repeat_measure(self, measure: Measure) -> None:
        """An empty measure under a measure repeat sign holds what the ones before it hold."""
        for item in measure.items:
            for style in item.element.findall("measure-style/measure-repeat"):
                count = number_of(style, ".", Fraction(1)) or Fraction(1)
                self._repeated = 0
                if style.get("type") != "stop" and 1 <= count <= _LONGEST_REPEAT:
                    self._repeated = int(count)
        if not self._repeated or not measure.silent:
            return
        if measure.index < self._repeated:
            self.ledger.drop("measure repeat with nothing before it", measure.element, measure.name)
            return
        source = self.measures[measure.index - self._repeated]
        kept = [item for item in measure.items if item.element.tag != "note"]
        measure.items = kept + [replace(item) for item in source.items if item.element.tag == "note"]
        measure.filled = source.filled

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

    def _attributes(self, element: Element, measure: Measure, now: Fraction) -> None:
        name = measure.name
        self.ledger.drop_unknown(element, ATTRIBUTES, name)
        for style in element.findall("measure-style"):
            for child in style:
                if child.tag not in ("multiple-rest", "measure-repeat"):
                    self.ledger.drop(child.tag, child, name)
        divisions = number_of(element, "divisions")
        if divisions is not None and divisions > 0:
            self._divisions = divisions
        time = element.find("time")
        if time is None:
            return
        if now > 0:
            self.ledger.drop("change of metre within a measure", time, name)
        self._free = time.find("senza-misura") is not None
        self._stated = True
        if time.find("interchangeable") is not None:
            self.ledger.drop("interchangeable metre", time, name)
        if self._free:
            return
        beats = [b.text or "" for b in time.findall("beats")]
        units = [b.text or "" for b in time.findall("beat-type")]
        try:
            figures = [
                (sum(int(part) for part in b.split("+")), int(u)) for b, u in zip(beats, units, strict=True)
            ]
            unit = max(u for _, u in figures)
            self._metre = Metre(sum(b * unit // u for b, u in figures), unit)
        except MusicError as error:
            self.ledger.error(f"not a metre ({error})", "Write it as two figures such as 4/4.", time, name)
        except (ValueError, ZeroDivisionError):
            said = ", ".join(f"{b or '?'}/{u or '?'}" for b, u in zip_longest(beats, units, fillvalue="?"))
            self.ledger.error(f"not a metre: {said[:40]}", "Write it as two figures such as 4/4.", time, name)

    def _barline(self, element: Element, measure: Measure, now: Fraction) -> bool:
        """Reads a barline into its measure; whether an ending stops there."""
        name, stops = measure.name, False
        self.ledger.drop_unknown(element, BARLINE, name)
        middle = element.get("location") == "middle"
        style = (element.findtext("bar-style") or "regular").strip()
        if style in _SECTION_LINES and not middle and element.get("location") != "left":
            measure.section = True
        if style == "light-light":
            if element.get("location") == "left" and self.measures:
                self.measures[-1].double = True
            elif not middle:
                measure.double = True
            else:
                self.ledger.drop("double barline within a measure", element, name)
        elif style not in _PLAIN_LINES:
            self.ledger.drop(f"{style} barline", element, name)
        for tag in ("segno", "coda"):
            if element.find(tag) is not None or element.get(tag) is not None:
                where = measure.index
                if element.get("location") != "left" and now > 0 and tag == "segno":
                    where += 1  # at the end of a measure it is the start of the next one
                self.signs.sign(
                    tag, where, Fraction(0) if element.get("location") == "left" else now, said=False
                )
        ending = element.find("ending")
        if ending is not None:
            if ending.get("type") == "start":
                numbers = (ending.get("number") or "").replace(",", " ").split()
                self._endings = tuple(int(n) for n in numbers if n.isdecimal() and len(n) < 4 and int(n) > 0)
                if not self._endings:
                    self.ledger.caution(
                        f"an ending without a number ({ending.get('number')!r}) is read as always played",
                        "Number it in the notation software.", ending, name,
                    )  # fmt: skip
            else:
                stops = True
        repeat = element.find("repeat")
        if repeat is None:
            return stops
        if middle:
            self.ledger.caution(
                "a repeat sign within a measure is left out", "Split the measure there.", repeat, name
            )
            self.ledger.drop("repeat sign within a measure", repeat, name)
        elif repeat.get("direction") == "forward":
            measure.repeat_start = True
        else:
            text = repeat.get("times") or "2"
            times = int(text) if text.isdecimal() and len(text) < 6 else 2
            measure.repeat_times = max(measure.repeat_times, 2, times)
        return stops

    def _bars(self) -> tuple[Bar, ...] | None:
        bars: list[Bar] = []
        good = True
        for measure in self.measures:
            if measure.free and measure.filled > 0:
                self._own_metre(measure)
        first = self.measures[0]
        short = 0 < first.filled < first.metre.quarters
        pickup = (short and len(self.measures) > 1) or (first.implicit and first.name == "0")
        now = Fraction(0)
        for index, measure in enumerate(self.measures):
            full = measure.metre.quarters
            if measure.filled > full:
                good = False
                self.ledger.error(
                    f"it holds {measure.filled} quarters, its metre {measure.metre} holds {full}",
                    "Correct the measure, or give it the metre it has.", measure.element, measure.name,
                )  # fmt: skip
            measure.length = self._length(index)
            measure.start = now
            now += measure.length
            for item in measure.items:
                item.quarter = measure.start + min(item.offset, measure.length)
            if good:
                bars.append(
                    Bar(
                        index if pickup else index + 1, measure.metre, measure.length, pickup and index == 0,
                        measure.repeat_start, measure.repeat_times, measure.endings, double=measure.double,
                    )
                )  # fmt: skip
        if not good:
            return None
        self._tell_numbers(bars)
        return tuple(bars)

    def _own_metre(self, measure: Measure) -> None:
        """A measure without metre takes the one that it fills."""
        if measure.filled == measure.metre.quarters:
            return
        for unit in (4, 8, 16, 32, 64):
            beats = measure.filled * unit / 4
            if beats.denominator == 1 and beats <= 64:
                metre = Metre(int(beats), unit)
                self.ledger.caution(f"without metre: read as {metre}", "", measure.element, measure.name)
                measure.metre = metre
                return

    def _tell_numbers(self, bars: list[Bar]) -> None:
        """Bars are counted through; a score with halved bars or its own numbers counts otherwise."""
        for measure, bar in zip(self.measures, bars, strict=True):
            if measure.name.isdecimal() and int(measure.name) != bar.number:
                self.ledger.caution(
                    f"it is bar {bar.number} here, where every measure counts",
                    "Name bars by the numbers of the engraved tab.", measure.element, measure.name,
                )  # fmt: skip
                return

    def _length(self, index: int) -> Fraction:
        """A measure may be short at the start and the end of the piece, of a repeat and of a section, and
        when the file says so."""
        measure, full = self.measures[index], self.measures[index].metre.quarters
        if not 0 < measure.filled < full:
            return full
        before = self.measures[index - 1] if index else None
        after = self.measures[index + 1] if index + 1 < len(self.measures) else None
        # the pickup of a new section, and the end of the one before that makes room for it
        ends = before is None or before.repeat_times or before.implicit or before.section
        begins = after is None or after.repeat_start or measure.repeat_times or measure.section
        if measure.implicit or measure.repeat_start or ends or begins:
            return measure.filled
        # a bar written in two halves, as at the end of a line of verse
        halves = [m for m in (before, after) if m is not None and m.metre == measure.metre]
        if any(m.filled + measure.filled == full for m in halves):
            return measure.filled
        self.ledger.caution(
            f"it holds {measure.filled} of {full} quarters; the rest is read as silence",
            "Fill it with rests in the notation software.", measure.element, measure.name,
        )  # fmt: skip
        return full


def form_of(
    bars: tuple[Bar, ...], measures: tuple[Measure, ...], signs: SignReader, ledger: Ledger
) -> Form | None:
    """The form with its jumps; None, told, when it unrolls without end."""
    form = Form(signs.bars(list(bars), [measure.name for measure in measures]))
    try:
        form.played.length  # noqa: B018  # unrolls the repeats
    except MusicError as error:
        ledger.error(str(error), "Lower the times of the repeats.")
        return None
    return form


def timed(measures: tuple[Measure, ...], *tags: str) -> Iterator[tuple[Measure, Fraction, Item]]:
    """Items of these kinds with their quarter on the written timeline, inside their measure."""
    for measure in measures:
        for item in measure.items:
            if item.element.tag in tags:
                yield measure, item.quarter, item
