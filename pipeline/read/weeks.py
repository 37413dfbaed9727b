"""Which lessons are meant: from lessons, folders and week files to the lessons themselves.

A week lists lessons, folders that hold lessons, and other weeks; so a back catalogue is a list
of weeks. What a listing says over an entry goes down to every lesson behind it, the outermost
listing on top. A lesson met again with the same words over it counts once.

Nothing of a lesson but its name is looked at here: no music, no recordings.
"""

from __future__ import annotations

import json
import os
import re
import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from pipeline.config.complaints import tell
from pipeline.config.load import CHANNEL_FILE, LESSON_FILE, Listed, week_of
from pipeline.config.models import SLUG_LENGTH, SLUG_PATTERN, slug_of
from pipeline.config.toml import MAX_BYTES, Document, Spot, read_toml
from pipeline.errors import MisuseError, Problem, Problems, nearest

RELEASE_FILE: Final = "release.json"  # a folder with it holds what was built
MAX_DEPTH: Final = 40  # weeks within weeks
# what is said of one lesson makes no sense for several
_OF_ONE_LESSON: Final = (
    "title", "slug", "tab", "chart", "take", "talk", "start_s", "end_s", "phrase", "segment",
)  # fmt: skip

_Identity = tuple[int, int, str]  # of the folder on its disk, and the name in it


@dataclass(frozen=True)
class LessonSource:
    """Where a lesson is to be read from, and what a week says over it.

    spot : where a week lists it; None when it was named otherwise
    """

    path: Path
    overrides: Document | None = None
    spot: Spot | None = field(default=None, compare=False)


@dataclass(frozen=True)
class Found:
    """The lessons behind some paths, and where they were looked for.

    weeks : the week files that were opened
    folders : those that were looked through
    missing : what a week lists and is not there
    """

    sources: tuple[LessonSource, ...]
    weeks: tuple[Path, ...]
    folders: tuple[Path, ...]
    missing: tuple[Path, ...]


def read_paths(paths: Sequence[Path], problems: Problems) -> tuple[LessonSource, ...]:
    """The lessons behind what the user named; see :func:`find_lessons`."""
    return find_lessons(paths, problems).sources


def find_lessons(paths: Sequence[Path], problems: Problems) -> Found:
    """The lessons behind what the user named: folders, lesson files, week files.

    Each comes once, in the order met. Weeks that cannot be read or list what is not there are
    told to ``problems``; the other lessons are found all the same.

    Raises
    ------
    MisuseError : a path that does not exist or is none of these, all of them told.
    """
    if not paths:
        raise MisuseError("no lesson was named\n  Name a lesson's folder, its lesson.toml, or a week file.")
    wrong = [complaint for path in paths if (complaint := _not_a_source(path))]
    if wrong:
        raise MisuseError("\n".join(wrong))
    listing = _Listing(problems)
    for path in paths:
        listing.take(path)
    return Found(
        tuple(listing.found.values()), tuple(listing.weeks), tuple(listing.folders), tuple(listing.missing)
    )


def lesson_files(folder: Path, problems: Problems) -> Iterator[Path]:
    """Every lesson file in a folder and below, sorted; what is hidden or was built is left out."""
    met: set[tuple[int, int]] = set()
    for home, folders, files in os.walk(folder, followlinks=True, onerror=_telling(problems)):
        place = Path(home)
        status = place.stat()
        if (status.st_dev, status.st_ino) in met:  # a link that leads back
            folders.clear()
            continue
        met.add((status.st_dev, status.st_ino))
        if LESSON_FILE in files:
            yield place / LESSON_FILE
        built = RELEASE_FILE in files
        folders[:] = [] if built else sorted(name for name in folders if not name.startswith("."))


def slug_at(source: LessonSource) -> str | None:
    """The slug that the lesson will have, by a light look at its file; None when it has none.

    As ``LessonConfig.slug``: what is written as ``slug``, else made from the title, else from
    the folder's name.
    """
    data = _plain_toml(source.path)
    if data is None:
        return None
    if source.overrides is not None:
        data = {**data, **source.overrides.data}
    title, slug = data.get("title"), data.get("slug")
    if not isinstance(title, str) or not title.strip():
        return None
    if slug is not None:
        return slug if _is_slug(slug) else None
    return slug_of(title.strip()) or slug_of(source.path.parent.resolve().name) or "lesson"


def clashes(sources: Sequence[LessonSource]) -> tuple[Problem | None, ...]:
    """For each lesson the error that an earlier one would be written to the same place, or None."""
    first: dict[str, LessonSource] = {}
    found: list[Problem | None] = []
    for source in sources:
        slug = slug_at(source)
        # some disks take Low-Tide and low-tide for one
        other = source if slug is None else first.setdefault(slug.casefold(), source)
        found.append(None if slug is None or other is source else _clash(source, other, slug))
    return tuple(found)


