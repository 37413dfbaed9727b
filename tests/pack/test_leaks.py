"""What is for supporters is caught in the public folder, whatever it is called."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from pipeline.pack.archive import write_zip
from pipeline.pack.leaks import find_leaks


@pytest.fixture
def release(tmp_path: Path) -> Path:
    (tmp_path / "public").mkdir()
    (tmp_path / "packs" / "crew").mkdir(parents=True)
    (tmp_path / "public" / "clip.mp4").write_bytes(b"clip")
    (tmp_path / "packs" / "crew" / "clip.mp4").write_bytes(b"clip")
    (tmp_path / "packs" / "crew" / "tab.pdf").write_bytes(b"tab")
    return tmp_path


def leaks(release: Path, **public: bytes) -> list[str]:
    meant = {name.replace("_", "."): hashlib.sha256(data).hexdigest() for name, data in public.items()}
    return [
        f"{leak.path.name}: {leak.why}"
        for leak in find_leaks(release / "public", release / "packs", public=meant)
    ]


def test_a_clean_release(release: Path) -> None:
    assert leaks(release, clip_mp4=b"clip") == []


def test_a_supporters_file_under_another_name(release: Path) -> None:
    (release / "public" / "holiday.jpg").write_bytes(b"tab")
    assert leaks(release, clip_mp4=b"clip") == [
        "holiday.jpg: the same as packs/crew/tab.pdf, which is for supporters"
    ]


def test_a_supporters_file_under_a_public_name(release: Path) -> None:
    (release / "public" / "still.png").write_bytes(b"tab")
    assert leaks(release, clip_mp4=b"clip", still_png=b"still") == [
        "still.png: the same as packs/crew/tab.pdf, which is for supporters"
    ]


def test_a_file_that_is_only_inside_the_zip(release: Path) -> None:
    write_zip(release / "packs" / "tune-crew.zip", {"extra.mid": b"midi"})
    (release / "public" / "x").write_bytes(b"midi")
    assert leaks(release, clip_mp4=b"clip") == [
        "x: the same as packs/tune-crew.zip: extra.mid, which is for supporters"
    ]


def test_the_zip_itself(release: Path) -> None:
    write_zip(release / "packs" / "tune-crew.zip", {"extra.mid": b"midi"})
    data = (release / "packs" / "tune-crew.zip").read_bytes()
    (release / "public" / "description.txt").write_bytes(data)
    assert leaks(release, clip_mp4=b"clip", description_txt=b"words") == [
        "description.txt: the same as packs/tune-crew.zip, which is for supporters"
    ]


def test_a_stranger_a_changed_file_and_a_link(release: Path) -> None:
    (release / "public" / "deep").mkdir()
    (release / "public" / "deep" / "stranger").write_bytes(b"?")
    (release / "public" / "clip.mp4").write_bytes(b"other")
    (release / "public" / "link").symlink_to(release / "packs" / "crew" / "tab.pdf")
    assert leaks(release, clip_mp4=b"clip") == [
        "clip.mp4: not what was made to be public under this name",
        "stranger: not among the files that are meant to be public",
        "link: a link, which may lead to anything",
    ]


def test_no_public_folder_no_leak(tmp_path: Path) -> None:
    assert find_leaks(tmp_path / "public", tmp_path / "packs", public={}) == ()
