"""TOML files with the place of every key and value, so that a complaint can point at it.

The standard library parses; it keeps no positions, so a second, tolerant walk over a text
that is known to be good finds them.

Conventions
-----------
- A *location* is the path from the top: ``("phrase", 0, "bars")``; list items by index.
- Lines and columns count from 1, in characters.

References
----------
TOML 1.0.0, https://toml.io/en/v1.0.0.
"""

from __future__ import annotations

import codecs
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from pipeline.errors import Problems

Location = tuple[str | int, ...]
MAX_BYTES: Final = 4_000_000


@dataclass(frozen=True, slots=True)
class Spot:
    """A place in a file. ``offending``: the text of that line."""

    path: Path
    line: int = 1
    column: int = 1
    offending: str = ""


@dataclass(frozen=True)
class Document:
    """Parsed data and where each part of it stands.

    keys, values : location -> where the key (for list items: the item) and the value begin
    """

    path: Path
    data: dict[str, Any]
    keys: Mapping[Location, Spot] = field(default_factory=dict)
    values: Mapping[Location, Spot] = field(default_factory=dict)

    def key_spot(self, location: Location) -> Spot:
        """Where the key stands, or the nearest thing around it."""
        return self._nearest(self.keys, location)

    def value_spot(self, location: Location) -> Spot:
        """Where the value stands, or the nearest thing around it."""
        return self._nearest(self.values, location)

    def _nearest(self, known: Mapping[Location, Spot], location: Location) -> Spot:
        for length in range(len(location), 0, -1):
            spot = known.get(location[:length]) or self.keys.get(location[:length])
            if spot is not None:
                return spot
        return Spot(self.path)

    def part(self, location: Location) -> Any:
        """The data at a location, or None."""
        found: Any = self.data
        for step in location:
            try:
                found = found[step]
            except (KeyError, IndexError, TypeError):
                return None
        return found

    def sub(self, location: Location, *, without: tuple[str, ...] = ()) -> Document:
        """The table at a location as a document of its own, some of its keys left out."""
        size = len(location)

        def inside(spots: Mapping[Location, Spot]) -> dict[Location, Spot]:
            return {
                key[size:]: spot
                for key, spot in spots.items()
                if key[:size] == location and len(key) > size and key[size] not in without
            }

        data = {k: v for k, v in dict(self.part(location) or {}).items() if k not in without}
        return Document(self.path, data, inside(self.keys), inside(self.values))

    def overlaid(self, over: Document) -> Document:
        """This document with ``over`` on top: tables merge key by key, all else is replaced."""
        data = _merged(self.data, over.data)
        replaced = {loc for loc in over.values if not isinstance(over.part(loc), dict)}

        def keep(location: Location) -> bool:
            return not any(location[:length] in replaced for length in range(1, len(location) + 1))

        keys = {loc: spot for loc, spot in self.keys.items() if keep(loc)}
        values = {loc: spot for loc, spot in self.values.items() if keep(loc)}
        return Document(self.path, data, {**keys, **over.keys}, {**values, **over.values})


def _merged(under: dict[str, Any], over: dict[str, Any]) -> dict[str, Any]:
    found = dict(under)
    for key, value in over.items():
        before = found.get(key)
        if isinstance(before, dict) and isinstance(value, dict):
            value = _merged(before, value)
        found[key] = value
    return found


def read_toml(path: Path, problems: Problems) -> Document | None:
    """Read a TOML file; what is wrong goes to ``problems`` and None comes back."""
    try:
        if path.exists() and not path.is_file():
            problems.error("this is no file", remedy="Name a TOML file.", path=path)
            return None
        if path.stat().st_size > MAX_BYTES:
            problems.error(
                f"the file holds {path.stat().st_size:,} bytes, at most {MAX_BYTES:,} are read",
                remedy="Is it really a TOML file?",
                path=path,
            )
            return None
        raw = path.read_bytes()
    except FileNotFoundError:
        problems.error("there is no such file", remedy="Check the name and the folder.", path=path)
        return None
    except OSError as error:
        problems.error(
            f"the file cannot be read: {error.strerror}",
            remedy="Check that it is a file and that you may open it.",
            path=path,
        )
        return None
    # any line end is tolerated, as in tabs and charts
    raw = raw.removeprefix(codecs.BOM_UTF8).replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError as error:
        before = raw[: error.start]
        column = len(before[before.rfind(b"\n") + 1 :].decode("utf-8", "replace")) + 1
        problems.error(
            f"the file is not UTF-8 text (byte 0x{raw[error.start]:02X})",
            remedy="Save it again as UTF-8 in your editor.",
            path=path,
            line=before.count(b"\n") + 1,
            column=column,
        )
        return None
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        _tell_syntax(error, text, path, problems)
        return None
    except (RecursionError, ValueError) as error:  # absurd nesting; a figure of thousands of digits
        why = (
            "it is nested too deeply" if isinstance(error, RecursionError) else "a number has too many digits"
        )
        problems.error(f"this TOML cannot be read: {why}", remedy="Write it more simply.", path=path)
        return None
    return _Walk(path, text).document(data)


