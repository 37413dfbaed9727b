"""What stands above and below the strings of a text tab, brought to its columns.

Grammar (EBNF; each a line of its own)
--------------------------------------
::

    spans    = ( "PM" | "LR" ) , [ ":" ] , { "-" }     palm mute, let ring: marks below their columns
    strokes  = "PK" , { signs }                        pick or strum: "d" down, "u" up
    fingers  = "FI" , { signs }                        fretting hand: "1" to "4", "0" or "T" the thumb
    picking  = "RH" , { signs }                        picking hand: p i m a c
    voices   = "VO" , { signs }                        "2" stems down; without it all are of voice 1
    signs    = sign | sign , sign , { sign } ;         one for all notes of a column, or one for each
                                                       from the top string down; "." none
    dynamics = "DY" , { "pp" | "mf" | "f" ... }        from their column on
    words    = "LY" [ verse ] , { syllable }           sung below their columns; "_" is a space within one,
                                                       "-" behind it goes on, "\\" before it takes the rest
                                                       as it stands
    remarks  = quote , text , quote , { ... }          words above their column: "rit."

A sign belongs to the column it stands below; one beside any column to the nearest of its bar.
"""

from __future__ import annotations

import re
from bisect import bisect_left
from collections.abc import Iterator, Sequence
from fractions import Fraction
from typing import Final

from pipeline.music.tab import DYNAMICS, PLUCKING, Lyric, Remark
from pipeline.read.source import SourceText
from pipeline.read.texttab_columns import Column
from pipeline.read.texttab_lines import LABEL
from pipeline.read.texttab_strings import ScannedSystem

_SIGNS: Final[dict[str, str]] = {"PK": "du.", "FI": "01234t.", "RH": "".join(PLUCKING) + ".", "VO": "12."}
_SAY: Final = {
    "PK": "d, u below the columns", "FI": "the fingers 1 to 4, T for the thumb, below the columns",
    "RH": "the fingers p, i, m, a, c below the columns", "VO": "1 or 2 below the columns",
}  # fmt: skip
_ARROWS: Final = str.maketrans("↓↑⊓∨", "dudu")
_JOINED: Final = 2  # spaces between two dashes of one span, as in PM - - -
_QUOTED: Final = re.compile(r'"([^"]*)"')


