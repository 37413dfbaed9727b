"""The catalogue: one index over every lesson, for looking up and for seeing what wants building.

It stands beside the releases, as a page for people, a table for spreadsheets and a document
for programs. What a lesson holds is taken from the record of its release while that is up to
date, and from its sources when it is not, or was never built; recordings stay closed, so what
is wrong inside one shows only when the lesson is checked or built.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path, PurePosixPath
from typing import Any, Final

from pipeline import __version__
from pipeline.build.cataloguefacts import Facts
from pipeline.build.declaring import ARCHIVE
from pipeline.build.planning import Asked
from pipeline.build.receipt import Receipt, Receipts
from pipeline.build.record import facts_of, relative
from pipeline.build.release import RECORD_FILE, REVIEW_FILE, read_record
from pipeline.build.tool import tool_digest
from pipeline.command import command
from pipeline.config.load import LESSON_FILE, find_channel, load_channel, load_lesson
from pipeline.config.models import slug_of
from pipeline.errors import MisuseError, Problem, Problems, SourceError, in_order
from pipeline.page.look import Look, default_look, look_from
from pipeline.read.lesson import read_lesson
from pipeline.read.weeks import LessonSource, clashes, read_paths, slug_at
from pipeline.wholefile import write_whole

CATALOGUE: Final = "catalogue"
UNREADABLE: Final = "cannot be read"
OUT_OF_DATE: Final = "out of date"
NOT_BUILT: Final = "not built yet"
UP_TO_DATE: Final = "up to date"
STATES: Final = (UNREADABLE, OUT_OF_DATE, NOT_BUILT, UP_TO_DATE)  # what wants doing first
LINKS: Final = ("review", "page", "still")
_TOLD: Final = 20  # lessons to name on the terminal; the page has them all


@dataclass(frozen=True, slots=True)
class Pack:
    """A tier's archive: its path from the catalogue's folder."""

    tier: str
    name: str
    path: str
    bytes: int


@dataclass(frozen=True)
class Entry:
    """A lesson of the catalogue. Paths count from the catalogue's folder.

    state : one of :data:`STATES`
    why : what is out of date, or the first error; nothing when all is well
    source : the lesson's file
    links : of :data:`LINKS` those that are there; ``page`` is the tab
    problems : errors of its sources, for the terminal
    """

    lesson: str
    title: str
    state: str
    why: tuple[str, ...] = ()
    facts: Facts = field(default_factory=Facts)
    packs: tuple[Pack, ...] = ()
    source: str = ""
    links: dict[str, str] = field(default_factory=dict)
    cautions: int = 0
    problems: tuple[Problem, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """As plain data; keys and chords spelled in ASCII."""
        return {
            "lesson": self.lesson,
            "title": self.title,
            "state": self.state,
            "why": list(self.why),
            **self.facts.to_json(),
            "packs": [{"tier": p.tier, "name": p.name, "path": p.path, "bytes": p.bytes} for p in self.packs],
            "cautions": self.cautions,
            "source": self.source or None,
            **{name: self.links.get(name) for name in LINKS},
        }


@dataclass(frozen=True)
class Catalogue:
    """Every lesson, the newest first, those without a date by title behind them.

    folder : where the catalogue stands and the releases lie
    channel : the name of the first lesson's channel; ``look``: its colours
    problems : of weeks and folders, which belong to no lesson
    """

    folder: Path
    entries: tuple[Entry, ...]
    channel: str
    look: Look
    problems: tuple[Problem, ...] = ()

    @property
    def page(self) -> Path:
        return self.folder / f"{CATALOGUE}.html"

    @property
    def exit_code(self) -> int:
        """1 when something could not be read, else 0."""
        wrong = any(entry.state == UNREADABLE for entry in self.entries)
        return SourceError.exit_code if wrong or any(p.error for p in self.problems) else 0

    @property
    def counts(self) -> dict[str, int]:
        """How many lessons there are in each state."""
        found = Counter(entry.state for entry in self.entries)
        return {state: found[state] for state in STATES if found[state]}

    def to_json(self) -> dict[str, Any]:
        return {
            "version": __version__,
            "channel": self.channel,
            "lessons": [entry.to_json() for entry in self.entries],
            "problems": [problem.text() for problem in in_order(self.problems)],
        }

    def text(self) -> str:
        """For people: how many there are, and what wants doing."""
        count = len(self.entries)
        states = ", ".join(f"{number} {state}" for state, number in reversed(self.counts.items()))
        lines = [f"{count} lesson{'' if count == 1 else 's'}: {states}"]
        wanting = [entry for entry in self.entries if entry.state in (OUT_OF_DATE, NOT_BUILT)]
        for entry in wanting[:_TOLD]:
            lines.append(f"{entry.lesson}: {entry.state}{': ' if entry.why else ''}{'; '.join(entry.why)}")
        if len(wanting) > _TOLD:
            lines.append(f"and {len(wanting) - _TOLD} more, on the page")
        return "\n".join([*lines, f"The catalogue: {self.page}"])


def write_catalogue(paths: Sequence[Path] = (), *, out: Path) -> Catalogue:
    """Look at every lesson and write ``catalogue.html``, ``.csv`` and ``.json`` into ``out``.

    paths : lessons, weeks and folders that belong in it too, built or not

    Raises
    ------
    MisuseError : no lesson at all; a path that is none of these.
    OSError : the files cannot be written.
    """
    from pipeline.build.cataloguepage import catalogue_csv, catalogue_page

    found = read_catalogue(paths, out=out)
    document = json.dumps(found.to_json(), ensure_ascii=False, allow_nan=False, indent=1) + "\n"
    texts = {"json": document, "csv": catalogue_csv(found), "html": catalogue_page(found)}
    for suffix, text in texts.items():
        # a name from the disk may hold what no encoding has
        write_whole(out / f"{CATALOGUE}.{suffix}", text.encode("utf-8", "replace"))
    return found


def read_catalogue(paths: Sequence[Path] = (), *, out: Path) -> Catalogue:
    """The catalogue of what was built into ``out`` and of what is behind ``paths``.

    Raises
    ------
    MisuseError : as :func:`write_catalogue`.
    """
    if out.exists() and not out.is_dir():
        raise MisuseError(f"--out {out}: this is a file, not a folder")
    problems = Problems()
    sources = read_paths(paths, problems) if paths else ()
    look_at = _Looking(out, Receipts(out / ".store" / "receipts"))
    entries = [
        _clashing(source, clash, out) if clash else look_at.source(source)
        for source, clash in zip(sources, clashes(sources), strict=True)
    ]
    entries += [look_at.release(folder) for folder in releases_in(out) if folder.name not in look_at.seen]
    if not entries and not problems.errors:
        raise MisuseError(
            f"{out}: nothing has been built there yet\n"
            f"  Name the lessons: {command(CATALOGUE, 'PATH')}, or say with --out where they were built."
        )
    homes = [source.path for source in sources] + look_at.homes
    name, look = _channel_of(homes)
    return Catalogue(out, tuple(_in_order(entries)), name, look, tuple(problems))


def releases_in(out: Path) -> list[Path]:
    """The folders of releases in ``out``, by name."""
    if not out.is_dir():
        return []
    return sorted(p.parent for p in out.glob(f"*/{RECORD_FILE}") if not p.parent.name.startswith("."))


@dataclass
class _Looking:
    """Looks at lessons one by one. ``seen``: releases that have had their turn; ``homes``: lesson
    files of releases that were looked at without being asked for."""

    out: Path
    receipts: Receipts
    seen: set[str] = field(default_factory=set)
    homes: list[Path] = field(default_factory=list)

    def source(self, source: LessonSource) -> Entry:
        """A lesson that was named, with its release if it has one."""
        slug = slug_at(source)
        folder = self.out / slug if slug else None
        if slug and folder and (folder / RECORD_FILE).is_file() and self._made_from(folder, source.path):
            self.seen.add(slug)
            return self._released(folder, source)
        blank = Entry(
            slug or slug_of(source.path.parent.resolve().name) or source.path.stem,
            source.path.parent.name or source.path.stem,
            NOT_BUILT,
            source=relative(source.path, self.out),
        )
        return _by_sources(blank, source, self.out)

    def release(self, folder: Path) -> Entry:
        """A release whose lesson nobody named."""
        record = read_record(folder)
        receipt = self._receipt(folder)
        home = Path(receipt.lesson) if receipt else _lesson_file(folder, record)
        if home is not None and home.is_file():
            self.homes.append(home)
            return self._released(folder, LessonSource(home))
        return self._released(folder, None)

    def _receipt(self, folder: Path) -> Receipt | None:
        found = self.receipts.find(folder.name)
        return found if found and Path(found.folder).resolve() == folder.resolve() else None

    def _made_from(self, folder: Path, lesson: Path) -> bool:
        """Whether this lesson's file is what the release was made from."""
        receipt = self._receipt(folder)
        home = Path(receipt.lesson) if receipt else _lesson_file(folder, read_record(folder))
        return home is None or not home.is_file() or home.resolve() == lesson.resolve()

    def _released(self, folder: Path, source: LessonSource | None) -> Entry:
        record = read_record(folder)
        name = folder.name
        if not record:
            error = f"{RECORD_FILE} of this release cannot be read; build the lesson again"
            return Entry(name, name, UNREADABLE, (error,), problems=(_unread(folder),))
        why = self._out_of_date(folder, source)
        entry = Entry(
            name,
            _text(record.get("title")) or name,
            OUT_OF_DATE if why else UP_TO_DATE,
            why,
            Facts.of(record.get("facts")),
            _packs(record, name),
            relative(source.path, self.out) if source else "",
            _links(record, folder),
            len(cautions) if isinstance(cautions := record.get("cautions"), list) else 0,
        )
        if not why or source is None:
            return entry
        return _by_sources(entry, source, self.out)

    def _out_of_date(self, folder: Path, source: LessonSource | None) -> tuple[str, ...]:
        receipt = self._receipt(folder)
        if receipt is None:
            return ("there is no note here of what it was built from",)
        over = source.overrides if source is not None else None
        # what was asked for when it was built is up to who built it, what a week says is not
        asked = Asked().digest(over) if over is not None and over.data else None
        why = receipt.changed(asked=asked, tool=tool_digest())
        if source is None:
            why = ("the lesson it was built from is gone", *why)
        return why