def _tell_syntax(error: tomllib.TOMLDecodeError, text: str, path: Path, problems: Problems) -> None:
    lines = text.split("\n")
    if _tell_curly(error, lines, path, problems):
        return
    said = re.sub(r"\s*\(at .*\)$", "", str(error))
    place = re.search(r"\(at line (\d+), column (\d+)\)", str(error))
    if place:
        line, column = int(place[1]), int(place[2])
    else:  # "at end of document"
        line = max((n for n, row in enumerate(lines, 1) if row.strip()), default=1)
        column = len(lines[line - 1]) + 1
    line = min(line, len(lines))
    row = lines[line - 1]
    column = min(column, len(row) + 1)
    table = _TWICE.match(said)
    if table:
        name = ".".join(re.findall(r"'([^']*)'", table[1]))
        problems.error(
            f"[{name}] stands here a second time",
            remedy=f"Put these lines below the first [{name}], or below what gives {name} its value.",
            path=path,
            line=line,
            column=len(row) - len(row.lstrip()) + 1,
            offending=row,
        )
        return
    problems.error(
        f"this is not TOML: {said[:1].lower()}{said[1:]}",
        remedy='A line reads name = value: text stands in "quotes", numbers bare, lists in [brackets].',
        path=path,
        line=line,
        column=column,
        offending=row,
    )


_TWICE: Final = re.compile(r"Cannot declare \((.*)\) twice")
_CURLY: Final = re.compile("[“”„‟«»‘’‚‛]")
_STRAIGHT: Final = re.compile(r'"(?:[^"\\]|\\.)*"|\'[^\']*\'')


def _curly_quotes(row: str) -> list[int]:
    """Places of the curly quotes that stand outside text in straight ones and outside comments."""
    bare = _STRAIGHT.sub(lambda match: " " * len(match[0]), row).split("#")[0]
    return [match.start() for match in _CURLY.finditer(bare)]


def _tell_curly(error: tomllib.TOMLDecodeError, lines: list[str], path: Path, problems: Problems) -> bool:
    """Tell every line with curly quotes when they are what the parser tripped over; whether they are."""
    place = re.search(r"\(at line (\d+),", str(error))
    first = int(place[1]) if place else 0
    if not first or not _curly_quotes(lines[first - 1]):
        return False
    several = any(mark in row for row in lines for mark in ('"""', "'''"))  # curly quotes may be text there
    for number in range(first, first + 1 if several else len(lines) + 1):
        row = lines[number - 1]
        places = _curly_quotes(row)
        if not places:
            continue
        straight = "".join('"' if i in places else sign for i, sign in enumerate(row)).strip()
        try:
            tomllib.loads(straight)
        except tomllib.TOMLDecodeError:
            straight = 'title = "Low Tide"'
        problems.error(
            f"{row[places[0]]} is a curly quote, as word processors put in",
            remedy=f"Use straight quotes: {straight}",
            path=path,
            line=number,
            column=places[0] + 1,
            offending=row,
        )
    return True


_BARE = re.compile(r"[A-Za-z0-9_-]+")
_SCALAR = re.compile(r"[^,\]\}\n#]+")


