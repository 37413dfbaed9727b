"""What a lesson's last build went by and left behind, so that an unchanged lesson is known as
such without being read.

A receipt names every file that was read, every place where one was looked for in vain, what
was asked for, the tool itself, and every file of the release. While all of it is as it was the
release stands, and nothing needs doing: a trace that is verified, not a time that is trusted.

Layout
------
``receipts/SLUG.json``: one for each place where a release goes.

References
----------
Mokhov, Mitchell & Peyton Jones, Build systems à la carte (2018): verifying traces.
"""

from __future__ import annotations

import json
import os
import shutil
import time
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any, Final

from pipeline.build.digest import Identity, file_digest, identity_of, remember, value_digest
from pipeline.build.making import Making
from pipeline.build.portrait import packed, unpacked
from pipeline.config.toml import Document

FORMAT: Final = 1
# two writings within one tick of the disk's clock leave the same time of change
TICK_NS: Final = 20_000_000
_WHOLE_NS: Final = 1_000_000  # a disk that counts in these or more is too coarse to tell


@dataclass(frozen=True, slots=True)
class Seen:
    """A file as it was: path, SHA-256, and its identity while that could be told for certain."""

    path: str
    sha256: str
    identity: Identity | None = None

    def now(self) -> Seen | None:
        """The same file if its contents are still these, else None."""
        path = Path(self.path)
        try:
            identity = identity_of(path)
            if identity == self.identity:
                remember(identity, self.sha256)
                return self
            if file_digest(path) != self.sha256:
                return None
        except OSError:
            return None
        return seen(path, self.sha256)


def seen(path: Path, sha256: str) -> Seen:
    """A file of these contents as it is now.

    The caller has just read it, or made it. A file that was written to a moment ago has no
    identity yet: another writing in the same tick of the clock could not be told from it.
    """
    try:
        identity = identity_of(path)
    except OSError:
        return Seen(str(path), sha256)
    changed_ns = identity[-1]
    # on Windows st_ctime_ns is when the file was made, which tells nothing of writings
    certain = os.name != "nt" and changed_ns % _WHOLE_NS and changed_ns + TICK_NS < time.time_ns()
    return Seen(str(path), sha256, identity if certain else None)


def settle() -> None:
    """Wait until what was written before can be told from what is written after."""
    time.sleep(TICK_NS / 1e9)


@dataclass(frozen=True, slots=True)
class StepNote:
    """What a step went by the last time, to say later why it has to run again.

    digest : of what it made
    portrait : see :mod:`pipeline.build.portrait`
    sources : names of the creator's files it reads
    """

    product: str
    needs: tuple[str, ...]
    key: str
    digest: str
    weight: float
    portrait: dict[str, str]
    sources: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Receipt:
    """How a release came about.

    lesson : the lesson's file; folder : the release
    asked : digest of what was asked for: keys, tempos, products
    over : digest of what a week says over the lesson
    tool : digest of the tool, see :func:`pipeline.build.tool.tool_digest`
    inputs : the files that were read; absent : paths at which there was nothing
    listings : (folder, pattern, the names in it that count, joined)
    outputs : the files of the release, its record among them
    steps : every step by name, as it went the last time it was part of a build
    built : the steps that the last build was about
    cautions : what the creator was told
    all_reused : whether the record says of every step that it was reused
    """

    slug: str
    title: str
    lesson: str
    folder: str
    asked: str
    over: str
    tool: str
    inputs: tuple[Seen, ...]
    absent: tuple[str, ...]
    listings: tuple[tuple[str, str, str], ...]
    outputs: tuple[Seen, ...]
    steps: dict[str, StepNote] = field(default_factory=dict)
    built: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    all_reused: bool = False

    def to_json(self) -> dict[str, Any]:
        steps = {
            name: {n: v for n, v in asdict(replace(note, portrait={})).items() if n != "portrait"}
            for name, note in self.steps.items()
        }
        portraits = packed({name: note.portrait for name, note in self.steps.items()})
        return {"format": FORMAT, **asdict(replace(self, steps={})), "steps": steps, "portraits": portraits}

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Receipt:
        """Raises ValueError, KeyError or TypeError for what is no receipt of this format."""
        if data["format"] != FORMAT:
            raise ValueError("another format")
        portraits = unpacked(data["portraits"])
        return cls(
            **{n: data[n] for n in ("slug", "title", "lesson", "folder", "asked", "over", "tool")},
            inputs=_seen_of(data["inputs"]),
            absent=tuple(data["absent"]),
            listings=tuple((folder, pattern, names) for folder, pattern, names in data["listings"]),
            outputs=_seen_of(data["outputs"]),
            steps={
                name: _note_of({**step, "portrait": portraits[name]}) for name, step in data["steps"].items()
            },
            built=tuple(data["built"]),
            cautions=tuple(data["cautions"]),
            all_reused=data["all_reused"],
        )

    def changed(self, *, tool: str, asked: str | None = None, over: str | None = None) -> tuple[str, ...]:
        """What is not as it was, in words; nothing when the release stands.

        asked, over : what is asked for now and what a week says now; None for the same
        """
        found = []
        if asked is not None and asked != self.asked:
            found.append("something else is asked for")
        if over is not None and over != self.over:
            found.append("the week says something else over it")
        if tool != self.tool:
            found.append("lessonwright or one of its libraries is another version")
        found += [f"{_named(s.path)} changed" for s in self.inputs if s.now() is None]
        found += [f"{_named(path)} is new" for path in self.absent if os.path.lexists(path)]
        found += [f"{_named(f)} holds other files" for f, p, names in self.listings if listing(f, p) != names]
        found += [
            f"{_named(s.path)} in the release is not as it was made" for s in self.outputs if s.now() is None
        ]
        return tuple(found)

    def renewed(self) -> Receipt | None:
        """The same receipt with today's identities, None when it has them already."""
        inputs = tuple(s.now() or s for s in self.inputs)
        outputs = tuple(s.now() or s for s in self.outputs)
        if inputs == self.inputs and outputs == self.outputs:
            return None
        return replace(self, inputs=inputs, outputs=outputs)