def _by_sources(entry: Entry, source: LessonSource, out: Path) -> Entry:
    """The entry with what its sources say now, or why they cannot be read."""
    problems = Problems()
    lesson = read_lesson(source.path, problems, overrides=source.overrides, recordings=False)
    if lesson is None:
        errors = tuple(in_order(problems.errors))
        written = load_lesson(source.path, Problems(), overrides=source.overrides)
        known = written is not None and not entry.packs and "title" in written.document.data
        return replace(
            entry,
            title=written.config.title if written is not None and known else entry.title,
            state=UNREADABLE,
            why=(_said(errors[0], out),),
            problems=errors,
        )
    if entry.state == OUT_OF_DATE and lesson.slug != entry.lesson:
        return entry  # a week said something over it, and nobody named the week
    return replace(entry, title=lesson.config.title, facts=Facts.of(facts_of(lesson)))


def _said(problem: Problem, out: Path) -> str:
    """A problem on one line, its file as seen from the catalogue."""
    numbers = [str(n) for n in (problem.line, problem.column) if n is not None]
    place = ":".join([relative(problem.path, out), *numbers]) + ": " if problem.path else ""
    return f"{place}{problem.what}{'. ' + problem.remedy if problem.remedy else ''}"


def _clashing(source: LessonSource, clash: Problem, out: Path) -> Entry:
    name = slug_of(source.path.parent.resolve().name) or source.path.stem
    return Entry(
        name, source.path.parent.name, UNREADABLE, (_said(clash, out),),
        source=relative(source.path, out), problems=(clash,),
    )  # fmt: skip


