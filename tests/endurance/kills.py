"""``kill -9`` of builds at random moments: what stands is whole, what comes after is as if nothing had been.

Each round changes the sources, starts a build and kills something. The release that stands
then is the one before or the new one, whole. Builds that go on from there end with the bytes
of an undisturbed build elsewhere, and leave no litter and no process behind.
"""

from __future__ import annotations

import random
import shutil
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import psutil

from tests.endurance.place import CHANGES, Place, References, kill_group

WHOLE_TREE, ONLY_MAIN, ONE_WORKER = "everything at once", "the main process alone", "one worker"
COLD, UNCHANGED, PLACING = "from nothing", "nothing to do", "as the release is put in place"


@dataclass
class Tally:
    """What the rounds have come to. ``faults``: whatever should not have been, with its round."""

    counts: Counter[str] = field(default_factory=Counter)
    faults: list[str] = field(default_factory=list)
    seconds: float = 0.0

    def lines(self) -> Iterator[str]:
        for what, count in sorted(self.counts.items()):
            yield f"{count:6d}  {what}"
        yield f"{len(self.faults):6d}  faults"
        for fault in self.faults:
            yield f"        {fault}"


@dataclass
class Kills:
    """Rounds in one place.

    seconds : how long a build from nothing and one after a change have lately taken
    """

    place: Place
    references: References
    chance: random.Random
    tally: Tally = field(default_factory=Tally)
    seconds: dict[str, float] = field(default_factory=dict)

    def begin(self) -> None:
        """Build once, so that there is a release before; measure the whole length of a build."""
        for what in (COLD, UNCHANGED):
            begun = time.monotonic()
            self.place.build()
            self.seconds[what] = time.monotonic() - begun
        self.seconds["a change"] = self.seconds[COLD]
        self._expect(self.place.state)

    def round(self) -> None:
        """Change something, kill at a random moment, look; go on and look again."""
        before = self.place.releases()
        work = self.chance.choices((COLD, "a change", UNCHANGED, PLACING), (2, 6, 2, 2))[0]
        victim = self.chance.choices((WHOLE_TREE, ONLY_MAIN, ONE_WORKER), (6, 2, 2))[0]
        if work == COLD:
            shutil.rmtree(self.place.out)
            before = dict.fromkeys(before)
        elif work != UNCHANGED:
            others = [i for i in range(len(CHANGES)) if i != self.place.state]
            self.place.change(self.chance.choice(others))
        new = self.references.of(self.place.state)
        process = self.place.start()
        length = self.seconds["a change" if work == PLACING else work]
        if work == PLACING and victim != ONE_WORKER:
            _until_placing(process, self.place.out)
            time.sleep(self.chance.uniform(0.0, 0.04))
        else:
            time.sleep(self.chance.uniform(0.0, length))
        if victim == ONE_WORKER:
            hit = self._one_worker_less(process)
        elif victim == ONLY_MAIN:
            hit = process.poll() is None
            process.kill()
            process.communicate()
        else:
            hit = kill_group(process)
        name = f"{victim}, {work}, into {CHANGES[self.place.state][0]!r}"
        self._note(name, self.place.orphans())
        self.tally.counts[f"kills: {victim}" if hit else "rounds without a kill: it was ready before"] += 1
        try:
            after = self.place.releases()
        except (AssertionError, OSError, ValueError) as error:
            self.tally.faults.append(f"{name}: {error}")
            after = before
        for slug, found in after.items():
            if found is None and before[slug] is None:
                self.tally.counts["found: no release yet"] += 1
            elif found == new[slug]:
                self.tally.counts["found: the new release, whole"] += 1
            elif found == before[slug]:
                self.tally.counts["found: the release before, whole"] += 1
            else:
                self.tally.faults.append(f"{name}: {slug} is neither the release before nor the new one")
        # one in five is not taken up as it is: the next round changes the sources under it
        if victim == ONE_WORKER or self.chance.random() < 0.8:
            self.go_on(name)

    def go_on(self, name: str) -> None:
        """Build to the end from whatever the kill has left, and compare."""
        begun = time.monotonic()
        try:
            said = self.place.build()
            self._expect(self.place.state)
            made = sum(lesson["steps_made"] for lesson in said["lessons"])
            reused = sum(lesson["steps_reused"] for lesson in said["lessons"])
            self.tally.counts["builds gone on with: steps run"] += made
            self.tally.counts["builds gone on with: steps found done"] += reused
            self.tally.counts["builds gone on with, same bytes as an undisturbed one"] += 1
            self.seconds["a change"] = 0.7 * self.seconds["a change"] + 0.3 * (time.monotonic() - begun)
        except AssertionError as error:
            self.tally.faults.append(f"{name}: gone on with: {error}")
        self._note(f"{name}: gone on with: litter", self.place.litter())
        self._note(f"{name}: gone on with", self.place.orphans(within_s=5))

    def _one_worker_less(self, process: subprocess.Popen[str]) -> bool:
        """Kill one worker when there is one; the build must end well all the same."""
        until = time.monotonic() + 30
        hit = False
        while process.poll() is None and time.monotonic() < until:
            there = workers(self.place, process.pid)
            if there:
                try:
                    self.chance.choice(there).kill()
                    hit = True
                    break
                except psutil.Error:
                    continue
            time.sleep(0.02)
        said, told = process.communicate(timeout=240)
        if process.returncode != 0:
            self.tally.faults.append(f"one worker killed: exit code {process.returncode}: {told} {said}")
        return hit

    def _expect(self, state: int) -> None:
        found, due = self.place.releases(), self.references.of(state)
        for slug, files in due.items():
            assert files is not None
            mine = found[slug] or {}
            differ = sorted(path for path in files.keys() | mine.keys() if files.get(path) != mine.get(path))
            assert not differ, f"{slug}: not as an undisturbed build makes it: {differ}"

    def _note(self, name: str, complaints: list[str]) -> None:
        self.tally.faults += [f"{name}: {complaint}" for complaint in complaints]


