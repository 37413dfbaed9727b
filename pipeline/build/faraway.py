"""The store elsewhere: results shared by machines that share no disk, with a local store as cache.

Layout at the address
---------------------
``results/ab/KEY/SHA256`` a file of a result; ``results/ab/KEY/made.json`` its record, written
last: what has no record is not there; ``sources/ab/SHA256`` a file of the creator's, for
machines that do not see it; ``uses/DAY-HOST`` keys that were of use that day; ``builds/…`` a
build under way; ``format`` the kind of store.

Files go by the digest of their contents, so two writers of the same result can only write the
same, and whatever was cut or changed is known when it is fetched. Nothing needs a lock or a
rename there.
"""

from __future__ import annotations

import glob
import json
import math
import os
import secrets
import socket
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, Final, TypeVar

from pipeline.build.digest import file_digest, input_digest
from pipeline.build.farfolder import Entry, FarFolder, UnreachableError
from pipeline.build.resultrecord import RECORD, from_record, to_record
from pipeline.build.step import Made, Output, Result
from pipeline.build.store import CAP_BYTES, Store
from pipeline.errors import MissingError, StepError

_T = TypeVar("_T")

FORMAT: Final = 1
_MARK: Final = "format"
_PATIENCE_S: Final = 60.0  # how long a place that does not answer is asked again
_PAUSES_S: Final = (1.0, 2.0, 4.0, 8.0)  # from one time to the next; the last again and again
_DAY_S: Final = 86_400.0
_REMEMBERED_S: Final = 90 * _DAY_S  # uses longer ago count as none


class LostResultError(StepError):
    """A result that was there a moment ago is there no more, or not whole. ``key`` names it; it
    is forgotten, and made again by the next build."""

    def __init__(self, message: str, key: str = "") -> None:
        self.key = key
        super().__init__(message)

    def __reduce__(self) -> tuple[type, tuple[str, str]]:
        return type(self), (str(self), self.key)


