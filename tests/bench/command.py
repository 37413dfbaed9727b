"""How soon the command answers, beside an interpreter that does nothing."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator

from tests.bench.building import ROOT
from tests.bench.figures import Figure, seconds_of


def run() -> Iterator[Figure]:
    def started(*words: str) -> float:
        def once() -> None:
            subprocess.run([sys.executable, *words], check=True, cwd=ROOT, stdout=subprocess.DEVNULL,
                           stderr=subprocess.DEVNULL)  # fmt: skip

        return seconds_of(once, tries=5)

    bare = started("-c", "pass")
    shown = started("-m", "pipeline.cli", "--help")
    yield Figure("lessonwright --help", shown, bare, "an empty interpreter")
    checked = started("-m", "pipeline.cli", "check", "configs/ferry_letter")
    yield Figure("lessonwright check, one lesson", checked, bare, "an empty interpreter")
    week = started("-m", "pipeline.cli", "check", "configs/demo_week.toml")
    yield Figure("lessonwright check, the demo week", week, bare, "an empty interpreter")
