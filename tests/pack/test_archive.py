"""Packs: the same bytes each time, whole or not at all, safe to unpack."""

from __future__ import annotations

import os
import zipfile
from pathlib import Path

import pytest

from pipeline.pack.archive import CHECKSUMS, checksum_list, write_zip


def test_the_same_members_make_the_same_bytes(tmp_path: Path) -> None:
    one, other = tmp_path / "one.txt", tmp_path / "other.txt"
    one.write_text("notes")
    write_zip(tmp_path / "a.zip", {"b.txt": one, "a.txt": b"first"})
    other.write_text("notes")
    os.utime(other, (1, 1))
    other.chmod(0o600)
    write_zip(tmp_path / "b.zip", {"a.txt": b"first", "b.txt": other})
    assert (tmp_path / "a.zip").read_bytes() == (tmp_path / "b.zip").read_bytes()


def test_members_come_out_as_they_went_in(tmp_path: Path) -> None:
    write_zip(tmp_path / "a.zip", {"read me – first.txt": b"x" * 100_000, "folder/tab.pdf": b""})
    with zipfile.ZipFile(tmp_path / "a.zip") as archive:
        assert archive.testzip() is None
        assert archive.namelist() == ["folder/tab.pdf", "read me – first.txt"]
        assert archive.read("read me – first.txt") == b"x" * 100_000
        entry = archive.infolist()[0]
        assert (entry.date_time, entry.external_attr >> 16) == ((1980, 1, 1, 0, 0, 0), 0o100644)


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("../up.txt", "cannot hold a file called"),
        ("/top.txt", "cannot hold a file called"),
        ("a//b.txt", "cannot hold a file called"),
        ("./a.txt", "cannot hold a file called"),
        ("a\\b.txt", "not every system can store"),
        ("what?.txt", "not every system can store"),
        ("bell\a.txt", "not every system can store"),
        ("", "cannot hold a file called"),
    ],
)
def test_names_that_leave_the_pack_are_refused(tmp_path: Path, name: str, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        write_zip(tmp_path / "a.zip", {name: b""})
    assert list(tmp_path.iterdir()) == []


def test_a_pack_of_nothing_and_twins_are_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="at least one file"):
        write_zip(tmp_path / "a.zip", {})
    with pytest.raises(ValueError, match="differ only in capitals"):
        write_zip(tmp_path / "a.zip", {"Tab.pdf": b"", "tab.pdf": b""})


def test_a_member_that_cannot_be_read_leaves_the_old_pack(tmp_path: Path) -> None:
    write_zip(tmp_path / "a.zip", {"a": b"old"})
    before = (tmp_path / "a.zip").read_bytes()
    with pytest.raises(FileNotFoundError):
        write_zip(tmp_path / "a.zip", {"a": b"new", "b": tmp_path / "missing"})
    assert (tmp_path / "a.zip").read_bytes() == before
    assert [path.name for path in tmp_path.iterdir()] == ["a.zip"]


def test_checksums_name_every_member() -> None:
    text = checksum_list({"b": b"abc", "a": b""}).decode()
    assert text == (
        "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855  a\n"
        "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad  b\n"
    )
    assert CHECKSUMS.endswith(".txt")
