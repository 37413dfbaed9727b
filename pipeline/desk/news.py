"""What pages that are open hear while their lessons are built anew.

Each lesson has a version, a digest of the files of its release: a page that was sent with
another one is out of date. Whoever serves pages waits here for news; whoever builds tells it.
"""

from __future__ import annotations

import hashlib
import json
import threading
from collections.abc import Collection, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

from pipeline.desk.overview import RECORD_FILE

_TOLD: Final = 5  # complaints on a page; the terminal tells all


@dataclass(frozen=True, slots=True)
class Standing:
    """How a lesson stands.

    version : of its release, "" while there is none
    busy : it is being built
    wrong : what keeps it from being built, one line each
    """

    version: str = ""
    busy: bool = False
    wrong: tuple[str, ...] = ()


def release_version(folder: Path) -> str:
    """A digest of what a release holds; "" when there is no release that can be read."""
    try:
        files = json.loads((folder / RECORD_FILE).read_text("utf-8"))["files"]
        rows = sorted((str(entry["path"]), str(entry["sha256"])) for entry in files)
    except (OSError, ValueError, KeyError, TypeError):
        return ""
    return hashlib.sha256(json.dumps(rows).encode()).hexdigest()[:16]


class News:
    """The standing of every lesson by its address; safe to use from several threads."""

    def __init__(self) -> None:
        self._changed = threading.Condition()
        self._number = 0
        self._lessons: dict[str, Standing] = {}
        self._busy = False
        self._wrong: tuple[str, ...] = ()
        self._closed = False

    def list_lessons(self, versions: dict[str, str]) -> None:
        """Which lessons there are and their releases' versions; others are forgotten."""
        with self._telling():
            before = self._lessons
            self._lessons = {
                address: replace(before.get(address, Standing()), version=version)
                for address, version in versions.items()
            }

    def begin(self, addresses: Collection[str] | None = None) -> None:
        """The build of these lessons begins, or of all."""
        with self._telling():
            self._busy = True
            self._lessons = {
                address: replace(one, busy=addresses is None or address in addresses)
                for address, one in self._lessons.items()
            }

    def lesson(self, address: str, standing: Standing) -> None:
        """How a lesson stands now; one that is not listed is nobody's news."""
        with self._telling():
            if address in self._lessons:
                self._lessons[address] = standing

    def end(self, wrong: Iterable[str] = ()) -> None:
        """The build is over; ``wrong``: what concerns no single lesson."""
        with self._telling():
            self._busy, self._wrong = False, tuple(wrong)
            self._lessons = {a: replace(one, busy=False) for a, one in self._lessons.items()}

    def close(self) -> None:
        """There will be no more news; whoever waits is let go."""
        with self._telling():
            self._closed = True

    @property
    def closed(self) -> bool:
        return self._closed

    def version(self, address: str | None) -> str:
        """What a page shows: of a lesson, or, for None, of the page that lists them all."""
        with self._changed:
            return self._version(address)

    def _version(self, address: str | None) -> str:
        if address is not None:
            return self._lessons.get(address, Standing()).version
        rows = [(a, one.version, one.wrong) for a, one in self._lessons.items()]
        return hashlib.sha256(json.dumps(rows).encode()).hexdigest()[:16]

    def for_page(self, address: str | None) -> dict[str, Any]:
        """The news for a page: ``version``, whether ``building``, and what is ``wrong``."""
        with self._changed:
            if address is None:
                busy = self._busy
                wrong = [line for one in self._lessons.values() for line in one.wrong]
            else:
                standing = self._lessons.get(address, Standing())
                busy, wrong = standing.busy, list(standing.wrong)
            wrong += self._wrong
            more = len(wrong) - _TOLD
            told = wrong[:_TOLD] + ([f"and {more} more, see the terminal"] if more > 0 else [])
            return {"version": self._version(address), "building": busy, "wrong": told}

    def wait(self, number: int, timeout_s: float) -> int:
        """Return when there is news after ``number``, at the latest after ``timeout_s``; its number."""
        with self._changed:
            self._changed.wait_for(lambda: self._number != number or self._closed, timeout_s)
            return self._number

    @contextmanager
    def _telling(self) -> Iterator[None]:
        """Changes made inside are told to all who wait."""
        with self._changed:
            yield
            self._number += 1
            self._changed.notify_all()
