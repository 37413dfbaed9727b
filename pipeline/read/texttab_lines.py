"""What each line of a text tab is: header, phrase name, duration line, string line and so on.

Look-alike characters that word processors put in (dashes, bars, full-width figures) are
replaced by plain ones of the same length, so that columns stay where they are.
"""

from __future__ import annotations

import re
from typing import Final

from pipeline.errors import nearest
from pipeline.music.chord import Chord
from pipeline.music.errors import SpellingError
from pipeline.read.source import SourceText
from pipeline.read.texttab_sheet import Header, Sheet, StringLine, System
from pipeline.read.texttab_values import read_duration

HEADERS: Final = (
    "title", "instrument", "tuning", "capo", "frets", "scale", "program", "clef", "written", "key", "time", "pickup",
    "tempo", "swing", "a4", "phrase",
)  # fmt: skip
CHANGING: Final = ("time", "tempo", "key")  # may stand between systems

_PLAIN: Final = {
    **{ord(c): "-" for c in "‐‑‒–—―−─━⁃﹣"},
    **{ord(c): "|" for c in "¦│┃❘‖║∣"},
    **{ord(c): "~" for c in "∼∿〜"},
    **{ord(c): "x" for c in "×✕✖"},
    **{ord(c): " " for c in "\u00a0\u2007\u202f\u3000"},
    **{ord(c): "'" for c in "’‘ʼ"},
    **{ord(c): '"' for c in "“”„‟"},
    **{ord(c): "<" for c in "‹〈⟨"},
    **{ord(c): ">" for c in "›〉⟩"},
    **{code: chr(code - 0xFEE0) for code in range(0xFF01, 0xFF5F)},
}
_HEADER: Final = re.compile(r"\s*([A-Za-z][A-Za-z0-9 _-]*?)\s*:(?:\s+(.*)|)$")
_PHRASE: Final = re.compile(r"\s*\[(.*)\]\s*$")
_STRING: Final = re.compile(
    r"\s*(?:(?P<label>[A-Ga-g](?:[#♯]{1,3}|[b♭]{1,3}|x)?[0-9]?)|(?:[1-9]|1[0-2])(?=\s*\|.*-))?\s*(?P<rest>:?(?<!\s:)-.*|\|.*)$"
)
_BARE: Final = re.compile(r"-[-0-9hpbrsxtgv~/\\()<>=*'^.]*", re.IGNORECASE)  # a string without any barline
_COUNT: Final = re.compile(r"\d{1,2}|[+&eau.-]|and", re.IGNORECASE)
_BELOW: Final = re.compile(
    r"\s*(?:(?P<span>PM|P\.M\.?|LR|L\.R\.?|let ring|palm mute)|(?P<name>PK|DY|FI|RH|VO)|(?P<words>LY)(?P<verse>[1-9])?)"
    r"(?![A-Za-z0-9]):?",
    re.IGNORECASE,
)
_SPAN_NAMES: Final = {"PM": "PM", "PALM MUTE": "PM", "LR": "LR", "LET RING": "LR"}
_ENDINGS: Final = re.compile(r"(?=.*\d\.)[\s|_\-\d.,]+$")
LABEL: Final = "\0"  # where the name of a span stood
_SIGN_WORDS: Final = (
    r"(?:D\.? ?[CS]\.?|da capo|dal segno)(?: al (?:fine|coda))?(?![a-z])|to coda|segno|coda|fine|𝄋|𝄌"
)
SIGN: Final = re.compile(rf"(?<![A-Za-z])(?:{_SIGN_WORDS})(?![A-Za-z])", re.IGNORECASE)


def plain(text: str) -> str:
    """With plain characters, each as long as it was."""
    return text if text.isascii() else text.translate(_PLAIN)


def _is_durations(text: str) -> bool:
    words = text.replace("|", " ").split()
    good = sum(read_duration(word) is not None for word in words)
    return bool(words) and 2 * good >= len(words)


