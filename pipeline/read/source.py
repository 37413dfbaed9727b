"""Text sources: reading the file, and telling problems by line and column.

Conventions
-----------
Lines and columns count from 1, in characters. Text is UTF-8; a byte order mark and any
line ending are tolerated.
"""

from __future__ import annotations

import re
import unicodedata
from fractions import Fraction
from pathlib import Path
from typing import Final

from pipeline.errors import Problems, nearest

MAX_TEXT_BYTES: Final = 300_000  # a thousand bars of full chords; what is longer takes seconds to read
MOST_TOLD: Final = 1000  # problems of one file; nobody reads more
ENDLESS_NUMBER: Final = re.compile(r"\d{1000,}")  # Python reads no number of more than 4300 digits
_MARKS: Final = ((b"\xff\xfe", "UTF-16"), (b"\xfe\xff", "UTF-16"))
_PARTS: Final = {
    Fraction(1, 2): "½", Fraction(1, 4): "¼", Fraction(3, 4): "¾", Fraction(1, 3): "⅓", Fraction(2, 3): "⅔",
    Fraction(1, 8): "⅛", Fraction(3, 8): "⅜", Fraction(5, 8): "⅝", Fraction(7, 8): "⅞", Fraction(1, 6): "⅙",
    Fraction(5, 6): "⅚",
}  # fmt: skip


def read_bytes(path: Path, problems: Problems, *, limit: int = MAX_TEXT_BYTES) -> bytes | None:
    """The file's bytes, or None with a problem told: missing, a folder, unreadable, empty, too big."""
    try:
        size = path.stat().st_size
        if path.is_dir():
            problems.error("this is a folder, a file was expected", path=path, remedy="Name the file in it.")
            return None
        if size > limit:
            problems.error(
                f"the file holds {size:,} bytes, at most {limit:,} are read",
                path=path,
                remedy="Is it really the written music? Name the right file.",
            )
            return None
        data = path.read_bytes()
    except FileNotFoundError:
        problems.error("there is no such file", path=path, remedy=_neighbour(path))
        return None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        problems.error(
            f"the file cannot be read ({reason})", path=path, remedy="Check its name and permissions."
        )
        return None
    if not data.strip():
        problems.error(
            "the file is empty", path=path, remedy="Write the music into it, or name another file."
        )
        return None
    return data


def read_text(path: Path, problems: Problems) -> str | None:
    """The text of a UTF-8 file with line ends as ``\\n``, or None with a problem told."""
    data = read_bytes(path, problems)
    if data is None:
        return None
    for mark, name in _MARKS:
        if data.startswith(mark):
            problems.error(
                f"the file is saved as {name}, expected UTF-8",
                path=path, line=1, column=1, remedy="Save it again with the encoding UTF-8.",
            )  # fmt: skip
            return None
    data = data.removeprefix(b"\xef\xbb\xbf")
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as error:
        # any line end counts as one, as in what is read below
        before = data[: error.start].replace(b"\r\n", b"\n").replace(b"\r", b"\n")
        start = before.rfind(b"\n") + 1
        shown = before[start:] + re.split(rb"[\r\n]", data[error.start :], maxsplit=1)[0]
        problems.error(
            f"the byte 0x{data[error.start]:02x} is not UTF-8 text",
            path=path,
            line=before.count(b"\n") + 1,
            column=len(before[start:].decode("utf-8")) + 1,
            offending=shown.decode("utf-8", errors="replace"),
            remedy="Save the file again with the encoding UTF-8.",
        )
        return None
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    at = text.find("\0")
    if at >= 0:
        line = text.count("\n", 0, at) + 1
        problems.error(
            "the file holds zero bytes: it is not plain text",
            path=path, line=line, column=at - text.rfind("\n", 0, at), remedy="Name a text file.",
        )  # fmt: skip
        return None
    endless = ENDLESS_NUMBER.search(text)
    if endless is not None:
        line = text.count("\n", 0, endless.start()) + 1
        begin = text.rfind("\n", 0, endless.start()) + 1
        problems.error(
            f"a number of {len(endless[0])} digits",
            path=path, line=line, column=endless.start() - begin + 1,
            offending=text[begin:].split("\n", 1)[0], remedy="No number in music is that long; correct it.",
        )  # fmt: skip
        return None
    return text


def _neighbour(path: Path) -> str:
    """What to do about a missing file, naming one nearby that could be meant."""
    if not path.parent.is_dir():
        return f"There is no folder {path.parent} either; check the path."
    names = [item.name for item in path.parent.iterdir()]
    near = nearest(path.name, names)
    return f"Did you mean {near}?" if near else f"Check the name; it was looked for in {path.parent}."


def plain_number(text: str) -> Fraction:
    """The number that a text states: ``3``, ``0.5``, ``2/3``.

    Raises
    ------
    ValueError : it states none, divides by 0, or has an exponent (``1e999999999`` fills the memory).
    """
    if "e" in text.lower():
        raise ValueError(f"{text!r} is not a plain number")
    try:
        return Fraction(text)
    except ZeroDivisionError as error:
        raise ValueError(f"{text!r} divides by 0") from error


def say_quarters(amount: Fraction) -> str:
    """``3½`` as a musician reads it."""
    whole, part = divmod(amount, 1)
    if part == 0:
        return str(whole)
    sign = _PARTS.get(part, f" {part}" if whole else str(part))
    return f"{whole}{sign}" if whole else sign


class SourceText:
    """A text with its name, so that problems carry file, line, column and the line itself."""

    def __init__(self, text: str, *, path: Path, problems: Problems) -> None:
        self.path = path
        self.problems = problems
        text = unicodedata.normalize("NFC", text.removeprefix("\ufeff"))
        self.lines: list[str] = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
        self.failed = False
        self._shown: dict[int, str] = {}
        self._told = 0

    def error(self, line: int, column: int, what: str, remedy: str = "") -> None:
        """Tell an error at a 1-based line and column; one behind the line's end, where something
        is missing, points at its end."""
        self.failed = True
        if self._too_many():
            return
        if 1 <= line <= len(self.lines):
            column = min(column, len(self.lines[line - 1]) + 1)
        self.problems.error(
            what, remedy=remedy, path=self.path, line=line, column=column, offending=self._line(line)
        )

    def caution(self, line: int, column: int, what: str, remedy: str = "") -> None:
        """Tell a caution at a 1-based line and column."""
        if self._too_many():
            return
        self.problems.caution(
            what, remedy=remedy, path=self.path, line=line, column=column, offending=self._line(line)
        )

    def _too_many(self) -> bool:
        """Whether enough has been told; that there is more is told once."""
        self._told += 1
        if self._told == MOST_TOLD + 1:
            self.problems.caution(
                f"only the first {MOST_TOLD:,} problems are told", path=self.path, line=1, column=1,
                remedy="Is it really the written music? If so, mend these first.",
            )  # fmt: skip
        return self._told > MOST_TOLD

    def _line(self, line: int) -> str:
        # control characters would break the caret's place on a terminal; a line may have many problems
        if line not in self._shown:
            text = self.lines[line - 1] if 1 <= line <= len(self.lines) else ""
            self._shown[line] = "".join(" " if unicodedata.category(c) == "Cc" else c for c in text)
        return self._shown[line]
