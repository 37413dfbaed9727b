"""Folders for work in progress, each held by the process that works in it.

Layout
------
``making/NAME/`` the folder, ``making/NAME.held`` a file that its process keeps locked. The
system lets go of the lock when the process ends, however it ends, so what a dead process left
behind is known on every machine that shares the folder, and swept.

References
----------
``flock(2)``.
"""

from __future__ import annotations

import os
import secrets
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from pipeline.wholefile import sync_file

try:
    import fcntl
except ImportError:  # Windows: folders of dead processes stay until deleted by hand
    fcntl = None  # type: ignore[assignment]

_HELD: Final = ".held"


class Making:
    """Work folders under ``root``, which is made when first needed."""

    def __init__(self, root: Path) -> None:
        self.root = root

    @contextmanager
    def folder(self, label: str) -> Iterator[Path]:
        """A fresh empty folder, gone with all that is still in it afterwards.

        Raises
        ------
        OSError : the disk is full, or refuses.
        """
        self.root.mkdir(parents=True, exist_ok=True)
        held, handle = self._hold(label)
        folder = held.with_suffix("")
        try:
            folder.mkdir()
            yield folder
        finally:
            shutil.rmtree(folder, ignore_errors=True)
            held.unlink(missing_ok=True)
            os.close(handle)

    def _hold(self, label: str) -> tuple[Path, int]:
        """A new locked file."""
        while True:
            path = self.root / f"{label}-{secrets.token_hex(6)}{_HELD}"
            handle = os.open(path, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o644)
            if fcntl is None:
                return path, handle
            try:
                fcntl.flock(handle, fcntl.LOCK_EX)
                # a sweeper may have met the file between its making and its locking
                if path.exists() and os.fstat(handle).st_ino == path.stat().st_ino:
                    return path, handle
            except FileNotFoundError:
                pass
            except OSError:
                os.close(handle)
                path.unlink(missing_ok=True)
                raise
            os.close(handle)

    def write_whole(self, path: Path, data: bytes) -> None:
        """Write a file on the same disk so that it is there in full or not at all; what a killed
        process leaves of it is swept like all its work.

        Raises
        ------
        OSError : the disk is full, or refuses.
        """
        path.parent.mkdir(parents=True, exist_ok=True)
        with self.folder("write") as folder:
            beside = folder / path.name
            beside.write_bytes(data)
            sync_file(beside)
            beside.replace(path)

    def at_work(self, label: str) -> int:
        """How many folders of this label there are, those of dead processes swept first."""
        self.sweep()
        return sum(1 for _ in self.root.glob(f"{label}-*{_HELD}"))

    def sweep(self) -> int:
        """Remove what processes that are gone have left behind; how many folders."""
        if fcntl is None or not self.root.is_dir():
            return 0
        swept = 0
        for entry in sorted(self.root.iterdir()):
            if entry.name.endswith(_HELD):
                swept += self._sweep_held(entry)
            elif not entry.with_name(entry.name + _HELD).exists() and entry.is_dir():
                # its file is made before a folder and removed after it: this one is nobody's
                shutil.rmtree(entry, ignore_errors=True)
                swept += 1
        return swept

    @staticmethod
    def _sweep_held(held: Path) -> int:
        assert fcntl is not None
        try:
            handle = os.open(held, os.O_RDWR)
        except FileNotFoundError:
            return 0
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:  # somebody is at work in it, or this disk knows no locks
            return 0
        else:
            shutil.rmtree(held.with_suffix(""), ignore_errors=True)
            held.unlink(missing_ok=True)
            return 1
        finally:
            os.close(handle)
