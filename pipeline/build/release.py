"""Putting a release in place: complete, checked, and all at once.

The new release is laid out beside the old one and takes its place by one exchange of names,
so that whoever looks sees the one or the other. Files in the folder that no build made are
the creator's own and move along.

References
----------
``renameat2(2)``, RENAME_EXCHANGE: Linux 3.15. Elsewhere two renames, mended at the next
build if the machine stops between them.
"""

from __future__ import annotations

import ctypes
import ctypes.util
import json
import os
import shutil
import sys
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from pipeline.build.declaring import ARCHIVE, PACK_MEMBER, PART, PUBLIC, REVIEW
from pipeline.build.digest import file_digest, input_digest
from pipeline.build.making import Making
from pipeline.build.step import Facts, Made, Output, Step
from pipeline.config.models import Tier
from pipeline.errors import StepError
from pipeline.pack.archive import member_name
from pipeline.pack.leaks import find_leaks
from pipeline.wholefile import sync_file

RECORD_FILE: Final = "release.json"
REVIEW_FILE: Final = "review.html"
NO_TIER: Final = "none"  # in no pack and not public: kept for the creator
_OWN: Final = frozenset({RECORD_FILE, REVIEW_FILE})


@dataclass(frozen=True, slots=True)
class Placed:
    """A file of a release.

    path : relative to the release folder, with forward slashes
    tier : "public", a tier's id, "review" or "none"
    product : what kind of thing it is
    source : where its contents lie now
    kept : from an earlier build, not made or checked again in this one
    """

    path: str
    tier: str
    step: str
    product: str
    what: str
    source: Path
    bytes: int
    sha256: str
    facts: Facts = field(default_factory=dict)
    kept: bool = False

    def to_json(self) -> dict[str, Any]:
        found = {
            "path": self.path,
            "tier": self.tier,
            "step": self.step,
            "product": self.product,
            "what": self.what,
            "bytes": self.bytes,
            "sha256": self.sha256,
            "facts": self.facts,
        }
        return {**found, "kept": True} if self.kept else found


def place_files(steps: Sequence[Step], made: Mapping[str, Made], tiers: Sequence[Tier]) -> tuple[Placed, ...]:
    """Where every made file goes: to the public, into the packs that include it, or aside.

    Raises
    ------
    ValueError : two files would have one place.
    """
    found: dict[str, Placed] = {}
    for step in steps:
        result = made[step.name]
        by_file = result.facts.get("files", {})
        for file in result.files:
            output = step.output_for(file.name)
            for path, tier in _places(step, output, file.name, tiers):
                if path in found:
                    raise ValueError(f"{found[path].step} and {step.name} both make {path}")
                found[path] = Placed(
                    path, tier, step.name, output.product, output.what, result.path(file.name),
                    file.bytes, file.sha256, by_file.get(file.name, {}),
                )  # fmt: skip
    return tuple(found[path] for path in sorted(found))


def _places(step: Step, output: Output, name: str, tiers: Sequence[Tier]) -> Iterable[tuple[str, str]]:
    if output.product in (ARCHIVE, PACK_MEMBER):
        tier = step.name.removeprefix("pack ")
        yield (f"packs/{name}" if output.product == ARCHIVE else f"packs/{tier}/{name}"), tier
        return
    if output.product == PART:
        return
    if output.product == REVIEW:
        yield f"review/{name}", REVIEW
        return
    including = [tier.id for tier in tiers if output.product in tier.includes]
    if output.product in PUBLIC:
        yield f"public/{name}", "public"
    elif not including:
        yield f"review/{name}", NO_TIER
    for tier in including:
        yield f"packs/{tier}/{member_name(step.lesson, name)}", tier


def place_review(page: str, folder: Path) -> Placed:
    """The review page, written into ``folder``, as a file of the release."""
    source = folder / REVIEW_FILE
    source.write_text(page, "utf-8", newline="\n")
    what = "Everything to look at and listen to on one page"
    return Placed(
        REVIEW_FILE, REVIEW, REVIEW, REVIEW, what, source, source.stat().st_size, file_digest(source)
    )


