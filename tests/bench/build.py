"""What a build of the demo week costs against a build from nothing: unchanged, after small changes,
with one process, on a cluster."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

from tests.bench.building import ROOT, Built, built, control, two_workers
from tests.bench.figures import Figure

LESSON = "breakwater_lamp"


def _rewrite(path: Path, old: str, new: str) -> None:
    text = path.read_text("utf-8")
    assert old in text, f"{path} does not hold {old!r}"
    path.write_text(text.replace(old, new, 1), "utf-8")


def run() -> Iterator[Figure]:
    """The demo week, each time changed a little; every share is one of the build from nothing."""
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        for name in ("configs", "assets"):
            shutil.copytree(ROOT / name, home / name, ignore=shutil.ignore_patterns("__pycache__"))
        lesson, channel = home / "configs" / LESSON, home / "configs" / "channel.toml"
        channel.write_text('templates = "texts"\n' + channel.read_text("utf-8"), "utf-8")
        (home / "configs" / "texts").mkdir()
        week, out = home / "configs" / "demo_week.toml", home / "out"

        cold = built(week, out, "--jobs", "2")

        def figure(what: str, found: Built) -> Figure:
            return Figure(what, found.seconds, cold.seconds, "cold", found.steps)

        yield figure("demo week, cold, 2 processes", cold)
        built(week, out, "--jobs", "2")  # the record says once that nothing was made
        yield figure("unchanged", min((built(week, out) for _ in range(3)), key=lambda one: one.seconds))
        _rewrite(lesson / "chart.txt", "D9", "D7")
        yield figure("one chord changed", built(week, out, "--jobs", "2"))
        _rewrite(lesson / "lesson.toml", '"C dorian"]', '"C dorian", "E dorian"]')
        yield figure("one key added", built(week, out, "--jobs", "2"))
        (home / "configs" / "texts" / "description.txt.j2").write_text("{{ lesson.title }}\n", "utf-8")
        yield figure("template changed, of all four", built(week, out, "--jobs", "2"))
        _rewrite(channel, 'accent = "#7a2e1d"', 'accent = "#5a1040"')
        yield figure("colour changed, of all four", built(week, out, "--jobs", "2"))

        one, two = control(1), control(2)
        yield Figure("pure work, 2 processes", two, one, "1 process", "what the machine can gain")
        shutil.rmtree(out)
        again = built(week, out, "--jobs", "2")
        shutil.rmtree(out)
        alone = built(week, out, "--jobs", "1")
        yield Figure("demo week, cold, 2 processes", again.seconds, alone.seconds, "1 process", again.steps)
        shutil.rmtree(out)
        with two_workers() as address:
            far = built(week, out, "--cluster", address)
        yield Figure("demo week, cold, 2 Dask workers", far.seconds, again.seconds, "2 processes", far.steps)
