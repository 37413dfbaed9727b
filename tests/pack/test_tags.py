"""Tags: what a player shows, the same bytes each time."""

from __future__ import annotations

from dataclasses import replace
from io import BytesIO
from pathlib import Path

import pytest
from PIL import Image

from pipeline.pack.tags import TrackChapter, TrackTags, write_tags


def silent_frames(count: int = 40) -> bytes:
    """MPEG-1 layer III frames of silence: 128 kbit/s, 44.1 kHz, 417 bytes each, all zero after
    the header (ISO/IEC 11172-3, 2.4.1.3)."""
    return (b"\xff\xfb\x90\x00" + bytes(413)) * count


def picture(kind: str = "PNG") -> bytes:
    with BytesIO() as out:
        Image.new("RGB", (8, 8), "#123456").save(out, kind)
        return out.getvalue()


TAGS = TrackTags(
    title="Low Tide - backing track",
    album="Low Tide",
    artist="A Teacher",
    composer="A Teacher",
    rights="own work",
    key="Am",
    tempo_bpm=92.5,
    seconds=61.5,
    sorted_by="Low Tide - 00 0092.50 - 0",
    cover=picture(),
    integrated_lufs=-14.0,
    true_peak_dbtp=-1.0,
    chapters=(TrackChapter(2.0, 10.5, "Call"), TrackChapter(10.5, 61.0, "Antwort ♭")),
)


@pytest.fixture
def track(tmp_path: Path) -> Path:
    path = tmp_path / "a.mp3"
    path.write_bytes(silent_frames())
    return path


def test_everything_is_read_back(track: Path) -> None:
    from mutagen.id3 import ID3

    write_tags(track, TAGS)
    read = ID3(track)
    texts = {name: read[name].text[0] for name in ("TIT2", "TALB", "TPE1", "TCOM", "TCOP", "TKEY", "TBPM")}
    assert texts == {
        "TIT2": "Low Tide - backing track",
        "TALB": "Low Tide",
        "TPE1": "A Teacher",
        "TCOM": "A Teacher",
        "TCOP": "own work",
        "TKEY": "Am",
        "TBPM": "92",
    }
    assert read["TLEN"].text == ["61500"]
    assert read["TSOT"].text == ["Low Tide - 00 0092.50 - 0"]
    # ReplayGain 2.0: gain = -18 - I; -1 dBTP is 0.891251 of full scale
    assert read["TXXX:REPLAYGAIN_TRACK_GAIN"].text == ["-4.00 dB"]
    assert read["TXXX:REPLAYGAIN_TRACK_PEAK"].text == ["0.891251"]
    assert (read["APIC:Cover"].mime, read["APIC:Cover"].type) == ("image/png", 3)
    assert [read[f"CHAP:chp{i}"].sub_frames["TIT2"].text[0] for i in (0, 1)] == ["Call", "Antwort ♭"]
    assert read["CTOC:toc"].child_element_ids == ["chp0", "chp1"]


def test_the_sound_stays_and_old_tags_go(track: Path) -> None:
    write_tags(track, TAGS)
    once = track.read_bytes()
    assert once.endswith(silent_frames())
    write_tags(track, TAGS)
    assert track.read_bytes() == once
    write_tags(track, TrackTags("Bare"))
    assert b"Low Tide" not in track.read_bytes()
    assert track.read_bytes().endswith(silent_frames())


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"key": "A dorian"}, "at most three characters"),
        ({"cover": b"GIF89a"}, "a PNG or a JPEG"),
        ({"chapters": (TrackChapter(5.0, 5.0, "Stop"),)}, "'Stop' runs from 5000 to 5000 ms"),
        ({"chapters": (TrackChapter(-1.0, 5.0, "Early"),)}, "'Early' runs from -1000"),
    ],
)
def test_what_a_tag_cannot_hold(track: Path, change: dict[str, object], message: str) -> None:
    before = track.read_bytes()
    with pytest.raises(ValueError, match=message):
        write_tags(track, replace(TAGS, **change))  # type: ignore[arg-type]
    assert track.read_bytes() == before
