"""A folder elsewhere: in an object store or on a server, reached by its address.

Any address that `fsspec` knows will do: ``s3://bucket/lessons``, ``gs://…``, ``sftp://…``.

Conventions
-----------
Names are relative to the folder, parts joined by ``/``. A file appears whole or not at all:
object stores promise that for each object; elsewhere it is written beside and renamed.
Nothing that was listed before is believed later. Whatever goes wrong there is told as one
MissingError that says what to do; what goes wrong on this machine's own disk stays an OSError.

References
----------
fsspec's interface (https://filesystem-spec.readthedocs.io), of which only what all of its file
systems share is used.
"""

from __future__ import annotations

import errno
import importlib
import re
import secrets
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from pipeline.errors import LessonwrightError, MissingError, MisuseError, nearest

_ANSWER_S: Final = 30.0  # a folder that has not answered by then is told as unreachable
_AT_ONCE: Final = 8  # files on their way at the same time
_MAKING: Final = "making"
# where a file appears whole by itself, and there are no folders to make
_OBJECTS: Final = frozenset(
    {"s3", "s3a", "gs", "gcs", "abfs", "abfss", "az", "adl", "oci", "ocilake", "oss", "tos"}
)
# what `pip install` brings the driver that a file system inside fsspec itself imports
_DRIVERS: Final = {"smbclient": "smbprotocol", "pyarrow": "pyarrow", "requests": "requests aiohttp"}
_CONNECT_S: Final = 5
_READ_S: Final = 20  # without a single byte
_TRIES: Final = 2
# options that keep a dead address from being waited for; the user's own go before
_TIMEOUTS: Final[Mapping[str, Mapping[str, Any]]] = {
    "s3": {"config_kwargs": {"connect_timeout": _CONNECT_S, "read_timeout": _READ_S,
                             "retries": {"max_attempts": 2}}},
    "sftp": {"timeout": _CONNECT_S, "banner_timeout": _CONNECT_S * 3},
}  # fmt: skip
_FAMILY: Final = {"s3a": "s3", "ssh": "sftp"}
# an overloaded or ailing server's, and a network's
_AWAY: Final = frozenset(
    getattr(errno, name)
    for name in ("EBUSY", "EREMOTEIO", "EHOSTUNREACH", "ENETUNREACH", "EHOSTDOWN", "ENETDOWN", "EPIPE")
    if hasattr(errno, name)
)
_TIMES: Final = ("LastModified", "mtime", "last_modified", "updated", "modified", "created")


class UnreachableError(MissingError):
    """The place does not answer, for now."""


@dataclass(frozen=True, slots=True)
class Entry:
    """A file there: its size, and when it was written by the clock of that place (seconds of the
    epoch, 0 where it does not tell)."""

    bytes: int
    written_s: float


