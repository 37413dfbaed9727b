"""The store keeps what was made, whole, and finds it again."""

from __future__ import annotations

import math
import os
from pathlib import Path

import pytest

from pipeline.build.step import Made, Output, Result
from pipeline.build.store import Store
from pipeline.errors import MissingError

KEY = "ab" + "0" * 62
OUTPUTS = (Output("a.txt", "tab"), Output("page-*.svg", "review"))


def kept(store: Store, key: str = KEY, text: str = "hello", result: Result | None = None) -> Made:
    """A result as a step would leave it."""
    with store.work_folder() as folder:
        (folder / "a.txt").write_text(text)
        (folder / "page-01.svg").write_text("<svg/>")
        return store.keep(key, folder, OUTPUTS, result or Result())


def test_what_is_kept_is_found(tmp_path: Path) -> None:
    store = Store(tmp_path / "store")
    made = kept(store, result=Result({"n": 3, "list": [1]}, ("a note",)))
    found = Store(tmp_path / "store").find(KEY)
    assert found == made
    assert [file.name for file in made.files] == ["a.txt", "page-01.svg"]
    assert made.path("a.txt").read_text() == "hello"
    assert found is not None and found.notes == ("a note",)
    assert list((tmp_path / "store" / "making").iterdir()) == []


def test_nothing_is_found_under_another_key(tmp_path: Path) -> None:
    assert Store(tmp_path).find("cd" + "0" * 62) is None


@pytest.mark.parametrize("damage", ["change", "cut", "grow", "remove", "record", "facts", "no record"])
def test_a_damaged_result_is_not_used_and_can_be_made_again(tmp_path: Path, damage: str) -> None:
    store = Store(tmp_path)
    made = kept(store, result=Result({"n": 3}))
    victim = made.path("a.txt")
    match damage:
        case "change":
            victim.write_text("hellO")
        case "cut":
            victim.write_text("hel")
        case "grow":
            victim.write_text("hello!")
        case "remove":
            victim.unlink()
        case "record":
            made.path("made.json").write_text("{ not json")
        case "facts":  # well formed, and not what was measured
            record = made.path("made.json")
            record.write_text(record.read_text().replace('"n": 3', '"n": 4'))
        case "no record":
            made.path("made.json").unlink()
    assert store.find(KEY) is None
    assert store.damaged == {KEY}
    assert not made.folder.exists()
    again = kept(store)
    assert store.find(KEY) == again


def test_two_builds_making_the_same(tmp_path: Path) -> None:
    """The one that comes second finds the other's result in place and uses it."""
    assert kept(Store(tmp_path)).digest == kept(Store(tmp_path)).digest
    assert list((tmp_path / "making").iterdir()) == []


def test_the_step_must_make_what_it_declares(tmp_path: Path) -> None:
    store = Store(tmp_path)
    with store.work_folder() as folder:
        (folder / "page-01.svg").write_text("<svg/>")
        (folder / "b.txt").write_text("?")
        with pytest.raises(
            ValueError, match=r"was to make a\.txt and did not; made b\.txt, which it does not"
        ):
            store.keep(KEY, folder, OUTPUTS, Result())
    assert store.find(KEY) is None


def test_the_longest_unused_go_first(tmp_path: Path) -> None:
    store = Store(tmp_path)
    keys = [f"{place:02}" + "0" * 62 for place in range(5)]
    for place, key in enumerate(keys):
        made = kept(store, key, "x" * 1000)
        os.utime(made.folder / "made.json", (place, place))
    assert store.prune({}, cap_bytes=10**9) == 0
    assert store.find(keys[1]) is not None  # of use again, so among the last to go
    # a receipt says that 2 was of use later than 3; 0 stays in any case
    assert store.prune({keys[0]: math.inf, keys[2]: 100.0}, cap_bytes=4500) == 2
    assert [store.find(key) is not None for key in keys] == [True, True, True, False, False]


def test_nothing_is_pruned_under_another_build(tmp_path: Path) -> None:
    one, other = Store(tmp_path), Store(tmp_path)
    kept(one)
    with one.in_use():
        with other.in_use():
            assert one.prune({}, cap_bytes=1) == 0
        assert one.prune({}, cap_bytes=1) == 1


def test_a_newer_store_is_refused(tmp_path: Path) -> None:
    (tmp_path / "format").write_text("99\n")
    with pytest.raises(MissingError, match="a store of kind '99', this version reads kind 1"):
        Store(tmp_path)


def test_a_store_where_a_file_is(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("a file")
    with pytest.raises(MissingError, match="choose another folder with --out"):
        Store(tmp_path / "out" / ".store")


@pytest.mark.parametrize("mark", ["", "1\x00\x00", "Ünsinn"])
def test_a_damaged_mark_is_written_anew(tmp_path: Path, mark: str) -> None:
    """A disk that lost what was in the mark made every later build refuse the store."""
    made = kept(Store(tmp_path))
    (tmp_path / "format").write_text(mark, "utf-8")
    assert Store(tmp_path).find(made.key) is not None
    assert (tmp_path / "format").read_text() == "1\n"