def read_record(folder: Path) -> dict[str, Any]:
    """The record of the release in ``folder``, entries of files that somebody has damaged left
    out; empty when there is none that can be read."""
    try:
        found = json.loads((folder / RECORD_FILE).read_text("utf-8"))
    except (OSError, ValueError, RecursionError):
        return {}
    if not isinstance(found, dict) or not isinstance(found.get("files"), list):
        return {}
    return found | {"files": [entry for entry in found["files"] if _sound(entry)]}


def _sound(entry: object) -> bool:
    """Whether an entry of a record says what entries say."""
    if not isinstance(entry, dict) or not isinstance(entry.get("bytes"), int):
        return False
    return all(isinstance(entry.get(name), str) for name in ("path", "tier", "step", "sha256"))


def kept_files(folder: Path, record: Mapping[str, Any], products: Sequence[str], placed: Sequence[Placed]
               ) -> tuple[Placed, ...]:  # fmt: skip
    """What an earlier build made and this one, asked for ``products`` only, leaves as it was.

    Only files that are still as recorded.
    """
    taken = {one.path for one in placed}
    steps = {one.step for one in placed}
    found = []
    for entry in record.get("files", ()):
        path = folder / str(entry.get("path", ""))
        if (
            not products
            or entry["path"] in taken | _OWN
            or entry["step"] in steps
            or not _inside(path, folder)
        ):
            continue
        if path.is_file() and not path.is_symlink() and file_digest(path) == entry["sha256"]:
            found.append(
                Placed(
                    entry["path"], entry["tier"], entry["step"], entry.get("product", ""), entry.get("what", ""),
                    path, entry["bytes"], entry["sha256"], entry.get("facts", {}), kept=True,
                )
            )  # fmt: skip
    return tuple(found)


def _inside(path: Path, folder: Path) -> bool:
    return Path(os.path.normpath(path)).is_relative_to(Path(os.path.normpath(folder)))


def stands(folder: Path, placed: Sequence[Placed]) -> bool:
    """Whether the folder already holds exactly these files, verified."""
    record = read_record(folder)
    recorded = {entry.get("path") for entry in record.get("files", ())}
    if recorded != {one.path for one in placed}:
        return False
    try:
        return all(
            not (folder / one.path).is_symlink()
            and (folder / one.path).stat().st_size == one.bytes
            and input_digest(folder / one.path) == one.sha256
            for one in placed
        )
    except (OSError, ValueError):
        return False


def put_in_place(folder: Path, placed: Sequence[Placed], record: bytes, making: Making) -> None:
    """Make ``folder`` the release of these files, laid out in a folder of ``making`` first.

    Raises
    ------
    StepError : a file for supporters would be public, or something of the creator's own stands
        where the release is to be. The old release stays.
    OSError : the disk is full, or refuses. The old release stays.
    """
    if folder.is_symlink() or (folder.exists() and not folder.is_dir()):
        kind = "a link" if folder.is_symlink() else "a file"
        raise StepError(
            f"nothing was released: {folder} is {kind}; take it away, or choose another folder with --out"
        )
    with making.folder("release") as beside:
        stage = beside / folder.name
        stage.mkdir()
        for one in placed:
            target = stage / one.path
            target.parent.mkdir(parents=True, exist_ok=True)
            _lay(one.source, target)
        (stage / RECORD_FILE).write_bytes(record)
        sync_file(stage / RECORD_FILE)
        refuse_leaks(stage, placed)
        recorded = {str(entry.get("path")) for entry in read_record(folder).get("files", ())}
        before = recorded | _OWN
        if recorded:  # without a record nobody knows whose the files are
            _refuse_own_in_the_way(folder, placed, before)
        _bring_own_files(folder, stage, before)
        _exchange(stage, folder)
        if stage.exists():  # the old release, by now, with what came into it meanwhile
            _bring_own_files(stage, folder, before)
        sync_file(folder.parent)


def _lay(source: Path, target: Path) -> None:
    """The file under a second name where the disk can, else a copy: recordings are large.

    Whoever edits a released file in place changes the store's too, which notices at the next
    build and makes it again.
    """
    try:
        target.hardlink_to(source)
    except OSError:  # another disk, or one that knows no second names
        shutil.copyfile(source, target)
        sync_file(target)


