"""What may happen to a build from outside, happening: kills, a hang, a full disk, clocks, other builds."""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import psutil
import pytest

from tests.debian import needs
from tests.endurance.kills import COLD, Kills, workers
from tests.endurance.place import Place, References, kill_group

MB = 1_000_000


@pytest.fixture(scope="module")
def references(tmp_path_factory: pytest.TempPathFactory) -> References:
    return References(tmp_path_factory.mktemp("references"), lessons=1)


@pytest.fixture(scope="module")
def small_references(tmp_path_factory: pytest.TempPathFactory) -> References:
    return References(tmp_path_factory.mktemp("small"), lessons=1, take=False)


@pytest.fixture
def place(tmp_path: Path) -> Iterator[Place]:
    """A lesson, not built yet; nothing that was started for it outlives the test."""
    made = Place(tmp_path / "place")
    yield made
    assert made.orphans() == []


@pytest.fixture
def small(tmp_path: Path) -> Iterator[Place]:
    """One without a take: there is less to make."""
    made = Place(tmp_path / "small", take=False)
    yield made
    assert made.orphans() == []


def made_count(said: dict) -> int:
    return sum(lesson["steps_made"] for lesson in said["lessons"])


def failure(said: dict) -> str:
    """What the only lesson is said to have failed of."""
    (lesson,) = said["lessons"]
    return "\n".join(lesson["errors"])


# -- kills -----------------------------------------------------------------------------------


def test_killed_with_all_its_processes(small: Place, small_references: References) -> None:
    """A sample; ``python -m tests.endurance kills`` does it hundreds of times."""
    place, references = small, small_references
    kills = Kills(place, references, random.Random(3))
    kills.begin()
    place.change(1)
    process = place.start()
    time.sleep(0.7 * kills.seconds[COLD])
    kill_group(process)
    assert place.orphans() == []
    assert place.releases() in (references.of(0), references.of(1))
    kills.go_on("after the kill")
    assert kills.tally.faults == []


@pytest.mark.slow
@pytest.mark.timeout(900)
@pytest.mark.parametrize("lessons", [1, 2])
def test_killed_at_any_moment(tmp_path: Path, lessons: int) -> None:
    references = References(tmp_path / "references", lessons=lessons)
    kills = Kills(Place(tmp_path / "place", lessons), references, random.Random(7))
    kills.begin()
    for _ in range(12):
        kills.round()
    kills.go_on("at the end")
    assert kills.tally.faults == [], list(kills.tally.lines())


def interrupt(place: Place, after_s: float) -> None:
    """Ctrl-C reaches the whole group, as on a terminal: what was finished is kept, nothing else."""
    process = place.start()
    while process.poll() is None and not any(place.out.glob(".store/making/build-*")):
        time.sleep(0.01)
    time.sleep(after_s)
    os.killpg(process.pid, signal.SIGINT)
    _, told = process.communicate(timeout=60)
    assert process.returncode == 130 and "Traceback" not in told, told
    assert place.orphans(within_s=5) == []
    assert list((place.out / ".store" / "making").iterdir()) == []


def test_interrupted_cleanly(small: Place, small_references: References) -> None:
    interrupt(small, 0.7)
    small.build()
    assert small.releases() == small_references.of(0)
    assert small.litter() == []


@pytest.mark.slow
def test_interrupted_cleanly_at_any_time(place: Place, references: References) -> None:
    for after_s in (0.0, 0.3, 0.6, 0.9, 1.2):
        interrupt(place, after_s)
    place.build()
    assert place.releases() == references.of(0)
    assert place.litter() == []


@pytest.mark.slow
@pytest.mark.parametrize("sign", [signal.SIGKILL, signal.SIGTERM, signal.SIGSEGV])
def test_a_worker_that_dies_is_replaced(place: Place, references: References, sign: signal.Signals) -> None:
    process = place.start()
    hit = []
    while process.poll() is None and not hit:
        for worker in workers(place, process.pid)[:1]:
            worker.send_signal(sign)
            hit.append(worker.pid)
    _, told = process.communicate(timeout=120)
    assert process.returncode == 0, told
    assert hit
    assert place.releases() == references.of(0)
    assert place.litter() == []


@pytest.mark.slow
def test_the_process_that_starts_the_others_dies(place: Place, references: References) -> None:
    """It once looked like a Ctrl-C: the build said that it was stopped, and nothing was made."""
    process = place.start()
    killed = False
    while process.poll() is None and not killed:
        for one in place.processes():
            with suppress(psutil.Error):
                if one.ppid() == process.pid and "forkserver" in " ".join(one.cmdline()):
                    time.sleep(0.7)
                    one.kill()
                    killed = True
    _, told = process.communicate(timeout=120)
    assert (process.returncode, killed) == (0, True), told
    assert place.releases() == references.of(0)
    assert place.litter() == []


# -- steps that do not end -------------------------------------------------------------------