class FarFolder:
    """The folder at an address.

    shown : the address as it may be shown, without a password

    Raises
    ------
    MisuseError : the address makes no sense.
    MissingError : its driver is not installed, or does not start.
    """

    def __init__(self, address: str) -> None:
        self.shown = re.sub(r"//[^/@]*@", "//", address)
        self._kind = _kind_of(address, self.shown)
        self._fs, root = _opened(address, self.shown, self._kind)
        self._root = str(root).rstrip("/")
        if not self._root:
            what = "bucket" if self._kind in _OBJECTS else "folder"
            raise MisuseError(
                f"--store {self.shown}: it names no {what}\n  Give one such as s3://bucket/lessons."
            )
        self._whole = self._kind in _OBJECTS

    def _path(self, name: str) -> str:
        return f"{self._root}/{name}"

    @contextmanager
    def _asking(self, doing: str) -> Iterator[None]:
        """Tell what goes wrong there; FileNotFoundError is an answer, and left alone."""
        try:
            yield
        except (FileNotFoundError, LessonwrightError):
            raise
        except Exception as error:
            if isinstance(error, OSError) and error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EROFS):
                raise  # this machine's disk, or a shared one that is just as well told so
            kind = UnreachableError if _is_away(error) else MissingError
            raise kind(f"{self.shown}: {doing} failed: {_said(error)}; {_remedy(error)}") from error

    def first_read(self, name: str) -> bytes | None:
        """As :meth:`read`; raises MissingError too when there is no answer within half a minute,
        whatever the driver would wait for."""
        found: list[bytes | None] = []
        failed: list[BaseException] = []

        def ask() -> None:
            try:
                found.append(self.read(name))
            except BaseException as error:  # noqa: BLE001 - handed to the thread that waits
                failed.append(error)

        asking = threading.Thread(target=ask, daemon=True)
        asking.start()
        asking.join(_ANSWER_S)
        if asking.is_alive():
            raise MissingError(
                f"{self.shown}: no answer within {_ANSWER_S:.0f} s; check the address and the network, "
                "or leave --store out to keep results on this machine"
            )
        if failed:
            raise failed[0]
        return found[0]

    def read(self, name: str) -> bytes | None:
        """A small file's contents; None when it is not there."""
        with self._asking("reading"):
            try:
                # a range from 0 is one question; without it s3fs first asks for the size
                data: bytes = self._fs.cat_file(self._path(name), start=0)
            except FileNotFoundError:
                return None
            except OSError as error:
                if "range" in str(error).lower():  # of a file that is empty
                    return b""
                raise
            return data

    def write(self, name: str, data: bytes) -> None:
        """Write a small file.

        Raises
        ------
        MissingError : also when the bucket is not there.
        """
        with self._asking("writing"):
            self._placed(name, lambda path: self._fs.pipe_file(path, data))

    def send(self, files: Sequence[tuple[Path, str]]) -> None:
        """Copy files of this machine there, under the given names."""
        with self._asking("uploading"):
            self._each([(self._send_one, (source, name)) for source, name in files])

    def _send_one(self, source: Path, name: str) -> None:
        source.stat()  # its absence is another thing than the bucket's
        self._placed(name, lambda path: self._fs.put_file(str(source), path))

    def _placed(self, name: str, write: Callable[[str], object]) -> None:
        """Have ``write`` make a file that then is at ``name``, whole."""
        try:
            if self._whole:
                write(self._path(name))
                return
            beside = self._path(f"{_MAKING}/{secrets.token_hex(8)}")
            for path in (beside, self._path(name)):
                self._fs.makedirs(path.rpartition("/")[0], exist_ok=True)
            try:
                write(beside)
                self._fs.mv(beside, self._path(name))
            except BaseException:
                with suppress(Exception):  # the first error is the one to tell
                    self._fs.rm_file(beside)
                raise
        except FileNotFoundError as error:
            what = "bucket" if self._whole else "folder"
            raise MissingError(
                f"{self.shown}: there is no such {what}; make it first, or check the address for a typing slip"
            ) from error

    def get(self, files: Sequence[tuple[str, Path]]) -> None:
        """Copy files from there.

        Raises
        ------
        FileNotFoundError : one of them is not there.
        OSError : this machine's disk is full, or refuses.
        """
        with self._asking("downloading"):
            self._each([(self._fs.get_file, (self._path(name), str(target))) for name, target in files])

    def _each(self, calls: Sequence[tuple[Callable[..., object], tuple[Any, ...]]]) -> None:
        if len(calls) < 2 or not self._fs.async_impl:  # the others promise nothing about threads
            for function, arguments in calls:
                function(*arguments)
            return
        with ThreadPoolExecutor(min(_AT_ONCE, len(calls))) as threads:
            for one in [threads.submit(function, *arguments) for function, arguments in calls]:
                one.result()

    def entry(self, name: str) -> Entry | None:
        """What is known of a file; None when it is not there."""
        with self._asking("looking"):
            self._fs.invalidate_cache()
            try:
                found = self._fs.info(self._path(name))
            except FileNotFoundError:
                return None
            return Entry(int(found["size"]), _written_s(found)) if found["type"] == "file" else None

    def listing(self, folder: str = "") -> dict[str, Entry]:
        """Every file below a folder, by its name."""
        with self._asking("listing"):
            self._fs.invalidate_cache()
            start = self._path(folder).rstrip("/")
            try:
                found = self._fs.find(start, detail=True)
            except FileNotFoundError:
                return {}
            return {
                path.removeprefix(self._root).lstrip("/"): Entry(int(info["size"] or 0), _written_s(info))
                for path, info in found.items()
                if info["type"] == "file" and path != start
            }

    def remove(self, names: Sequence[str]) -> None:
        """Remove files; those that are not there are as good as removed."""
        if not names:
            return
        paths = [self._path(name) for name in names]
        with self._asking("removing"):
            try:
                self._fs.rm(paths)
            except FileNotFoundError:
                for path in paths:
                    with suppress(FileNotFoundError):
                        self._fs.rm_file(path)
            if not self._whole:
                for folder in {path.rpartition("/")[0] for path in paths}:
                    with suppress(OSError):  # others' files are still in it
                        self._fs.rmdir(folder)

    def close(self) -> None:
        """Let go of the connections."""
        creator = getattr(self._fs, "_s3creator", None)
        if creator is not None:  # s3fs would close them when it is collected, with a warning or two
            with suppress(Exception):
                self._fs.close_session(self._fs.loop, creator)


