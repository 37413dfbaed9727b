"""Chord charts as musicians type them.

Grammar (EBNF)
--------------
::

    chart   = { header | comment | blank | line } ;
    header  = ( "key" | "feel" | "title" ) , ":" , text ;
    comment = "#" , text ;                    at the start of a line or behind two spaces
    line    = [ "[" section "]" ] , [ bars ] ;
    bars    = [ barline ] , bar , { barline , bar } , [ barline ] ;
    barline = [ ":" ] , "|" , { "|" } , [ ":" ] , [ ending ] | ":|x" , digits ;
    ending  = digits , { "," digits } , "." ;
    bar     = "%" | { slot } ;                without slots the chord before goes on
    slot    = chord , [ "!" ] | "N.C." , [ "!" ] | "." ;

The slots share the bar evenly; ``.`` holds the chord for one more. ``%`` repeats the bar
before. ``!``: the band stops dead on the chord. An ending runs to its ``:|``, to a double
bar, a new section, the next ending or the end of its line. Chords: see
:mod:`pipeline.music.chord`.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Final

from pipeline.errors import Problems, nearest
from pipeline.music.chart import Chart, ChartBar, ChartChord, Play
from pipeline.music.chord import Chord
from pipeline.music.errors import SpellingError
from pipeline.music.key import Key
from pipeline.read.source import SourceText
from pipeline.read.texttab_lines import plain

HEADERS: Final = ("key", "feel", "title")
ELSEWHERE: Final = ("time", "tempo", "swing", "instrument")  # the tab says these
MAX_TIMES: Final = 100
_HEADER: Final = re.compile(r"\s*([A-Za-z][A-Za-z _-]*?)\s*:(?:\s+(.*)|)$")
_SECTION: Final = re.compile(r"\s*\[([^\[\]]*)\]\s*")
_BARLINE: Final = re.compile(
    r"(?P<close>:)?(?P<bar>\|+)(?:(?P<open>:)|\s*[xX×](?P<times>\d+)(?=\s|\||$))?"
    r"(?:\s*(?P<ending>\d+(?:\s*[,.]\s*\d+)*)(?:\.|(?=\s)))?"
)
_NO_CHORD: Final = re.compile(r"N\.?\s?C\.?", re.IGNORECASE)


@dataclass(slots=True)
class _Open:
    """What the barline before a bar says about it."""

    repeat_start: bool = False
    endings: tuple[int, ...] = ()


class _ChartReader:
    def __init__(self, source: SourceText) -> None:
        self.source = source
        self.bars: list[ChartBar] = []
        self.places: list[tuple[int, int]] = []  # line and column of each bar
        self.key: Key | None = None
        self.feel: str | None = None
        self.section: str | None = None
        self.section_line = 0
        self.seen: dict[str, int] = {}
        self.sounding: ChartChord | None = None  # what goes on from the bar before
        self.begun: ChartChord | None = None  # what sounded at the start of the bar before
        self.repeat_line = 0  # the line of a |: that is not closed yet
        self.carried = _Open()  # from a barline that ends its line

    def read(self) -> Chart | None:
        for number, raw in enumerate(self.source.lines, 1):
            text = re.split(r"(?:^\s*|\s{2,})#", raw, maxsplit=1)[0].replace("\t", " ").rstrip()
            text = text if text.isascii() else plain(text)
            if text.strip():
                self._line(number, text)
        if self.section is not None and self.section_line:
            self.source.error(
                self.section_line,
                1,
                f"section {self.section!r} holds no bars",
                "Write its bars below, or delete it.",
            )
        if not self.bars and not self.source.failed:
            self.source.error(
                1, 1, "there are no bars in this chart", "Write chords between bars: | Am | Dm E7 |"
            )
        if self.repeat_line:
            self.source.caution(
                self.repeat_line, 1, "a repeat |: that no :| closes", "Close it with :|, or delete the |:."
            )
        self._check_endings()
        return None if self.source.failed else Chart(tuple(self.bars), self.key, self.feel)

    def _check_endings(self) -> None:
        for index, bar in enumerate(self.bars):
            if bar.endings and 1 not in bar.endings and not any(b.repeat_times for b in self.bars[:index]):
                self.source.error(
                    *self.places[index],
                    f"bar {index + 1} is an ending that is never reached", "Close the ending before it with :|"
                )  # fmt: skip
                return

    def _line(self, number: int, text: str) -> None:
        section = _SECTION.match(text)
        header = _HEADER.match(text)
        if header and "|" not in text:
            self._header(number, header)
            return
        offset = 0
        if section:
            self._section(number, section)
            offset = section.end()
            if not text[offset:].strip():
                return
        if "|" not in text[offset:]:
            near = "" if text.strip()[0] in "[" else " Headers are key: and feel:."
            self.source.error(
                number, len(text) - len(text.lstrip()) + 1, "this line holds no bars",
                "Write chords between bars: | Am | Dm E7 |; begin a comment with #." + near,
            )  # fmt: skip
            return
        self._bars(number, text, offset)

    def _header(self, number: int, match: re.Match[str]) -> None:
        name, value, column = match[1].lower(), (match[2] or "").strip(), match.start(2) + 1
        if name in ELSEWHERE:
            self.source.caution(
                number,
                match.start(1) + 1,
                f"{name}: is not read from a chart",
                "The tab or the lesson says it.",
            )
        elif name not in HEADERS:
            near = nearest(name, HEADERS)
            self.source.error(
                number, match.start(1) + 1, f"unknown header {match[1]!r}",
                f"Did you mean {near}:?" if near else f"Headers are {', '.join(HEADERS)}.",
            )  # fmt: skip
        elif not value:
            self.source.error(
                number, len(match[0]) + 1, f"{name}: has no value", "Write one after the colon."
            )
        elif name in self.seen:
            self.source.error(
                number,
                match.start(1) + 1,
                f"{name}: is given twice, first in line {self.seen[name]}",
                "Keep one of them.",
            )
        elif name == "key":
            try:
                self.key = Key.parse(value)
            except SpellingError as error:
                self.source.error(
                    number,
                    column + error.column,
                    str(error),
                    f"Write key: {error.suggestion}."
                    if error.suggestion
                    else "Write key: Am, key: Bb or key: E dorian.",
                )
        elif name == "feel":
            self.feel = value
        self.seen.setdefault(name, number)

    def _section(self, number: int, match: re.Match[str]) -> None:
        name = " ".join(match[1].split())
        if not name:
            self.source.error(
                number,
                match.start() + 1,
                "a section without a name",
                "Write it between the brackets: [Verse].",
            )
            return
        if self.section is not None:
            self.source.error(
                self.section_line, 1, f"section {self.section!r} holds no bars", "Write its bars below, or delete it."
            )  # fmt: skip
        self.section, self.section_line = name, number
        self.carried.endings = ()

    def _bars(self, number: int, text: str, offset: int) -> None:
        opened, self.carried = self.carried, _Open()
        place = offset
        for match in _BARLINE.finditer(text, offset):
            inside = text[place : match.start()]
            # two barlines side by side, or the line's own first one, hold no bar between them
            first = place == offset
            if inside.strip() or (not first and match.start() > place):
                self._bar(number, inside, place, opened, self._times(number, match))
                opened = _Open(endings=() if match["close"] or len(match["bar"]) > 1 else opened.endings)
            elif match["close"] and self.bars:
                last = self.bars[-1]
                self.bars[-1] = replace(last, repeat_times=max(last.repeat_times, self._times(number, match)))
                self.repeat_line = 0
                opened.endings = ()
            if match["open"]:
                opened.repeat_start, opened.endings = True, ()
                self.repeat_line = number
            if match["ending"]:
                opened.endings = tuple(int(n) for n in re.split(r"\s*[,.]\s*", match["ending"]))
                if 0 in opened.endings:
                    self.source.error(
                        number, match.start("ending") + 1, "endings are numbered from 1", "Write |1. and |2."
                    )
                    opened.endings = ()
            place = match.end()
        if text[place:].strip():
            self._bar(number, text[place:], place, opened, 0)
            opened = _Open()
        # a |: or an ending's number at the end of a line belongs to the bar that follows
        numbered = bool(re.search(r"\d+\.?\s*$", text[:place])) and place >= len(text)
        self.carried = opened if opened.repeat_start or (opened.endings and numbered) else _Open()

    def _times(self, number: int, match: re.Match[str]) -> int:
        if match["times"] and not match["close"]:
            self.source.error(
                number,
                match.start() + 1,
                f"x{match['times']} after a bar that is not repeated",
                "Write :|x3.",
            )
            return 0
        if not match["close"]:
            return 0
        times = int(match["times"] or 2)
        if not 2 <= times <= MAX_TIMES:
            self.source.error(
                number, match.start() + 1, f"a repeat played {times} times", f"Write :|x2 to :|x{MAX_TIMES}."
            )
            return 2
        return times

    def _bar(self, number: int, inside: str, place: int, opened: _Open, times: int) -> None:
        words = [(m[0], place + m.start()) for m in re.finditer(r"\S+", inside)]
        before, self.begun = self.begun, self.sounding
        if [word for word, _ in words] == ["%"]:
            chords = self._again(number, words[0][1], before)
        else:
            chords = self._slots(number, words)
        if chords:
            self.sounding = chords[-1]
            if chords[0].at == 0:
                self.begun = chords[0]
        elif self.sounding is None and not self.source.failed:
            self.source.error(
                number, place + 1, "the first bar names no chord", "Write one, or N.C. for none."
            )
        if times:
            self.repeat_line = 0
        self.places.append((number, place + 1))
        self.bars.append(ChartBar(chords, self.section, opened.repeat_start, times, opened.endings))
        self.section, self.section_line = None, 0

    def _again(self, number: int, column: int, before: ChartChord | None) -> tuple[ChartChord, ...]:
        """The bar before once more, with the chord named that sounded at its start."""
        if not self.bars:
            self.source.error(number, column + 1, "% has no bar before it to repeat", "Write the chord.")
            return ()
        chords = self.bars[-1].chords
        if (not chords or chords[0].at > 0) and before is not None:
            return (replace(before, at=Fraction(0)), *chords)
        return chords

    def _slots(self, number: int, words: list[tuple[str, int]]) -> tuple[ChartChord, ...]:
        found: list[ChartChord] = []
        for slot, (word, column) in enumerate(words):
            if word in (".", "/"):
                if self.sounding is None and not found and not self.source.failed:
                    self.source.error(
                        number, column + 1, f"{word!r} has no chord to hold", "Write a chord before it."
                    )
                continue
            name = word.removesuffix("!")
            play = Play.STOP if word.endswith("!") else Play.ON
            at = Fraction(slot, len(words))
            if _NO_CHORD.fullmatch(name):
                found.append(ChartChord(at, None, play))
                continue
            if name == "%":
                self.source.error(
                    number,
                    column + 1,
                    "% among chords",
                    "It repeats a whole bar, so it must be alone in its bar.",
                )
                continue
            try:
                found.append(ChartChord(at, Chord.parse(name), play))
            except SpellingError as error:
                remedy = (
                    f"Did you mean {error.suggestion}?"
                    if error.suggestion
                    else "Write it as Am7, F#m7b5, Bbmaj9/D or N.C."
                )
                self.source.error(number, column + error.column + 1, str(error), remedy)
        return tuple(found)


def read_chart_text(text: str, *, path: Path, problems: Problems) -> Chart | None:
    """Read a chord chart.

    text : the whole file
    path : its name, for the problems

    Returns None when there are errors; all of them, and the cautions, are in ``problems``.
    """
    return _ChartReader(SourceText(text, path=path, problems=problems)).read()