class FarStore:
    """The store at an address, with ``local`` as its cache; the same methods as :class:`Store`.

    cache_bytes : the most that may stay in ``local`` from one step to the next; None where a
        build's end prunes it
    damaged : keys of results found damaged, and to be made again, since the store was opened
    sends : False for looking without leaving a trace there

    Raises
    ------
    MisuseError : the address makes no sense.
    MissingError : it does not answer, refuses, lacks its driver, or holds a newer kind of store.
    """

    def __init__(self, url: str, local: Store, *, cache_bytes: int | None = None) -> None:
        self.address = url
        self.local = local
        self.damaged: set[str] = set()
        self.sends = True
        self._there = FarFolder(url)
        self._cache_bytes = cache_bytes
        self._came_bytes = 0
        self._used: set[str] = set()
        self._shards: dict[str, dict[str, Entry]] = {}
        self._sent: set[str] = set()
        self._building = False
        self._lease: str | None = None
        mark = self._there.first_read(_MARK)
        found = (mark or b"").decode("ascii", "replace").strip()
        if not found.isdecimal():  # new, or damaged: no version wrote that, and results are verified
            self._there.write(_MARK, f"{FORMAT}\n".encode())
        elif found != str(FORMAT):
            raise MissingError(
                f"{self._there.shown}: a store of kind {found[:40]!r}, this version reads kind {FORMAT}; "
                "update lessonwright, or choose another address with --store"
            )

    @property
    def root(self) -> Path:
        """The folder on this machine."""
        return self.local.root

    # -- a build ----------------------------------------------------------------------------

    @contextmanager
    def in_use(self) -> Iterator[None]:
        """For the length of a build: no other build prunes, here or there.

        The mark there is made when something is first looked for: a build of unchanged lessons
        sends nothing.
        """
        with self.local.in_use():
            self._building = True
            try:
                yield
            finally:
                self._building = False
                # neither may turn a build that went well into one that failed: a mark runs out
                # after a day, and a use that is not noted only makes a result look older
                with suppress(MissingError):
                    self._note_uses()
                with suppress(MissingError):
                    self._end_lease()

    def _begin_lease(self) -> None:
        if self._building and self.sends and self._lease is None:
            name = f"builds/{_host()}-{os.getpid()}-{secrets.token_hex(6)}"
            self._there.write(name, b"under way\n")
            self._lease = name

    def _end_lease(self) -> None:
        if self._lease is not None:
            self._there.remove([self._lease])
            self._lease = None

    def _note_uses(self) -> None:
        """Add the keys that were of use to this machine's note of the day."""
        if not self._used or not self.sends:
            return
        name = f"uses/{time.strftime('%Y-%m-%d', time.gmtime())}-{_host()}"
        noted = _keys_noted(self._there.read(name))
        if not noted.issuperset(self._used):
            self._there.write(name, json.dumps(sorted(noted | self._used)).encode())
        self._used.clear()

    @contextmanager
    def work_folder(self, label: str = "step") -> Iterator[Path]:
        """A fresh empty folder of this machine, gone afterwards."""
        self._trim()
        with self.local.work_folder(label) as folder:
            yield folder

    def _trim(self) -> None:
        """Keep a worker's cache from filling its disk: nothing in it is in use between steps."""
        if self._cache_bytes is None or self._came_bytes <= self._cache_bytes // 4:
            return
        self._came_bytes = 0
        self.local.prune({}, cap_bytes=self._cache_bytes)
        kept = sorted(
            (path for path in (self.root / "sources").glob("*/*/*") if path.is_file()),
            key=lambda path: path.stat().st_mtime,
        )
        total = sum(path.stat().st_size for path in kept)
        for path in kept:
            if total <= self._cache_bytes:
                break
            total -= path.stat().st_size
            path.unlink(missing_ok=True)

    def close(self) -> None:
        """Let go of the connections."""
        self._there.close()

    def _patiently(self, ask: Callable[..., _T], *arguments: Any) -> _T:
        """Ask again for a while when the place does not answer: a batch of hours outlasts a network
        that is away for a moment."""
        until, pauses = time.monotonic() + _PATIENCE_S, iter(_PAUSES_S)
        while True:
            try:
                return ask(*arguments)
            except UnreachableError:
                pause = next(pauses, _PAUSES_S[-1])
                if time.monotonic() + pause > until:
                    raise
                time.sleep(pause)

    # -- results ----------------------------------------------------------------------------

    def find(self, key: str) -> Made | None:
        """The result under this key, or None; its files are at hand after :meth:`fetch`.

        What is found on this machine only is sent there, so that others have it too.
        """
        self._patiently(self._begin_lease)
        made = self.local.find(key)
        if made is not None:
            if self.sends:
                self._patiently(self._share, made)
        else:
            made = self._patiently(self._find_there, key)
            if made is None and key in self.local.damaged:
                self.damaged.add(key)
        if made is not None:
            self._used.add(key)
        return made

    def _share(self, made: Made) -> None:
        shard = made.key[:2]
        if shard not in self._shards:  # one question for a 256th of all results
            self._shards[shard] = self._there.listing(f"results/{shard}")
        listed = self._shards[shard]
        if not _stands(made, listed):
            listed.update(self._there.listing(_home(made.key)))  # others have been at work since
        if not _stands(made, listed):
            self._send(made)

    def _find_there(self, key: str) -> Made | None:
        data = self._there.read(f"{_home(key)}/{RECORD}")
        if data is None:
            return None
        made = from_record(data, key, self.local.home(key))
        if made is None or not _stands(made, self._there.listing(_home(key))):
            self._forget(key)
            return None
        return made

    def _forget(self, key: str) -> None:
        """Without its record a result is not there; its files go when the store is pruned."""
        self.damaged.add(key)
        if self.sends:
            self._there.remove([f"{_home(key)}/{RECORD}"])

    def fetch(self, made: Made) -> Made:
        """The same with its files in this machine's folder, verified.

        Raises
        ------
        LostResultError : they are no longer there, or damaged.
        MissingError : the place does not answer.
        OSError : this machine's disk is full, or refuses.
        """
        here = self.local.find(made.key)
        if here is not None:
            if here.digest == made.digest:
                return here
            # made here with other contents than there; what needs it was keyed by those there
            self.local.forget(made.key)
        with self.local.work_folder("fetch") as folder:
            wanted = [(f"{_home(made.key)}/{file.sha256}", folder / file.name) for file in made.files]
            for _, target in wanted:
                target.parent.mkdir(parents=True, exist_ok=True)
            try:
                self._patiently(self._there.get, wanted)
                damaged = [f.name for f in made.files if file_digest(folder / f.name) != f.sha256]
            except FileNotFoundError:
                damaged = ["a file of it is missing"]
            if damaged:
                self._forget(made.key)
                raise LostResultError(
                    f"{self._there.shown}: what was kept there is damaged ({', '.join(damaged)}); "
                    "it is forgotten, so build again to make it anew",
                    made.key,
                )
            self._came_bytes += sum(file.bytes for file in made.files)
            outputs = [Output(glob.escape(file.name), "fetched") for file in made.files]
            return self.local.keep(made.key, folder, outputs, Result(made.facts, made.notes))

    def keep(self, key: str, folder: Path, outputs: Sequence[Output], result: Result) -> Made:
        """Take the files in ``folder`` into the store, here and there.

        Raises
        ------
        ValueError : a declared output is not there, or a file is there that was not declared.
        MissingError : the place does not answer; what was made is kept on this machine.
        OSError : this machine's disk is full, or refuses.
        """
        made = self.local.keep(key, folder, outputs, result)
        self._came_bytes += sum(file.bytes for file in made.files)
        self._patiently(self._send, made)
        return made

    def _send(self, made: Made) -> None:
        home = _home(made.key)
        once = {file.sha256: file for file in made.files}.values()
        self._there.send([(made.path(file.name), f"{home}/{file.sha256}") for file in once])
        self._there.write(f"{home}/{RECORD}", to_record(made))

    # -- the creator's files ----------------------------------------------------------------

    def put_source(self, path: Path) -> None:
        """Have a file of the creator's there for machines that do not see it; sent once.

        Raises
        ------
        OSError : the file cannot be read.
        StepError : it was changed while it was being sent.
        MissingError : the place does not answer.
        """
        self._begin_lease()
        digest = input_digest(path)
        if digest in self._sent:
            return
        name = _source(digest)
        entry = self._there.entry(name)
        if entry is None or entry.bytes != path.stat().st_size:
            self._patiently(self._there.send, [(path, name)])
            if input_digest(path) != digest:
                self._there.remove([name])
                raise StepError(f"{path} was changed while it was being sent; build again")
        elif entry.written_s < time.time() - _DAY_S:
            self._used.add(digest)
            if not self._building:  # a process of the build's, without an end of its own
                self._note_uses()
        self._sent.add(digest)

    def source(self, sha256: str, name: str) -> Path:
        """A file of the creator's by its digest, in this machine's folder under its own name.

        Raises
        ------
        MissingError : it is not there, or damaged there.
        OSError : this machine's disk is full, or refuses.
        """
        home = self.root / "sources" / sha256[:2] / sha256 / Path(name).name
        if home.is_file() and input_digest(home) == sha256:
            os.utime(home)
            return home
        with self.local.work_folder("source") as folder:
            came = folder / "came"
            try:
                self._patiently(self._there.get, [(_source(sha256), came)])
                whole = file_digest(came) == sha256
            except FileNotFoundError:
                raise MissingError(
                    f"{self._there.shown}: {name} is not there; "
                    "build again on the machine that has it, which sends it"
                ) from None
            if not whole:
                self._there.remove([_source(sha256)])
                raise MissingError(
                    f"{self._there.shown}: {name} is damaged there and has been removed; "
                    "build again on the machine that has it, which sends it anew"
                )
            home.parent.mkdir(parents=True, exist_ok=True)
            self._came_bytes += came.stat().st_size
            came.replace(home)
        return home

    # -- order ------------------------------------------------------------------------------

    def sweep(self) -> int:
        """Remove what dead processes left behind on this machine; how many folders. What they
        left there goes when the store is pruned."""
        return self.local.sweep()

    def prune(self, used: Mapping[str, float], *, cap_bytes: int = CAP_BYTES) -> int:
        """Remove results and sources, the longest unused first, until the store is under its cap
        there, and its cache under the same here; as :meth:`Store.prune`.

        Nothing is removed there while another build is under way; one that began more than a
        day ago and was not ended is taken for dead.

        Returns how many were removed there.
        """
        self.local.prune(used, cap_bytes=cap_bytes)
        self._begin_lease()
        listed = self._there.listing()
        # by the clock over there, which wrote all these times: this machine's may differ
        now_s = max((entry.written_s for entry in listed.values()), default=0.0)
        old = {name for name, entry in listed.items() if entry.written_s < now_s - _DAY_S}
        builds = {name for name in listed if name.startswith("builds/")} - {self._lease}
        self._there.remove(sorted((builds & old) | {name for name in old if name.startswith("making/")}))
        if builds - old:
            return 0
        groups = _groups(listed)
        torn = [g for g, names in groups.items() if g.startswith("results/") and f"{g}/{RECORD}" not in names]
        for group in torn:  # its writer was killed, or is still at it
            if old.issuperset(groups[group]):
                self._there.remove(groups.pop(group))
        total = sum(listed[name].bytes for names in groups.values() for name in names)
        if total <= cap_bytes:
            return 0
        last = self._last_uses(listed, now_s)
        for key, moment in used.items():
            last[key] = max(last.get(key, 0.0), moment)

        def last_use(group: str) -> float:
            written = max(listed[name].written_s for name in groups[group])
            return max(written, last.get(group.rpartition("/")[2], 0.0))

        removed = 0
        for group in sorted(groups, key=lambda group: (last_use(group), group)):
            if total <= cap_bytes or last_use(group) == math.inf:
                break
            record = f"{group}/{RECORD}"
            if record in groups[group]:  # first, so that nobody begins to fetch it
                self._there.remove([record])
            self._there.remove([name for name in groups[group] if name != record])
            total -= sum(listed[name].bytes for name in groups[group])
            removed += 1
        self._shards.clear()
        return removed

    def _last_uses(self, listed: Mapping[str, Entry], now_s: float) -> dict[str, float]:
        """Key -> when a build somewhere last found it of use. Notes of long ago are removed."""
        found = dict.fromkeys(self._used, now_s)
        notes = {name: entry for name, entry in listed.items() if name.startswith("uses/")}
        forgotten = [name for name, entry in notes.items() if entry.written_s < now_s - _REMEMBERED_S]
        self._there.remove(forgotten)
        for name in notes.keys() - set(forgotten):
            for key in _keys_noted(self._there.read(name)):
                found[key] = max(found.get(key, 0.0), notes[name].written_s)
        return found


def _host() -> str:
    return "".join(c if c.isalnum() else "-" for c in socket.gethostname()) or "host"


def _home(key: str) -> str:
    return f"results/{key[:2]}/{key}"


def _source(sha256: str) -> str:
    return f"sources/{sha256[:2]}/{sha256}"


def _stands(made: Made, listed: Mapping[str, Entry]) -> bool:
    """Whether a result's record is there, and each of its files in full size."""
    home = _home(made.key)
    return f"{home}/{RECORD}" in listed and all(
        (entry := listed.get(f"{home}/{file.sha256}")) is not None and entry.bytes == file.bytes
        for file in made.files
    )


def _groups(listed: Mapping[str, Entry]) -> dict[str, list[str]]:
    """What goes together: the files of a result; a source alone."""
    found: dict[str, list[str]] = {}
    for name in listed:
        if name.startswith("results/"):
            found.setdefault(name.rpartition("/")[0], []).append(name)
        elif name.startswith("sources/"):
            found[name] = [name]
    return found


def _keys_noted(data: bytes | None) -> set[str]:
    try:
        noted = json.loads(data or b"[]")
    except ValueError:
        return set()  # only when something was last of use hangs on it
    return {key for key in noted if isinstance(key, str)} if isinstance(noted, list) else set()
