"""The store: what steps have made, kept under the digest of what went into it.

Layout
------
``objects/ab/abcd…/`` one folder per result: its files and ``made.json``;
``making/HOST-PID-…/`` work in progress of one run, swept when that run is gone.

A result appears by one rename after its files have reached the disk, and its files are
verified by SHA-256 before they are used again.
"""

from __future__ import annotations

import errno
import json
import os
import shutil
import socket
import tempfile
from collections.abc import Sequence, Set
from dataclasses import asdict
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Final

from pipeline.build.digest import file_digest, input_digest
from pipeline.build.step import Made, MadeFile, Output, Result
from pipeline.errors import MissingError
from pipeline.wholefile import sync_file, write_whole

FORMAT: Final = 1
CAP_BYTES: Final = 20_000_000_000  # some thirty weeks of four lessons with two keys and tempos
_RECORD: Final = "made.json"


class Store:
    """A store in a folder, which is made when it is not there.

    Raises
    ------
    MissingError : the folder cannot be written, or holds a newer kind of store.
    """

    def __init__(self, root: Path) -> None:
        self.root = root
        try:
            (root / "objects").mkdir(parents=True, exist_ok=True)
            (root / "making").mkdir(exist_ok=True)
            mark = root / "format"
            if not mark.exists():
                write_whole(mark, f"{FORMAT}\n".encode())
            found = mark.read_text("utf-8", errors="replace").strip()
        except OSError as error:
            full = error.errno in (errno.ENOSPC, errno.EDQUOT)
            remedy = "free some space there" if full else "change its permissions"
            raise MissingError(
                f"{root}: cannot keep results there ({error.strerror or error}); "
                f"choose another folder with --out, or {remedy}"
            ) from error
        if found != str(FORMAT):
            raise MissingError(
                f"{root}: a store of kind {found!r}, this version reads kind {FORMAT}; "
                "update lessonwright, or delete the folder to make everything again"
            )
        self._run = root / "making" / f"{socket.gethostname()}-{os.getpid()}"

    def _home(self, key: str) -> Path:
        return self.root / "objects" / key[:2] / key

    def work_folder(self, label: str = "step") -> Path:
        """A fresh empty folder for work in progress, on the store's own disk."""
        self._run.mkdir(parents=True, exist_ok=True)
        return Path(tempfile.mkdtemp(prefix=f"{label}-", dir=self._run))

    def close(self) -> None:
        """Remove this run's work in progress."""
        shutil.rmtree(self._run, ignore_errors=True)

    def sweep(self) -> int:
        """Remove what runs that were killed on this machine left behind; how many."""
        swept = 0
        host = socket.gethostname()
        for left in (self.root / "making").iterdir():
            name, _, pid = left.name.rpartition("-")
            if name == host and pid.isdecimal() and int(pid) != os.getpid() and not _alive(int(pid)):
                shutil.rmtree(left, ignore_errors=True)
                swept += 1
        return swept

    def find(self, key: str) -> Made | None:
        """The result under this key, verified; None if there is none.

        A damaged result is removed, so that it will be made again.
        """
        home = self._home(key)
        try:
            record = json.loads((home / _RECORD).read_text("utf-8"))
            files = tuple(MadeFile(f["name"], f["bytes"], f["sha256"]) for f in record["files"])
            made = Made(key, home, files, record["facts"], tuple(record["notes"]))
            whole = record["key"] == key and all(
                home.joinpath(f.name).stat().st_size == f.bytes and input_digest(home / f.name) == f.sha256
                for f in files
            )
        except FileNotFoundError:
            whole = not home.exists()
            if whole:
                return None
        except (ValueError, KeyError, TypeError):
            whole = False
        if whole:
            os.utime(home / _RECORD)  # when it was last of use
            return made
        self._discard(home)
        return None

    def prune(self, used: Set[str], *, cap_bytes: int = CAP_BYTES) -> int:
        """Remove results, the longest unused first, until the store is under its cap.

        used : keys that stay in any case

        Returns how many were removed.
        """
        found: list[tuple[float, int, Path]] = []
        for home in (self.root / "objects").glob("*/*"):
            try:
                size = sum(entry.stat().st_size for entry in os.scandir(home))
                found.append(((home / _RECORD).stat().st_mtime, size, home))
            except FileNotFoundError:
                continue  # another build is at it
        total, removed = sum(size for _, size, _ in found), 0
        for _, size, home in sorted(found):
            if total <= cap_bytes:
                break
            if home.name not in used:
                self._discard(home)
                total, removed = total - size, removed + 1
        return removed

    def _discard(self, home: Path) -> None:
        aside = self.work_folder("damaged") / "old"
        try:
            home.rename(aside)  # by one rename: another build never sees half of it
        except FileNotFoundError:
            return
        shutil.rmtree(aside.parent, ignore_errors=True)

    def keep(self, key: str, folder: Path, outputs: Sequence[Output], result: Result) -> Made:
        """Take the files in ``folder`` into the store; ``folder`` is gone afterwards.

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
        record = {
            "key": key,
            "files": [asdict(file) for file in files],
            "facts": result.facts,
            "notes": list(result.notes),
        }
        text = json.dumps(record, ensure_ascii=False, indent=1, sort_keys=True)
        (folder / _RECORD).write_text(text, "utf-8")
        for name in (*names, _RECORD):
            sync_file(folder / name)
        sync_file(folder)
        home = self._home(key)
        home.parent.mkdir(parents=True, exist_ok=True)
        try:
            folder.rename(home)
        except OSError:
            # another build was quicker; what it made stands if it is whole
            if self.find(key) is None:
                folder.rename(home)
            else:
                shutil.rmtree(folder, ignore_errors=True)
        sync_file(home.parent)
        facts = json.loads(text)["facts"]  # as any later reader will see them
        return Made(key, home, files, facts, result.notes)


def _alive(pid: int) -> bool:
    if os.name == "nt":
        return True  # asking would interrupt the process; what is left there is left
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True
