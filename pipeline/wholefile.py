"""Files that are there in full or not at all."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


@contextmanager
def written_beside(path: Path) -> Iterator[Path]:
    """A file beside ``path`` to write to; if all goes well it is made to reach the disk and
    renamed to ``path``, else it is removed and what was at ``path`` stays.

    Raises
    ------
    OSError : the folder cannot be made or written in, or the disk is full.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    # the suffix stays last: encoders choose the container by it
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=".", suffix=f".part{path.suffix}")
    os.close(handle)
    beside = Path(name)
    try:
        yield beside
        beside.chmod(0o644)
        sync_file(beside)
        beside.replace(path)
    finally:
        beside.unlink(missing_ok=True)


def write_whole(path: Path, data: bytes) -> None:
    """Write a file so that it is there in full or not at all.

    Raises
    ------
    OSError : as :func:`written_beside`.
    """
    with written_beside(path) as beside:
        beside.write_bytes(data)


def sync_file(path: Path) -> None:
    """Have the file (or folder) reach the disk."""
    if os.name == "nt":
        return  # folders cannot be opened there, nor files be synced when open for reading
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
