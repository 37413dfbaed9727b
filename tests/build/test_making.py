"""Work folders go with their process, however it ends."""

from __future__ import annotations

import multiprocessing
import os
import signal
from multiprocessing.connection import Connection
from pathlib import Path

import pytest

from pipeline.build.making import Making


def hold(root: Path, ready: Connection) -> None:
    """In a process of its own: hold a folder until killed."""
    with Making(root).folder("step") as folder:
        (folder / "half").write_text("made")
        ready.send(folder.name)
        signal.pause()


def test_a_folder_is_gone_afterwards(tmp_path: Path) -> None:
    making = Making(tmp_path / "making")
    with making.folder("step") as folder:
        (folder / "a").write_text("x")
        assert making.sweep() == 0
    with pytest.raises(RuntimeError), making.folder("step") as folder:
        raise RuntimeError
    assert list((tmp_path / "making").iterdir()) == []


def test_a_folder_may_be_moved_out(tmp_path: Path) -> None:
    with Making(tmp_path / "making").folder("step") as folder:
        folder.rename(tmp_path / "done")
    assert (tmp_path / "done").is_dir()
    assert list((tmp_path / "making").iterdir()) == []


def test_what_a_dead_process_left_is_swept_and_a_living_one_keeps_its_own(tmp_path: Path) -> None:
    context = multiprocessing.get_context("spawn")
    processes, names = [], []
    for _ in range(2):
        here, there = context.Pipe()
        process = context.Process(target=hold, args=(tmp_path, there))
        process.start()
        names.append(here.recv())
        processes.append(process)
    dead, living = processes
    making = Making(tmp_path)
    assert making.sweep() == 0
    assert making.at_work("step") == 2
    assert dead.pid is not None
    os.kill(dead.pid, signal.SIGKILL)
    dead.join()
    assert making.sweep() == 1
    assert {path.name for path in tmp_path.iterdir()} == {names[1], names[1] + ".held"}
    living.kill()
    living.join()
    assert making.at_work("step") == 0
    assert list(tmp_path.iterdir()) == []


def test_a_file_is_written_whole_and_what_is_left_of_it_can_be_swept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A process killed while it wrote a receipt left half of it beside the others for good."""
    making, path = Making(tmp_path / "making"), tmp_path / "receipts" / "ebb.json"
    making.write_whole(path, b"one")
    assert path.read_bytes() == b"one"

    def full(beside: Path) -> None:
        assert list(path.parent.iterdir()) == [path], "nothing half-written lies beside it"
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("pipeline.build.making.sync_file", full)
    with pytest.raises(OSError, match="No space"):
        making.write_whole(path, b"two")
    assert path.read_bytes() == b"one"
    assert list((tmp_path / "making").iterdir()) == []


def test_a_folder_that_nobody_holds_is_swept(tmp_path: Path) -> None:
    (tmp_path / "somewhere-123" / "step-x").mkdir(parents=True)
    assert Making(tmp_path).sweep() == 1
    assert list(tmp_path.iterdir()) == []


def test_nothing_to_sweep(tmp_path: Path) -> None:
    assert Making(tmp_path / "not there").sweep() == 0
