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
from collections.abc import Callable, Iterator, Mapping, Set
from contextlib import contextmanager
from contextvars import ContextVar
from datetime import date, time
from enum import Enum
from fractions import Fraction
from functools import lru_cache
from pathlib import Path
from typing import Any, Final, Protocol

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


_remembered: ContextVar[dict[int, tuple[object, bytes]] | None] = ContextVar("_remembered", default=None)


@contextmanager
def read_once() -> Iterator[None]:
    """Within it, what a frozen dataclass says is worked out once for each object, however many
    values hold it: twenty steps that play one tab. They must stay as they are meanwhile."""
    token = _remembered.set({})
    try:
        yield
    finally:
        _remembered.reset(token)


def value_digest(value: object) -> str:
    """SHA-256 of a value made of plain data and dataclasses.

    Raises
    ------
    TypeError : a kind of value whose meaning cannot be told from its data.
    """
    return hashlib.sha256(_said(value)).hexdigest()


def _tagged(tag: str, data: bytes) -> bytes:
    # length first: no two different values may run together to the same bytes
    return b"%s%d:%s" % (tag.encode(), len(data), data)


def _said(value: object) -> bytes:
    """A value as bytes, different for different values."""
    write = _WRITERS.get(type(value))
    if write is None:
        write = _WRITERS[type(value)] = _writer_for(value)
    return write(value)


def _said_data(value: Any) -> bytes:
    """Of a dataclass the digest stands for it: what holds it stays short."""
    known = _remembered.get()
    if known is not None and (found := known.get(id(value))) is not None:
        return found[1]
    head, names, frozen = _parts_of(type(value))
    parts = [head]
    for name, tag in names:
        parts += (tag, _said(getattr(value, name)))
    said = _tagged("sum", hashlib.sha256(b"".join(parts)).digest())
    if known is not None and frozen:
        known[id(value)] = value, said  # the value too: its id must not go to another one
    return said


_Parts = tuple[bytes, tuple[tuple[str, bytes], ...], bool]
_PARTS: Final[dict[type, _Parts]] = {}


def _parts_of(kind: Any) -> _Parts:
    """Of a class of dataclass: how it begins, its fields with their tags, whether it is frozen."""
    if kind not in _PARTS:
        names = tuple((f.name, _tagged("field", f.name.encode())) for f in dataclasses.fields(kind))
        _PARTS[kind] = _tagged("data", kind.__qualname__.encode()), names, kind.__dataclass_params__.frozen
    return _PARTS[kind]


def _said_row(value: Any) -> bytes:
    return b"row%d:" % len(value) + b"".join(map(_said, value))


def _said_map(value: Any) -> bytes:
    parts = [b"map%d:" % len(value)]
    for key in sorted(value, key=str):
        parts += (_said(key), _said(value[key]))
    return b"".join(parts)


def _said_set(value: Any) -> bytes:
    return _tagged("set", "".join(sorted(value_digest(entry) for entry in value)).encode())


def _said_enum(value: Any) -> bytes:
    return _tagged("enum", f"{type(value).__qualname__}.{value.name}".encode())


def _said_time(value: Any) -> bytes:
    return _tagged(type(value).__name__, value.isoformat().encode())


_KINDS: Final[tuple[tuple[type, Callable[[Any], bytes]], ...]] = (
    (Enum, _said_enum),  # before int and str: an enum can be one of them too
    (bool, lambda value: _tagged("bool", str(value).encode())),
    (int, lambda value: _tagged(type(value).__name__, str(value).encode())),
    (float, lambda value: _tagged("float", struct.pack("<d", value))),
    (str, lambda value: _tagged("str", value.encode("utf-8", "surrogatepass"))),
    (bytes, lambda value: _tagged("bytes", value)),
    (Fraction, lambda value: _tagged("fraction", str(value).encode())),
    (date, _said_time),  # a datetime is a date
    (time, _said_time),
    (Path, lambda value: _tagged("file", input_digest(value).encode())),
    (Mapping, _said_map),
    (tuple, _said_row),
    (list, _said_row),
    (Set, _said_set),
)
_WRITERS: Final[dict[type, Callable[[Any], bytes]]] = {type(None): lambda _: b"none0:"}


def _writer_for(value: object) -> Callable[[Any], bytes]:
    if dataclasses.is_dataclass(value) and not isinstance(value, type | Enum):
        return _said_data
    for kind, write in _KINDS:
        if isinstance(value, kind):
            return write
    raise TypeError(f"a {type(value).__qualname__} has no digest: pass plain data to a step")


def _put(into: _Hash, tag: str, data: bytes) -> None:
    # length first: no two different values may run together to the same bytes
    into.update(f"{tag}{len(data)}:".encode())
    into.update(data)


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
