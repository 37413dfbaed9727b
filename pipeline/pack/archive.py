"""Packing a tier's files into a zip that comes out the same, byte for byte, each time.

Conventions
-----------
Members stand in order of their names, dated 1 January 1980 (the format's zero), readable by
all and writable by the owner, stored without compression: what a pack holds is nearly all
compressed already, and a compressor's output differs between its releases.

References
----------
APPNOTE.TXT, .ZIP File Format Specification, 4.4.6 (MS-DOS date), 4.4.15 (external
attributes), Appendix D (UTF-8 names, bit 11).
Checksum lists: the format of GNU ``sha256sum``, checked with ``sha256sum -c``.
"""

from __future__ import annotations

import hashlib
import shutil
import stat
import zipfile
from collections.abc import Mapping
from pathlib import Path, PurePosixPath
from typing import Final

from pipeline.wholefile import written_beside

DATE: Final = (1980, 1, 1, 0, 0, 0)
CHECKSUMS: Final = "SHA256SUMS.txt"
README: Final = "READ-ME.txt"
_CHUNK_BYTES: Final = 1 << 20

Member = Path | bytes


def check_member_name(name: str) -> None:
    """Refuse a name that would leave the folder it is unpacked into.

    Raises
    ------
    ValueError : empty, absolute, with ``..``, or with a character that systems disagree on.
    """
    parts = PurePosixPath(name).parts
    if (
        not parts
        or PurePosixPath(name).is_absolute()
        or ".." in parts
        or PurePosixPath(name).as_posix() != name
    ):
        raise ValueError(f"a pack cannot hold a file called {name!r}")
    if set(name) & set('\\:*?"<>|') or any(ord(char) < 32 for char in name):
        raise ValueError(f"not every system can store a file called {name!r}")


def member_name(lesson: str, name: str) -> str:
    """What a lesson's file is called in a pack: supporters keep those of many in one folder."""
    own = f"{lesson} - "
    return name if name.startswith(own) else own + name


def checksum_list(members: Mapping[str, Member]) -> bytes:
    """One line ``<sha256>  <name>`` for each member, by name."""
    lines = []
    for name in sorted(members):
        source = members[name]
        if isinstance(source, bytes):
            found = hashlib.sha256(source).hexdigest()
        else:
            with source.open("rb") as file:
                found = hashlib.file_digest(file, "sha256").hexdigest()
        lines.append(f"{found}  {name}\n")
    return "".join(lines).encode("utf-8")


def write_zip(path: Path, members: Mapping[str, Member]) -> None:
    """Write the members, files or bytes by their names in the archive.

    The file appears whole or not at all.

    Raises
    ------
    ValueError : no members, a name that cannot be packed, or two that differ only in case.
    OSError : a member cannot be read, or the disk is full.
    """
    if not members:
        raise ValueError("a pack holds at least one file")
    if len({name.casefold() for name in members}) < len(members):
        raise ValueError("two files of a pack differ only in capitals, which some systems cannot keep apart")
    with (
        written_beside(path) as beside,
        zipfile.ZipFile(beside, "w", zipfile.ZIP_STORED, allowZip64=True) as archive,
    ):
        for name in sorted(members):
            check_member_name(name)
            _add(archive, name, members[name])


def _add(archive: zipfile.ZipFile, name: str, source: Member) -> None:
    entry = zipfile.ZipInfo(name, DATE)
    entry.create_system = 3  # Unix, whatever this machine is
    entry.external_attr = (stat.S_IFREG | 0o644) << 16
    entry.compress_type = zipfile.ZIP_STORED
    entry.file_size = len(source) if isinstance(source, bytes) else source.stat().st_size
    with archive.open(entry, "w") as out:
        if isinstance(source, bytes):
            out.write(source)
        else:
            with source.open("rb") as file:
                shutil.copyfileobj(file, out, _CHUNK_BYTES)
