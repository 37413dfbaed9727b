"""What a process has started ends with it."""

from __future__ import annotations

import subprocess
import sys
import time

import psutil
import pytest

from pipeline.build.offspring import kill_with_offspring, offspring

NEST = "import subprocess, sys; p = subprocess.Popen(['sleep', '600']); print(p.pid, flush=True); p.wait()"
OUTER = f"import subprocess, sys; subprocess.run([sys.executable, '-c', {NEST!r}])"

pytestmark = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="other systems do not tell")


def test_it_and_all_below_it_are_gone() -> None:
    with subprocess.Popen([sys.executable, "-c", OUTER], stdout=subprocess.PIPE, text=True) as outer:
        assert outer.stdout is not None
        sleeper = int(outer.stdout.readline())
        below = offspring(outer.pid)
        assert len(below) == 2 and below[-1] == sleeper
        assert set(below) == {child.pid for child in psutil.Process(outer.pid).children(recursive=True)}
        kill_with_offspring(outer.pid)
    until = time.monotonic() + 10
    while any(psutil.pid_exists(pid) and _runs(pid) for pid in below) and time.monotonic() < until:
        time.sleep(0.02)
    assert not any(psutil.pid_exists(pid) and _runs(pid) for pid in below)


def test_what_this_process_has_started() -> None:
    """In a process of its own: the one that runs the tests has started more than this."""
    code = (
        "import subprocess; from pipeline.build.offspring import kill_offspring;"
        "sleeper = subprocess.Popen(['sleep', '600']); kill_offspring(); print(sleeper.wait(timeout=10))"
    )
    said = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60
    )
    assert said.stdout == "-9\n"


def test_one_that_is_gone_already() -> None:
    with subprocess.Popen([sys.executable, "-c", "pass"]) as process:
        pass
    assert offspring(process.pid) == ()
    with pytest.raises(ProcessLookupError):
        kill_with_offspring(process.pid)


def _runs(pid: int) -> bool:
    try:
        return psutil.Process(pid).status() != psutil.STATUS_ZOMBIE
    except psutil.Error:
        return False
