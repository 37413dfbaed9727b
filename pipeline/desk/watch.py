"""Which files lessons are made of, and word of every one that is saved.

Editors save in many ways: they write into the file, or write beside it and rename, or take it
away and make it anew. So folders are watched, not files, and a file counts by its name.

Conventions
-----------
- Paths are absolute, as text. A file behind a link counts by both its names; small letters and
  capitals count as the same, since on some disks they are.
"""

from __future__ import annotations

import os
import re
import stat
import threading
import time
import unicodedata
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Final

from pydantic import BaseModel
from watchfiles import Change, watch

from pipeline.config.load import LESSON_FILE, channel_places, load_channel, load_lesson
from pipeline.errors import Problems
from pipeline.read.weeks import Found, lesson_files

_STEP_MS: Final = 50  # a save is over when nothing more happened for so long
_DEBOUNCE_MS: Final = 800  # and is told after so long in any case
_TURN_MS: Final = 100
_LOOK_S: Final = 0.5  # between looks where nobody tells
_LOOK_SHARE: Final = 0.2  # of the time spent looking, at most: a share may be slow
_ARMED_S: Final = 10.0
# file systems of which the system does not tell what other machines write there
_SHARES: Final = re.compile(r"nfs|cifs|smb|9p$|afs|vboxsf|drvfs|prl_fs|fuse\.(sshfs|rclone|s3fs)")

# whether to look below, the folder, its disk, its number there
_Place = tuple[bool, str, int, int]
# of a file: when it was changed, its size, its number on the disk
_Stamp = tuple[int, int, int]


@dataclass(frozen=True)
class Watched:
    """What counts.

    files : there or not yet
    folders : any file below them, hidden ones left out
    trees : lesson files below them
    lessons : for each lesson file what of these is its own, its channel included
    """

    files: frozenset[str]
    folders: frozenset[str] = frozenset()
    trees: frozenset[str] = frozenset()
    lessons: Mapping[Path, Watched] = field(default_factory=dict)

    def lessons_of(self, paths: Iterable[str]) -> frozenset[Path] | None:
        """The files of the lessons that changes at these paths concern; None when there may be others."""
        found: set[Path] = set()
        for path in paths:
            own = {lesson for lesson, one in self.lessons.items() if one.concerns(Change.modified, path)}
            if not own:
                return None  # a week, or a folder
            found |= own
        return frozenset(found)

    def concerns(self, change: Change, path: str) -> bool:
        """Whether a change at a path counts."""
        key = _key(path)
        if key in self._files or any(_below(key, folder) for folder in self._folders):
            return True
        if change is Change.modified:
            return False  # of a folder it says only that something in it changed
        if key in self._above:
            return True  # a folder came or went, and with it what counts below
        if not any(_below(key, tree) for tree in self._trees):
            return False
        if Path(key).name == LESSON_FILE:
            return True
        return change is Change.added and Path(path).is_dir() and any(lesson_files(Path(path), Problems()))

    def places(self) -> frozenset[_Place]:
        """The folders to watch; where one is missing, the nearest above it.

        Each with the folder around it, from where it can be seen to go and to come again.
        """
        homes = {Path(one).parent for one in self.files} | set(map(Path, self.folders | self.trees))
        around = homes | {home.parent for home in homes}
        found = {place for one in self.folders | self.trees for place in _places_of(Path(one), deep=True)}
        # what lies below a folder that is watched whole would be heard of twice
        whole = tuple(folder + os.sep for deep, folder, *_ in found if deep)
        found |= {
            place for one in around for place in _places_of(one) if not (place[1] + os.sep).startswith(whole)
        }
        return frozenset(found)

    def stamps(self) -> dict[str, _Stamp]:
        """What there is of what counts, by path, so that two looks can be compared."""
        names = set(self.files)
        for folder in self.folders:
            names |= {str(path) for path in Path(folder).rglob("*") if _below(str(path), folder)}
        for tree in self.trees:
            names |= {str(path) for path in lesson_files(Path(tree), Problems())}
        found = {}
        for name in names:
            try:
                status = Path(name).stat()
            except OSError:
                continue  # not there (yet), or gone since it was listed
            if not stat.S_ISDIR(status.st_mode):
                found[name] = (status.st_mtime_ns, status.st_size, status.st_ino)
        return found

    @cached_property
    def _files(self) -> frozenset[str]:
        return frozenset(map(_key, self.files))

    @cached_property
    def _folders(self) -> frozenset[str]:
        return frozenset(map(_key, self.folders))

    @cached_property
    def _trees(self) -> frozenset[str]:
        return frozenset(map(_key, self.trees))

    @cached_property
    def _above(self) -> frozenset[str]:
        every = self._files | self._folders | self._trees
        return self._folders | self._trees | {str(up) for one in every for up in Path(one).parents}