class _Listing:
    """Gathers lessons; what was met before is not walked again."""

    def __init__(self, problems: Problems) -> None:
        self.problems = problems
        self.found: dict[tuple[_Identity, str], LessonSource] = {}
        self.weeks: list[Path] = []
        self.folders: list[Path] = []
        self.missing: list[Path] = []
        self._walked: set[tuple[_Identity, str]] = set()
        self._chain: list[tuple[_Identity, Path]] = []  # the weeks around what is being read

    def take(self, path: Path, over: Document | None = None, spot: Spot | None = None) -> None:
        """Add what is behind a path; ``over``: what the weeks around it say; ``spot``: where.

        What may not be looked at is told, and left out.
        """
        try:
            self._take(path, over, spot)
        except OSError as error:
            tell(
                self.problems, spot or Spot(path), f"{path} cannot be looked at: {error.strerror}",
                "Change its permissions.",
            )  # fmt: skip

    def _take(self, path: Path, over: Document | None, spot: Spot | None) -> None:
        if path.is_dir() and not (path / LESSON_FILE).is_file():
            self._folder(path, over, spot)
        elif path.is_dir():
            self._lesson(path / LESSON_FILE, over, spot)
        elif path.name == LESSON_FILE:
            self._lesson(path, over, spot)
        else:
            self._file(path, over, spot)

    def _lesson(self, path: Path, over: Document | None, spot: Spot | None) -> None:
        over = over if over is not None and over.data else None
        self.found.setdefault((_identity(path), _words(over)), LessonSource(path, over, spot))

    def _folder(self, path: Path, over: Document | None, spot: Spot | None) -> None:
        if self._refused(path, over):
            return
        self.folders.append(path)
        inside = list(lesson_files(path, self.problems))
        for file in inside:
            self._lesson(file, over, spot)
        if not inside and spot is not None:
            tell(self.problems, spot, f"the folder {path} holds no lesson", f"A lesson has a {LESSON_FILE}.")

    def _file(self, path: Path, over: Document | None, spot: Spot | None) -> None:
        identity = _identity(path)
        chain = [one for one, _ in self._chain]
        if identity in chain:
            names = [str(name) for _, name in self._chain[chain.index(identity) :]] + [str(path)]
            told = " lists ".join(names)
            tell(self.problems, spot or Spot(path), f"weeks list one another in a circle: {told}",
                 "Take this entry out.")  # fmt: skip
            return
        if (identity, _words(over)) in self._walked:
            return
        self._walked.add((identity, _words(over)))
        self.weeks.append(path)
        document = read_toml(path, self.problems)
        if document is None:
            return
        if "lessons" not in document.data and "lesson" not in document.data:
            misspelt = _misspelt(document)
            if misspelt is None:
                self._lesson(path, over, spot)
            else:
                key, meant = misspelt
                tell(
                    self.problems,
                    document.key_spot((key,)),
                    f"unknown key `{key}`",
                    f"Did you mean `{meant}`?",
                )
            return
        if self._refused(path, over):
            return
        if len(self._chain) >= MAX_DEPTH:
            tell(self.problems, spot or Spot(path), f"weeks are listed {MAX_DEPTH} deep, {path} is one more",
                 "List it nearer to the top.")  # fmt: skip
            return
        week = week_of(document, self.problems)
        self._chain.append((identity, path))
        for entry in week.entries if week else ():
            self._entry(entry, over, path.parent)
        self._chain.pop()

    def _entry(self, entry: Listed, over: Document | None, home: Path) -> None:
        path, spot = entry.path, entry.spot
        try:
            there, file = path.exists(), path.is_file()
        except OSError as error:
            tell(
                self.problems,
                spot,
                f"{path} cannot be looked at: {error.strerror}",
                "Change its permissions.",
            )
            return
        if not there:
            near = nearest(path.name, _names_in(home))
            remedy = f"Did you mean {near!r}?" if near else "The path counts from the week's file."
            tell(self.problems, spot, f"there is no lesson at {path}", remedy)
            self.missing.append(path)
        elif file and path.suffix.lower() != ".toml":
            tell(self.problems, spot, f"{path} is not a lesson", f"Name its folder, or its {LESSON_FILE}.")
        elif file and path.name == CHANNEL_FILE:
            tell(self.problems, spot, f"{path} is the channel file", "Name a lesson, a folder or a week.")
        else:
            self.take(path, entry.overrides if over is None else entry.overrides.overlaid(over), spot)

    def _refused(self, path: Path, over: Document | None) -> bool:
        """Tell what cannot be said of several lessons at once; whether there was any of it."""
        wrong = [key for key in over.data if key in _OF_ONE_LESSON] if over is not None else []
        for key in wrong:
            assert over is not None
            tell(self.problems, over.key_spot((key,)), f"`{key}` is for one lesson, but {path} lists several",
                 "Write it into the lesson, or over that lesson's own entry; this one is left out.")  # fmt: skip
        return bool(wrong)


