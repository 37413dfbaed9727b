"""What a build costs against a build from nothing: unchanged, after small changes, and with one
process."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

from pipeline.build.report import SilentReporter
from pipeline.build.week import build
from pipeline.config.starter import write_starter
from tests.bench.figures import Figure, seconds_of


def run() -> Iterator[Figure]:
    """The starter lesson, changed step by step."""
    with tempfile.TemporaryDirectory() as folder:
        lesson, out = Path(folder) / "lesson", Path(folder) / "out"
        write_starter(lesson)
        (lesson / "channel.toml").write_text('name = "Bench"\ntemplates = "texts"\n')
        (lesson / "texts").mkdir()
        chart, channel = lesson / "chart.txt", lesson / "channel.toml"
        cold_s = 0.0

        def built(what: str, *, jobs: int = 2, keys: tuple[str, ...] = ()) -> Figure:
            nonlocal cold_s
            counts: list[str] = []

            def once() -> None:
                summary = build([lesson], out=out, jobs=jobs, keys=keys, report=SilentReporter())
                assert summary.exit_code == 0, summary.to_json()
                (result,) = summary.lessons
                counts.append(f"{result.made} made, {result.reused} reused")

            seconds = seconds_of(once)
            cold_s = cold_s or seconds
            return Figure(what, seconds, cold_s, "the first", counts[0])

        yield built("from nothing, 2 processes")
        yield built("unchanged")
        before = chart.read_text("utf-8")
        bar = next(line for line in before.splitlines() if line.startswith("|"))
        first = bar.split("|")[1]
        chart.write_text(before.replace(bar, bar.replace(f"|{first}|", "| G |", 1), 1), "utf-8")
        yield built("one chord changed")
        chart.write_text(before, "utf-8")
        yield built("changed back")
        yield built("one key added", keys=("C",))
        (lesson / "texts" / "description.txt.j2").write_text("{{ lesson.title }}\n", "utf-8")
        yield built("template changed")
        channel.write_text(channel.read_text() + '\n[look]\naccent = "#5a1040"\n')
        yield built("colour changed")
        shutil.rmtree(out)
        yield built("from nothing, 1 process", jobs=1)
