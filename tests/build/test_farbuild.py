"""Whole builds whose results are kept elsewhere: by the command itself, in processes of its own."""

from __future__ import annotations

import hashlib
import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from pipeline.build import work
from pipeline.build.store import Store
from tests.build.places import BUCKET, Bucket, s3_server
from tests.manylessons import write_lessons

distributed = pytest.importorskip("dask.distributed", reason="the extra `cluster` is not installed")
pytest.importorskip("s3fs", reason="the extra `test` is not installed")
pytestmark = [
    pytest.mark.slow,
    # Dask's own, at the end of a cluster
    pytest.mark.filterwarnings(
        "ignore::ResourceWarning", "ignore::DeprecationWarning", "ignore::UserWarning"
    ),
]


PROGRAM = (sys.executable, "-c", "from pipeline.cli import main; main()")
HASTY = (*PROGRAM[:2], f"import pipeline.build.faraway as f; f._PATIENCE_S = 1.0; {PROGRAM[2]}")


@pytest.fixture(scope="module")
def endpoint() -> Iterator[str]:
    with s3_server() as address:
        yield address


@pytest.fixture(scope="module")
def lessons(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("sources") / "lessons"
    write_lessons(folder, 1)
    return folder


def run(*arguments: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run([*PROGRAM, *map(str, arguments)], capture_output=True, text=True, check=False)


def build(lessons: Path, out: Path, *more: object) -> dict[str, Any]:
    done = run("build", lessons, "--out", out, "--json", *more)
    assert done.returncode == 0, done.stderr
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def contents(out: Path) -> dict[str, str]:
    return {
        path.relative_to(out).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(out.rglob("*"))
        if path.is_file() and ".store" not in path.parts and path.name != "release.json"
    }


def steps(out: Path) -> dict[str, bool]:
    """Step -> whether the last build reused it."""
    (record,) = out.glob("*/release.json")
    return {step["name"]: step["reused"] for step in json.loads(record.read_text("utf-8"))["steps"]}


@pytest.fixture(scope="module")
def here(lessons: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """The release as it comes with a store of its own."""
    out = tmp_path_factory.mktemp("here") / "out"
    build(lessons, out)
    return contents(out)


def only_the_store(sources: str) -> None:
    """To be run on a worker: have it see the sources of lessons in the store alone."""

    def refuse(event: str, arguments: tuple[Any, ...]) -> None:
        if event == "open" and isinstance(arguments[0], str) and arguments[0].startswith(sources):
            raise AssertionError(f"a worker reads {arguments[0]}")

    sys.addaudithook(refuse)

    def from_the_store(store: Any, path: Path, digest: str) -> Path:
        assert not isinstance(store, Store)
        return Path(store.source(digest, path.name))

    work._source = from_the_store


def test_machines_that_share_a_bucket(
    lessons: Path, here: dict[str, str], endpoint: str, tmp_path: Path
) -> None:
    """The second finds everything made; unchanged, neither sends nor asks for anything again."""
    bucket = Bucket("shared", endpoint)
    build(lessons, tmp_path / "a", "--store", bucket.url)
    assert contents(tmp_path / "a") == here
    assert not any(steps(tmp_path / "a").values())
    before = bucket.names()
    assert {name.partition("/")[0] for name in before} == {"format", "results"}
    build(lessons, tmp_path / "b", "--store", bucket.url)
    assert contents(tmp_path / "b") == here
    assert all(steps(tmp_path / "b").values())
    noted = [name for name in bucket.names() if name.startswith("uses/")]
    assert sorted([*before, *noted]) == bucket.names() and len(noted) == 1
    build(lessons, tmp_path / "b", "--store", bucket.url)
    assert sorted([*before, *noted]) == bucket.names()
    # what is lost here comes from there
    for path in (tmp_path / "b" / ".store" / "objects").rglob("*"):
        if path.is_file() and path.suffix != ".json":
            path.write_bytes(b"lost")
    (release,) = (path.parent for path in (tmp_path / "b").glob("*/release.json"))
    (release / "public" / "description.txt").unlink()
    build(lessons, tmp_path / "b", "--store", bucket.url)
    assert contents(tmp_path / "b") == here
    assert all(steps(tmp_path / "b").values())


def test_a_cluster_that_sees_only_a_bucket(
    lessons: Path, here: dict[str, str], endpoint: str, tmp_path: Path
) -> None:
    bucket = Bucket("of-a-cluster", endpoint)
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None,
        local_directory=str(tmp_path / "workers"),
    ) as cluster:  # fmt: skip
        with distributed.Client(cluster, set_as_default=False) as client:
            client.run(only_the_store, str(lessons))
        build(lessons, tmp_path / "out", "--store", bucket.url, "--cluster", cluster.scheduler_address)
        assert contents(tmp_path / "out") == here
        assert not any(steps(tmp_path / "out").values())
        fetched = [path for path in (tmp_path / "workers").rglob("sources/*/*/*") if path.is_file()]
        assert fetched, "no worker had a source from the store"
    left = [path.name for path in (tmp_path / "workers").rglob("*") if path.is_file()]
    assert all(name.endswith(".lock") for name in left), left  # Dask's own
    sources = {name for name in bucket.names() if name.startswith("sources/")}
    assert sources and not [name for name in bucket.names() if name.startswith("builds/")]


def test_a_bucket_that_is_not_there(lessons: Path, endpoint: str, tmp_path: Path) -> None:
    done = run("build", lessons, "--out", tmp_path / "out", "--store", "s3://nobodys/lessons")
    assert done.returncode == 3
    assert done.stderr.strip() == (
        "error: s3://nobodys/lessons: there is no such bucket; make it first, or check the address for a typing slip"
    )
    assert [path.name for path in (tmp_path / "out").iterdir()] == [".store"]


def test_the_bucket_goes_away_during_a_build(lessons: Path, here: dict[str, str], tmp_path: Path) -> None:
    """Told in one sentence; what was made is not made again."""
    with s3_server() as endpoint:
        url = f"s3://{BUCKET}/lessons"
        process = subprocess.Popen(
            [*HASTY, "build", str(lessons), "--out", str(tmp_path / "out"), "--store", url],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        bucket = Bucket("lessons", endpoint)
        while process.poll() is None and sum(name.endswith("made.json") for name in bucket.names()) < 3:
            pass
    _, told = process.communicate(timeout=250)
    assert process.returncode == 3
    assert "Traceback" not in told
    print(told)
    assert told.count("error: ") == 1
    assert f"{url}: " in told and "check the address and the network" in told
    with s3_server():
        build(lessons, tmp_path / "out", "--store", url)
    assert contents(tmp_path / "out") == here
    assert list(steps(tmp_path / "out").values()).count(True) >= 3
