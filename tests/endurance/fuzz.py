"""Readers given damaged files by the ten thousand: each is read or refused clearly, soon, in bounded memory.

Worker processes read the cases; one that hangs in a place where no exception reaches it, or is
killed for its memory, is replaced and the run goes on. What fails is kept as a file, cut down
to what makes it fail.
"""

from __future__ import annotations

import hashlib
import multiprocessing
import os
import random
import resource
import tempfile
import time
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from multiprocessing.connection import Connection, wait
from pathlib import Path
from typing import Final

from tests.fuzzcases import KINDS, SUFFIXES, Case, case, corpus
from tests.fuzzreading import (
    CLAIM,
    CRASHED,
    FAULTS,
    HUNG,
    READ,
    REFUSED,
    Outcome,
    has_midi_reader,
    judge,
)

ROOM_BYTES: Final = 1 << 30  # address space over what the worker has at its start
THOROUGH: Final = 4  # every fourth case is read twice, and what was read is written and read again
PATIENCE_S: Final = 60.0  # then a worker that says nothing, although its own watchdog should have, is ended
_SHRINK_S: Final = 15.0  # for cutting down one failing file
_KEPT: Final = 3  # files of the same fault


@dataclass
class Tally:
    """What came of it. ``faults``: by kind and fault, the numbers of their cases."""

    counts: Counter[tuple[str, str]] = field(default_factory=Counter)
    faults: dict[tuple[str, str], list[int]] = field(default_factory=lambda: defaultdict(list))
    slowest: dict[str, tuple[float, int]] = field(default_factory=dict)
    seconds: float = 0.0
    most_bytes: int = 0
    stopped: bool = False
    digests: dict[int, str] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)

    def add(self, kind: str, number: int, outcome: Outcome) -> None:
        self.counts[kind, outcome.verdict] += 1
        self.slowest[kind] = max(self.slowest.get(kind, (0.0, 0)), (outcome.seconds, number))
        if outcome.fault:
            self.faults[kind, outcome.signature].append(number)
        self.digests[number] = outcome.digest

    @property
    def cases(self) -> int:
        return sum(self.counts.values())

    def digest(self) -> str:
        """One word for all that was found and said: the same when the same cases end the same."""
        whole = "\n".join(f"{number} {digest}" for number, digest in sorted(self.digests.items()))
        return hashlib.sha256(whole.encode()).hexdigest()[:12]

    def lines(self) -> Iterator[str]:
        verdicts = (READ, REFUSED, *FAULTS)
        yield f"{'':22}" + "".join(f"{verdict.split(' on ')[0]:>12}" for verdict in verdicts) + "   longest"
        for kind in KINDS:
            if kind in self.slowest:
                row = "".join(f"{self.counts[kind, verdict]:12d}" for verdict in verdicts)
                longest, number = self.slowest[kind]
                yield f"{kind:22}{row}   {longest * 1000:.0f} ms (case {number})"
        rate = self.cases / self.seconds if self.seconds else 0.0
        yield f"{rate:.0f} cases a second; largest process {self.most_bytes / 2**20:.0f} MiB; outcome {self.digest()}"
        yield from self.notes
        for (kind, what), numbers in sorted(self.faults.items(), key=lambda item: -len(item[1])):
            some = ", ".join(map(str, numbers[:5])) + (", …" if len(numbers) > 5 else "")
            yield f"{len(numbers):6d}  {kind}: {what} (case {some})"
        if self.stopped:
            yield "stopped before the end"


@dataclass(frozen=True, slots=True)
class _Said:
    """What a worker tells of a case; ``outcome`` None: it is about to read it."""

    number: int
    kind: str
    outcome: Outcome | None = None
    most_bytes: int = 0


def _work(numbers: range, seed: int, small: bool, folder: Path, keep: Path | None, pipe: Connection) -> None:
    """Read cases one after another in a process of its own."""
    room = _address_space_bytes() + ROOM_BYTES
    resource.setrlimit(resource.RLIMIT_AS, (room, room))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    kept: Counter[tuple[str, str]] = Counter()
    with_midi = has_midi_reader()
    for number in numbers:
        one = case(number, seed=seed, small=small)
        if one.kind == "MIDI" and not with_midi:
            continue
        pipe.send(_Said(number, one.kind))
        outcome = judge(one, folder, thorough=number % THOROUGH == 0)
        pipe.send(_Said(number, one.kind, outcome, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024))
        if outcome.fault and keep is not None:
            fault = (one.kind, outcome.signature)
            kept[fault] += 1
            if kept[fault] <= _KEPT:
                _keep(one, outcome, keep)
            if kept[fault] == 1 and outcome.verdict != HUNG:
                pipe.send(_Said(number, one.kind))
                _keep(shrunk(one, outcome, folder), outcome, keep)
    pipe.close()


def _address_space_bytes() -> int:
    return int(Path("/proc/self/statm").read_text("ascii").split()[0]) * os.sysconf("SC_PAGE_SIZE")


def _keep(one: Case, outcome: Outcome, keep: Path) -> None:
    name = f"{one.kind.replace(', ', '-').replace(' ', '-')}-{one.number}"
    (keep / f"{name}{SUFFIXES[one.kind]}").write_bytes(one.data)
    told = f"{outcome.signature}\n{one.story}\n\n{outcome.trace}\n"
    (keep / f"{name}.why.txt").write_text(told, "utf-8", errors="replace")