def workers(place: Place, main: int) -> list[psutil.Process]:
    """The processes that do steps: those that the fork server has started, or the main process."""
    servers, found = {main}, []
    processes = place.processes()
    for process in processes:
        try:
            if process.ppid() == main and "forkserver" in " ".join(process.cmdline()):
                servers = {process.pid}
        except psutil.Error:
            continue
    for process in processes:
        try:
            if process.ppid() in servers and "python" in process.name():
                found.append(process)
        except psutil.Error:
            continue
    return [process for process in found if not _tracks(process)]


def _tracks(process: psutil.Process) -> bool:
    """Whether it is the one that watches over shared memory for the others."""
    try:
        return "resource_tracker" in " ".join(process.cmdline())
    except psutil.Error:
        return True


def _until_placing(process: subprocess.Popen[str], out: Path) -> None:
    """Wait until a release is being laid out, or the build has ended."""
    while process.poll() is None:
        if any((out / ".store" / "making").glob("release-*")):
            return
        time.sleep(0.002)


def run(folder: Path, count: int, *, seed: int = 1, told: Callable[[str], None] = print) -> Tally:
    """``count`` kills: two of three in a lesson alone, the others in a week of two. Ctrl-C ends
    them sooner."""
    tally, chance, begun = Tally(), random.Random(seed), time.monotonic()
    try:
        for lessons, share in ((1, count - count // 3), (2, count // 3)):
            _series(folder, lessons, _killed(tally) + share, chance, tally, told)
    except KeyboardInterrupt:
        tally.counts["stopped before the end"] += 1
    tally.seconds = time.monotonic() - begun
    return tally


def _series(
    folder: Path, lessons: int, aim: int, chance: random.Random, tally: Tally, told: Callable[[str], None]
) -> None:
    references = References(folder / f"references of {lessons}", lessons=lessons)
    temporary = folder / f"t{lessons}"
    temporary.mkdir()
    place = Place(folder / f"place of {lessons}", lessons, temporary=temporary)
    kills = Kills(place, references, chance, tally)
    kills.begin()
    while _killed(tally) < aim:
        kills.round()
        told(f"\r{_killed(tally)} of {aim}, {len(tally.faults)} faults ")
    kills.go_on("at the end")
    left = sum(1 for path in temporary.rglob("*") if path.is_file())
    tally.counts["files left in the system's folder for temporary files"] += left


def _killed(tally: Tally) -> int:
    return sum(count for what, count in tally.counts.items() if what.startswith("kills: "))


def told_in_place(line: str) -> None:
    sys.stderr.write(line)
    sys.stderr.flush()
