"""What a build costs: cold, unchanged, after small changes, and with more processes.

Run: python -m tests.bench.build
"""

from __future__ import annotations

import shutil
import tempfile
import time
from pathlib import Path

from pipeline.build.report import SilentReporter
from pipeline.build.week import build
from pipeline.config.starter import write_starter


def _timed(lesson: Path, out: Path, *, jobs: int = 2, keys: tuple[str, ...] = ()) -> tuple[float, int, int]:
    """Seconds, steps made, steps reused."""
    began = time.perf_counter()
    summary = build([lesson], out=out, jobs=jobs, keys=keys, report=SilentReporter())
    assert summary.exit_code == 0, summary.to_json()
    (result,) = summary.lessons
    return time.perf_counter() - began, result.made, result.reused


def _tell(what: str, figures: tuple[float, int, int], cold_s: float) -> None:
    seconds, made, reused = figures
    print(f"{what:<28} {seconds:6.2f} s  {seconds / cold_s:5.2f} of cold  {made:2} made, {reused:2} reused")


def run() -> None:
    """Print the figures for the starter lesson."""
    with tempfile.TemporaryDirectory() as folder:
        lesson, out = Path(folder) / "lesson", Path(folder) / "out"
        write_starter(lesson)
        (lesson / "channel.toml").write_text('name = "Bench"\ntemplates = "texts"\n')
        (lesson / "texts").mkdir()
        chart, channel = lesson / "chart.txt", lesson / "channel.toml"
        cold = _timed(lesson, out)
        _tell("cold, 2 processes", cold, cold[0])
        _tell("unchanged", _timed(lesson, out), cold[0])
        before = chart.read_text("utf-8")
        bar = next(line for line in before.splitlines() if line.startswith("|"))
        first = bar.split("|")[1]
        chart.write_text(before.replace(bar, bar.replace(f"|{first}|", "| G |", 1), 1), "utf-8")
        _tell("one chord changed", _timed(lesson, out), cold[0])
        chart.write_text(before, "utf-8")
        _tell("changed back", _timed(lesson, out), cold[0])
        _tell("one key instead", _timed(lesson, out, keys=("C",)), cold[0])
        (lesson / "texts" / "description.txt.j2").write_text("{{ lesson.title }}\n", "utf-8")
        _tell("template changed", _timed(lesson, out), cold[0])
        channel.write_text(channel.read_text() + '\n[look]\naccent = "#5a1040"\n')
        _tell("colour changed", _timed(lesson, out), cold[0])
        shutil.rmtree(out)
        one = _timed(lesson, out, jobs=1)
        shutil.rmtree(out)
        two = _timed(lesson, out, jobs=2)
        print(f"one process {one[0]:.2f} s, two {two[0]:.2f} s: {one[0] / two[0]:.2f} times as fast")


if __name__ == "__main__":
    run()
