"""What each line of a text tab is: header, phrase name, duration line, string line and so on.

Look-alike characters that word processors put in (dashes, bars, full-width figures) are
replaced by plain ones of the same length, so that columns stay where they are.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Final

from pipeline.errors import nearest
from pipeline.music.chord import Chord
from pipeline.music.errors import SpellingError
from pipeline.read.source import SourceText
from pipeline.read.texttab_values import read_duration

HEADERS: Final = (
    "title", "instrument", "tuning", "capo", "frets", "key", "time", "tempo", "swing", "a4", "phrase",
)  # fmt: skip
CHANGING: Final = ("time", "tempo")  # may stand between systems
DYNAMIC_WORDS: Final = ("ppp", "pp", "p", "mp", "mf", "f", "ff", "fff")

_PLAIN: Final = {
    **{ord(c): "-" for c in "‐‑‒–—―−─━⁃﹣"},
    **{ord(c): "|" for c in "¦│┃❘‖║∣"},
    **{ord(c): "~" for c in "∼∿〜"},
    **{ord(c): "x" for c in "×✕✖"},
    **{ord(c): " " for c in "\u00a0\u2007\u202f\u3000"},
    **{ord(c): "'" for c in "’‘ʼ"},
    **{ord(c): "<" for c in "‹〈⟨"},
    **{ord(c): ">" for c in "›〉⟩"},
    **{code: chr(code - 0xFEE0) for code in range(0xFF01, 0xFF5F)},
}
_HEADER: Final = re.compile(r"\s*([A-Za-z][A-Za-z0-9 _-]*?)\s*:(?:\s+(.*)|)$")
_PHRASE: Final = re.compile(r"\s*\[(.*)\]\s*$")
_STRING: Final = re.compile(r"\s*(?P<label>[A-Ga-g][#b♯♭]?[0-9]?)?\s*(?P<rest>[|-].*)$")
_SPAN: Final = re.compile(r"\s*(PM|P\.M\.?|LR|L\.R\.?|let ring|palm mute|PK|DY)(?![A-Za-z])", re.IGNORECASE)
_SPAN_NAMES: Final = {"PM": "PM", "PALM MUTE": "PM", "LR": "LR", "LET RING": "LR", "PK": "PK", "DY": "DY"}
_ENDINGS: Final = re.compile(r"(?=.*\d\.)[\s|_\-\d.,]+$")


@dataclass(frozen=True, slots=True)
class Header:
    """``name: value`` with the place of the value, 1-based."""

    name: str
    value: str
    line: int
    column: int


@dataclass(slots=True)
class StringLine:
    """A string as typed: its label, and the text with plain characters from ``start`` (0-based)."""

    number: int
    label: str
    start: int
    text: str


@dataclass(slots=True)
class System:
    """Some bars of tab: the string lines and the lines that go with them.

    Each of ``durations``, ``endings`` is (line number, text); ``spans`` are (name, number, text).
    """

    strings: list[StringLine] = field(default_factory=list)
    durations: tuple[int, str] | None = None
    endings: tuple[int, str] | None = None
    spans: list[tuple[str, int, str]] = field(default_factory=list)
    changes: list[Header] = field(default_factory=list)
    phrase: tuple[str, int] | None = None  # its name ("" ends the one before) and line
    damaged: bool = False  # one of its lines could not be read, and was told


@dataclass(slots=True)
class Sheet:
    """A text tab by lines."""

    headers: dict[str, Header] = field(default_factory=dict)
    tempo_marks: list[Header] = field(default_factory=list)  # tempo: 96 at bar 3 beat 2
    phrases: list[Header] = field(default_factory=list)  # phrase: 3-6 Name
    systems: list[System] = field(default_factory=list)


def plain(text: str) -> str:
    """With plain characters, each as long as it was."""
    return text if text.isascii() else text.translate(_PLAIN)


def _is_durations(text: str) -> bool:
    words = text.replace("|", " ").split()
    good = sum(read_duration(word) is not None for word in words)
    return bool(words) and 2 * good >= len(words)


def _is_chord_names(text: str) -> bool:
    words = text.replace("|", " ").split()
    for word in words:
        try:
            Chord.parse(word)
        except SpellingError:
            if word not in ("N.C.", "NC", "%"):
                return False
    return bool(words)


def _is_string(match: re.Match[str]) -> bool:
    rest = match["rest"]
    if match["label"] is None and ("|" not in rest or _ENDINGS.match(rest)):
        return False
    return "-" in rest or not (_is_durations(rest) or _is_chord_names(rest))


class _Sorter:
    """Puts the lines of a source into a sheet."""

    def __init__(self, source: SourceText) -> None:
        self.source = source
        self.sheet = Sheet()
        self.next = System()  # gathers what stands above the coming system
        self.open: System | None = None  # the system whose strings are being read
        self.last: System | None = None  # the system that lines below belong to

    def sort(self) -> Sheet:
        for number, raw in enumerate(self.source.lines, 1):
            text = plain(raw.rstrip())
            if not text.strip():
                self._close()
            elif not text.lstrip().startswith("#"):
                self._line(number, raw, text)
        self._close()
        self._leftovers()
        return self.sheet

    def _close(self) -> None:
        if self.open is not None:
            self.last, self.open = self.open, None

    def _line(self, number: int, raw: str, text: str) -> None:
        string = _STRING.match(text)
        if string and _is_string(string):
            self._string(number, text, string)
            return
        begun = self.open
        self._close()
        phrase, header, span = _PHRASE.match(text), _HEADER.match(raw.rstrip()), _SPAN.match(text)
        if phrase and not _is_durations(text):
            self._phrase(number, raw)
        elif header and (header[1].lower() in HEADERS or not _is_durations(text)):  # "key: E"
            self._header(number, raw, header)
        elif span:
            self._span(number, text, span)
        elif _ENDINGS.match(text):
            self._above(number, text, "endings")
        elif _is_durations(text):
            self._above(number, text, "durations")
        elif _is_chord_names(text):
            self.source.caution(
                number, 1, "chord names in the tab are not read", "The chart holds the chords; # before the line hides it."
            )  # fmt: skip
        elif 2 * sum(sign in "-|" for sign in text) >= len(text.strip()):
            self.open = begun
            self._damaged_string(number, text)
        else:
            self.source.error(
                number,
                len(text) - len(text.lstrip()) + 1,
                "this line is not understood",
                "Expected a header (key: Am), a phrase name in [ ], durations (q e e h) or a string"
                " (e|--5--|). Begin the line with # to make it a comment.",
            )

    def _damaged_string(self, number: int, text: str) -> None:
        """A string line that is spoiled at its start; it still counts as one of its system."""
        start = len(text) - len(text.lstrip())
        label = re.split(r"[-|]", text, maxsplit=1)[0].strip()
        self.source.error(
            number, start + 1, f"{label!r} at the start of this string is not the name of a note",
            "Begin a string with its note and a |, such as E| or F#|, or with the | alone.",
        )  # fmt: skip
        system = self._opened()
        system.damaged = True
        system.strings.append(StringLine(number, "", start + len(label), text))

    def _opened(self) -> System:
        """The system that string lines now belong to."""
        if self.open is None:
            self.open, self.next = self.next, System()
            self.sheet.systems.append(self.open)
        return self.open

    def _string(self, number: int, text: str, match: re.Match[str]) -> None:
        system = self._opened()
        line = StringLine(number, match["label"] or "", match.start("rest"), text)
        if "\t" in text:
            self.source.error(
                number, text.index("\t") + 1, "a tab character in a string line: nobody can say which columns follow it",
                "Replace it by dashes or spaces.",
            )  # fmt: skip
        system.strings.append(line)

    def _phrase(self, number: int, raw: str) -> None:
        name = " ".join(raw.strip()[1:-1].split())
        if self.next.phrase is not None and self.next.phrase[0] and name:
            self.source.error(
                number, 1, f"phrase {self.next.phrase[0]!r} holds no bars: another name follows it",
                "Move the name above the system where the phrase begins.",
            )  # fmt: skip
        self.next.phrase = (name, number)

    def _header(self, number: int, raw: str, match: re.Match[str]) -> None:
        name = match[1].lower()
        value = re.split(r"\s{2,}#", match[2] or "")[0].strip()
        header = Header(name, value, number, (match.start(2) if match[2] else len(raw.rstrip())) + 1)
        if name not in HEADERS:
            near = nearest(name, HEADERS)
            known = (
                f"Headers are {', '.join(HEADERS)}."
                if value
                else f"Write a phrase name in brackets: [{match[1]}]."
            )
            self.source.error(
                number, match.start(1) + 1, f"unknown header {match[1]!r}",
                f"Did you mean {near}:?" if near else known,
            )  # fmt: skip
        elif not value:
            self.source.error(number, header.column, f"{name}: has no value", "Write one after the colon.")
        elif name == "phrase":
            self.sheet.phrases.append(header)
        elif name == "tempo" and re.search(r"\bat\b", value):
            self.sheet.tempo_marks.append(header)
        elif name in CHANGING:
            if any(change.name == name for change in self.next.changes):
                self.source.error(
                    number,
                    match.start(1) + 1,
                    f"{name}: is given twice before one system",
                    "Keep one of them.",
                )
            self.next.changes.append(header)
        elif self.sheet.systems:
            self.source.error(
                number, match.start(1) + 1, f"{name}: comes after the first system",
                "Move it to the top; only time: and tempo: may change on the way.",
            )  # fmt: skip
        elif name in self.sheet.headers:
            first = self.sheet.headers[name].line
            self.source.error(
                number,
                match.start(1) + 1,
                f"{name}: is given twice, first in line {first}",
                "Keep one of them.",
            )
        else:
            self.sheet.headers[name] = header

    def _span(self, number: int, text: str, match: re.Match[str]) -> None:
        name = _SPAN_NAMES[match[1].upper().replace(".", "")]
        above = self.next.durations is not None or self.next.endings is not None
        system = self.next if above else self.last
        if system is None:
            self.source.error(
                number, match.start(1) + 1, f"a {name} line before any strings", "Write it below the strings it is for."
            )  # fmt: skip
            return
        system.spans.append((name, number, text))

    def _above(self, number: int, text: str, kind: str) -> None:
        if "\t" in text:
            self.source.error(
                number, text.index("\t") + 1, "a tab character above the strings: nobody can say which columns follow it",
                "Replace it by spaces.",
            )  # fmt: skip
            return
        if getattr(self.next, kind) is not None:
            first = getattr(self.next, kind)[0]
            self.source.error(
                number, 1, f"a second line of {kind} above one system, the first is line {first}", "Keep one of them."
            )  # fmt: skip
            self.next.damaged = True
        setattr(self.next, kind, (number, text))

    def _leftovers(self) -> None:
        for kind in ("durations", "endings"):
            spare = getattr(self.next, kind)
            if spare is not None:
                self.source.error(
                    spare[0],
                    1,
                    f"{kind} without strings below them",
                    "Write the strings, or delete the line.",
                )
        if self.next.phrase is not None and self.next.phrase[0]:
            name, line = self.next.phrase
            self.source.error(
                line, 1, f"phrase {name!r} holds no bars", "Write its strings below, or delete the name."
            )
        for change in self.next.changes:
            if self.sheet.systems:
                self.source.error(
                    change.line, 1, f"{change.name}: after the last system", "Delete it, or move it up."
                )


def sort_lines(source: SourceText) -> Sheet:
    """Sort the lines of a text tab, telling every line that is out of place."""
    return _Sorter(source).sort()
