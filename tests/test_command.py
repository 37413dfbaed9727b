"""What is printed as the next thing to type works as it is typed."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from pipeline.command import NAME, command

Place = Callable[[str], Path]


@pytest.fixture
def program(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Place:
    """Installs the program into a folder below, as what is running."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("PATH", "/usr/bin:/bin")

    def place(folder: str) -> Path:
        script = tmp_path / folder / NAME
        script.parent.mkdir(parents=True, exist_ok=True)
        script.write_text("#!/bin/sh\n")
        script.chmod(0o755)
        monkeypatch.setattr(sys, "argv", [f"{folder}/{NAME}", "new", "first"])
        return script

    return place


def test_the_path_that_was_typed_when_the_name_alone_would_not_do(program: Place) -> None:
    """README says .venv/bin/lessonwright new ..., and the answer was: now try lessonwright build ..."""
    program(".venv/bin")
    assert command("build", Path("first")) == ".venv/bin/lessonwright build first"


def test_the_name_alone_when_the_shell_finds_it(program: Place, monkeypatch: pytest.MonkeyPatch) -> None:
    script = program("bin")
    monkeypatch.setenv("PATH", f"{script.parent}:/usr/bin")
    assert command("build", Path("first")) == "lessonwright build first"


def test_another_one_on_the_path_is_not_meant(program: Place, monkeypatch: pytest.MonkeyPatch) -> None:
    other = program("other")
    program(".venv/bin")
    monkeypatch.setenv("PATH", f"{other.parent}:/usr/bin")
    assert command("build") == ".venv/bin/lessonwright build"


def test_in_the_folder_itself_and_elsewhere(
    program: Place, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    script = program(".")
    assert command("build") == "./lessonwright build"
    (tmp_path / "lessons").mkdir()
    monkeypatch.chdir(tmp_path / "lessons")
    monkeypatch.setattr(sys, "argv", ["../lessonwright"])
    assert command("build") == f"{script} build"


def test_names_with_spaces_are_quoted(program: Place) -> None:
    program(".venv/bin")
    assert command("build", Path("It's a tide")) == """.venv/bin/lessonwright build 'It'"'"'s a tide'"""


def test_what_new_prints_builds(tmp_path: Path) -> None:
    """For real: the printed line is given to a shell that does not have the program on its path."""
    installed = Path(sys.executable).with_name(NAME)
    if not installed.is_file():
        pytest.fail(f"{installed} is not there: install the project with pip install -e .")
    (tmp_path / "bin").symlink_to(installed.parent)
    environment = {**os.environ, "PATH": "/usr/bin:/bin"}
    assert shutil.which(NAME, path=environment["PATH"]) is None
    made = subprocess.run(
        ["bin/lessonwright", "new", "my first"],
        cwd=tmp_path, env=environment, capture_output=True, text=True, check=True,
    )  # fmt: skip
    line = made.stderr.strip().removeprefix("Now try: ")
    assert line == "bin/lessonwright build 'my first'"
    tried = subprocess.run(
        f"{line} --step texttab",
        shell=True, cwd=tmp_path, env=environment, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert tried.returncode == 0, tried.stderr
    assert "ready in out/my-first" in tried.stdout