def _unread(folder: Path) -> Problem:
    return Problem(
        "the record of this release cannot be read", "Build the lesson again.", folder / RECORD_FILE
    )


def _lesson_file(folder: Path, record: dict[str, Any]) -> Path | None:
    """The lesson's file by the record of its release."""
    inputs = record.get("inputs")
    for entry in inputs if isinstance(inputs, list) else ():
        path = _text(entry.get("path")) if isinstance(entry, dict) else ""
        if PurePosixPath(path).name == LESSON_FILE:
            return folder / path
    return None


def _packs(record: dict[str, Any], home: str) -> tuple[Pack, ...]:
    tiers = record.get("tiers")
    names = {
        _text(tier.get("id")): _text(tier.get("name"))
        for tier in (tiers if isinstance(tiers, list) else ())
        if isinstance(tier, dict)
    }
    archives = {file["tier"]: file for file in record["files"] if file.get("product") == ARCHIVE}
    return tuple(
        Pack(tier, names.get(tier) or tier, f"{home}/{archives[tier]['path']}", archives[tier]["bytes"])
        for tier in dict.fromkeys([*names, *archives])  # as the channel lists them
        if tier in archives and _inside(archives[tier]["path"])
    )


def _links(record: dict[str, Any], folder: Path) -> dict[str, str]:
    by_product: dict[str, str] = {}
    for file in record["files"]:
        by_product.setdefault(str(file.get("product")), file["path"])
    wanted = {
        "review": REVIEW_FILE,
        "page": by_product.get("tab", ""),
        "still": by_product.get("still", by_product.get("cover", "")),
    }
    return {
        name: f"{folder.name}/{path}"
        for name, path in wanted.items()
        if path and _inside(path) and (folder / path).is_file()
    }


def _inside(path: str) -> bool:
    parts = PurePosixPath(path)
    return not parts.is_absolute() and ".." not in parts.parts


def _text(value: object) -> str:
    return value if isinstance(value, str) else ""


def _in_order(entries: Iterable[Entry]) -> list[Entry]:
    named = sorted(entries, key=lambda entry: (entry.title.casefold(), entry.lesson))
    return sorted(named, key=lambda entry: entry.facts.date, reverse=True)  # "" comes last


def _channel_of(lessons: Iterable[Path]) -> tuple[str, Look]:
    """Name and look of the channel of the first lesson that has one; a channel that cannot be
    read is for ``check`` to tell."""
    for path in lessons:
        written = load_lesson(path, Problems())
        home = (written.config.channel if written else None) or find_channel(path.parent)
        channel = load_channel(home, Problems()) if home is not None and home.is_file() else None
        if channel is not None:
            return channel.config.name, look_from(channel.config.look.colours)
    return "", default_look()