def watched_for(paths: Iterable[Path], found: Found) -> Watched:
    """What counts for the lessons behind some paths.

    paths : what the user named
    found : what is behind them now
    """
    lessons: dict[Path, Watched] = {}
    for source in found.sources:
        own, folders = {source.path}, set()
        written = load_lesson(source.path, Problems(), overrides=source.overrides)
        named = written.config.channel if written is not None else None
        channels = (named,) if named is not None else channel_places(source.path.parent)
        own |= {*channels, *(_paths_in(written.config) if written is not None else ())}
        for channel in channels:
            in_channel, templates = _of_channel(channel)
            own |= in_channel
            folders |= templates
        lessons[source.path] = Watched(_names(own), _names(folders))
    files = _names({*paths, *found.weeks, *found.missing, *(one / LESSON_FILE for one in found.missing)})
    return Watched(
        files.union(*(one.files for one in lessons.values())),
        frozenset[str]().union(*(one.folders for one in lessons.values())),
        _names(found.folders),
        lessons,
    )


def _of_channel(path: Path) -> tuple[set[Path], set[Path]]:
    """What a channel's file names: files, and the folder of templates."""
    written = load_channel(path, Problems()) if path.is_file() else None
    if written is None:
        return set(), set()
    templates = written.config.templates
    folders = {templates} if templates is not None else set()
    return set(_paths_in(written.config)) - folders, folders


class Watch:
    """Watches from :meth:`attend` on; calls ``saved`` with the files that were, from a thread of its own.

    tell : called with what the user should know
    looks : look again and again, and do not count on the system to tell
    """

    def __init__(
        self, saved: Callable[[frozenset[str]], None], tell: Callable[[str], None], *, looks: bool = False
    ) -> None:
        self._saved, self._tell = saved, tell
        self._watched = Watched(frozenset())
        self._places: frozenset[_Place] = frozenset()
        self._listeners: list[_Listener] = []
        self._looker = _Looker(saved) if looks else None

    def attend(self, watched: Watched) -> bool:
        """From now on watch this; whether other folders have to be watched than before.

        What is saved after the return is told.
        """
        before, self._watched = self._watched, watched
        places = watched.places()
        if self._looker is None and any(_on_a_share(place[1]) for place in places):
            self._tell("A network share does not tell what is saved there: it is looked for, twice a second.")
            self._looker = _Looker(self._saved)
        if self._looker is not None:
            if watched != before:
                self._looker.look_for(watched)
            return watched != before
        if places == self._places and all(listener.alive for listener in self._listeners):
            return False
        old = self._listeners
        self._listeners, self._places = self._listen(places), places
        for listener in old:
            listener.stop()
        failure = next((one.failure for one in self._listeners if one.failure is not None), None)
        if failure is not None:
            self._tell(
                f"The system does not tell what is saved ({failure}): it is looked for, twice a second."
            )
            for listener in self._listeners:
                listener.stop()
            self._listeners, self._looker = [], _Looker(self._saved)
            self._looker.look_for(watched)
        return True

    def close(self) -> None:
        for listener in self._listeners:
            listener.stop()
        if self._looker is not None:
            self._looker.stop()

    def _listen(self, places: frozenset[_Place]) -> list[_Listener]:
        return [
            _Listener(folders, deep=deep, concerns=self._concerns, saved=self._saved)
            for deep in (False, True)
            if (folders := sorted(place[1] for place in places if place[0] is deep))
        ]

    def _concerns(self, change: Change, path: str) -> bool:
        return self._watched.concerns(change, path)


