"""A receipt holds while everything it names is as it was, and not a moment longer."""

from __future__ import annotations

import json
import os
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from pipeline.build import receipt as receipt_module
from pipeline.build.digest import file_digest
from pipeline.build.receipt import Receipt, Receipts, Seen, StepNote, listing, seen, settle


def noted(path: Path) -> Seen:
    return seen(path, file_digest(path))


@pytest.fixture
def receipt(tmp_path: Path) -> Receipt:
    """Of a lesson of two files whose release is two files."""
    for name in ("tab.txt", "lesson.toml", "release.json", "tab.pdf"):
        (tmp_path / name).write_text(f"this is {name}")
    (tmp_path / "texts").mkdir()
    (tmp_path / "texts" / "a.txt.j2").write_text("a")
    settle()
    return Receipt(
        slug="low-tide",
        title="Low Tide",
        lesson=str(tmp_path / "lesson.toml"),
        folder=str(tmp_path),
        asked="a",
        over="o",
        tool="t",
        inputs=(noted(tmp_path / "tab.txt"), noted(tmp_path / "lesson.toml")),
        absent=(str(tmp_path / "channel.toml"),),
        listings=((str(tmp_path / "texts"), "*.j2", listing(tmp_path / "texts", "*.j2")),),
        outputs=(noted(tmp_path / "tab.pdf"), noted(tmp_path / "release.json")),
        steps={"page": StepNote("page", ("align",), "k", "d", 3.0, {"tab bar 1": "x"}, ("tab.txt",))},
        built=("page",),
        cautions=("Look.",),
    )


def test_what_is_as_it_was_stands(receipt: Receipt) -> None:
    assert all(one.identity for one in (*receipt.inputs, *receipt.outputs))
    assert receipt.changed(asked="a", tool="t") == ()
    assert receipt.renewed() is None


def same_size_and_time(folder: Path) -> None:
    """Another text of the same length, its time of modification set back."""
    path = folder / "tab.txt"
    facts = path.stat()
    path.write_text("that is tab.txt")
    os.utime(path, ns=(facts.st_atime_ns, facts.st_mtime_ns))


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (lambda f: (f / "tab.txt").write_text("this is other"), "tab.txt changed"),
        (same_size_and_time, "tab.txt changed"),
        (lambda f: (f / "lesson.toml").unlink(), "lesson.toml changed"),
        (lambda f: (f / "channel.toml").write_text(""), "channel.toml is new"),
        (lambda f: (f / "texts" / "b.txt.j2").write_text(""), "texts holds other files"),
        (lambda f: (f / "tab.pdf").write_text("broken"), "tab.pdf in the release is not as it was made"),
        (lambda f: (f / "release.json").unlink(), "release.json in the release is not as it was made"),
    ],
)
def test_what_changed_is_told(
    receipt: Receipt, tmp_path: Path, change: Callable[[Path], object], told: str
) -> None:
    change(tmp_path)
    assert receipt.changed(asked="a", tool="t") == (told,)


def test_other_wishes_and_another_tool(receipt: Receipt) -> None:
    assert receipt.changed(asked="b", tool="t") == ("something else is asked for",)
    assert receipt.changed(tool="t") == ()
    assert receipt.changed(over="p", tool="t") == ("the week says something else over it",)
    assert receipt.changed(asked="a", tool="u") == (
        "lessonwright or one of its libraries is another version",
    )


def test_the_same_contents_under_another_identity_stand(receipt: Receipt, tmp_path: Path) -> None:
    """A copy of the folder, a restored backup: read once, then known again."""
    text = (tmp_path / "tab.txt").read_text()
    (tmp_path / "tab.txt").unlink()
    (tmp_path / "tab.txt").write_text(text)
    settle()
    assert receipt.changed(asked="a", tool="t") == ()
    renewed = receipt.renewed()
    assert renewed is not None
    assert renewed != receipt
    assert renewed.renewed() is None


def test_a_file_written_a_moment_ago_is_not_told_by_its_identity(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two writings within one tick of the clock look the same but for what they say."""
    path = tmp_path / "tab.txt"
    path.write_text("one")
    written = path.stat().st_ctime_ns
    for later_ns, certain in ((1_000_000, False), (15_000_000, False), (40_000_000, True)):
        monkeypatch.setattr(receipt_module.time, "time_ns", lambda later=later_ns: written + later)
        assert (seen(path, file_digest(path)).identity is not None) == certain


def test_a_clock_that_was_set_back(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Files from the future are told by their contents, however long ago they were written."""
    path = tmp_path / "tab.txt"
    path.write_text("one")
    settle()
    now = time.time_ns()
    monkeypatch.setattr(receipt_module.time, "time_ns", lambda: now - 3600 * 10**9)
    found = seen(path, file_digest(path))
    assert found.identity is None
    assert found.now() == found
    path.write_text("two")
    assert found.now() is None


def test_receipts_are_kept(receipt: Receipt, tmp_path: Path) -> None:
    receipts = Receipts(tmp_path / "receipts")
    receipts.write(receipt)
    assert receipts.find("low-tide") == receipt
    assert receipts.find("high-tide") is None
    receipts.write(replace(receipt, slug="air"))
    assert [one.slug for one in receipts.all()] == ["air", "low-tide"]
    os.utime(tmp_path / "receipts" / "low-tide.json", (100, 100))
    os.utime(tmp_path / "receipts" / "air.json", (200, 200))
    assert receipts.last_use() == {"k": 200.0}


@pytest.mark.parametrize("text", ["", "{", "[]", "null", '{"format": 99}', '{"format": 1}', "\\ud800"])
def test_a_receipt_that_cannot_be_read_is_none(receipt: Receipt, tmp_path: Path, text: str) -> None:
    receipts = Receipts(tmp_path / "receipts")
    receipts.write(receipt)
    (tmp_path / "receipts" / "low-tide.json").write_text(text)
    assert receipts.find("low-tide") is None
    assert list(receipts.all()) == []


def test_every_field_survives(receipt: Receipt) -> None:
    assert Receipt.from_json(json.loads(json.dumps(receipt.to_json()))) == receipt


def test_a_folder_that_may_not_be_looked_into(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A release whose public folder was closed ended the build of all other lessons too."""
    (tmp_path / "a").touch()
    before = listing(tmp_path, "**/*")

    def refused(folder: Path, pattern: str) -> Iterator[Path]:
        raise PermissionError(13, "Permission denied", str(folder))

    monkeypatch.setattr(Path, "glob", refused)
    assert listing(tmp_path, "**/*") not in (before, "")


def test_a_folder_where_the_receipt_should_be(receipt: Receipt, tmp_path: Path) -> None:
    """No build of the lesson ended well any more."""
    (tmp_path / "receipts" / f"{receipt.slug}.json" / "lost").mkdir(parents=True)
    receipts = Receipts(tmp_path / "receipts")
    assert receipts.find(receipt.slug) is None
    receipts.write(receipt)
    assert receipts.find(receipt.slug) == receipt
