"""The same steps on a cluster give the same as at home."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.build.graph import Graph
from pipeline.build.report import SilentReporter
from pipeline.build.run import Runner, open_pool
from pipeline.build.store import Store
from pipeline.errors import MissingError
from tests.build.fakes import step

distributed = pytest.importorskip("dask.distributed", reason="the extra `cluster` is not installed")


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::DeprecationWarning", "ignore::UserWarning")
def test_steps_run_on_a_cluster(tmp_path: Path) -> None:
    log = tmp_path / "log"
    log.mkdir()
    steps = [step("a", "a", log), step("b", "b", log), step("c", "c", log, needs=("a", "b"))]
    steps.append(step("bad", "x", log, fail="raise"))
    digests = []
    cluster = distributed.LocalCluster(
        n_workers=1, threads_per_worker=1, processes=True, dashboard_address=None
    )
    with cluster:
        for name, address in (("home", None), ("cluster", cluster.scheduler_address)):
            store = Store(tmp_path / name)
            with open_pool(None if address else 1, address) as pool:
                done = Runner(Graph(steps), store, pool, SilentReporter(), lambda *_: None).run()
            assert done["tune", "bad"].outcome.message == "RuntimeError: the wire broke"
            made = done["tune", "c"].made
            assert made is not None
            digests.append(made.digest)
    assert digests[0] == digests[1]


@pytest.mark.slow
def test_a_cluster_that_is_not_there(tmp_path: Path) -> None:
    with (
        pytest.raises(MissingError, match=r"--cluster tcp://127\.0\.0\.1:9: no scheduler answers there"),
        open_pool(None, "tcp://127.0.0.1:9"),
    ):
        pass
