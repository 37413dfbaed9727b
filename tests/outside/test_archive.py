"""Packs and tags as other programs see them."""

from __future__ import annotations

import shutil
import subprocess
import zipfile
from pathlib import Path

import pytest

from pipeline.pack.archive import CHECKSUMS, Member, checksum_list, write_zip
from pipeline.pack.tags import TrackChapter, TrackTags, write_tags
from tests.debian import needs
from tests.pack.test_tags import picture, silent_frames


@pytest.fixture
def pack(tmp_path: Path) -> Path:
    members: dict[str, Member] = {
        "low-tide - tab.pdf": b"%PDF-",
        "low-tide - backing - A minor - 104 bpm.mp3": silent_frames(),
    }
    members[CHECKSUMS] = checksum_list(members)
    write_zip(tmp_path / "low-tide-crew.zip", members)
    return tmp_path / "low-tide-crew.zip"


@needs(shutil.which("unzip") is not None, "unzip")
def test_unzip_finds_no_fault(pack: Path) -> None:
    """Info-ZIP unzip -t: every member's CRC-32."""
    done = subprocess.run(["unzip", "-t", str(pack)], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "No errors detected" in done.stdout


def test_zip_signatures_and_dates(pack: Path) -> None:
    """APPNOTE.TXT 4.3.7: local header 50 4B 03 04; 4.4.6: 1 January 1980 is 0x0021, 0:00 is 0."""
    data = pack.read_bytes()
    assert data.startswith(b"PK\x03\x04")
    assert data[10:14] == bytes.fromhex("0000 2100")
    assert data[8:10] == b"\x00\x00"  # 4.4.5: method 0, stored
    assert data[-22:-18] == b"PK\x05\x06"


@needs(shutil.which("sha256sum") is not None, "coreutils")
def test_sha256sum_agrees(pack: Path, tmp_path: Path) -> None:
    """GNU coreutils sha256sum -c reads the list and agrees."""
    folder = tmp_path / "unpacked"
    with zipfile.ZipFile(pack) as archive:
        archive.extractall(folder)
    done = subprocess.run(
        ["sha256sum", "--strict", "-c", CHECKSUMS], cwd=folder, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.count(": OK") == 2


def test_chapter_frame_byte_for_byte(tmp_path: Path) -> None:
    """ID3v2 Chapter Frame Addendum 1.0, CHAP: id, times, offsets that say "use the times",
    TIT2 inside. Bytes worked out by hand from it and ID3v2.4.0 structure, section 4."""
    track = tmp_path / "a.mp3"
    track.write_bytes(silent_frames())
    write_tags(track, TrackTags("T", chapters=(TrackChapter(15.0, 42.0, "Slow"),)))
    wanted = bytes.fromhex(
        "43484150 00000025 0000 6368703000 00003A98 0000A410 FFFFFFFF FFFFFFFF"
        "54495432 00000006 0000 03 536C6F77 00"
    )
    assert wanted in track.read_bytes()


def test_ffmpeg_reads_title_cover_and_chapters(tmp_path: Path) -> None:
    """FFmpeg's own ID3 reader, through PyAV."""
    import av

    track = tmp_path / "a.mp3"
    track.write_bytes(silent_frames(400))
    chapters = (TrackChapter(1.0, 4.5, "Call"), TrackChapter(4.5, 9.0, "Answer"))
    write_tags(track, TrackTags("Tide", artist="A Teacher", key="F#m", cover=picture(), chapters=chapters))
    with av.open(str(track)) as container:
        assert container.metadata["title"] == "Tide"
        assert container.metadata["artist"] == "A Teacher"
        assert container.metadata["TKEY"] == "F#m"
        assert [stream.codec_context.name for stream in container.streams.video] == ["png"]
        found = [
            (float(c["start"] * c["time_base"]), float(c["end"] * c["time_base"]), c["metadata"]["title"])
            for c in container.chapters()
        ]
    assert found == [(1.0, 4.5, "Call"), (4.5, 9.0, "Answer")]
