"""A cluster gives the same as this machine, whatever becomes of its workers."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from pipeline.build.pools import ClusterPool, open_pools
from pipeline.build.step import Step
from pipeline.build.store import Store
from pipeline.build.work import Done, StorePlace, Task, open_store, perform
from pipeline.errors import MissingError
from tests.build.fakes import run_steps, step
from tests.build.places import Bucket, s3_server

distributed = pytest.importorskip("dask.distributed", reason="the extra `cluster` is not installed")
pytestmark = pytest.mark.filterwarnings(
    # Dask's own, at the end of a cluster
    "ignore::ResourceWarning", "ignore::DeprecationWarning", "ignore::UserWarning",
)  # fmt: skip


class Cluster:
    """Workers in processes of their own, as many as asked for, in folders of their own."""

    def __init__(self, folder: Path, stack: ExitStack) -> None:
        self._folder, self._stack, self._cluster = folder, stack, None

    def begin(self, workers: int = 2, **more: Any) -> str:
        self._cluster: Any = self._stack.enter_context(
            distributed.LocalCluster(
                n_workers=workers, threads_per_worker=1, processes=True, dashboard_address=None,
                local_directory=str(self._folder), **more,
            )
        )  # fmt: skip
        return str(self._cluster.scheduler_address)

    def at_work(self) -> list[int]:
        """The processes of the workers that the scheduler knows. One that is killed before it got
        so far is given up by Dask, and not started again."""
        known = self._cluster.scheduler.workers
        return [n.pid for n in list(self._cluster.workers.values()) if n.worker_address in known and n.pid]


@pytest.fixture
def cluster(tmp_path: Path) -> Iterator[Cluster]:
    with ExitStack() as stack:
        yield Cluster(tmp_path / "workers", stack)


@pytest.fixture
def log(tmp_path: Path) -> Path:
    folder = tmp_path / "log"
    folder.mkdir()
    return folder


def runs(log: Path) -> int:
    return len(list(log.iterdir()))


def contents(done: dict[tuple[str, str], Done], store: Store) -> dict[tuple[str, str], Any]:
    """What each step made, byte for byte."""
    found = {}
    for i, one in done.items():
        assert one.made is not None, one.outcome
        made = store.fetch(one.made)
        found[i] = ({f.name: made.path(f.name).read_bytes() for f in made.files}, made.facts, made.notes)
    return found


def tunes(log: Path, source: Path) -> list[Step]:
    return [
        one
        for lesson in ("tune", "air", "jig")
        for one in (
            step("a", f"a of {lesson} ", log, lesson=lesson),
            step("b", "b", log, lesson=lesson, files=(("tab", source),)),
            step("c", f"c of {lesson}", log, lesson=lesson, needs=("a", "b")),
            step("d", "d", log, lesson=lesson, needs=("c",)),
        )
    ]


@pytest.fixture
def source(tmp_path: Path) -> Path:
    path = tmp_path / "mine" / "tab.txt"
    path.parent.mkdir()
    path.write_text("the tab ")
    return path


def test_a_cluster_makes_the_same(tmp_path: Path, cluster: Cluster, log: Path, source: Path) -> None:
    steps = tunes(log, source)
    here = run_steps(steps, tmp_path / "here")
    made = runs(log)
    there = run_steps(steps, tmp_path / "there", cluster=cluster.begin())
    assert runs(log) == 2 * made
    assert contents(there, Store(tmp_path / "there")) == contents(here, Store(tmp_path / "here"))
    assert {i: one.made.key for i, one in there.items() if one.made} == {
        i: one.made.key for i, one in here.items() if one.made
    }
    assert list((tmp_path / "there" / "making").iterdir()) == []


@pytest.mark.slow
def test_workers_that_see_only_a_bucket(tmp_path: Path, cluster: Cluster, log: Path, source: Path) -> None:
    """The creator's files and every result travel through the bucket; the bytes are the same."""
    steps = tunes(log, source)
    here = contents(run_steps(steps, tmp_path / "here"), Store(tmp_path / "here"))
    made = runs(log)
    with s3_server() as endpoint:
        bucket = Bucket("lessons", endpoint)
        place = StorePlace(bucket.url, tmp_path / "cache")
        sender = open_store(place)
        assert not isinstance(sender, Store)
        sender.put_source(source)
        for one in steps:
            _ = one.own_digest  # the creator's files are read here, and then gone from sight
        source.rename(source.with_suffix(".away"))
        address = cluster.begin()
        there = run_steps(steps, place, cluster=address)
        assert contents(there, open_store(place)) == here
        assert runs(log) == 2 * made
        assert not list((tmp_path / "cache" / "sources").rglob("*.txt"))  # the workers had their own
        # another machine with an empty cache makes nothing
        again = run_steps(steps, StorePlace(bucket.url, tmp_path / "other"), cluster=address)
        assert {one.state for one in again.values()} == {"reused"} and runs(log) == 2 * made
        # damage that only the digest shows is found by the worker that needs it
        victim = there["tune", "a"].made
        assert victim is not None
        bucket.write(f"results/{victim.key[:2]}/{victim.key}/{victim.files[0].sha256}", b"A of tune ")
        source.with_suffix(".away").rename(source)
        later = [replace(one, version=2 if one.name == "c" else 1) for one in steps]
        third = StorePlace(bucket.url, tmp_path / "third")
        hurt = run_steps(later, third, cluster=cluster_anew(cluster))
        assert "is damaged (out.txt); it is forgotten, so build again" in hurt["tune", "c"].outcome.message
        assert [hurt[lesson, "d"].made is not None for lesson in ("air", "jig", "tune")] == [
            True,
            True,
            False,
        ]
        healed = run_steps(later, third, cluster=address)
        assert contents(healed, open_store(third)) == here


