"""Tags for MP3 files: title, key, tempo, cover, and a chapter for each phrase.

References
----------
ID3v2.4.0 native frames (1 Nov 2000): TIT2 4.2.1, TPE1 4.2.2, TBPM, TKEY, TLEN 4.2.3, TSOT 4.2.5,
APIC 4.14.
ID3v2 Chapter Frame Addendum 1.0 (2 Dec 2005): CHAP, CTOC.
ReplayGain 2.0: gain against -18 LUFS.
"""

from __future__ import annotations

import importlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

REPLAYGAIN_LUFS: Final = -18.0
_WHOLE: Final = 0xFFFFFFFF  # a byte offset that says: use the times
_UTF8: Final = 3
_FRONT_COVER: Final = 3


@dataclass(frozen=True, slots=True)
class TrackChapter:
    """A named stretch of the file, seconds."""

    start_s: float
    end_s: float
    name: str


@dataclass(frozen=True, slots=True)
class TrackTags:
    """What a player shows. Empty text and None are left out.

    sorted_by : what players sort by instead of the title, where it is said
    key : at most three characters, ``Am``, ``F#``, ``Dbm`` (a mode beyond major and minor is
        given as the nearer of the two)
    cover : PNG or JPEG
    """

    title: str
    sorted_by: str = ""
    album: str = ""
    artist: str = ""
    composer: str = ""
    rights: str = ""
    key: str = ""
    tempo_bpm: float | None = None
    seconds: float | None = None
    cover: bytes | None = None
    integrated_lufs: float | None = None
    true_peak_dbtp: float | None = None
    chapters: tuple[TrackChapter, ...] = ()


def _id3() -> Any:
    # mutagen's annotations are partial: taken as untyped as a whole
    return importlib.import_module("mutagen.id3")


def _media_type(picture: bytes) -> str:
    if picture.startswith(b"\x89PNG\r\n\x1a\n"):
        return "image/png"
    if picture.startswith(b"\xff\xd8\xff"):
        return "image/jpeg"
    raise ValueError("a cover is a PNG or a JPEG picture")


def write_tags(path: Path, tags: TrackTags) -> None:
    """Tag an MP3 file in place, replacing tags it has.

    Raises
    ------
    ValueError : a key of more than three characters, a cover of another kind, chapters that
        run backwards.
    """
    if len(tags.key) > 3:
        raise ValueError(f"a key in a tag has at most three characters, got {tags.key!r}")
    id3 = _id3()
    frames = id3.ID3()

    def text(frame: Any, value: str) -> None:
        if value:
            frames.add(frame(encoding=_UTF8, text=[value]))

    text(id3.TIT2, tags.title)
    text(id3.TSOT, tags.sorted_by)
    text(id3.TALB, tags.album)
    text(id3.TPE1, tags.artist)
    text(id3.TCOM, tags.composer)
    text(id3.TCOP, tags.rights)
    text(id3.TKEY, tags.key)
    text(id3.TBPM, f"{tags.tempo_bpm:.0f}" if tags.tempo_bpm else "")
    text(id3.TLEN, f"{tags.seconds * 1000:.0f}" if tags.seconds else "")
    if tags.integrated_lufs is not None:
        _add_user_text(frames, "REPLAYGAIN_TRACK_GAIN", f"{REPLAYGAIN_LUFS - tags.integrated_lufs:.2f} dB")
    if tags.true_peak_dbtp is not None:
        _add_user_text(frames, "REPLAYGAIN_TRACK_PEAK", f"{10 ** (tags.true_peak_dbtp / 20):.6f}")
    if tags.cover is not None:
        frames.add(
            id3.APIC(
                encoding=_UTF8, mime=_media_type(tags.cover), type=_FRONT_COVER, desc="Cover", data=tags.cover
            )
        )
    _add_chapters(frames, tags.chapters)
    # replaces every tag the file has, of both versions
    frames.save(path, v1=0, v2_version=4, padding=lambda _: 0)


def _add_user_text(frames: Any, name: str, value: str) -> None:
    id3 = _id3()
    frames.add(id3.TXXX(encoding=_UTF8, desc=name, text=[value]))


def _add_chapters(frames: Any, chapters: Sequence[TrackChapter]) -> None:
    id3 = _id3()
    names = [f"chp{place}" for place in range(len(chapters))]
    for name, chapter in zip(names, chapters, strict=True):
        start, end = round(chapter.start_s * 1000), round(chapter.end_s * 1000)
        if not 0 <= start < end:
            raise ValueError(f"chapter {chapter.name!r} runs from {start} to {end} ms")
        title = id3.TIT2(encoding=_UTF8, text=[chapter.name])
        frames.add(
            id3.CHAP(
                element_id=name, start_time=start, end_time=end, start_offset=_WHOLE, end_offset=_WHOLE,
                sub_frames=[title],
            )
        )  # fmt: skip
    if names:
        flags = id3.CTOCFlags.TOP_LEVEL | id3.CTOCFlags.ORDERED
        title = id3.TIT2(encoding=_UTF8, text=["Phrases"])
        frames.add(id3.CTOC(element_id="toc", flags=flags, child_element_ids=names, sub_frames=[title]))