@dataclass
class _Listener:
    """A thread that the system tells; it listens when it has been made, unless there is a ``failure``."""

    folders: list[str]
    deep: bool
    concerns: Callable[[Change, str], bool]
    saved: Callable[[frozenset[str]], None]
    failure: OSError | None = None
    _end: threading.Event = field(default_factory=threading.Event)
    _armed: threading.Event = field(default_factory=threading.Event)

    def __post_init__(self) -> None:
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()
        self._armed.wait(_ARMED_S)

    @property
    def alive(self) -> bool:
        return self._thread.is_alive()

    def stop(self) -> None:
        self._end.set()
        self._thread.join(_ARMED_S)

    def _run(self) -> None:
        try:
            for changes in watch(
                *self.folders,
                watch_filter=self.concerns,
                debounce=_DEBOUNCE_MS,
                step=_STEP_MS,
                stop_event=self._end,
                rust_timeout=_TURN_MS,
                yield_on_timeout=True,
                raise_interrupt=False,
                # its own looking counts whole seconds, and misses the second of two saves in one
                force_polling=False,
                recursive=self.deep,
                ignore_permission_denied=True,
            ):
                self._armed.set()
                if changes and not self._end.is_set():
                    self.saved(frozenset(path for _, path in changes))
        except OSError as error:
            self.failure = error
        finally:
            self._armed.set()


class _Looker:
    """A thread that looks again and again, for where the system tells nothing."""

    def __init__(self, saved: Callable[[frozenset[str]], None]) -> None:
        self._saved = saved
        self._lock = threading.Lock()
        self._watched = Watched(frozenset())
        self._stamps: dict[str, _Stamp] = {}
        self._end = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def look_for(self, watched: Watched) -> None:
        """What was saved since the last look is told at the next one, as far as it still counts."""
        now = watched.stamps()
        with self._lock:
            known = {name: one for name, one in self._stamps.items() if name in now or name in watched.files}
            self._watched, self._stamps = watched, {**now, **known}

    def stop(self) -> None:
        self._end.set()
        self._thread.join(_ARMED_S)

    def _run(self) -> None:
        pause_s = _LOOK_S
        while not self._end.wait(pause_s):
            begun = time.monotonic()
            with self._lock:
                now = self._watched.stamps()
                changed = {
                    path
                    for path in now.keys() | self._stamps.keys()
                    if now.get(path) != self._stamps.get(path)
                }
                self._stamps = now
            if changed:
                self._saved(frozenset(changed))
            pause_s = max(_LOOK_S, (time.monotonic() - begun) * (1 / _LOOK_SHARE - 1))


def _key(path: str) -> str:
    # disks of macOS decompose accented letters; some disks fold capitals
    return unicodedata.normalize("NFC", path).casefold()


def _below(key: str, folder: str) -> bool:
    """Whether something lies below a folder, and is not hidden there."""
    return key.startswith(folder + os.sep) and os.sep + "." not in key[len(folder) :]


def _names(paths: Iterable[Path]) -> frozenset[str]:
    """Both names of each: as said, and with links followed."""
    return frozenset(name(path) for path in paths for name in (os.path.abspath, os.path.realpath))


def _paths_in(config: BaseModel) -> Iterator[Path]:
    """Every path in a config, however deep."""
    for name in type(config).model_fields:
        value = getattr(config, name)
        for one in value if isinstance(value, tuple) else (value,):
            if isinstance(one, Path):
                yield one
            elif isinstance(one, BaseModel):
                yield from _paths_in(one)


def _places_of(folder: Path, *, deep: bool = False) -> Iterator[_Place]:
    for place in (folder, *folder.parents):
        try:
            status = place.stat()
        except OSError:
            continue
        if stat.S_ISDIR(status.st_mode):
            # below the nearest folder there may be a whole disk: that is only looked into
            yield deep and place == folder, str(place), status.st_dev, status.st_ino
            return


def _on_a_share(folder: str) -> bool:
    """Whether a folder lies on a disk of another machine, as far as Linux tells."""
    try:
        mounted = Path("/proc/self/mounts").read_text("utf-8", "surrogateescape")
    except OSError:
        return False
    here = os.path.realpath(folder)
    rows = [line.split() for line in mounted.splitlines()]
    mounts = [(_unescaped(row[1]), row[2]) for row in rows if len(row) > 2]
    around = [
        (point, kind) for point, kind in mounts if here == point or here.startswith(point.rstrip("/") + "/")
    ]
    return bool(around) and _SHARES.match(max(around, key=lambda one: len(one[0]))[1]) is not None


def _unescaped(point: str) -> str:
    """``proc(5)``: blanks in names stand as octal."""
    return re.sub(r"\\([0-7]{3})", lambda match: chr(int(match[1], 8)), point)
