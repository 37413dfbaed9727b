"""What lies on the disk, damaged: every file of a store, the receipts, a release. All is noticed and made good."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from pipeline.build.pools import Pools, open_pools
from pipeline.build.report import SilentReporter
from pipeline.build.week import build
from tests.endurance.place import Place

Contents = dict[str, dict[str, str] | None]


class Shelf:
    """A lesson that has been built, with processes that stay for the next build."""

    def __init__(self, folder: Path, pools: Pools) -> None:
        self.place, self.pools = Place(folder, take=False), pools
        self.stock()

    def stock(self) -> None:
        shutil.rmtree(self.place.out, ignore_errors=True)
        self.build()
        self.good = self.place.releases()
        self.kept = {path: path.read_bytes() for path in self.store.rglob("*") if path.is_file()}

    @property
    def store(self) -> Path:
        return self.place.out / ".store" / "objects"

    @property
    def release(self) -> Path:
        return self.place.out / self.place.slugs[0]

    def build(self) -> set[str]:
        """Steps that were run."""
        summary = build([self.place.target], out=self.place.out, report=SilentReporter(), pools=self.pools)
        assert summary.exit_code == 0, summary.to_json()
        return {step.name for lesson in summary.lessons for step in lesson.steps if step.state == "made"}

    def forget_the_release(self) -> None:
        shutil.rmtree(self.release)
        shutil.rmtree(self.place.out / ".store" / "receipts")

    def is_good(self) -> None:
        assert self.place.releases() == self.good
        assert self.place.litter() == []
        now = {path: path.read_bytes() for path in self.store.rglob("*") if path.is_file()}
        assert now == self.kept


@pytest.fixture(scope="module")
def stocked(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shelf]:
    with open_pools(2, None) as pools:
        yield Shelf(tmp_path_factory.mktemp("shelf"), pools)


@pytest.fixture
def shelf(stocked: Shelf) -> Iterator[Shelf]:
    """The same for all tests, as new for each."""
    yield stocked
    try:
        stocked.is_good()
    except (AssertionError, OSError):
        stocked.stock()


def flip(path: Path) -> None:
    """One bit, in a file that looks as old as it was."""
    facts, data = path.stat(), bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(data)
    os.utime(path, ns=(facts.st_atime_ns, facts.st_mtime_ns))


def halve(path: Path) -> None:
    os.truncate(path, path.stat().st_size // 2)


def empty(path: Path) -> None:
    os.truncate(path, 0)


def lengthen(path: Path) -> None:
    with path.open("ab") as file:
        file.write(b"\0")


def into_a_folder(path: Path) -> None:
    path.unlink()
    path.mkdir()


DAMAGES: dict[str, Callable[[Path], Any]] = {
    "a bit turned over": flip,
    "cut in half": halve,
    "emptied": empty,
    "a byte too long": lengthen,
    "removed": Path.unlink,
    "a folder in its place": into_a_folder,
}


def damage_each(shelf: Shelf, files: list[Path], hurt: Callable[[Path], Any], *, apart: bool) -> int:
    """Damage one file after the other; each time the release comes out as it was.

    apart : the release has its own copy of the file and is taken away; otherwise both are the
        one file on the disk, and both are damaged
    """
    for path in files:
        if apart:
            copy = path.with_name("copy")
            shutil.copy2(path, copy)
            copy.replace(path)
            shelf.forget_the_release()
        hurt(path)
        made = shelf.build()
        owner = path.parent.name
        assert len(made) == 1, f"{path.name} of {owner}: {made}"
        shelf.is_good()
    return len(files)


def test_a_damaged_file_of_the_store_is_noticed(shelf: Shelf) -> None:
    sample = [next(shelf.store.glob("*/*/*.mid")), next(shelf.store.glob("*/*/made.json"))]
    assert damage_each(shelf, sample, flip, apart=True) == 2


@pytest.mark.slow
@pytest.mark.timeout(1200)
@pytest.mark.parametrize("hurt", DAMAGES.values(), ids=DAMAGES)
def test_every_file_of_the_store_damaged_in_turn(shelf: Shelf, hurt: Callable[[Path], Any]) -> None:
    files = sorted(shelf.kept)
    assert len(files) > 20
    damage_each(shelf, files, hurt, apart=True)


@pytest.mark.slow
@pytest.mark.timeout(1200)
def test_every_file_that_store_and_release_share_damaged_in_turn(shelf: Shelf) -> None:
    files = [path for path in sorted(shelf.kept) if path.stat().st_nlink > 1]
    assert len(files) > 5
    damage_each(shelf, files, flip, apart=False)


@pytest.mark.slow
def test_results_removed_as_a_whole(shelf: Shelf) -> None:
    for home in sorted(shelf.store.glob("*/*")):
        shelf.forget_the_release()
        shutil.rmtree(home)
        assert len(shelf.build()) == 1
        shelf.is_good()
    shutil.rmtree(shelf.store)
    shelf.build()  # what stands needs nothing from the store
    assert shelf.place.releases() == shelf.good
    shelf.forget_the_release()
    assert shelf.build()
    shelf.is_good()


@pytest.mark.parametrize("hurt", [flip, halve, empty, lengthen, Path.unlink])
def test_a_damaged_receipt_only_costs_a_look(shelf: Shelf, hurt: Callable[[Path], Any]) -> None:
    (receipt,) = (shelf.place.out / ".store" / "receipts").iterdir()
    hurt(receipt)
    assert shelf.build() == set()
    shelf.is_good()
    assert receipt.is_file()


@pytest.mark.slow
@pytest.mark.parametrize("hurt", DAMAGES.values(), ids=DAMAGES)
def test_every_file_of_a_release_damaged_in_turn(shelf: Shelf, hurt: Callable[[Path], Any]) -> None:
    for path in sorted(path for path in shelf.release.rglob("*") if path.is_file()):
        copy = path.with_name("copy")
        shutil.copy2(path, copy)
        copy.replace(path)  # the store's file of the same contents stays as it is
        hurt(path)
        assert shelf.build() == set(), path
        shelf.is_good()
