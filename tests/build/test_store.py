"""The store keeps what was made, whole, and finds it again."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from pipeline.build.step import Output, Result
from pipeline.build.store import Store
from pipeline.errors import MissingError

KEY = "ab" + "0" * 62
OUTPUTS = (Output("a.txt", "tab"), Output("page-*.svg", "review"))


def filled(store: Store, text: str = "hello") -> Path:
    folder = store.work_folder()
    (folder / "a.txt").write_text(text)
    (folder / "page-01.svg").write_text("<svg/>")
    return folder


def test_what_is_kept_is_found(tmp_path: Path) -> None:
    store = Store(tmp_path / "store")
    kept = store.keep(KEY, filled(store), OUTPUTS, Result({"n": 3, "list": [1]}, ("a note",)))
    found = Store(tmp_path / "store").find(KEY)
    assert found == kept
    assert [file.name for file in kept.files] == ["a.txt", "page-01.svg"]
    assert kept.path("a.txt").read_text() == "hello"
    assert found is not None and found.notes == ("a note",)
    store.close()
    assert list((tmp_path / "store" / "making").iterdir()) == []


def test_nothing_is_found_under_another_key(tmp_path: Path) -> None:
    assert Store(tmp_path).find("cd" + "0" * 62) is None


@pytest.mark.parametrize("damage", ["change", "cut", "grow", "remove", "record", "no record"])
def test_a_damaged_result_is_not_used_and_can_be_made_again(tmp_path: Path, damage: str) -> None:
    store = Store(tmp_path)
    made = store.keep(KEY, filled(store), OUTPUTS, Result())
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
        case "no record":
            made.path("made.json").unlink()
    assert store.find(KEY) is None
    assert not made.folder.exists()
    again = store.keep(KEY, filled(store), OUTPUTS, Result())
    assert store.find(KEY) == again


def test_two_builds_making_the_same(tmp_path: Path) -> None:
    """The one that comes second finds the other's result in place and uses it."""
    one, other = Store(tmp_path), Store(tmp_path)
    first = one.keep(KEY, filled(one), OUTPUTS, Result())
    late = filled(other)
    second = other.keep(KEY, late, OUTPUTS, Result())
    assert first.digest == second.digest
    assert not late.exists()


def test_the_step_must_make_what_it_declares(tmp_path: Path) -> None:
    store = Store(tmp_path)
    folder = filled(store)
    (folder / "a.txt").unlink()
    (folder / "b.txt").write_text("?")
    with pytest.raises(ValueError, match=r"was to make a\.txt and did not; made b\.txt, which it does not"):
        store.keep(KEY, folder, OUTPUTS, Result())
    assert store.find(KEY) is None


def test_work_of_a_dead_run_is_swept(tmp_path: Path) -> None:
    store = Store(tmp_path)
    mine = store.work_folder()
    pid = os.fork()
    if not pid:
        os._exit(0)
    os.waitpid(pid, 0)
    host = mine.parent.name.rpartition("-")[0]
    (tmp_path / "making" / f"{host}-{pid}" / "step-x").mkdir(parents=True)
    (tmp_path / "making" / f"elsewhere-{pid}").mkdir()
    assert store.sweep() == 1
    assert {path.name for path in (tmp_path / "making").iterdir()} == {mine.parent.name, f"elsewhere-{pid}"}


def test_the_longest_unused_go_first(tmp_path: Path) -> None:
    store = Store(tmp_path)
    keys = [f"{place:02}" + "0" * 62 for place in range(4)]
    for place, key in enumerate(keys):
        made = store.keep(key, filled(store, "x" * 1000), OUTPUTS, Result())
        os.utime(made.folder / "made.json", (place, place))
    assert store.prune(set(), cap_bytes=10**9) == 0
    assert store.find(keys[1]) is not None  # of use again, so among the last to go
    assert store.prune({keys[0]}, cap_bytes=3000) == 2
    assert [store.find(key) is not None for key in keys] == [True, True, False, False]


def test_a_newer_store_is_refused(tmp_path: Path) -> None:
    (tmp_path / "format").write_text("99\n")
    with pytest.raises(MissingError, match="a store of kind '99', this version reads kind 1"):
        Store(tmp_path)


def test_a_store_where_a_file_is(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("a file")
    with pytest.raises(MissingError, match="choose another folder with --out"):
        Store(tmp_path / "out" / ".store")