def refuse_leaks(stage: Path, placed: Sequence[Placed]) -> None:
    """Raise StepError if anything for supporters lies in the public folder of ``stage``."""
    public = {
        one.path.removeprefix("public/"): one.sha256
        for one in placed
        if one.tier == "public" and one.product in PUBLIC
    }
    leaks = find_leaks(stage / "public", stage / "packs", public=public)
    if leaks:
        told = "; ".join(f"public/{leak.path.name}: {leak.why}" for leak in leaks)
        raise StepError(f"nothing was released: {told}")


def own_public_files(folder: Path, placed: Sequence[Placed]) -> tuple[str, ...]:
    """Names in the public folder that no build put there; the creator should know.

    Raises
    ------
    StepError : one of them holds what is meant for supporters, now or in the build before.
    """
    entries = read_record(folder).get("files", ())
    known = {entry.get("path") for entry in entries} | {one.path for one in placed}
    meant = {one.sha256 for one in placed if one.tier == "public"}
    secret = {one.sha256: one.path for one in placed if one.tier != "public"}
    secret |= {entry["sha256"]: entry["path"] for entry in entries if entry.get("tier") != "public"}
    meant |= {entry["sha256"] for entry in entries if entry.get("tier") == "public"}
    found = []
    for path in sorted((folder / "public").rglob("*")):
        name = path.relative_to(folder).as_posix()
        if not path.is_file() or name in known:
            continue
        digest = file_digest(path)
        if digest in secret and digest not in meant:
            raise StepError(
                f"nothing was released: {path} is the same as {secret[digest]}, which is for supporters; "
                "take it out of the public folder and build again"
            )
        found.append(name)
    return tuple(found)


def _refuse_own_in_the_way(folder: Path, placed: Sequence[Placed], before: set[str]) -> None:
    """Raise StepError where a file of the creator's own has the name of a new one."""
    for one in placed:
        path = folder / one.path
        if one.path not in before and path.is_file() and file_digest(path) != one.sha256:
            raise StepError(
                f"nothing was released: {path} is a file of your own, and one of the release is to stand "
                "there; move it elsewhere and build again"
            )


def _bring_own_files(old: Path, new: Path, made_before: set[str]) -> None:
    """Give what the creator put into the old folder a place in the new one too."""
    for path in sorted(old.rglob("*")):
        name = path.relative_to(old).as_posix()
        target = new / name
        if name in made_before or os.path.lexists(target) or (path.is_dir() and not path.is_symlink()):
            continue
        _make_way(target.parent, new, old)
        if path.is_symlink():
            target.symlink_to(path.readlink())
        else:
            _lay(path, target)


def _make_way(home: Path, new: Path, old: Path) -> None:
    """Make a folder for the creator's own files. Raises StepError where a released file has its name."""
    try:
        home.mkdir(parents=True, exist_ok=True)
    except (FileExistsError, NotADirectoryError) as error:
        taken = next(p for p in (home, *home.parents) if p.is_file()).relative_to(new)
        raise StepError(
            f"nothing was released: {old / taken} is a folder, and a file is to stand there; "
            "take the folder away and build again"
        ) from error


def mend(folder: Path) -> None:
    """Finish an exchange that was cut short between its two renames."""
    aside = _aside(folder)
    if aside.exists():
        if folder.exists():
            shutil.rmtree(aside, ignore_errors=True)
        else:
            aside.rename(folder)


def _aside(folder: Path) -> Path:
    return folder.with_name(f".{folder.name}.before")


def _exchange(stage: Path, folder: Path) -> None:
    """``stage`` becomes ``folder``; what was ``folder`` is then at ``stage``."""
    folder.parent.mkdir(parents=True, exist_ok=True)
    if not folder.exists():
        stage.rename(folder)
        return
    if _swap(stage, folder):
        return
    aside = _aside(folder)
    folder.rename(aside)
    try:
        stage.rename(folder)
    except OSError:
        aside.rename(folder)
        raise
    aside.rename(stage)


def _swap(one: Path, other: Path) -> bool:
    """Exchange two names at once, where the system can; False where it cannot."""
    if not sys.platform.startswith("linux"):
        return False
    library = ctypes.CDLL(ctypes.util.find_library("c"), use_errno=True)
    call = getattr(library, "renameat2", None)
    if call is None:
        return False
    here, exchange = -100, 2  # AT_FDCWD, RENAME_EXCHANGE
    result: int = call(here, os.fsencode(one), here, os.fsencode(other), exchange)
    return result == 0
