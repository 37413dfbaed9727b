"""Files that are there in full or not at all."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.wholefile import write_whole, written_beside


def test_a_file_is_written_whole_or_not(tmp_path: Path) -> None:
    path = tmp_path / "a.txt"
    write_whole(path, b"old")
    with pytest.raises(KeyboardInterrupt), written_beside(path) as beside:
        beside.write_bytes(b"half of the ne")
        raise KeyboardInterrupt
    assert path.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [path]


def test_the_place_beside_keeps_the_ending_and_any_name_fits(tmp_path: Path) -> None:
    """A name as long as a disk allows had no room left for what was added to it."""
    path = tmp_path / f"{'a' * 251}.mp3"
    with written_beside(path) as beside:
        assert (beside.parent, beside.suffix) == (tmp_path, ".mp3")
        beside.write_bytes(b"x")
    assert path.read_bytes() == b"x"
    assert path.stat().st_mode & 0o777 == 0o644


def test_folders_on_the_way_are_made(tmp_path: Path) -> None:
    write_whole(tmp_path / "one" / "two" / "a", b"x")
    assert (tmp_path / "one" / "two" / "a").read_bytes() == b"x"
    with pytest.raises(OSError, match="one/two/a"):
        write_whole(tmp_path / "one" / "two" / "a" / "b", b"x")