def shrunk(one: Case, outcome: Outcome, folder: Path, *, seconds: float = _SHRINK_S) -> Case:
    """A smaller file of the same fault: lines, then bytes, are left out as long as it stays."""
    until = time.monotonic() + seconds
    thorough = outcome.verdict not in (CRASHED, CLAIM)

    def same(data: bytes) -> bool:
        return judge(replace(one, data=data), folder, thorough=thorough).signature == outcome.signature

    if thorough is False and not same(one.data):
        thorough = True
    binary = one.kind in ("MIDI", "MusicXML, compressed")
    data = one.data
    for sign in (b"",) if binary else (b"\n", b""):
        parts = data.split(sign) if sign else [data[n : n + 1] for n in range(len(data))]
        size = max(1, len(parts) // 2)
        while parts:
            at, before = 0, len(parts)
            while at < len(parts) and time.monotonic() < until:
                fewer = parts[:at] + parts[at + size :]
                if fewer and same(sign.join(fewer)):
                    parts = fewer
                else:
                    at += size
            if time.monotonic() >= until or (size == 1 and len(parts) == before):
                break
            size = max(1, size // 2)
        data = sign.join(parts)
    return replace(one, data=data, story=f"{one.story}; cut down from {len(one.data)} bytes")


@dataclass
class _Crew:
    """Worker processes, each with its share of the numbers and the one it is at."""

    count: int
    seed: int
    small: bool
    folder: Path
    keep: Path | None
    tally: Tally

    def run(self, workers: int, told: Callable[[str], None]) -> None:
        context = multiprocessing.get_context("fork")  # the corpus is built once, and shared
        running: dict[Connection, tuple[multiprocessing.process.BaseProcess, range, _Said | None, float]] = {}

        def start(numbers: range) -> None:
            mine, theirs = context.Pipe(duplex=False)
            place = Path(tempfile.mkdtemp(dir=self.folder))
            arguments = (numbers, self.seed, self.small, place, self.keep, theirs)
            process = context.Process(target=_work, args=arguments, daemon=True)
            process.start()
            theirs.close()
            running[mine] = (process, numbers, None, time.monotonic())

        for n in range(workers):
            start(range(n, self.count, workers))
        try:
            while running:
                for pipe in wait(list(running), timeout=1.0):
                    assert isinstance(pipe, Connection)
                    process, numbers, at, _ = running[pipe]
                    try:
                        said = pipe.recv()
                    except EOFError:
                        process.join()
                        del running[pipe]
                        pipe.close()
                        self._ended(process, numbers, at, start)
                        continue
                    if said.outcome is None:
                        running[pipe] = (process, numbers, said, time.monotonic())
                        continue
                    running[pipe] = (process, numbers, None, time.monotonic())
                    self.tally.add(said.kind, said.number, said.outcome)
                    self.tally.most_bytes = max(self.tally.most_bytes, said.most_bytes)
                    if self.tally.cases % 100 == 0:
                        faults = sum(len(numbers) for numbers in self.tally.faults.values())
                        told(f"\r{self.tally.cases} of {self.count}, {faults} faults ")
                for process, _, at, since in running.values():
                    if at is not None and time.monotonic() - since > PATIENCE_S:
                        process.kill()
        finally:
            for process, *_ in running.values():
                process.kill()
                process.join()

    def _ended(
        self,
        process: multiprocessing.process.BaseProcess,
        numbers: range,
        at: _Said | None,
        start: Callable[[range], None],
    ) -> None:
        """A worker has ended: all is read, or the case it was at has ended it and another one goes on."""
        if at is None and process.exitcode == 0:
            return
        if at is None:
            self.tally.faults["the run itself", f"{CRASHED}: a worker ended with {process.exitcode}"].append(
                -1
            )
            return
        if at.number not in self.tally.digests:  # else it was being cut down, and has been counted
            outcome = Outcome(HUNG, f"the process ended with {process.exitcode}")
            self.tally.add(at.kind, at.number, outcome)
            if self.keep is not None:
                _keep(case(at.number, seed=self.seed, small=self.small), outcome, self.keep)
        rest = range(at.number + numbers.step, numbers.stop, numbers.step)
        if rest:
            start(rest)


def run(
    folder: Path, count: int, *, seed: int = 1, keep: Path | None = None, small: bool = False,
    workers: int | None = None, told: Callable[[str], None] = print,
) -> Tally:  # fmt: skip
    """``count`` cases of seed ``seed``. Ctrl-C ends them sooner.

    keep : a folder for the files that fail, each with a ``.why.txt``
    small : fewer whole files to begin with
    workers : processes; None: as many as there are processors
    """
    tally, begun = Tally(), time.monotonic()
    corpus(small=small)
    if keep is not None:
        keep.mkdir(parents=True, exist_ok=True)
    if not has_midi_reader():
        tally.notes.append("MIDI is left out: there is no reader for it")
    try:
        _Crew(count, seed, small, folder, keep, tally).run(workers or os.cpu_count() or 1, told)
    except KeyboardInterrupt:
        tally.stopped = True
    tally.seconds = time.monotonic() - begun
    return tally


def again(path: Path, folder: Path) -> Outcome:
    """One kept file read once more, for who mends what it breaks."""
    kinds = {suffix: kind for kind, suffix in SUFFIXES.items()}
    kind = kinds.get(path.suffix.lower(), "text tab")
    return judge(Case(0, kind, path.read_bytes(), path.name), folder)


def any_seed() -> int:
    return random.SystemRandom().randrange(2**32)
