"""How soon the command answers, beside an interpreter that does nothing."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator

from tests.bench.figures import Figure, seconds_of


def run() -> Iterator[Figure]:
    def started(code: str) -> float:
        command = [sys.executable, "-c", code]
        return seconds_of(lambda: subprocess.run(command, check=True, stdout=subprocess.DEVNULL), tries=3)

    bare = started("pass")
    shown = started("import pipeline.cli as c; raise SystemExit(c.run(['--help']))")
    yield Figure("lessonwright --help", shown, bare, "an empty interpreter")