def _misspelt(document: Document) -> tuple[str, str] | None:
    """The key of a week's list with a slip in it, and the right one; None when it is a lesson."""
    if "title" in document.data or "tab" in document.data:
        return None
    for key, value in document.data.items():
        meant = nearest(key, ("lessons", "lesson")) if isinstance(value, list) else None
        if meant is not None:
            return key, "lessons" if all(isinstance(item, str) for item in value) else meant
    return None


def _not_a_source(path: Path) -> str:
    try:
        return _complaint(path)
    except OSError:
        return ""  # what cannot be looked at is told when it is taken


def _complaint(path: Path) -> str:
    if not path.exists():
        return f"{path}: there is no such file or folder"
    if path.is_dir() and not (path / LESSON_FILE).is_file():
        unread = Problems()
        if next(lesson_files(path, unread), None) is not None or unread.errors:
            return ""  # what cannot be read is told when it is taken
        weeks = sorted(str(p) for p in path.glob("*.toml") if p.name != CHANNEL_FILE)[:3]
        hint = f"; try {' or '.join(weeks)}" if weeks else ""
        return f"{path}: this folder holds no {LESSON_FILE}, nor does one below it{hint}"
    if path.is_file() and path.suffix.lower() != ".toml":
        return f"{path}: not a lesson; name its folder, its {LESSON_FILE}, or a week file"
    if path.is_file() and path.name == CHANNEL_FILE:
        return f"{path}: this is the channel file; name a lesson or a week"
    return ""


def _telling(problems: Problems) -> Any:
    def tell_unread(error: OSError) -> None:
        path = Path(os.fsdecode(error.filename)) if error.filename else None
        problems.error(
            f"the folder cannot be read: {error.strerror}", path=path,
            remedy="Change its permissions, or name the lessons one by one.",
        )  # fmt: skip

    return tell_unread


def _names_in(home: Path) -> list[str]:
    """What a week in this folder can list."""
    try:
        there = sorted(home.iterdir())
    except OSError:
        return []
    return [
        p.name
        for p in there
        if (p / LESSON_FILE).is_file() or (p.suffix == ".toml" and p.name != CHANNEL_FILE)
    ]


def _identity(path: Path) -> _Identity:
    """The same for every way to name a file: a lesson is where its folder is, links followed."""
    status = path.parent.stat()
    return status.st_dev, status.st_ino, path.name


def _words(over: Document | None) -> str:
    return json.dumps(over.data, sort_keys=True, default=str) if over is not None and over.data else ""


def _plain_toml(path: Path) -> dict[str, Any] | None:
    """The data of a TOML file without the places of its keys; None when it cannot be read."""
    try:
        with path.open("rb") as file:
            raw = file.read(MAX_BYTES + 1)
        if len(raw) > MAX_BYTES:
            return None
        return tomllib.loads(raw.decode("utf-8-sig").replace("\r\n", "\n"))
    except (OSError, ValueError, RecursionError):
        return None  # the reader of the lesson tells why


def _is_slug(value: object) -> bool:
    return (
        isinstance(value, str) and len(value) <= SLUG_LENGTH and re.fullmatch(SLUG_PATTERN, value) is not None
    )


def _clash(source: LessonSource, other: LessonSource, slug: str) -> Problem:
    if _identity(source.path) == _identity(other.path):
        spot = source.spot or Spot(source.path)
        before = f"{other.spot.path}:{other.spot.line}" if other.spot else "before"
        what = (
            f"{source.path.parent} is listed a second time (first: {before}) with other words over it, and both "
            f"would be written to {slug!r}"
        )
        remedy = 'Leave one out, or give this one a name of its own: slug = "..."'
        return Problem(what, remedy, spot.path, spot.line, spot.column, spot.offending)
    spot = _name_spot(source)
    what = f"this lesson and {other.path} would both be called {slug!r}"
    return Problem(what, 'Give one of them another name: slug = "..."', spot.path, spot.line, spot.column,
                   spot.offending)  # fmt: skip


def _name_spot(source: LessonSource) -> Spot:
    """Where the lesson gets its name."""
    document = read_toml(source.path, Problems())
    if document is None:
        return Spot(source.path)
    if source.overrides is not None:
        document = document.overlaid(source.overrides)
    return document.value_spot(("slug",) if "slug" in document.data else ("title",))
