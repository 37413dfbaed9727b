"""Every failure the user can meet: one root, few leaves, each with its exit code.

Exit codes: 1 the sources have errors, 2 the command was misused, 3 something in the
environment is missing or in the way, or a step failed.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, Literal

Level = Literal["error", "caution", "remark"]
LEVELS: Final[tuple[Level, ...]] = ("error", "caution", "remark")  # the gravest first
_SHOWN: Final = 150  # characters of an offending line


class LessonwrightError(Exception):
    """Root of all errors meant for the user; its text is the whole message."""

    exit_code = 3


class MisuseError(LessonwrightError, ValueError):
    """The command was given something it cannot work with."""

    exit_code = 2


class MissingError(LessonwrightError, OSError):
    """The environment lacks something: a program, a library, disk space, permission."""


class StepError(LessonwrightError, RuntimeError):
    """A step of a build failed for a reason outside the sources."""


class UnusableError(LessonwrightError, ValueError):
    """Something given cannot be worked with: ``what`` is wrong, and the ``remedy``."""

    exit_code = 1

    def __init__(self, what: str, remedy: str = "") -> None:
        self.what, self.remedy = what, remedy
        super().__init__(f"{what}\n  {remedy}" if remedy else what)

    def __reduce__(self) -> tuple[type, tuple[str, str]]:
        return type(self), (self.what, self.remedy)


@dataclass(frozen=True, slots=True)
class Problem:
    """Something in the sources that is wrong, or worth a look.

    level : "error": nothing can be built; "caution": likely wrong, or something was assumed;
        "remark": right as it stands, but a careful teacher would look

    path : the file, as the user would type it
    line, column : 1-based, or None when the whole file is meant
    what : what is wrong, with what was got and what was expected
    remedy : what to do
    offending : the text in question, one line
    """

    what: str
    remedy: str = ""
    path: Path | None = None
    line: int | None = None
    column: int | None = None
    offending: str = ""
    level: Level = "error"

    @property
    def error(self) -> bool:
        return self.level == "error"

    def place(self) -> str:
        parts = [str(self.path)] if self.path else []
        parts += [str(n) for n in (self.line, self.column) if n is not None]
        return ":".join(parts)

    def text(self) -> str:
        """``file:line:column: error: what`` with the offending line and the remedy below."""
        place = self.place()
        lines = [f"{place + ': ' if place else ''}{self.level}: {self.what}"]
        if self.offending:
            lines += self._pointed_at()
        if self.remedy:
            lines.append(f"  {self.remedy}")
        return "\n".join(lines)

    def _pointed_at(self) -> list[str]:
        """The offending line, no more of it than a screen is wide, and a mark below its column."""
        shown = self.offending
        column = self.column if self.column is not None and self.column <= len(shown) + 1 else None
        if len(shown) > _SHOWN:
            begin = min(max(0, (column or 1) - 1 - _SHOWN // 2), len(shown) - _SHOWN)
            end = begin + _SHOWN
            ends = ("…" if begin else "", "…" if end < len(shown) else "")
            column = column - begin + len(ends[0]) if column else None
            shown = ends[0] + shown[begin:end] + ends[1]
        # one sign for one character, so that the mark stands right; nothing that steers a terminal
        shown = "".join(" " if c == "\t" else c if c.isprintable() else "·" for c in shown)
        return [f"    {shown}", *([" " * (3 + column) + "^"] if column else [])]


class SourceError(LessonwrightError, ValueError):
    """The sources have errors, all of them in ``problems``."""

    exit_code = 1

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(problem.text() for problem in self.problems))

    def __reduce__(self) -> tuple[type, tuple[tuple[Problem, ...]]]:
        return SourceError, (self.problems,)


def in_order(problems: Iterable[Problem]) -> list[Problem]:
    """Each problem once: file by file in the order met; of a file the errors first, then cautions,
    then remarks, each from top to bottom."""
    once = list(dict.fromkeys(problems))
    files = {path: place for place, path in enumerate(dict.fromkeys(p.path for p in once))}
    return sorted(once, key=lambda p: (files[p.path], LEVELS.index(p.level), p.line or 0, p.column or 0))


@dataclass
class Problems:
    """Collects problems, so that all of them are told at once."""

    found: list[Problem] = field(default_factory=list)

    def error(self, what: str, *, remedy: str = "", path: Path | None = None, line: int | None = None,
              column: int | None = None, offending: str = "") -> None:  # fmt: skip
        self.found.append(Problem(what, remedy, path, line, column, offending))

    def caution(self, what: str, *, remedy: str = "", path: Path | None = None, line: int | None = None,
                column: int | None = None, offending: str = "") -> None:  # fmt: skip
        self.found.append(Problem(what, remedy, path, line, column, offending, "caution"))

    def remark(self, what: str, *, remedy: str = "", path: Path | None = None, line: int | None = None,
               column: int | None = None, offending: str = "") -> None:  # fmt: skip
        self.found.append(Problem(what, remedy, path, line, column, offending, "remark"))

    def __iter__(self) -> Iterator[Problem]:
        return iter(self.found)

    @property
    def errors(self) -> tuple[Problem, ...]:
        return self.of("error")

    @property
    def cautions(self) -> tuple[Problem, ...]:
        return self.of("caution")

    @property
    def remarks(self) -> tuple[Problem, ...]:
        return self.of("remark")

    def of(self, level: Level) -> tuple[Problem, ...]:
        return tuple(p for p in self.found if p.level == level)

    def raise_errors(self) -> None:
        """Raise SourceError with every error gathered, if there is one."""
        if self.errors:
            raise SourceError(self.errors)


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known name that a mistyped one was probably meant to be, or None; case does not count."""
    folded = {name.lower(): name for name in known}
    found = difflib.get_close_matches(word.lower(), folded, n=1, cutoff=0.6)
    return folded[found[0]] if found else None