def _seen_of(rows: Iterable[Mapping[str, Any]]) -> tuple[Seen, ...]:
    return tuple(
        Seen(row["path"], row["sha256"], tuple(row["identity"]) if row["identity"] else None) for row in rows
    )


def _note_of(row: Mapping[str, Any]) -> StepNote:
    return StepNote(**{**row, "needs": tuple(row["needs"]), "sources": tuple(row["sources"])})


def _named(path: str) -> str:
    return Path(path).name


def listing(folder: str | Path, pattern: str) -> str:
    """The names in a folder that match, as one text; "" when there is none.

    A folder that may not be looked into is like no folder that was: the build tells why.
    """
    try:
        return "\n".join(sorted(path.relative_to(folder).as_posix() for path in Path(folder).glob(pattern)))
    except OSError:
        return "\0"  # no name is


class Receipts:
    """The receipts of the releases in an ``out`` folder."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.making = Making(folder.with_name("making"))

    def _path(self, slug: str) -> Path:
        return self.folder / f"{slug}.json"

    def find(self, slug: str) -> Receipt | None:
        """The receipt of what stands at ``slug``; None when there is none that can be read."""
        try:
            return Receipt.from_json(json.loads(self._path(slug).read_text("utf-8")))
        except (OSError, ValueError, KeyError, TypeError, RecursionError):
            return None  # then the lesson is read and built as if for the first time

    def all(self) -> Iterator[Receipt]:
        """Every receipt, by slug."""
        for path in sorted(self.folder.glob("*.json")):
            found = self.find(path.stem)
            if found is not None:
                yield found

    def names(self) -> dict[tuple[str, str], set[str]]:
        """The slugs of the releases of each lesson: by its file, and what a week says over it."""
        found: dict[tuple[str, str], set[str]] = {}
        for receipt in self.all():
            found.setdefault((os.path.realpath(receipt.lesson), receipt.over), set()).add(receipt.slug)
        return found

    def write(self, receipt: Receipt) -> None:
        """Raises OSError when the disk is full, or refuses."""
        text = json.dumps(receipt.to_json(), ensure_ascii=False, separators=(",", ":"))
        path = self._path(receipt.slug)
        if path.is_dir():  # a damaged disk leaves such things, and no receipt would ever be written
            shutil.rmtree(path)
        self.making.write_whole(path, text.encode("utf-8", "surrogatepass"))

    def last_use(self) -> dict[str, float]:
        """Key of a result -> when a build last found it of use, by the receipts that name it."""
        found: dict[str, float] = {}
        for receipt in self.all():
            try:
                used = self._path(receipt.slug).stat().st_mtime
            except FileNotFoundError:
                continue  # somebody has just deleted it
            for step in receipt.steps.values():
                found[step.key] = max(found.get(step.key, 0.0), used)
        return found

    def touch(self, slug: str) -> None:
        """Note that what stands at ``slug`` was of use just now."""
        os.utime(self._path(slug))


def over_digest(overrides: Document | None) -> str:
    """Of what a week says over a lesson."""
    return value_digest(overrides.data if overrides is not None else {})


def out_of_date(receipt: Receipt, overrides: Document | None = None) -> tuple[str, ...]:
    """What makes a release out of date, in words; nothing when it stands as it was built.

    overrides : what a week says over the lesson now; None when that is not known
    """
    from pipeline.build.tool import tool_digest

    over = over_digest(overrides) if overrides is not None else None
    return receipt.changed(tool=tool_digest(), over=over)
