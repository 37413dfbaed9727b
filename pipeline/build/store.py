"""The store: what steps have made, kept under the digest of what went into it.

Layout
------
``objects/ab/abcd…/`` one folder per result: its files and ``made.json``;
``making/`` work in progress, see :mod:`pipeline.build.making`; ``format`` the kind of store.

A result appears by one rename after its files have reached the disk, and its files are
verified by SHA-256 before they are used again. Several builds, on several machines that share
the folder, may use it at once.
"""

from __future__ import annotations

import errno
import math
import os
import socket
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Final

from pipeline.build.digest import file_digest, input_digest
from pipeline.build.making import Making
from pipeline.build.resultrecord import RECORD, as_read, from_record, to_record
from pipeline.build.step import Made, MadeFile, Output, Result
from pipeline.errors import MissingError
from pipeline.wholefile import sync_file

FORMAT: Final = 1
CAP_BYTES: Final = 20_000_000_000  # some thirty weeks of four lessons with two keys and tempos
BUILDING: Final = "build"
_MARK: Final = "format"
# what a disk says of a place it has spoiled, or of a folder where a file was
_UNREADABLE: Final = frozenset({errno.EIO, errno.EISDIR, errno.ENOTDIR})


class Store:
    """A store in a folder, which is made when it is not there and may be made (``create``).

    damaged : keys of results that were found damaged and removed since the store was opened

    Raises
    ------
    MissingError : the folder cannot be written, or holds a newer kind of store.
    """

    def __init__(self, root: Path, *, create: bool = True) -> None:
        if not create and not (root / _MARK).is_file():
            raise MissingError(
                f"{root}: the store is not to be seen from {socket.gethostname()}; a cluster's machines need "
                "a --store that all of them reach: a shared folder, or an address such as s3://bucket/lessons"
            )
        self.root = root
        self.address = str(root)
        self.damaged: set[str] = set()
        self._making = Making(root / "making")
        try:
            (root / "objects").mkdir(parents=True, exist_ok=True)
            mark = root / _MARK
            found = mark.read_text("ascii", errors="replace").strip() if mark.exists() else ""
            if not found.isdecimal():  # new, or damaged: no version wrote that, and results are verified
                self._making.write_whole(mark, f"{FORMAT}\n".encode())
                found = str(FORMAT)
        except OSError as error:
            raise cannot_keep(root, error) from error
        refuse_other_format(str(root), found)

    def home(self, key: str) -> Path:
        """Where a result is, or would be."""
        return self.root / "objects" / key[:2] / key

    @contextmanager
    def in_use(self) -> Iterator[None]:
        """For the length of a build: no other build prunes."""
        with self._making.folder(BUILDING):
            yield

    @contextmanager
    def work_folder(self, label: str = "step") -> Iterator[Path]:
        """A fresh empty folder for work in progress, on the store's own disk, gone afterwards."""
        with self._making.folder(label) as folder:
            yield folder

    def sweep(self) -> int:
        """Remove what processes that are gone left behind; how many folders."""
        return self._making.sweep()

    def find(self, key: str) -> Made | None:
        """The result under this key, verified; None if there is none.

        A damaged result is removed, so that it will be made again.
        """
        home = self.home(key)
        try:
            made = from_record((home / RECORD).read_bytes(), key, home)
            if made is not None and _is_whole(made):
                os.utime(home / RECORD)  # when it was last of use
                return made
        except FileNotFoundError:
            if not home.exists():
                return None
        except OSError as error:
            if error.errno not in _UNREADABLE:
                raise
        self.damaged.add(key)
        self.forget(key)
        return None

    def fetch(self, made: Made) -> Made:
        """The same, its files at hand: here they always are."""
        return made

    def prune(self, used: Mapping[str, float], *, cap_bytes: int = CAP_BYTES) -> int:
        """Remove results, the longest unused first, until the store is under its cap.

        used : key -> when it was last of use (seconds of the epoch), where that is known better
            than by the result itself; infinity for what stays in any case

        Nothing is removed while another build is under way, which may be about to use it.

        Returns how many were removed.
        """
        if self._making.at_work(BUILDING) > 1:
            return 0
        found: list[tuple[float, int, Path]] = []
        for home in (self.root / "objects").glob("*/*"):
            try:
                size = sum(entry.stat().st_size for entry in os.scandir(home))
                last = max((home / RECORD).stat().st_mtime, used.get(home.name, 0.0))
                found.append((last, size, home))
            except (FileNotFoundError, NotADirectoryError):
                continue  # another build is at it, or it is no result
        total, removed = sum(size for _, size, _ in found), 0
        for last, size, home in sorted(found):
            if total <= cap_bytes or last == math.inf:
                break
            self.forget(home.name)
            total, removed = total - size, removed + 1
        return removed

    def forget(self, key: str) -> None:
        """Remove a result, if it is there."""
        with self.work_folder("old") as folder, suppress(FileNotFoundError):
            self.home(key).rename(folder / "result")  # by one rename: another build never sees half of it

    def keep(self, key: str, folder: Path, outputs: Sequence[Output], result: Result) -> Made:
        """Take the files in ``folder``, one of this store's work folders, into the store.

        Raises
        ------
        ValueError : a declared output is not there, or a file is there that was not declared.
        OSError : the disk is full, or refuses.
        """
        names = sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())
        lacking = [o.name for o in outputs if not any(fnmatchcase(n, o.name) for n in names)]
        extra = [n for n in names if not any(fnmatchcase(n, o.name) for o in outputs)]
        if lacking or extra:
            raise ValueError(
                "; ".join(
                    [f"was to make {name} and did not" for name in lacking]
                    + [f"made {name}, which it does not declare" for name in extra]
                )
            )
        files = tuple(
            MadeFile(name, (folder / name).stat().st_size, file_digest(folder / name)) for name in names
        )
        home = self.home(key)
        made = Made(key, home, files, as_read(result.facts), tuple(result.notes))
        (folder / RECORD).write_bytes(to_record(made))
        for name in (*names, RECORD):
            sync_file(folder / name)
        sync_file(folder)
        home.parent.mkdir(parents=True, exist_ok=True)
        try:
            folder.rename(home)
        except OSError:
            # another build was quicker; what it made stands if it is whole
            found = self.find(key)
            if found is not None:
                return found
            folder.rename(home)
        sync_file(home.parent)
        return made


def _is_whole(made: Made) -> bool:
    """Whether each file is there as it was made. Raises OSError when one cannot be read."""
    return all(
        made.path(file.name).stat().st_size == file.bytes
        and input_digest(made.path(file.name)) == file.sha256
        for file in made.files
    )


def cannot_keep(folder: Path, error: OSError) -> MissingError:
    """The error that a folder for results cannot be made or written, with what to do."""
    full = error.errno in (errno.ENOSPC, errno.EDQUOT)
    remedy = "free some space there" if full else "change its permissions"
    return MissingError(
        f"{folder}: cannot keep results there ({error.strerror or error}); "
        f"choose another folder with --out, or {remedy}"
    )


def refuse_other_format(place: str, found: str) -> None:
    """Raise MissingError unless ``found``, a store's format mark, is ours."""
    if found != str(FORMAT):
        raise MissingError(
            f"{place}: a store of kind {found!r}, this version reads kind {FORMAT}; "
            "update lessonwright, or delete the folder to make everything again"
        )