@pytest.mark.slow
def test_a_step_that_hangs_is_given_up_by_name(tmp_path: Path) -> None:
    """A template that counts to ten thousand million; the other lesson of the week is built."""
    place = Place(tmp_path / "place", 2)
    place.build()
    before = place.releases()
    template = place.configs / "texts" / "description.txt.j2"
    wordy = (
        "{% for a in range(99999) %}{% for b in range(99999) %}{% endfor %}{% endfor %}{{ lesson.title }}\n"
    )
    template.write_text('{% if lesson.title.startswith("Brackish") %}' + wordy + "{% endif %}once\n", "utf-8")
    begun = time.monotonic()
    said = place.build("--limit", "0.1", code=3)
    assert time.monotonic() - begun < 90
    hung, other = said["lessons"]
    assert (
        hung["errors"]
        and "words" in hung["errors"][0]
        and "had not ended after 0.1 minutes" in hung["errors"][0]
    ), hung["errors"]
    assert other["ok"]
    after = place.releases()
    assert after[place.slugs[0]] == before[place.slugs[0]]
    assert after[place.slugs[1]] != before[place.slugs[1]]
    assert place.orphans(within_s=5) == []
    template.unlink()
    place.build()
    assert place.releases() == before
    assert place.litter() == []


@pytest.mark.slow
def test_a_worker_that_stands_still_is_given_up(place: Place, references: References) -> None:
    """Stopped with the program it has started, as when both wait for a disk that is gone."""
    process = place.start("--limit", "0.1")
    stopped: list[int] = []
    while process.poll() is None and not stopped:
        for program in place.processes():
            with suppress(psutil.Error):
                if program.name().startswith("ffmpeg"):
                    for one in (program, program.parent()):
                        assert one is not None and one.pid != process.pid
                        one.suspend()
                        stopped.append(one.pid)
                    break
    said, told = process.communicate(timeout=120)
    assert (process.returncode, len(stopped)) == (3, 2), told
    assert "had not ended after 0.1 minutes and was stopped" in said
    assert place.orphans(within_s=5) == []
    place.build()
    assert place.releases() == references.of(0)
    assert place.litter() == []


# -- disks -----------------------------------------------------------------------------------


@contextmanager
def small_disk(folder: Path, size: int) -> Iterator[Path]:
    """A file system in memory that holds ``size`` bytes."""
    folder.mkdir(parents=True, exist_ok=True)
    mount = shutil.which("mount")
    done = mount and subprocess.run([mount, "-t", "tmpfs", "-o", f"size={size}", "none", folder], check=False,
                                    capture_output=True)  # fmt: skip
    if not done or done.returncode:
        pytest.skip("mounting is not permitted here")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", folder], check=True)


def remount(folder: Path, options: str) -> None:
    subprocess.run(["mount", "-o", f"remount,{options}", folder], check=True)


def used(folder: Path) -> int:
    facts = os.statvfs(folder)
    return (facts.f_blocks - facts.f_bfree) * facts.f_frsize


@pytest.mark.slow
def test_the_disk_is_full(tmp_path: Path, references: References) -> None:
    """From no room at all to enough, a little more each time: told, the old release stands, and in
    the end all is as if there had always been room."""
    place = Place(tmp_path / "place")
    with small_disk(place.out, 200 * MB):
        place.build()
        before = place.releases()
        place.change(5)  # a tempo more: megabytes of it
        ended = False
        for room in [0, *(2**i * 30_000 for i in range(10))]:
            remount(place.out, f"size={used(place.out) + room}")
            process = place.start()
            _, told = process.communicate(timeout=240)
            assert "Traceback" not in told and "itself failed" not in told, told
            if process.returncode == 0:
                ended = True
                break
            assert process.returncode == 3, told
            assert "the disk is full" in told or "make room" in told or "free some space" in told, told
            assert place.releases() == before
        assert ended and room > 0
        assert place.releases() == references.of(5)
        remount(place.out, f"size={200 * MB}")
        place.build()
        assert place.releases() == references.of(5)
        assert place.litter() == []


@pytest.mark.slow
def test_the_disk_of_the_store_is_full(place: Place, tmp_path: Path, references: References) -> None:
    with small_disk(tmp_path / "store", 600_000) as store:
        said = place.build("--store", str(store), code=3)
        assert "the disk is full" in failure(said) or "make room" in failure(said)
        assert place.releases() == dict.fromkeys(place.slugs)
        remount(store, f"size={100 * MB}")
        place.build("--store", str(store))
        assert place.releases() == references.of(0)
        assert list((store / "making").iterdir()) == []


def test_files_that_may_not_grow(small: Place) -> None:
    """A limit of the system on the size of a file: writing fails in the middle, as on a full disk."""
    prlimit = shutil.which("prlimit")
    if prlimit is None:
        pytest.skip("there is no prlimit here")
    place = small
    said = place.build(code=3, under=[prlimit, "--fsize=100000"])
    assert "backing Bm 143 bpm: " in failure(said) and "arge" in failure(said)
    assert place.releases() == dict.fromkeys(place.slugs)
    assert list((place.out / ".store" / "making").iterdir()) == []


