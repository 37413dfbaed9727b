"""A folder of lessons that are changed and built by the command, and what must hold of it at any moment."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import signal
import subprocess
import sys
import time
import uuid
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import psutil

from tests import manylessons

ROOT: Final = Path(__file__).resolve().parents[2]
MARK: Final = "LESSONWRIGHT_ENDURANCE_PLACE"
PATIENCE_S: Final = 240.0
_LONGEST_FAREWELL_S: Final = 20.0


def _chord(lesson: Path) -> None:
    chart = lesson / "chart.txt"
    head, first, rest = chart.read_text("utf-8").split("|", 2)
    chart.write_text(f"{head}|{first.rstrip()}7 |{rest}", "utf-8")


def _note(lesson: Path) -> None:
    tab = lesson / "tab.txt"
    lines = tab.read_text("utf-8").splitlines(keepends=True)
    row = next(i for i, line in enumerate(lines) if "|-" in line and any(c.isdigit() for c in line))
    at = next(i for i, c in enumerate(lines[row]) if c.isdigit())
    lines[row] = lines[row][:at] + str((int(lines[row][at]) + 2) % 10) + lines[row][at + 1 :]
    tab.write_text("".join(lines), "utf-8")


def _credit(lesson: Path) -> None:
    path = lesson / "lesson.toml"
    path.write_text(path.read_text("utf-8").replace("A Teacher", "Another Teacher"), "utf-8")


def _take(lesson: Path) -> None:
    """Recorded once more: the same notes, other moments."""
    number = int(lesson.name.rpartition("_")[2])
    heard = manylessons.sound(manylessons.piece(number), number + 5000)
    manylessons.write_video(lesson / "take.mp4", heard, number)


def _tempo(lesson: Path) -> None:
    path = lesson / "lesson.toml"
    path.write_text(path.read_text("utf-8") + "tempos = [80, 100]\n", "utf-8")


def _colour(lesson: Path) -> None:
    path = lesson.parent / "channel.toml"
    path.write_text(path.read_text("utf-8") + '\n[look]\naccent = "#5a1040"\n', "utf-8")


def _template(lesson: Path) -> None:
    (lesson.parent / "texts" / "description.txt.j2").write_text("{{ lesson.title }}, once more\n", "utf-8")


CHANGES: Final[tuple[tuple[str, Callable[[Path], None] | None], ...]] = (
    ("as at first", None),
    ("a chord", _chord),
    ("a note", _note),
    ("the credit", _credit),
    ("the take", _take),
    ("a tempo more", _tempo),
    ("a colour", _colour),
    ("a template", _template),
)


@dataclass
class Place:
    """Lessons under ``folder/configs``, built into ``folder/out``.

    lessons : how many; more than one are built as a week
    first : number of the first, see :mod:`tests.manylessons`
    jobs : processes
    take : without it there is less to make: no alignment, no overlay, no clip
    temporary : the folder for temporary files, None for the system's
    """

    folder: Path
    lessons: int = 1
    first: int = 1
    jobs: int = 2
    take: bool = True
    temporary: Path | None = None
    state: int = field(init=False)
    out: Path = field(init=False)
    mark: str = field(default_factory=lambda: uuid.uuid4().hex)
    _original: Path = field(init=False)

    def __post_init__(self) -> None:
        self.out, self._original = self.folder / "out", self.folder / "original"
        manylessons.write_lessons(self._original, self.lessons, first=self.first)
        for path in () if self.take else self._original.glob("*/lesson.toml"):
            path.write_text(path.read_text("utf-8").replace('take = "take.mp4"\n', ""), "utf-8")
            path.with_name("take.mp4").unlink()
        channel = self._original / "channel.toml"
        channel.write_text('templates = "texts"\n' + channel.read_text("utf-8"), "utf-8")
        (self._original / "texts").mkdir()
        self.change(0)

    @property
    def configs(self) -> Path:
        return self.folder / "configs"

    @property
    def slugs(self) -> list[str]:
        numbers = range(self.first, self.first + self.lessons)
        return [manylessons.piece(number).title.lower().replace(" ", "-") for number in numbers]

    @property
    def target(self) -> Path:
        """What is handed to the command."""
        one = self.configs / f"lesson_{self.first:04d}"
        return one if self.lessons == 1 else self.configs / manylessons.WEEK_FILE

    def change(self, state: int) -> None:
        """Put the sources into state ``state``: as at first, but for one of ``CHANGES``."""
        shutil.rmtree(self.configs, ignore_errors=True)
        shutil.copytree(self._original, self.configs)
        made = CHANGES[state][1]
        if made is not None:
            made(self.configs / f"lesson_{self.first:04d}")
        self.state = state

    # -- building ---------------------------------------------------------------------------

    def start(self, *options: str, under: Sequence[str] = ()) -> subprocess.Popen[str]:
        """The command on its way, leader of a session of its own.

        under : a program with its options that runs the command (``faketime -f +1d``)
        """
        command = [*under, sys.executable, "-m", "pipeline.cli", "build", str(self.target)]
        command += ["--out", str(self.out), "--jobs", str(self.jobs), "--json", *options]
        environment = {**os.environ, MARK: self.mark}
        if self.temporary is not None:
            environment["TMPDIR"] = str(self.temporary)
        return subprocess.Popen(
            command, cwd=ROOT, env=environment, text=True, start_new_session=True,
            stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        )  # fmt: skip

    def build(self, *options: str, code: int = 0, under: Sequence[str] = ()) -> dict[str, Any]:
        """Build to the end; what the command says as JSON, with ``told``: its words for people.

        Raises
        ------
        AssertionError : it ended otherwise than with ``code``, or with a traceback.
        """
        process = self.start(*options, under=under)
        try:
            said, told = process.communicate(timeout=PATIENCE_S)
        except subprocess.TimeoutExpired:
            kill_group(process)
            raise AssertionError(f"not ready after {PATIENCE_S:.0f} s") from None
        assert process.returncode == code, f"exit code {process.returncode}, not {code}:\n{told}\n{said}"
        assert "Traceback" not in told, told
        found: dict[str, Any] = json.loads(said)
        return found | {"told": told}

    def processes(self) -> list[psutil.Process]:
        """All that the builds of this place have started and that still run, whoever their parent is."""
        found = []
        for process in psutil.process_iter():
            try:
                if process.environ().get(MARK) == self.mark and process.status() != psutil.STATUS_ZOMBIE:
                    found.append(process)
            except psutil.Error:
                continue
        return found

    def orphans(self, *, within_s: float = _LONGEST_FAREWELL_S) -> list[str]:
        """Processes that have not ended by themselves in so many seconds; they are ended then."""
        until = time.monotonic() + within_s
        while (left := self.processes()) and time.monotonic() < until:
            time.sleep(0.05)
        told = []
        for process in left:
            try:
                told.append(f"still running: {' '.join(process.cmdline())[:120]}")
                process.kill()
            except psutil.Error:
                continue
        return told

    # -- what must hold ---------------------------------------------------------------------

    def release(self, slug: str) -> dict[str, str] | None:
        """SHA-256 of every file of a release, the record's taken without the account of its steps;
        None when there is no release.

        Raises
        ------
        AssertionError : the release is not what its record says.
        """
        folder = self.out / slug
        if not folder.exists():
            return None
        record = json.loads((folder / "release.json").read_text("utf-8"))
        files = [path for path in sorted(folder.rglob("*")) if path.is_file()]
        found = {path.relative_to(folder).as_posix(): _digest(path.read_bytes()) for path in files}
        del found["release.json"]
        listed = {entry["path"]: entry["sha256"] for entry in record["files"]}
        wrong = sorted(path for path in found.keys() | listed.keys() if found.get(path) != listed.get(path))
        assert not wrong, f"{slug}: not as recorded: {wrong}"
        del record["steps"]
        return found | {"release.json": _digest(json.dumps(record, sort_keys=True).encode())}

    def releases(self) -> dict[str, dict[str, str] | None]:
        return {slug: self.release(slug) for slug in self.slugs}

    def litter(self) -> list[str]:
        """What no build should leave behind once one has ended well."""
        known = {".store", *self.slugs}
        found = [path for path in self.out.iterdir() if path.name not in known]
        store = self.out / ".store"
        found += list((store / "making").iterdir()) if (store / "making").exists() else []
        found += [path for path in (store / "objects").glob("*/*") if not (path / "made.json").is_file()]
        for path in self.out.rglob("*"):
            if path != store and (path.name.startswith(".") or path.suffix in (".part", ".tmp", ".new")):
                found.append(path)
        return sorted({str(path.relative_to(self.out)) for path in found})


def _digest(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def kill_group(process: subprocess.Popen[str]) -> bool:
    """``kill -9`` of the command and all it has started; whether it was still running."""
    running = process.poll() is None
    try:
        os.killpg(process.pid, signal.SIGKILL)
    except ProcessLookupError:
        running = False
    process.communicate()
    return running


class References:
    """What an undisturbed build from nothing makes of each state of the sources."""

    def __init__(self, folder: Path, *, lessons: int, first: int = 1, take: bool = True) -> None:
        self._folder, self._lessons, self._first, self._take = folder, lessons, first, take
        self._known: dict[int, dict[str, dict[str, str] | None]] = {}

    def of(self, state: int) -> dict[str, dict[str, str] | None]:
        if state not in self._known:
            place = Place(self._folder / f"reference {state}", self._lessons, self._first, take=self._take)
            place.change(state)
            place.build()
            self._known[state] = place.releases()
            shutil.rmtree(place.folder)
        return self._known[state]
