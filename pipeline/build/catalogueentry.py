"""What the catalogue says of one lesson: its state, why, what it holds and where it lies."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path, PurePosixPath
from typing import Any, Final

from pipeline.build.cataloguefacts import Facts
from pipeline.build.declaring import ARCHIVE
from pipeline.build.receipt import Receipt, Receipts, out_of_date, over_digest
from pipeline.build.record import facts_of, relative
from pipeline.build.release import RECORD_FILE, REVIEW_FILE, read_record
from pipeline.config.load import LESSON_FILE, load_lesson
from pipeline.config.models import slug_of
from pipeline.errors import Problem, Problems, in_order
from pipeline.read.lesson import read_lesson
from pipeline.read.weeks import LessonSource, slug_at

UNREADABLE: Final = "cannot be read"
OUT_OF_DATE: Final = "out of date"
NOT_BUILT: Final = "not built yet"
UP_TO_DATE: Final = "up to date"
STATES: Final = (UNREADABLE, OUT_OF_DATE, NOT_BUILT, UP_TO_DATE)  # what wants doing first
LINKS: Final = ("review", "page", "still")


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


@dataclass
class Looking:
    """Looks at lessons one by one. ``seen``: releases that have had their turn; ``homes``: lesson
    files of releases that were looked at without being asked for."""

    out: Path
    receipts: Receipts
    seen: set[str] = field(default_factory=set)
    homes: list[Path] = field(default_factory=list)
    _found: dict[str, Receipt | None] = field(default_factory=dict)

    def source(self, source: LessonSource) -> Entry:
        """A lesson that was named, with its release if it has one."""
        slug = slug_at(source) or self._built_from(source.path)
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
        if folder.name not in self._found:
            found = self.receipts.find(folder.name)
            here = found is not None and Path(found.folder).resolve() == folder.resolve()
            self._found[folder.name] = found if here else None
        return self._found[folder.name]

    def _built_from(self, lesson: Path) -> str | None:
        """The name under which a lesson was built that does not tell its name any more."""
        same = (r.slug for r in self.receipts.all() if Path(r.lesson).resolve() == lesson.resolve())
        return next(same, None)

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
        facts = Facts.of(record.get("facts"))
        why = self._out_of_date(folder, source)
        entry = Entry(
            name,
            _text(record.get("title")) or name,
            OUT_OF_DATE if why else UP_TO_DATE,
            why,
            facts,
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
        if source is None:
            return ("the lesson it was built from is gone", *out_of_date(receipt))
        slug = slug_at(source)
        if slug not in (None, receipt.slug) and receipt.over == over_digest(source.overrides):
            return (f"its lesson is called {slug} now; delete this folder if nobody needs it",)
        return out_of_date(receipt, source.overrides)


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
            why=(told(errors[0], out),),
            problems=errors,
        )
    if entry.state == OUT_OF_DATE and lesson.slug != entry.lesson:
        return entry  # a week said something over it, and nobody named the week
    return replace(entry, title=lesson.config.title, facts=Facts.of(facts_of(lesson)))


def told(problem: Problem, out: Path) -> str:
    """A problem on one line, its file as seen from the catalogue."""
    numbers = [str(n) for n in (problem.line, problem.column) if n is not None]
    place = ":".join([relative(problem.path, out), *numbers]) + ": " if problem.path else ""
    stop = "" if problem.what[-1:] in ".!?" else "."
    return f"{place}{problem.what}{stop + ' ' + problem.remedy if problem.remedy else ''}"


def clashing_entry(source: LessonSource, clash: Problem, out: Path) -> Entry:
    name = slug_of(source.path.parent.resolve().name) or source.path.stem
    return Entry(
        name, source.path.parent.name, UNREADABLE, (told(clash, out),),
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