def cluster_anew(cluster: Cluster) -> str:
    """The workers start again, with nothing fetched."""
    with distributed.Client(cluster._cluster, set_as_default=False) as client:
        client.restart()
    return str(cluster._cluster.scheduler_address)


@pytest.mark.slow
def test_a_worker_killed_in_the_middle_of_a_step(tmp_path: Path, cluster: Cluster, log: Path) -> None:
    steps = [
        step("a", "a", log, fail="killed once"),
        step("b", "b", log),
        step("c", "c", log, needs=("a", "b")),
    ]
    done = run_steps(steps, tmp_path / "there", cluster=cluster.begin())
    made = done["tune", "c"].made
    assert made is not None and made.path("out.txt").read_text() == "abc"
    assert list((tmp_path / "there" / "making").iterdir()) == []


@pytest.mark.slow
def test_workers_killed_at_random(tmp_path: Path, cluster: Cluster, log: Path, source: Path) -> None:
    """Each worker dies now and then, all through the build; what comes out is the same."""
    steps = [
        replace(one, lesson=f"{one.lesson} {n}", version=n)
        for n in range(1, 25)
        for one in tunes(log, source)
    ]
    here = contents(run_steps(steps, tmp_path / "here"), Store(tmp_path / "here"))
    address = cluster.begin()
    over = threading.Event()
    killed: list[int] = []

    def kill() -> None:
        while not over.wait(0.3):
            at_work = cluster.at_work()
            if len(at_work) == 2:
                os.kill(at_work[len(killed) % 2], signal.SIGKILL)
                killed.append(at_work[len(killed) % 2])

    killer = threading.Thread(target=kill)
    killer.start()
    try:
        there = run_steps(steps, tmp_path / "there", cluster=address)
    finally:
        over.set()
        killer.join()
    assert len(killed) >= 3
    assert contents(there, Store(tmp_path / "there")) == here
    assert list((tmp_path / "there" / "making").iterdir()) == []


@pytest.mark.slow
def test_a_step_that_always_kills_its_worker(tmp_path: Path, cluster: Cluster, log: Path) -> None:
    steps = [
        step("bad", "x", log, fail="killed"),
        step("after", "y", log, needs=("bad",)),
        step("beside", "z", log),
    ]
    done = run_steps(steps, tmp_path / "there", cluster=cluster.begin())
    assert done["tune", "bad"].state == "failed"
    assert done["tune", "bad"].outcome.message.startswith("each worker that tried it was killed, perhaps for")
    assert done["tune", "after"].state == "skipped"
    assert done["tune", "beside"].state == "made"


@pytest.mark.slow
def test_a_step_that_hangs_on_a_cluster(tmp_path: Path, cluster: Cluster, log: Path) -> None:
    """It is given up by name, and its worker does other work again."""
    steps = [
        step("bad", "bad", log, fail="hang"),
        step("after", "x", log, needs=("bad",)),
        step("beside", "y", log, lesson="air"),
        step("late", "z", log, lesson="air", needs=("beside",)),
    ]
    begun = time.monotonic()
    done = run_steps(steps, tmp_path / "there", cluster=cluster.begin(workers=1), limit_s=8.0)
    assert time.monotonic() - begun < 120
    assert "had not ended after" in done["tune", "bad"].outcome.message
    assert done["tune", "after"].outcome.message == "needs bad, which failed"
    assert done["air", "late"].state == "made"


