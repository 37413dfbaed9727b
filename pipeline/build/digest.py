"""Names for contents: one SHA-256 for a file, a value, or the code of a room.

Conventions
-----------
A value's digest depends on what it says, not on how it was made: dataclasses by class name
and fields, mappings by sorted keys, paths by the *contents* of the file they name. Two
values with the same digest may stand for each other in a build.

References
----------
FIPS 180-4 (SHA-256).
"""

from __future__ import annotations

import dataclasses
import hashlib
import importlib.metadata
import importlib.util
import struct
from collections.abc import Mapping, Set
from datetime import date, time
from enum import Enum
from fractions import Fraction
from functools import lru_cache
from pathlib import Path
from typing import Protocol

_CODE_SUFFIXES = frozenset({".py", ".toml", ".j2", ".html", ".css", ".js", ".txt", ".json", ".ttf"})


class _Hash(Protocol):
    def update(self, data: bytes, /) -> None: ...


def file_digest(path: Path) -> str:
    """SHA-256 of a file's contents, hexadecimal.

    Raises
    ------
    OSError : the file cannot be read.
    """
    with path.open("rb") as source:
        return hashlib.file_digest(source, "sha256").hexdigest()


# what a file is told apart by while nobody writes to it: disk, inode, size, times of change
Identity = tuple[int, ...]
_known: dict[Identity, str] = {}


def identity_of(path: Path) -> Identity:
    """What tells whether a file has been written to. Its time of change (``st_ctime``) cannot be
    set back by programs, unlike its time of modification.

    Raises
    ------
    OSError : there is no such file.
    """
    facts = path.stat()
    return facts.st_dev, facts.st_ino, facts.st_size, facts.st_mtime_ns, facts.st_ctime_ns


def remember(identity: Identity, sha256: str) -> None:
    """Let :func:`input_digest` trust that a file of this identity has this digest."""
    _known[identity] = sha256


def input_digest(path: Path) -> str:
    """Like :func:`file_digest`, remembered in this process while the file's identity stays the
    same. The same file under two names is read once."""
    identity = identity_of(path)
    if identity not in _known:
        _known[identity] = file_digest(path)
    return _known[identity]


def value_digest(value: object) -> str:
    """SHA-256 of a value made of plain data, dataclasses and models.

    Raises
    ------
    TypeError : a kind of value whose meaning cannot be told from its data.
    """
    found = hashlib.sha256()
    _feed(found, value)
    return found.hexdigest()


def _put(into: _Hash, tag: str, data: bytes) -> None:
    # length first: no two different values may run together to the same bytes
    into.update(f"{tag}{len(data)}:".encode())
    into.update(data)


def _feed_plain(into: _Hash, value: object) -> bool:
    match value:
        case None:
            _put(into, "none", b"")
        case Enum():
            _put(into, "enum", f"{type(value).__qualname__}.{value.name}".encode())
        case bool() | int():
            _put(into, type(value).__name__, str(value).encode())
        case float():
            _put(into, "float", struct.pack("<d", value))
        case str():
            _put(into, "str", value.encode("utf-8", "surrogatepass"))
        case bytes():
            _put(into, "bytes", value)
        case Fraction():
            _put(into, "fraction", str(value).encode())
        case date() | time():  # a datetime is a date
            _put(into, type(value).__name__, value.isoformat().encode())
        case Path():
            _put(into, "file", input_digest(value).encode())
        case _:
            return False
    return True


def _feed(into: _Hash, value: object) -> None:
    if _feed_plain(into, value):
        return
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        _put(into, "data", type(value).__qualname__.encode())
        for item in dataclasses.fields(value):
            _put(into, "field", item.name.encode())
            _feed(into, getattr(value, item.name))
    elif isinstance(value, Mapping):
        _put(into, "map", str(len(value)).encode())
        for key in sorted(value, key=str):
            _feed(into, key)
            _feed(into, value[key])
    elif isinstance(value, tuple | list):
        _put(into, "row", str(len(value)).encode())
        for entry in value:
            _feed(into, entry)
    elif isinstance(value, Set):
        _put(into, "set", "".join(sorted(value_digest(entry) for entry in value)).encode())
    else:
        raise TypeError(f"a {type(value).__qualname__} has no digest: pass plain data to a step")


@lru_cache(maxsize=256)
def code_digest(module: str) -> str:
    """SHA-256 of the code and data files of a module or, for a package, of all in it.

    So that a change to the tool itself makes again what that code had made.
    """
    spec = importlib.util.find_spec(module)
    if spec is None or spec.origin is None:
        raise ModuleNotFoundError(f"no code to be found for {module}")
    home = Path(spec.origin)
    files = [home]
    if spec.submodule_search_locations:
        files = sorted(p for p in home.parent.rglob("*") if p.suffix in _CODE_SUFFIXES and p.is_file())
    found = hashlib.sha256()
    for path in files:
        _put(found, "name", path.relative_to(home.parent).as_posix().encode())
        _put(found, "code", file_digest(path).encode())
    return found.hexdigest()


@lru_cache(maxsize=256)
def library_version(name: str) -> str:
    """Installed version of a distribution, or ``absent``: both are facts a result depends on."""
    try:
        return importlib.metadata.version(name)
    except importlib.metadata.PackageNotFoundError:
        return "absent"
