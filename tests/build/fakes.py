"""Steps that take a moment, fail, or die: for the runner's tests, importable by its workers."""

from __future__ import annotations

import errno
import os
import signal
import time
from dataclasses import dataclass
from pathlib import Path

from pipeline.build.step import Given, Output, Result, Step
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
    if params.fail == "killed once" and len(list(Path(params.log).iterdir())) == 1:
        os.kill(os.getpid(), signal.SIGKILL)
    return Result({"length": len(params.text)}, ("noted",) if params.text == "b" else ())


def step(name: str, text: str, log: Path, *, lesson: str = "tune", needs: tuple[str, ...] = (),
         fail: str = "", files: tuple[tuple[str, Path], ...] = (), weight: float = 1.0) -> Step:  # fmt: skip
    return Step(name, name, lesson, write, Words(text, str(log), fail), (Output("out.txt", "tab"),),
                files=files, needs=needs, weight=weight)  # fmt: skip