@pytest.mark.slow
def test_failures_come_back_from_a_cluster(tmp_path: Path, cluster: Cluster, log: Path) -> None:
    fails = {
        "raise": "RuntimeError: the wire broke",
        "missing": "no bank of sounds; install one",
        "source": "tab.txt:3:7: error: a wrong note",
        "nothing": "was to make out.txt and did not",
    }
    steps = [step(fail, fail, log, fail=fail) for fail in fails] + [step("good", "b", log)]
    done = run_steps(steps, tmp_path / "there", cluster=cluster.begin())
    for fail, message in fails.items():
        assert message in done["tune", fail].outcome.message
    assert done["tune", "source"].outcome.problems[0].line == 3
    assert done["tune", "good"].outcome.made is not None
    assert list((tmp_path / "there" / "making").iterdir()) == []


@pytest.mark.slow
def test_a_folder_that_the_workers_do_not_see(tmp_path: Path, cluster: Cluster, log: Path) -> None:
    """A store in a folder is made by the machine that drives the build, never by a worker."""
    one = step("a", "a", log)
    task = Task.of(one, "ab" + "0" * 62, {}, StorePlace(str(tmp_path / "nowhere")), away=True)
    with open_pools(1, cluster.begin(workers=1)) as pools:
        outcome = pools.away().submit(perform, task).result(60)
    assert "the store is not to be seen from" in outcome.message and "s3://bucket/lessons" in outcome.message
    assert not (tmp_path / "nowhere").exists()


@pytest.mark.parametrize(
    ("part", "what"), [("code", "another lessonwright"), ("libraries", "numpy .* instead of 0.1")]
)
def test_a_machine_of_another_version(tmp_path: Path, log: Path, part: str, what: str) -> None:
    """Its results would go under a key that says otherwise."""
    Store(tmp_path / "store")
    one = step("a", "a", log)
    task = Task.of(one, "ab" + "0" * 62, {}, StorePlace(str(tmp_path / "store")), away=True)
    assert task.code and perform(task).made is not None
    other = {"code": dict.fromkeys(task.code, "0" * 64), "libraries": {"numpy": "0.1"}}[part]
    outcome = perform(replace(task, **{part: other}))
    assert outcome.made is None
    assert re.search(
        f"the cluster's machine .* has {what}.*; install the same versions on all", outcome.message
    )


@pytest.mark.slow
@pytest.mark.parametrize("address", ["tcp://127.0.0.1:9", "tcp://no.such.host.invalid:8786"])
def test_a_cluster_that_is_not_there(address: str) -> None:
    with (
        pytest.raises(
            MissingError, match=rf"--cluster {address}: no scheduler answers there .*; check the address"
        ),
        open_pools(None, address),
    ):
        pass


@pytest.mark.slow
def test_a_cluster_without_workers(cluster: Cluster, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pipeline.build.pools._PATIENCE_S", 0.5)
    pool = ClusterPool(cluster.begin(workers=0), None)
    try:
        time.sleep(1)
        with pytest.raises(MissingError, match=r"there has been no worker for .* start some"):
            pool.check()
    finally:
        pool.stop(at_once=True)


@pytest.mark.slow
def test_a_scheduler_that_dies(tmp_path: Path, log: Path) -> None:
    """The build ends with one sentence instead of a failure for each step that is left."""
    begin = [sys.executable, "-m", "distributed.cli.dask_scheduler"]
    where = tmp_path / "scheduler.json"
    scheduler = subprocess.Popen(
        [*begin, "--port", "0", "--no-dashboard", "--scheduler-file", str(where)], stderr=subprocess.DEVNULL
    )
    address, over = _written(where), threading.Event()

    def kill() -> None:
        while not over.wait(0.1):
            if runs(log) >= 2:
                scheduler.kill()
                return

    worker = subprocess.Popen(
        [sys.executable, "-m", "distributed.cli.dask_worker", address, "--nthreads", "1", "--no-dashboard",
         "--no-nanny", "--local-directory", str(tmp_path / "worker")],
        stderr=subprocess.DEVNULL,
    )  # fmt: skip
    killer = threading.Thread(target=kill)
    killer.start()
    steps = [
        step("a", "a", log),
        step("b", "b", log, fail="hang", needs=("a",)),
        step("c", "c", log, needs=("a",)),
    ]
    try:
        with pytest.raises(
            MissingError, match=rf"--cluster {address}: the scheduler is gone; start it and build"
        ):
            run_steps(steps, tmp_path / "there", cluster=address)
    finally:
        over.set()
        killer.join()
        for process in (worker, scheduler):
            process.kill()
            process.wait()
    (one,) = (run_steps(steps[:1], tmp_path / "there")).values()
    assert one.state == "reused"


def _written(where: Path) -> str:
    """The address in a scheduler's file, when it is up."""
    until = time.monotonic() + 60
    while time.monotonic() < until:
        try:
            return str(json.loads(where.read_text())["address"])
        except (OSError, ValueError):
            time.sleep(0.1)
    raise TimeoutError("the scheduler did not begin")