class _Walk:
    """Walks over good TOML and notes where keys and values begin."""

    def __init__(self, path: Path, text: str) -> None:
        self.path, self.text, self.place = path, text, 0
        self.lines = text.split("\n")
        self.starts = [0]
        for row in self.lines:
            self.starts.append(self.starts[-1] + len(row) + 1)
        self.row = 0
        self.keys: dict[Location, Spot] = {}
        self.values: dict[Location, Spot] = {}
        self.counts: dict[Location, int] = {}

    def document(self, data: dict[str, Any]) -> Document:
        table: Location = ()
        while self.skip(newlines=True):
            start = self.place
            if self.text[start] != "[":
                self.pair(table)
                continue
            many = self.text.startswith("[[", start)
            self.place += 2 if many else 1
            names = self.names()
            table = self.resolved(names[:-1])
            table = (*table, names[-1])
            if many:
                number = self.counts.get(table, -1) + 1
                self.counts[table] = number
                self.note(table, start, start)
                table = (*table, number)
            else:
                table = self.resolved(names)
            self.note(table, start, start)
            self.place = self.text.index("]", self.place) + (2 if many else 1)
        return Document(self.path, data, self.keys, self.values)

    def resolved(self, names: list[str]) -> Location:
        """A header's path with the index of the last table of each array put in."""
        found: Location = ()
        for name in names:
            found = (*found, name)
            if found in self.counts:
                found = (*found, self.counts[found])
        return found

    def spot(self, place: int) -> Spot:
        while self.starts[self.row + 1] <= place:
            self.row += 1
        while self.starts[self.row] > place:
            self.row -= 1
        return Spot(self.path, self.row + 1, place - self.starts[self.row] + 1, self.lines[self.row])

    def note(self, location: Location, key: int, value: int) -> None:
        self.keys.setdefault(location, self.spot(key))
        self.values.setdefault(location, self.spot(value))

    def skip(self, *, newlines: bool) -> bool:
        """Pass over blanks and comments; whether text is left."""
        blanks = " \t\n\r" if newlines else " \t"
        while self.place < len(self.text):
            if self.text[self.place] == "#":
                end = self.text.find("\n", self.place)
                self.place = end if end >= 0 else len(self.text)
            elif self.text[self.place] in blanks:
                self.place += 1
            else:
                return True
        return False

    def names(self) -> list[str]:
        """A dotted key."""
        found: list[str] = []
        while True:
            self.skip(newlines=False)
            if self.text[self.place] in "\"'":
                begin = self.place
                self.string()
                found.append(next(iter(tomllib.loads(self.text[begin : self.place] + " = 0"))))
            else:
                match = _BARE.match(self.text, self.place)
                assert match is not None
                found.append(match[0])
                self.place = match.end()
            self.skip(newlines=False)
            if self.text[self.place : self.place + 1] != ".":
                return found
            self.place += 1

    def pair(self, table: Location) -> None:
        self.skip(newlines=True)
        start = self.place
        names = self.names()
        self.place += 1  # the equals sign
        self.skip(newlines=False)
        for depth in range(1, len(names) + 1):
            self.note((*table, *names[:depth]), start, self.place)
        self.value((*table, *names))

    def value(self, location: Location) -> None:
        self.values.setdefault(location, self.spot(self.place))
        first = self.text[self.place]
        if first in "\"'":
            self.string()
        elif first == "[":
            self.items(location)
        elif first == "{":
            self.inline(location)
        else:
            match = _SCALAR.match(self.text, self.place)
            assert match is not None
            self.place = match.end()

    def items(self, location: Location) -> None:
        self.place += 1
        number = 0
        while True:
            self.skip(newlines=True)
            if self.text[self.place] == "]":
                break
            if self.text[self.place] == ",":
                self.place += 1
                continue
            self.note((*location, number), self.place, self.place)
            self.value((*location, number))
            number += 1
        self.place += 1

    def inline(self, location: Location) -> None:
        self.place += 1
        while True:
            self.skip(newlines=True)
            if self.text[self.place] == "}":
                break
            if self.text[self.place] == ",":
                self.place += 1
                continue
            self.pair(location)
        self.place += 1

    def string(self) -> None:
        quote = self.text[self.place]
        triple = self.text.startswith(quote * 3, self.place)
        size = 3 if triple else 1
        self.place += size
        while not self.text.startswith(quote * size, self.place):
            self.place += 2 if quote == '"' and self.text[self.place] == "\\" else 1
        self.place += size
        while triple and self.text[self.place : self.place + 1] == quote:  # quotes that end the text itself
            self.place += 1
