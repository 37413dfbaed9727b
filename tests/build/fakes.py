"""Steps that take a moment, fail, or die: for the runner's tests, importable by its workers."""

from __future__ import annotations

import errno
import os
import signal
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.build.crew import Crew
from pipeline.build.graph import Graph
from pipeline.build.pools import open_pools
from pipeline.build.report import Reporter, SilentReporter
from pipeline.build.run import Runner, Steps
from pipeline.build.step import Given, Output, Result, Step
from pipeline.build.work import Done, StorePlace, open_store
from pipeline.errors import MissingError, Problem, SourceError


@dataclass(frozen=True)
class Words:
    """``log``: a folder where every run leaves a file, so that runs can be counted."""

    text: str
    log: str
    fail: str = ""


def write(params: Words, given: Given) -> Result:
    """``out.txt`` from the text and what came before."""
    mark = Path(params.log) / f"{time.time_ns()}-{os.getpid()}"
    mark.write_text(params.text)
    before = "".join(made.path("out.txt").read_text() for made in given.made.values())
    sources = "".join(path.read_text() for path in given.files.values())
    (given.folder / "out.txt").write_text(before + sources + params.text)
    if params.fail == "raise":
        raise RuntimeError("the wire broke")
    if params.fail == "source":
        raise SourceError([Problem("a wrong note", "play the right one", Path("tab.txt"), 3, 7)])
    if params.fail == "missing":
        raise MissingError("no bank of sounds; install one")
    if params.fail == "full":
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(given.folder / "out.txt"))
    if params.fail == "extra":
        (given.folder / "stray.txt").write_text("?")
    if params.fail == "nothing":
        (given.folder / "out.txt").unlink()
    if params.fail == "killed":
        os.kill(os.getpid(), signal.SIGKILL)
    if params.fail == "hang":
        time.sleep(600)
    if params.fail == "changes":
        for path in given.files.values():
            path.write_text("saved meanwhile")
    if params.fail == "killed once" and len(list(Path(params.log).iterdir())) == 1:
        os.kill(os.getpid(), signal.SIGKILL)
    return Result({"length": len(params.text)}, ("noted",) if params.text == "b" else ())


def step(name: str, text: str, log: Path, *, lesson: str = "tune", needs: tuple[str, ...] = (),
         fail: str = "", files: tuple[tuple[str, Path], ...] = (), weight: float = 1.0,
         memory_mb: int = 300) -> Step:  # fmt: skip
    return Step(name, name, lesson, write, Words(text, str(log), fail), (Output("out.txt", "tab"),),
                files=files, needs=needs, weight=weight, memory_mb=memory_mb)  # fmt: skip


def run_steps(steps: Sequence[Step], store: Path | StorePlace, *, jobs: int = 2, cluster: str | None = None,
              report: Reporter | None = None, **more: Any) -> dict[tuple[str, str], Done]:  # fmt: skip
    """Run steps as a build does, lesson by lesson; ``more`` goes to the runner."""
    place = store if isinstance(store, StorePlace) else StorePlace(str(store))
    kept = open_store(place, create=True)
    done: dict[tuple[str, str], Done] = {}
    with open_pools(jobs, cluster) as pools:
        crew = Crew(pools)
        runner = Runner(crew, kept, place, report or SilentReporter(), **more)
        for lesson in dict.fromkeys(step.lesson for step in steps):
            graph = Graph(step for step in steps if step.lesson == lesson)

            def finished(ended: dict[str, Done], lesson: str = lesson) -> None:
                done.update({(lesson, name): one for name, one in ended.items()})

            runner.add(Steps(graph, finished))
        while not crew.idle:
            crew.turn()
    kept.sweep()
    return done
