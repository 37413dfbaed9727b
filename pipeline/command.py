"""Commands as they can be typed where the user is: in what is printed as the next thing to do."""

from __future__ import annotations

import os
import shlex
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Final

NAME: Final = "lessonwright"


def command(*arguments: str | Path) -> str:
    """A command of this program with its arguments, quoted for the shell.

    It begins with the bare name when that is what the shell would run, otherwise with the path
    of the script that is running, as in ``.venv/bin/lessonwright build low-tide``.
    """
    words = [*_program(), *(str(argument) for argument in arguments)]
    return subprocess.list2cmdline(words) if os.name == "nt" else shlex.join(words)


def _program() -> list[str]:
    found = shutil.which(NAME)
    running = Path(sys.argv[0])
    if running.stem != NAME or not running.is_file():  # started in another way: python -m, a test
        beside = Path(sys.executable).with_name(NAME + (".exe" if os.name == "nt" else ""))
        if not beside.is_file():
            return [NAME] if found else [_from_here(Path(sys.executable)), "-m", "pipeline"]
        running = beside
    if found is not None and Path(found).resolve() == running.resolve():
        return [NAME]
    return [_from_here(running)]


def _from_here(program: Path) -> str:
    """The path to type from the folder where the user is: short when it lies below it."""
    full = Path(os.path.abspath(program))  # noqa: PTH100 - links stay: a venv is a link to its python
    here = Path.cwd()
    if not full.is_relative_to(here):
        return str(full)
    below = str(full.relative_to(here))
    return below if os.sep in below else os.path.join(".", below)  # noqa: PTH118 - Path drops the dot
