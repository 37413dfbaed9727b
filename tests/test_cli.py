"""The command line: exit codes, what goes to which stream, and never a traceback."""

from __future__ import annotations

import errno
import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from pipeline import __version__, cli
from pipeline.cli import run
from pipeline.errors import MissingError, StepError

HEAVY = (
    "numpy",
    "librosa",
    "music21",
    "moviepy",
    "verovio",
    "av",
    "scipy",
    "jinja2",
    "pedalboard",
)


@pytest.fixture
def lesson(tmp_path: Path) -> Path:
    assert run(["new", str(tmp_path / "first")]) == 0
    return tmp_path / "first"


@pytest.fixture
def broken(lesson: Path) -> Path:
    path = lesson / "lesson.toml"
    path.write_text(path.read_text().replace("title =", "titel ="))
    return lesson


def test_help_loads_nothing_heavy() -> None:
    """The promise is an answer at once; `tests/bench/command.py` says how soon it comes."""
    code = (
        "import sys; sys.argv = ['lessonwright', '--help']\n"
        "import pipeline.cli as c\n"
        "try: c.main()\n"
        "except SystemExit: pass\n"
        f"print([m for m in {HEAVY!r} if m in sys.modules], file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stderr.strip() == "[]"
    for command in ("new", "check", "build", "listen", "study", "review"):
        assert f"  {command} " in done.stdout


def test_version(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["--version"]) == 0
    assert capsys.readouterr().out == f"lessonwright {__version__}\n"


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ([], "Usage: lessonwright"),
        (["biuld", "x"], "No such command 'biuld'"),
        (["build"], "Missing argument"),
        (["build", "x", "--jobs", "0"], "--jobs"),
        (["build", "x", "--jobs", "many"], "--jobs"),
        (["build", "x", "--nope"], "--nope"),
        (["check", "no/such/place"], "no/such/place: there is no such file or folder"),
        (["listen", "no/such/place"], "no/such/place: there is no such file or folder"),
        (["build", "no/such/place"], "no/such/place"),
        (["review", "no/such/place"], "no/such/place"),
    ],
)
def test_misuse_is_two(arguments: list[str], said: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(arguments) == 2
    told = capsys.readouterr()
    assert told.out == "" and said in told.err and "Traceback" not in told.err


@pytest.mark.parametrize(
    ("option", "said"),
    [
        (("--key", "H"), "H"),
        (("--tempo", "fast"), "fast"),
        (("--step", "nope"), "nope"),
        (("--tempo", "5"), "5"),
    ],
)
def test_options_that_make_no_sense(
    lesson: Path, option: tuple[str, str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["build", str(lesson), "--out", str(lesson / "out"), *option]) == 2
    told = capsys.readouterr()
    assert told.out == "" and said in told.err


def test_new_twice(lesson: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = (lesson / "tab.txt").read_bytes()
    capsys.readouterr()
    assert run(["new", str(lesson)]) == 2
    assert "nothing was written" in capsys.readouterr().err
    assert (lesson / "tab.txt").read_bytes() == before


def test_check_of_a_good_lesson(lesson: Path, capsys: pytest.CaptureFixture[str]) -> None:
    capsys.readouterr()
    assert run(["check", str(lesson)]) == 0
    told = capsys.readouterr()
    assert told.out.startswith("first: 8 bars, 38 notes, 92 quarter notes a minute: can be built (1 caution)")
    assert "caution: there is no take" in told.err


def test_check_of_a_broken_lesson(broken: Path, capsys: pytest.CaptureFixture[str]) -> None:
    capsys.readouterr()
    assert run(["check", str(broken)]) == 1
    told = capsys.readouterr()
    assert f"{broken / 'lesson.toml'}:5:1: error: unknown key `titel`" in told.err
    assert "cannot be built" in told.out


def test_check_json_is_one_document(broken: Path, capsys: pytest.CaptureFixture[str]) -> None:
    capsys.readouterr()
    assert run(["check", str(broken), "--json"]) == 1
    told = capsys.readouterr()
    document = json.loads(told.out)
    assert document["errors"] == 2 and told.err == ""
    first = next(p for p in document["lessons"][0]["problems"] if p["line"] == 5)
    assert first["kind"] == "error" and first["column"] == 1 and "`title`" in first["remedy"]


def test_check_of_files_without_a_lesson(
    lesson: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    capsys.readouterr()
    tab, chart = lesson / "tab.txt", lesson / "chart.txt"
    score, midi = tmp_path / "first.musicxml", tmp_path / "first.mid"
    assert run(["convert", str(tab), str(score)]) == 0
    assert run(["convert", str(tab), str(midi)]) == 0
    chart.write_text(chart.read_text() + "time: 3/4\n| C Dm Em F |\n")
    capsys.readouterr()
    assert run(["check", str(tab), str(chart), str(score), str(midi)]) == 0
    told = capsys.readouterr()
    first, second, third, fourth = told.out.splitlines()
    assert first.startswith(f"{tab}: 8 bars, 38 notes, 92 quarter notes a minute")
    assert second.startswith(f"{chart}: 9 bars")
    assert second.endswith("(1 caution)")
    assert third.startswith(f"{score}: 8 bars, 38 notes")
    assert fourth.startswith(f"{midi}: 8 bars, 38 notes")
    assert "bar 9: chords that share the bar evenly fall between its beats (4 slots in 3/4)" in told.err
    chart.write_text("| H7 |\n")
    assert run(["check", str(chart), str(lesson), "--json"]) == 1
    document = json.loads(capsys.readouterr().out)
    assert [row["path"] for row in document["lessons"]] == [str(lesson / "lesson.toml"), str(chart)]
    assert document["lessons"][1]["lesson"] is document["lessons"][1]["facts"] is None
    (problem,) = document["lessons"][1]["problems"]
    assert (problem["line"], problem["column"], problem["level"]) == (1, 3, "error")
    assert run(["check", str(tmp_path / "none.txt")]) == 2
    assert "there is no such file" in capsys.readouterr().err


def test_check_tells_errors_cautions_and_remarks_apart(
    lesson: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    tab = lesson / "tab.txt"
    with tab.open("a") as file:  # one more bar, with a stretch of twelve frets, and the phrase it makes
        file.write("\n[Last]\n   w\ne|-15~-|\nB|-----|\nG|-----|\nD|-----|\nA|-----|\nE|-3---|\n")
    with (lesson / "chart.txt").open("a") as file:
        file.write("| Am |\n")
    capsys.readouterr()
    assert run(["check", str(lesson)]) == 0
    told = capsys.readouterr()
    assert told.out.endswith("can be built (2 cautions, 1 remark)\n")
    levels = [
        level for line in told.err.splitlines() for level in ("caution", "remark") if f"{level}: " in line
    ]
    assert levels == ["caution", "caution", "remark"] and told.err.count("\n\n") == 1
    assert "a stretch wider than a hand (frets 3 to 15, " in told.err
    assert run(["check", str(lesson), "--no-remarks"]) == 0
    told = capsys.readouterr()
    assert told.out.endswith("can be built (2 cautions)\n") and "remark" not in told.err
    assert run(["check", str(lesson), "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert (document["errors"], document["cautions"], document["remarks"]) == (0, 2, 1)
    assert [p["level"] for p in document["lessons"][0]["problems"]].count("remark") == 1


def test_a_problem_of_the_shared_channel_is_told_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "configs").mkdir()
    (tmp_path / "configs" / "channel.toml").write_text('nmae = "x"\n')
    for name in ("a", "b"):
        run(["new", str(tmp_path / "configs" / name)])
    capsys.readouterr()
    assert run(["check", str(tmp_path / "configs" / "a"), str(tmp_path / "configs" / "b")]) == 1
    assert capsys.readouterr().err.count("unknown key `nmae`") == 1


@pytest.mark.parametrize("name", ["listen", "study"])
def test_a_refusal_is_json_too(broken: Path, name: str, capsys: pytest.CaptureFixture[str]) -> None:
    """A script that asked for JSON got nothing at all where the sources had errors."""
    assert run([name, str(broken), "--json"]) == 1
    told = capsys.readouterr()
    problems = json.loads(told.out)["problems"]
    assert "error" in {problem["kind"] for problem in problems}
    assert "error" in told.err


@pytest.mark.parametrize("as_json", [False, True])
def test_study(lesson: Path, as_json: bool, capsys: pytest.CaptureFixture[str]) -> None:
    capsys.readouterr()
    assert run(["study", str(lesson), *(["--json"] if as_json else [])]) == 0
    out = capsys.readouterr().out
    if as_json:
        document = json.loads(out)
        assert document["key"] == "D dorian" and len(document["bars"]) == 8
        assert [phrase["name"] for phrase in document["phrases"]] == ["The question", "The reply"]
    else:
        assert "Key: D dorian" in out and "The reply (bars 5-8): frets 5 to 8" in out


def test_listen_without_a_take(lesson: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["listen", str(lesson)]) == 1
    assert "the lesson has no take" in capsys.readouterr().err


def test_commands_for_one_lesson_refuse_a_week(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for name in ("a", "b"):
        run(["new", str(tmp_path / name)])
    (tmp_path / "week.toml").write_text('lessons = ["a", "b"]\n')
    assert run(["study", str(tmp_path / "week.toml")]) == 2
    assert "lists 2 lessons" in capsys.readouterr().err


def fail_with(error: BaseException) -> Any:
    def write_starter(folder: Path) -> tuple[Path, ...]:
        raise error

    return write_starter


@pytest.mark.parametrize(
    ("error", "code", "said"),
    [
        (
            OSError(errno.ENOSPC, "No space left on device", "out/x"),
            3,
            "out/x: there is no space left on the disk",
        ),
        (PermissionError(errno.EACCES, "Permission denied", "out"), 3, "out: permission denied"),
        (OSError(errno.EIO, "Input/output error"), 3, "error: Input/output error"),
        (KeyboardInterrupt(), 130, "Stopped"),
        (MissingError("no FluidSynth\n  Install it."), 3, "error: no FluidSynth\n  Install it."),
        (StepError("backing of x failed"), 3, "error: backing of x failed"),
        (ImportError("No module named 'av'"), 3, "No module named 'av'"),
    ],
)
def test_failures_become_messages(
    error: BaseException,
    code: int,
    said: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setattr("pipeline.config.starter.write_starter", fail_with(error))
    assert run(["new", "x"]) == code
    told = capsys.readouterr()
    assert said in told.err and told.out == "" and "Traceback" not in told.err


def test_our_own_faults_are_told_and_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(cli.tempfile, "tempdir", str(tmp_path))
    monkeypatch.setattr("pipeline.config.starter.write_starter", fail_with(ZeroDivisionError("oops")))
    assert run(["new", "x"]) == 3
    told = capsys.readouterr().err
    assert "lessonwright itself failed (ZeroDivisionError: oops)" in told
    (kept,) = tmp_path.glob("lessonwright-*.txt")
    assert str(kept) in told and "Traceback" in kept.read_text()


def test_as_a_program(tmp_path: Path) -> None:
    """The same through a real process: streams, exit code, a reader that goes away."""
    command = [sys.executable, "-m", "pipeline.cli"]
    done = subprocess.run([*command, "check", str(tmp_path)], capture_output=True, text=True, check=False)
    assert done.returncode == 2 and done.stdout == "" and "holds no lesson.toml" in done.stderr
    subprocess.run([*command, "new", str(tmp_path / "x")], capture_output=True, check=True)
    piped = subprocess.run(
        ["sh", "-c", f"{sys.executable} -m pipeline.cli study {tmp_path / 'x'} | head -n 1"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert piped.stdout.startswith("Key: D dorian") and "Error" not in piped.stderr
