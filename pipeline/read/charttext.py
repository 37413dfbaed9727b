r"""Chord charts as musicians type them.

Grammar (EBNF)
--------------
::

    chart   = { comment | header | section | signs | line | blank } ;
    comment = "#" , text ;                    at the start of a line or behind two spaces,
                                              where it is no degree: #IV, #4
    header  = ( "title" | "key" | "time" | "tempo" | "feel" ) , ":" , text ;
    section = "[" , name , "]" ;              in the name \[ \] \\ stand for [ ] \
    line    = [ section ] , [ signs ] , [ barline ] , bar , { barline , bar } , [ barline ] , [ signs ] ;
    barline = [ ":" ] , ( "|" | "‖" ) , { "|" } , [ ":" | "x" , digits , [ "|:" ] ] , [ ending ] ;
    ending  = number , { ( "," | "-" ) , number } , "." ;
    bar     = { sign } , [ "%" | "%%" | slots ] , { "or" , slots } , { sign } ;
    slots   = { hold | "..." | item } ;
    hold    = "." | "/" | "-" ;
    item    = [ push ] , ( "<" , name , ">" | name , [ "!" | "^" ] ) , [ "@" , digits , [ "/" , digits ] ] ;
    push    = "<" , [ duration ] , [ ":" ] ;  a duration of the text tab: q, e3, s. or {5/7}
    name    = chord | degree | "N.C." ;
    signs   = sign , { sign } ;
    sign    = "Segno" | "Coda" | "To Coda" | "Fine"
            | ( "D.C." | "D.S." ) , [ "al" , ( "Fine" | "Coda" ) ] ;

Slots share the bar evenly; a hold keeps the chord for one more. ``Dm@3/8`` takes no slot: it
stands three eighths of the way through the bar. ``...``: the chart says nothing yet.
A bar without slots goes on with the chord before. ``%`` repeats the bar before; ``%%`` the bar
two before it (written in both bars, or in the first with the second left empty).

``Am!``: all stop dead on the chord; ``Am^``: all hit it and play on; ``<Am>``: all strike it and
let it ring. ``<Am`` is played an eighth early, ``<sAm`` a sixteenth, ``<e3Am`` a triplet
eighth; before a digit the colon tells where the duration ends: ``<e:5``.
``Dm7 G7 or Dm7 Db7``: the band plays the first.

Chords are names (:mod:`pipeline.music.chord`) or degrees (:mod:`pipeline.music.degree`), which
count in the key in force. A number right behind a barline is an ending when a dot follows.

An ending runs to its ``:|``, to a double bar, a new section, the next ending or the end of its
line. Segno and Coda belong to the start of their bar, the other signs to its end; where they
stand alone between barlines or lines they belong to the nearest bar there. A section
called Coda is the coda where no sign says so.

``time:``, ``tempo:``, ``key:`` and ``feel:`` above the first bar hold for the chart; further down
they hold from the next bar on. A tempo is in quarter notes, or as ``q. = 72``.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Any, Final

from pipeline.errors import Problems, nearest
from pipeline.music.chart import Chart, ChartBar, ChartChord, ChartComment, Play
from pipeline.music.errors import MusicError, SpellingError
from pipeline.music.key import Key
from pipeline.music.metre import MAX_PLAYED_BARS, NO_SIGNS, Signs
from pipeline.read.charttext_bar import BarReader, take_signs, without_comment
from pipeline.read.charttext_barline import BARLINE, endings_of, times_of
from pipeline.read.places import Place, Places
from pipeline.read.source import SourceText
from pipeline.read.texttab_heads import read_metre, read_tempo
from pipeline.read.texttab_lines import plain
from pipeline.read.texttab_sheet import Header

HEADERS: Final = ("title", "key", "time", "tempo", "feel")
ELSEWHERE: Final = ("swing", "instrument")  # the tab says these
_FIELDS: Final = {"key": "key", "time": "metre", "tempo": "tempo_bpm", "feel": "feel"}
_HEADER: Final = re.compile(r"\s*([A-Za-z][A-Za-z _-]*?)\s*:(?:\s+(.*)|)$")
_KNOWN: Final = re.compile(rf"\s*({'|'.join(HEADERS)})\s*:(?!\|)\s*(.*)$", re.IGNORECASE)
_SECTION: Final = re.compile(r"\s*\[((?:\\.|[^\[\]\\])*)\]\s*")
# a line of a few words with at most a number is hardly chords
_NAME: Final = re.compile(r"[^\W\d_]{2,}(?:[ -](?:[^\W\d_]+|\d{1,2}))?(?: \d{1,2})?")
_MISLED: Final = {
    "no segno": "Write Segno at the bar it leads back to.",
    "no Fine": "Write Fine at the bar where the music ends.",
    "no To Coda": "Write To Coda at the bar from which the coda is reached.",
    "no coda sign": "Write Coda at the first bar of the coda.",
}


@dataclass(slots=True)
class _Open:
    """What the barline before a bar says about it."""

    repeat_start: bool = False
    endings: tuple[int, ...] = ()


class _ChartReader:
    def __init__(self, source: SourceText, key: Key | None, places: Places | None) -> None:
        self.source = source
        self.told = places
        self.bar_reader = BarReader(source)
        self.bar_reader.key = key
        self.bars: list[ChartBar] = []
        self.places: list[tuple[int, int]] = []  # line and column of each bar
        self.title = ""
        self.comments: list[ChartComment] = []
        self.start: dict[str, Any] = {}  # what headers state for the whole chart
        self.change: dict[str, Any] = {}  # what they state for the next bar
        self.seen: dict[str, int] = {}  # line of each header since the last bar
        self.section: str | None = None
        self.section_line = 0
        self.signs = NO_SIGNS  # those that wait for the next bar
        self.sign_place = (1, 1)
        self.sounding: ChartChord | None = None  # what goes on from the bar before
        self.begun: list[ChartChord | None] = []  # what sounds at the start of each bar
        self.halfway = False  # a %% whose second bar is to come
        self.repeat_line = 0  # the line of a |: that is not closed yet
        self.carried = _Open()  # from a barline that ends its line

    def read(self) -> Chart | None:
        for number, raw in enumerate(self.source.lines, 1):
            text = raw.replace("\t", " ").rstrip()
            text, comment = without_comment(text)
            if comment is not None:
                self.comments.append(ChartComment(len(self.bars), comment))
            if text.strip():
                self._line(number, text)
        self._end()
        if self.source.failed:
            return None
        self._name_the_coda()
        try:
            return Chart(tuple(self.bars), title=self.title, comments=tuple(self.comments), **self.start)
        except MusicError as error:
            self._misled(str(error))
            return None

    def _end(self) -> None:
        if self.section is not None and self.section_line:
            self._empty_section()
        if not self.bars:
            if not self.source.failed:
                self.source.error(
                    1, 1, "there are no bars in this chart", "Write chords between bars: | Am | Dm E7 |"
                )
            return
        for name, line in self.seen.items():
            if _FIELDS.get(name) in self.change:
                self.source.error(
                    line,
                    1,
                    f"{name}: has no bar after it",
                    f"Write {name}: above the bar from which it holds.",
                )
        if self.signs != NO_SIGNS:
            self.source.error(
                *self.sign_place, "this sign has no bar after it", "Write it at the start of its bar."
            )
        self.bar_reader.doubt_numbers()
        if self.repeat_line:
            self.source.caution(
                self.repeat_line, 1, "a repeat |: that no :| closes", "Close it with :|, or delete the |:."
            )
        for index, bar in enumerate(self.bars):
            if bar.endings and 1 not in bar.endings and not (index and self.bars[index - 1].endings):
                self.source.caution(
                    *self.places[index],
                    f"bar {index + 1} is ending {bar.endings[0]}, but there is no ending 1 before it",
                    "Write the first ending before it, closed by :| as in |: Am |1. Dm :|2. E7 |.",
                )  # fmt: skip
                return
            if bar.endings and 1 not in bar.endings and not any(b.repeat_times for b in self.bars[:index]):
                self.source.caution(
                    *self.places[index],
                    f"bar {index + 1} is an ending that is never reached", "Close the ending before it with :|",
                )  # fmt: skip
                return

    def _empty_section(self) -> None:
        self.source.error(
            self.section_line, 1, f"section {self.section!r} holds no bars", "Write its bars below, or delete it."
        )  # fmt: skip

    def _name_the_coda(self) -> None:
        """Where a jump leads to a coda that no sign marks, the section of that name is it."""
        jumps = [bar.signs.jump for bar in self.bars]
        if any(bar.signs.coda for bar in self.bars) or not any(j and j.until == "coda" for j in jumps):
            return
        for index, bar in enumerate(self.bars):
            if bar.section is not None and bar.section.casefold() == "coda":
                self.bars[index] = replace(bar, signs=replace(bar.signs, coda=True))

    def _misled(self, what: str) -> None:
        """Tell what is wrong with the way through the chart."""
        for sentence in what.split("; "):
            match = re.match(r"bar (\d+): ", sentence)
            place = self.places[int(match[1]) - 1] if match else (1, 1)
            remedy = next((r for words, r in _MISLED.items() if words in sentence), "Look at its repeats.")
            self.source.error(*place, sentence, remedy)

    def _line(self, number: int, text: str) -> None:
        known = _KNOWN.match(text)
        header = known or (_HEADER.match(text) if "|" not in text else None)
        if header:
            self._header(number, header)
            return
        offset = 0
        section = _SECTION.match(text)
        if section:
            self._section(number, re.sub(r"\\(.)", r"\1", section[1]), section.start())
            offset = section.end()
        elif "|" not in text and text.lstrip()[0] == "[" and text[-1] == "]":
            self._section(number, text.strip()[1:-1], 0)  # brackets in its name
            return
        text = "‖".join(map(plain, text.split("‖")))  # a double bar in one sign
        if not text[offset:].strip():
            return
        if not {"|", "‖"} & set(text[offset:]):
            signs, rest, found = take_signs(self.source, number, text[offset:], offset)
            if found and not rest.strip():
                self._apart(signs, found)
                return
            bracketed = text.strip()[0] == "["
            name = None if bracketed else _NAME.fullmatch(text.strip().strip("()<>{}*:- "))
            near = f"A section's name stands in brackets: [{name[0]}]. " if name else ""
            heads = "" if bracketed else f" Headers are {', '.join(HEADERS)}."
            self.source.error(
                number, len(text) - len(text.lstrip()) + 1, "this line holds no bars",
                f"{near}Write chords between bars: | Am | Dm E7 |; begin a comment with #.{heads}",
            )  # fmt: skip
            return
        self._bars(number, text, offset)

    def _header(self, number: int, match: re.Match[str]) -> None:
        name, value, column = match[1].lower(), (match[2] or "").strip(), match.start(2) + 1
        if name in ELSEWHERE:
            self.source.caution(
                number, match.start(1) + 1, f"{name}: is not read from a chart", "The tab or the lesson says it."
            )  # fmt: skip
        elif name not in HEADERS:
            near = nearest(name, HEADERS)
            self.source.error(
                number, match.start(1) + 1, f"unknown header {match[1]!r}",
                f"Did you mean {near}:?" if near
                else f"Headers are {', '.join(HEADERS)}." if value
                else f"A section's name stands in brackets: [{match[1]}].",
            )  # fmt: skip
        elif not value:
            self.source.error(
                number, len(match[0]) + 1, f"{name}: has no value", "Write one after the colon."
            )
        elif name in self.seen:
            self.source.error(
                number, match.start(1) + 1, f"{name}: is given twice, first in line {self.seen[name]}",
                "Keep one of them.",
            )  # fmt: skip
        elif name == "title":
            self.title = value
        else:
            stated = self._stated(Header(name, plain(value) if name != "feel" else value, number, column))
            if stated is not None:
                (self.change if self.bars else self.start)[_FIELDS[name]] = stated
        self.seen.setdefault(name, number)

    def _stated(self, header: Header) -> Any:
        """The value of a header, or None, told."""
        if header.name == "feel":
            return header.value
        if header.name == "time":
            return read_metre(self.source, header)
        if header.name == "tempo":
            return read_tempo(self.source, header, header.value.replace("♩", "q").replace("♪", "e"))
        try:
            key = Key.parse(header.value)
        except SpellingError as error:
            self.bar_reader.key_tried = True
            self.source.error(
                header.line, header.column + error.column, str(error),
                f"Write key: {error.suggestion}." if error.suggestion else "Write key: Am, key: Bb or key: E dorian.",
            )  # fmt: skip
            return None
        self.bar_reader.key = key
        return key

    def _section(self, number: int, name: str, column: int) -> None:
        name = " ".join(name.split())
        if not name:
            self.source.error(
                number, column + 1, "a section without a name", "Write it between the brackets: [Verse]."
            )  # fmt: skip
            return
        if self.section is not None:
            self._empty_section()
        self.section, self.section_line = name, number
        self.carried.endings = ()

    def _apart(self, signs: Signs, found: dict[str, tuple[int, int]]) -> None:
        """Signs that stand outside the bars: some end the bar before, some begin the next."""
        if signs.segno or signs.coda:
            self.signs = replace(
                self.signs, segno=signs.segno or self.signs.segno, coda=signs.coda or self.signs.coda
            )
            self.sign_place = found["segno" if signs.segno else "coda"]
        if not (signs.to_coda or signs.fine or signs.jump):
            return
        if not self.bars:
            place = next(found[name] for name in ("to_coda", "fine", "jump") if name in found)
            self.source.error(*place, "this sign has no bar before it", "Write it at the end of its bar.")
            return
        last = self.bars[-1]
        self.bars[-1] = replace(last, signs=_both(last.signs, replace(signs, segno=False, coda=False)))

    def _bars(self, number: int, text: str, offset: int) -> None:
        opened, self.carried = self.carried, _Open()
        place = offset
        ended = False  # whether a barline before this one has closed or doubled
        for match in BARLINE.finditer(text, offset):
            signs, inside, found = take_signs(self.source, number, text[place : match.start()], place)
            # two barlines side by side, or the line's own first one, hold no bar between them
            first = place == offset
            blank = not inside.strip()
            gap = blank and (first or match.start() == place or (ended and bool(match["open"])))
            if found and blank:
                self._apart(signs, found)
                gap = True
            if not gap:
                self._bar(number, inside, place, opened, times_of(self.source, number, match), signs)
                opened = _Open(endings=() if match["close"] or _doubles(match) else opened.endings)
            elif match["close"] and self.bars:
                last = self.bars[-1]
                self.bars[-1] = replace(
                    last, repeat_times=max(last.repeat_times, times_of(self.source, number, match))
                )
                self.repeat_line = 0
                opened.endings = ()
            elif match["times"]:
                times_of(self.source, number, match)
            if _doubles(match) and self.bars:
                self.bars[-1] = replace(self.bars[-1], double=True)
            if match["open"]:
                opened.repeat_start, opened.endings = True, ()
                self.repeat_line = number
            if match["ending"] or match["loose"]:
                opened.endings = endings_of(self.source, number, match)
            ended = bool(match["close"]) or _doubles(match)
            place = match.end()
        signs, inside, found = take_signs(self.source, number, text[place:], place)
        if inside.strip():
            self._bar(number, inside, place, opened, 0, signs)
            opened = _Open()
        elif found:
            self._apart(signs, found)
        # a |: or an ending's number at the end of a line belongs to the bar that follows
        numbered = bool(re.search(r"\d\.?\s*$", text[:place])) and not text[place:].strip()
        self.carried = opened if opened.repeat_start or (opened.endings and numbered) else _Open()

    def _bar(self, number: int, inside: str, place: int, opened: _Open, times: int, signs: Signs) -> None:
        if len(self.bars) > MAX_PLAYED_BARS:
            return  # told below, with the first one too many
        if len(self.bars) == MAX_PLAYED_BARS:
            self.source.error(
                number, place + 1, f"more than {MAX_PLAYED_BARS:,} bars", "Is it really one piece? Make several charts of it."
            )  # fmt: skip
        sounding = self.sounding
        bar, columns = self.bar_reader.read(number, inside, place, sounding=sounding is not None)
        if bar.blank and self.halfway:
            bar.again, bar.again_column = 2, place
        self.halfway = bar.again == 2 and not bar.blank and not self.halfway
        chords = self._again(number, bar.again_column, bar.again) if bar.again else bar.chords
        self.begun.append(chords[0] if chords and chords[0].at == 0 else sounding)
        if chords:
            self.sounding = chords[-1]
        elif sounding is None and not bar.unsaid and not self.source.failed:
            self.source.error(
                number, place + 1, "the first bar names no chord", "Write one, or N.C. for none, or ... to say nothing."
            )  # fmt: skip
        if times:
            self.repeat_line = 0
        if bar.blank and not bar.again and sounding is not None and signs == NO_SIGNS:
            self.source.caution(
                number, place + 1, "a bar with nothing in it: the chord before it goes on",
                "Write . to say so, % to repeat the bar before, or delete a barline.",
            )  # fmt: skip
        index = len(self.bars)
        column = place + len(inside) - len(inside.lstrip()) + 1 if inside.strip() else place + 1
        self.places.append((number, column))
        if self.told is not None:
            shown = self.source.lines[number - 1]
            self.told.bars[index] = Place(self.source.path, number, column, shown)
            for chord in chords:
                at = columns.get(chord.at, column - 1) + 1
                self.told.chords[index, chord.at] = Place(self.source.path, number, at, shown)
        self.bars.append(
            ChartBar(
                chords, self.section, opened.repeat_start, times, opened.endings, _both(self.signs, signs),
                alternates=bar.alternates, **self.change,
            )
        )  # fmt: skip
        self.section, self.section_line, self.signs = None, 0, NO_SIGNS
        self.change, self.seen = {}, {name: line for name, line in self.seen.items() if name == "title"}

    def _again(self, number: int, column: int, count: int) -> tuple[ChartChord, ...]:
        """The bar ``count`` before once more, with the chord named that sounded at its start."""
        if len(self.bars) < count:
            self.source.error(
                number, column + 1, f"{'%' * count} has no bar before it to repeat", "Write the chord."
            )
            return ()
        chords, begun = self.bars[-count].chords, self.begun[-count]
        if (not chords or chords[0].at > 0) and begun is not None:
            # a chord that was hit, or played early, is not once more
            play = Play.ON if begun.play is Play.HIT else begun.play
            return (ChartChord(Fraction(0), begun.chord, play), *chords)
        return chords


def _doubles(barline: re.Match[str]) -> bool:
    return len(barline["bar"]) > 1 or barline["bar"] == "‖"


def _both(one: Signs, other: Signs) -> Signs:
    return Signs(
        one.segno or other.segno, one.coda or other.coda, one.to_coda or other.to_coda,
        one.fine or other.fine, other.jump or one.jump,
    )  # fmt: skip


def read_chart_text(
    text: str, *, path: Path, problems: Problems, key: Key | None = None, places: Places | None = None
) -> Chart | None:
    """Read a chord chart.

    text : the whole file
    path : its name, for the problems
    key : in which degrees count where the chart states no key
    places : filled with where bars and chords stand

    Returns None when there are errors; all of them, and the cautions, are in ``problems``.
    """
    return _ChartReader(SourceText(text, path=path, problems=problems), key, places).read()