def _kind_of(address: str, shown: str) -> str:
    """The kind of an address: ``s3``. Raises MisuseError when it makes no sense."""
    kind, separator, rest = address.partition("://")
    if not (kind and separator and rest.strip("/")) or "::" in address or re.search(r"[*?\[\]\s]", address):
        raise MisuseError(
            f"--store {shown}: not an address\n"
            "  Give a folder, or an address such as s3://bucket/lessons, without spaces and * ? [ ]."
        )
    return kind.lower()


def _opened(address: str, shown: str, kind: str) -> tuple[Any, str]:
    try:
        fsspec: Any = importlib.import_module("fsspec")
        registry: Any = importlib.import_module("fsspec.registry")
    except ImportError as error:
        raise MissingError(
            f"--store {shown} needs the package fsspec, which is not installed; "
            "get it with: pip install fsspec"
        ) from error
    known = {*registry.known_implementations, *registry.registry}
    if kind not in known:
        near = nearest(kind, known)
        hint = f"Did you mean {near}://? " if near else ""
        raise MisuseError(
            f"--store {shown}: {kind}:// is no kind of address that fsspec knows\n"
            f"  {hint}Usual ones are s3://, gs://, abfs://, sftp://; or give a folder."
        )
    family = _FAMILY.get(kind, kind)
    own = {**fsspec.config.conf.get(family, {}), **fsspec.config.conf.get(kind, {})}
    options = {
        name: {**value, **own.get(name, {})} if isinstance(value, dict) else own.get(name, value)
        for name, value in _TIMEOUTS.get(family, {}).items()
    }
    try:
        # an instance of our own: what another part of the process cached is none of it
        filesystem, root = fsspec.core.url_to_fs(address, skip_instance_cache=True, **options)
    except ImportError as error:
        package = _driver(registry.known_implementations.get(kind, {}), error)
        raise MissingError(
            f"--store {shown} needs a driver that is not installed; get it with: pip install {package}"
        ) from error
    except Exception as error:
        raise MissingError(f"{shown}: cannot be opened: {_said(error)}; {_remedy(error)}") from error
    if family == "s3":
        filesystem.retries = _TRIES  # each of them is what botocore makes of its own attempts
    return filesystem, root


def _driver(implementation: Mapping[str, str], error: ImportError) -> str:
    """The package to install: the one that brings the file system, or what that one lacks."""
    package = str(implementation.get("class", "")).partition(".")[0]
    if package and package != "fsspec":
        return package
    cause = error.__cause__ if isinstance(error.__cause__, ImportError) else error
    lacking = (cause.name or error.name or "the package that fsspec names").partition(".")[0]
    return _DRIVERS.get(lacking, lacking)


def _said(error: BaseException) -> str:
    """An error of a driver in one line of bearable length."""
    text = " ".join((getattr(error, "strerror", None) or str(error) or type(error).__name__).split())
    return text if len(text) <= 200 else text[:199] + "…"


def _is_away(error: BaseException) -> bool:
    """Whether trying again later may well do."""
    names = {kind.__name__ for kind in type(error).__mro__}
    return (
        isinstance(error, TimeoutError | ConnectionError)
        or any(word in name for name in names for word in ("Connect", "Timeout", "HTTPClientError"))
        or (isinstance(error, OSError) and error.errno in _AWAY)
    )


def _remedy(error: BaseException) -> str:
    names = {kind.__name__ for kind in type(error).__mro__}
    text = str(error).lower()
    if "read-only" in text or isinstance(error, NotImplementedError):
        return "choose a place that can be written to"
    if "credential" in text or "NoCredentialsError" in names:
        return (
            "give this machine its access keys the way that storage documents "
            "(for s3: AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY, or a profile)"
        )
    if isinstance(error, PermissionError):
        return "the access keys must permit reading, writing, listing and deleting there"
    if _is_away(error):
        return "check the address and the network, then build again: what is finished is kept"
    return "check the address and the access keys, then build again: what is finished is kept"


def _written_s(info: Mapping[str, Any]) -> float:
    for name in _TIMES:
        value = info.get(name)
        if isinstance(value, datetime):
            return value.timestamp()
        if isinstance(value, int | float):
            return float(value)
    return 0.0
