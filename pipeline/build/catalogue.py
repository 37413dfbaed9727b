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
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from pipeline import __version__
from pipeline.build.catalogueentry import (
    NOT_BUILT,
    OUT_OF_DATE,
    STATES,
    UNREADABLE,
    Entry,
    Looking,
    clashing_entry,
)
from pipeline.build.receipt import Receipts
from pipeline.build.release import RECORD_FILE
from pipeline.command import command
from pipeline.config.load import find_channel, load_channel, load_lesson
from pipeline.errors import MisuseError, Problem, Problems, SourceError, in_order
from pipeline.page.look import Look, default_look, look_from
from pipeline.read.weeks import clashes, read_paths
from pipeline.wholefile import write_whole

CATALOGUE: Final = "catalogue"
_TOLD: Final = 20  # lessons to name on the terminal; the page has them all


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
    look_at = Looking(out, Receipts(out / ".store" / "receipts"))
    entries = [
        clashing_entry(source, clash, out) if clash else look_at.source(source)
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