class Beside:
    """The lines above and below one system; ``columns`` are those of its bars, in order."""

    def __init__(self, source: SourceText, scanned: ScannedSystem, columns: Sequence[Column]) -> None:
        self.source, self.scanned, self.columns = source, scanned, columns
        self.spans: dict[str, list[tuple[int, int]]] = {"PM": [], "LR": []}
        self.dynamics: list[tuple[int, str]] = []
        self.signs: dict[str, dict[int, str]] = {}
        self.syllables: list[tuple[int, int, str, str]] = []  # line, place, label, text
        for name, number, text in scanned.system.spans:
            if name in ("PM", "LR"):
                self.spans[name] += _runs(_labelled(text, scanned.bars[0][0]))
                self.spans[name].sort()  # there may be several such lines
            elif name == "DY":
                self._dynamics(number, text)
            elif name.startswith("LY"):
                self._words(name, number, text)
            else:
                self._signs(name, number, text)

    def _not_understood(self, name: str, number: int, place: int, word: str, known: str) -> None:
        self.source.error(
            number, place + 1, f"{word!r} is not understood in a {name} line", f"It holds {known}."
        )

    def _dynamics(self, number: int, text: str) -> None:
        for match in re.finditer(r"[^\s|-]+", text):
            if match[0].lower() in DYNAMICS:
                self.dynamics.append((match.start(), match[0].lower()))
            else:
                self._not_understood(
                    "DY", number, match.start(), match[0], f"{', '.join(DYNAMICS)} below the columns"
                )

    def _signs(self, name: str, number: int, text: str) -> None:
        found = self.signs.setdefault(name, {})
        for match in re.finditer(r"[^\s|-]+", text):
            word = match[0].lower().translate(_ARROWS)
            if not set(word) <= set(_SIGNS[name]):
                self._not_understood(name, number, match.start(), match[0], _SAY[name])
                continue
            home = self._home(match.start(), match.end(), struck=True)
            if home is None:
                if self.columns:
                    self.source.caution(
                        number, match.start() + 1, f"{match[0]!r} is below no note",
                        f"Write it below the column of notes that it is for, or delete it from the {name} line.",
                    )  # fmt: skip
                continue
            count = len(self.columns[home].notes)
            if len(word) not in (1, count):
                self.source.error(
                    number, match.start() + 1, f"{len(word)} signs below {count} note{'s' if count > 1 else ''}",
                    "Write one for all of them, or one each from the top string down, . for none.",
                )  # fmt: skip
                continue
            found[home] = word if len(word) == count else word * count

    def _words(self, name: str, number: int, text: str) -> None:
        for match in re.finditer(r"\S+", text):
            if match[0].strip("_|"):
                self.syllables.append((number, match.start(), name, match[0]))

    def _home(self, start: int, end: int, *, struck: bool) -> int | None:
        """The place of the column that what stands at [start, end) belongs to."""
        lines = self.scanned.lines
        bar = next((i for i in range(len(lines) - 1) if start < lines[i + 1].start), len(lines) - 2)
        left, right = lines[bar].start, lines[bar + 1].end
        near: tuple[int, int] | None = None
        for place, column in enumerate(self.columns):
            if not left <= column.start < right or (not column.notes if struck else column.grace):
                continue
            if column.lead <= start < max(column.end, column.start + 1) or start < column.start < end:
                return place
            if near is None or abs(column.start - start) < near[0]:
                near = abs(column.start - start), place
        return None if near is None else near[1]

    def covers(self, name: str, column: Column) -> bool:
        """Whether a span of this name reaches a column."""
        marks = self.spans[name]
        at = bisect_left(marks, (column.start + 1, -1))
        return (at < len(marks) and marks[at][0] < column.end) or (at > 0 and marks[at - 1][1] > column.start)

    def dynamic(self, column: Column, now: str) -> str:
        """The dynamic of a column, ``now`` being that before the system."""
        found = [word for place, word in self.dynamics if place < max(column.end, column.start + 1)]
        return found[-1] if found else now

    def last_dynamic(self, now: str) -> str:
        """The dynamic at the end of the system."""
        return self.dynamics[-1][1] if self.dynamics else now

    def sign(self, name: str, column: int, note: int) -> str:
        """What a line of signs says to one note of a column; "" nothing."""
        text = self.signs.get(name, {}).get(column, "")
        return text[note].strip(".") if text else ""

    def _quarter(self, start: int, end: int, onsets: Sequence[Fraction | None]) -> Fraction | None:
        home = self._home(start, end, struck=False)
        return None if home is None else onsets[home]

    def lyrics(self, onsets: Sequence[Fraction | None]) -> Iterator[Lyric]:
        """The syllables; ``onsets`` say when each column begins."""
        found: dict[str, Lyric] = {}
        taken: set[tuple[Fraction, int]] = set()
        for number, place, label, text in self.syllables:
            verse = int(label[2:])
            if set(text) == {"-"}:  # A - ma - zing
                before = found.get(label)
                if before is not None and not before.text.endswith("-"):
                    found[label] = Lyric(before.quarter, before.text + "-", verse)
                continue
            quarter = self._quarter(place, place + len(text), onsets)
            if quarter is None:
                continue  # what is wrong with its bar is told
            word = text.removeprefix("\\").replace("_", " ").strip()
            if not word:
                continue
            if (quarter, verse) in taken:
                self.source.error(
                    number, place + 1, f"a second syllable at one column: {word!r}",
                    "Move it below its own note, or join the two with _.",
                )  # fmt: skip
                continue
            taken.add((quarter, verse))
            if label in found:
                yield found[label]
            found[label] = Lyric(quarter, word, verse)
        yield from found.values()

    def remarks(self, onsets: Sequence[Fraction | None]) -> Iterator[Remark]:
        """The words above the strings; ``onsets`` say when each column begins."""
        for number, text in self.scanned.system.remarks:
            left = _QUOTED.sub("", text).replace("|", "").strip()
            if left:
                self.source.error(
                    number, text.index(left[0]) + 1, f"{left!r} stands beside the words in quotes",
                    'Put all words above the strings in quotes: "slowly".',
                )  # fmt: skip
            for match in _QUOTED.finditer(text):
                quarter = self._quarter(match.start(), match.end(), onsets)
                if quarter is not None and match[1].strip():
                    yield Remark(quarter, match[1])


def _labelled(text: str, margin: int) -> str:
    """A line of dashes; a label among the columns is a part of it, one before them only where its
    dashes touch it."""
    begin, end = text.find(LABEL), text.rfind(LABEL) + 1
    blank = 0 if begin >= margin else margin if text[end : end + 1] == "-" else end
    return " " * min(blank, end) + text[min(blank, end) :].replace(LABEL, "-")


def _runs(text: str) -> list[tuple[int, int]]:
    """The spans [start, end) of a line of dashes; those a little apart are one."""
    found: list[tuple[int, int]] = []
    for match in re.finditer(r"[^\s|]+", text):
        if (
            found
            and match.start() - found[-1][1] <= _JOINED
            and "|" not in text[found[-1][1] : match.start()]
        ):
            found[-1] = (found[-1][0], match.end())
        else:
            found.append(match.span())
    return found