@pytest.mark.slow
def test_what_may_only_be_read(tmp_path: Path, references: References) -> None:
    place = Place(tmp_path / "place")
    with small_disk(place.out, 200 * MB):
        place.build()
        before = place.releases()
        place.change(1)
        remount(place.out, "ro")
        process = place.start()
        _, told = process.communicate(timeout=120)
        assert process.returncode == 3
        assert "Traceback" not in told and "itself failed" not in told, told
        assert "can only be read" in told or "not permitted" in told, told
        assert place.releases() == before
        remount(place.out, "rw")
        place.build()
        assert place.releases() == references.of(1)
        assert place.litter() == []


# -- clocks ----------------------------------------------------------------------------------


@needs(shutil.which("faketime") is not None, "faketime")
@pytest.mark.slow
def test_the_clock_jumps(place: Place, references: References) -> None:
    """Builds a year behind, three years ahead, ten years behind: with changes in between."""
    for jump, state in (("-400d", 0), ("+3y", 1), ("-10y", 2), ("+0", 0), ("-2d", 2)):
        under = ["env", "NO_FAKE_STAT=1", "faketime", "-f", jump]
        place.change(state)
        place.build(under=under)
        assert place.releases() == references.of(state)
        assert made_count(place.build(under=under)) == 0
        assert made_count(place.build()) == 0
        assert place.releases() == references.of(state)
        assert place.litter() == []


@pytest.mark.slow
def test_times_of_files_are_not_trusted(place: Place, references: References) -> None:
    """Every file dated far back or far ahead: nothing is made for that, and no change is missed."""
    place.build()
    for moment in (1, 1_000_000_000, 4_000_000_000):
        for path in [*place.configs.rglob("*"), *place.out.rglob("*")]:
            os.utime(path, (moment, moment))
        assert made_count(place.build()) == 0
        assert place.releases() == references.of(0)
    chart = place.configs / "lesson_0001" / "chart.txt"
    text = chart.read_text("utf-8")
    facts = chart.stat()
    chart.write_text(text.replace("F#m", "G  ", 1), "utf-8")  # as long as before
    os.utime(chart, ns=(facts.st_atime_ns, facts.st_mtime_ns))
    assert (chart.stat().st_size, chart.stat().st_mtime_ns) == (facts.st_size, facts.st_mtime_ns)
    assert made_count(place.build()) > 0
    assert place.releases() != references.of(0)
    chart.write_text(text, "utf-8")
    os.utime(chart, ns=(facts.st_atime_ns, facts.st_mtime_ns))
    assert made_count(place.build()) == 0  # the store still knows it
    assert place.releases() == references.of(0)


# -- other builds ----------------------------------------------------------------------------


def build_twice_at_once(place: Place, references: References) -> None:
    """The same lesson into the same place."""
    processes = [place.start(), place.start()]
    for process in processes:
        _, told = process.communicate(timeout=240)
        assert process.returncode == 0, told
    assert place.releases() == references.of(place.state)
    assert made_count(place.build()) == 0
    assert place.litter() == []


def test_two_builds_at_once(small: Place, small_references: References) -> None:
    build_twice_at_once(small, small_references)


@pytest.mark.slow
def test_two_builds_at_once_after_changes(place: Place, references: References) -> None:
    for state in (0, 2, 4):
        place.change(state)
        build_twice_at_once(place, references)


@pytest.mark.slow
def test_two_weeks_on_one_store(tmp_path: Path) -> None:
    """Overlapping weeks built at once into two places from one store, which is small and is pruned."""
    one, other = Place(tmp_path / "one", 2, first=1), Place(tmp_path / "other", 2, first=2)
    store = ["--store", str(tmp_path / "store"), "--store-size", "0.001"]
    alone = {}
    for place in (one, other):
        apart = Place(tmp_path / f"alone {place.first}", 2, first=place.first)
        apart.build()
        alone |= {(place.first, slug): found for slug, found in apart.releases().items()}
    for _ in range(2):
        processes = [(place, place.start(*store)) for place in (one, other)]
        for place, process in processes:
            _, told = process.communicate(timeout=240)
            assert process.returncode == 0, told
            for slug, found in place.releases().items():
                assert found == alone[place.first, slug]
            assert place.litter() == []
        shutil.rmtree(one.out)
    assert list((tmp_path / "store" / "making").iterdir()) == []


@pytest.mark.slow
def test_one_of_two_builds_is_killed(place: Place, references: References) -> None:
    """The other one neither waits for it for ever nor sweeps away what is still being made."""
    for after_s in (0.5, 1.0, 1.6):
        shutil.rmtree(place.out, ignore_errors=True)
        victim = place.start()
        time.sleep(0.3)
        other = place.start()
        time.sleep(after_s)
        kill_group(victim)
        _, told = other.communicate(timeout=240)
        assert other.returncode == 0, told
        assert place.releases() == references.of(0)
        place.build()
        assert place.litter() == []