def _is_counts(text: str) -> bool:
    """Whether a line counts the beats: ``1 + 2 +``, ``1 e & a``."""
    words = re.sub(r"[()|]", " ", text).split()
    counted = any(word.isdecimal() for word in words) and ("+" in words or "&" in words)
    return counted and all(_COUNT.fullmatch(word) for word in words)


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
        return bool(_BARE.fullmatch(rest)) and rest.count("-") > 3 and not _ENDINGS.match(rest)
    return "-" in rest or not (
        _is_durations(rest) or _is_chord_names(rest) or (SIGN.search(rest) and _is_above(rest))
    )


def _is_above(text: str) -> bool:
    """Whether a line holds nothing but endings and the words of jumps."""
    left = SIGN.sub("", text).replace("|", "").replace("(", "").replace(")", "").strip()
    return not left or bool(_ENDINGS.match(left))


class _Sorter:
    """Puts the lines of a source into a sheet."""

    def __init__(self, source: SourceText) -> None:
        self.source = source
        self.sheet = Sheet()
        self.next = System()  # gathers what stands above the coming system
        self.open: System | None = None  # the system whose strings are being read
        self.waiting: list[str] = []  # comments behind a string that may be its system's last one
        self.last: System | None = None  # the system that lines below belong to

    def sort(self) -> Sheet:
        for number, raw in enumerate(self.source.lines, 1):
            text = plain(raw.rstrip())
            if not text.strip():
                self._close()
            elif text.lstrip().startswith("#"):
                self._comment(raw.lstrip()[1:])
            else:
                self._line(number, raw, text)
        self._close()
        self._leftovers()
        return self.sheet

    def _comment(self, text: str) -> None:
        (self.next.comments if self.open is None else self.waiting).append(text.strip())

    def _close(self) -> None:
        if self.open is None:
            return
        waiting, self.waiting = self.waiting, []
        self._shut()
        self.next.comments += waiting

    def _shut(self) -> None:
        if self.open is None:
            return
        strings = self.open.strings
        if len(strings) == 1 and not strings[0].text.strip(" -") and self.sheet.systems[-1] is self.open:
            self.sheet.systems.pop()  # a rule across the page
            self.next, self.open = self.open, None
            self.next.strings = []
            return
        self.last, self.open = self.open, None

    def _line(self, number: int, raw: str, text: str) -> None:
        string = _STRING.match(text)
        if string and _is_string(string):
            self._string(number, text, string)
            return
        begun = self.open
        self._close()
        phrase, header, below = _PHRASE.match(text), _HEADER.match(raw.rstrip()), _BELOW.match(text)
        if phrase:
            self._phrase(number, raw)
        elif text.lstrip().startswith('"') and text.count('"') % 2 == 0:
            self._remarks(number, raw, text)
        elif below and (below["words"] or below["span"] or not _is_chord_names(text)):
            self._below(number, raw, text, below)
        elif header and (header[1].lower() in HEADERS or not _is_durations(text)):  # "key: E"
            self._header(number, raw, header)
        elif _is_counts(text):
            self.source.caution(
                number, 1, "counts above the strings are not read",
                "Write durations instead, such as q e e q over the notes; # before the line hides it.",
            )  # fmt: skip
        elif _is_above(text):
            self._ways(number, text)
        elif _is_durations(text):
            self._above(number, text, "durations")
        elif _is_chord_names(text):
            self.source.caution(
                number, 1, "chord names in the tab are not read", "The chart holds the chords; # before the line hides it."
            )  # fmt: skip
        elif 2 * sum(sign in "-|" for sign in text) >= len(text.strip()):
            # what was closed as a rule across the page is no system to go on with
            self.open = None if begun is self.next else begun
            self._damaged_string(number, text)
        else:
            self.source.error(
                number,
                len(text) - len(text.lstrip()) + 1,
                "this line is not understood",
                "Expected a header (key: Am), a phrase name in [ ], durations (q e e h), a string (e|--5--|),"
                ' words in quotes above the strings ("rit.") or sung below them (LY Oh, tide).'
                " Begin the line with # to make it a comment.",
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
        if self.open is not None:
            self.open.comments += self.waiting
            self.waiting = []
        if self.open is None:
            self.open, self.next = self.next, System()
            self.sheet.systems.append(self.open)
        return self.open

    def _string(self, number: int, text: str, match: re.Match[str]) -> None:
        system = self._opened()
        start = match.start("rest")
        if text[start] == ":" and text[start : start + 2] != ":|":  # E:--5--
            text = f"{text[:start]}|{text[start + 1 :]}"
        line = StringLine(number, match["label"] or "", start, text)
        if "\t" in text:
            self.source.error(
                number, text.index("\t") + 1, "a tab character in a string line: nobody can say which columns follow it",
                "Replace it by dashes or spaces.",
            )  # fmt: skip
            system.damaged = True
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
        value, *comment = re.split(r"(?<=\s\s)#", match[2] or "", maxsplit=1)
        value = value.strip()
        if comment and name in HEADERS:
            self._comment(comment[0])
        header = Header(name, value, number, (match.start(2) if match[2] else len(raw.rstrip())) + 1)
        if name not in HEADERS:
            near = nearest(name, HEADERS)
            known = (
                f"Headers are {', '.join(HEADERS)}; # before the line makes it a comment."
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
        elif name in CHANGING and (name != "key" or self.sheet.systems):
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
                "Move it to the top; only time:, key: and tempo: may change on the way.",
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

    def _below(self, number: int, raw: str, text: str, match: re.Match[str]) -> None:
        if match["words"]:
            name = "LY" + (match["verse"] or "1")
            text = raw.rstrip()  # as it is spelled
        else:
            name = (match["name"] or _SPAN_NAMES[match["span"].upper().replace(".", "")]).upper()
        above = self.next.durations is not None or self.next.endings is not None or self._leads_on(number)
        system = self.next if above and not match["words"] else self.last
        if system is None:
            self.source.error(
                number, match.end() - len(match[0].lstrip()) + 1, f"a {name} line before any strings",
                "Write it below the strings it is for.",
            )  # fmt: skip
            return
        label = len(match[0].lstrip())
        begin = match.end() - label
        # a label among the columns stands for a mark of its span
        blank = LABEL if match["span"] else " "
        system.spans.append((name, number, " " * begin + blank * label + text[match.end() :]))

    def _leads_on(self, number: int) -> bool:
        """Whether a line that stands apart from the strings before leads on to strings below it."""
        lines = self.source.lines
        if self.last is not None and number > 1 and lines[number - 2].strip():
            return False
        for raw in lines[number:]:
            string = _STRING.match(plain(raw.rstrip()))
            if string and _is_string(string):
                return True
            if not raw.strip():
                break
        return False

    def _remarks(self, number: int, raw: str, text: str) -> None:
        """Words in quotes above the strings."""
        if "\t" in text:
            self._above(number, text, "remarks")
            return
        # quotes of a word processor are quotes only where no plain ones stand
        self.next.remarks.append((number, raw.rstrip() if '"' in raw else text))

    def _ways(self, number: int, text: str) -> None:
        """A line of endings, words of jumps, or both."""
        signs = SIGN.search(text)
        if re.search(r"\d", SIGN.sub("", text)):
            self._above(number, SIGN.sub(lambda m: " " * len(m[0]), text), "endings")
        if signs:
            self.next.signs.append((number, text))

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
        for number, _ in (*self.next.remarks, *self.next.signs):
            self.source.error(
                number, 1, "words that belong above strings without strings below them",
                "Write the strings, or delete the line.",
            )  # fmt: skip
        self.sheet.comments = self.next.comments
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
