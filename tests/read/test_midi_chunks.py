"""The bytes of MIDI files: damaged ones are refused at a byte, never trusted."""

from __future__ import annotations

import random
import re
from pathlib import Path

import pytest

from pipeline.errors import Problems
from pipeline.page.midi import write_midi
from pipeline.read.midi import read_midi
from pipeline.read.midi_chunks import parse_chunks, read_chunks
from tests.page.pieces import techniques_tab

HEAD = "4D546864 00000006 0001 0001 01E0"
PLAIN = "00 90 40 50 83 60 80 40 40 00 FF 2F 00"


def file_of(events: str, *, head: str = HEAD, length: int | None = None) -> bytes:
    body = bytes.fromhex(events)
    size = len(body) if length is None else length
    return bytes.fromhex(head) + b"MTrk" + size.to_bytes(4, "big") + body


@pytest.mark.parametrize(
    ("data", "text"),
    [
        (b"", "byte 0: a MIDI file begins with MThd, got 'nothing'"),
        (b"hello there", "byte 0: a MIDI file begins with MThd, got 'hell'"),
        (bytes.fromhex("4D546864 0000"), "byte 6: the file ends inside its header"),
        (file_of(PLAIN, head="4D546864 00000002 0001 0001 01E0"), "byte 4: the header is at least 6 bytes long, got 2"),
        (file_of(PLAIN, head="4D546864 00000006 0002 0001 01E0"), "byte 8: format 2"),
        (file_of(PLAIN, head="4D546864 00000006 0007 0001 01E0"), "byte 8: unknown format 7"),
        (file_of(PLAIN, head="4D546864 00000006 0001 0001 E728"), r"byte 12: time is counted in film frames \(SMPTE\)"),
        (file_of(PLAIN, head="4D546864 00000006 0001 0001 0000"), "byte 12: no ticks"),
        (bytes.fromhex(HEAD), "byte 14: the header says 1 tracks, none is there"),
        (file_of("00 90 40 50 83 60 80", length=500), "byte 2[0-9]: the track ends inside an event"),
        (file_of("00 90 40 50 83 60 80 40 40", length=1 << 31), "byte 18: the track says 2147483648 bytes"),
        (file_of("FF FF FF FF 7F 90 40 50"), "byte 22: a length of more than four bytes"),
        (file_of("00 40 50"), "byte 23: an event begins with 0x40, which is no status"),
        (file_of("00 90 40 D0"), "byte 24: a data byte above 127"),
        (file_of("00 F4 00"), "byte 23: an event 0xf4, which no file may hold"),
        (file_of("00 FF 01 FF FF FF 7F 41"), "byte 23: an event of 268435455 bytes, but only 1 are left"),
        (file_of("00 F0 88 00 41"), "byte 23: an event of 1024 bytes, but only 1 are left"),
        (file_of("FF FF FF 7F 90 40 00 " * 12), "more than a piece of music lasts"),
    ],
)  # fmt: skip
def test_damage_is_refused_at_its_byte(data: bytes, text: str) -> None:
    problems = Problems()
    assert parse_chunks(data, Path("x.mid"), problems) is None
    assert len(problems.errors) == 1 and re.search(text, problems.errors[0].what), problems.errors


@pytest.mark.parametrize(
    ("data", "text"),
    [
        (
            file_of(PLAIN, length=5000),
            "the track says 5000 bytes, only 13 are there; its events are complete",
        ),
        (file_of("00 90 40 50 83 60 80 40 40"), "a track without its end mark"),
        (file_of(PLAIN, head="4D546864 00000006 0001 0009 01E0"), "the header says 9 tracks, 1 are there"),
    ],
)
def test_small_lies_are_told_and_read(data: bytes, text: str) -> None:
    problems = Problems()
    raw = parse_chunks(data, Path("x.mid"), problems)
    assert raw is not None and [e.tick for e in raw.tracks[0]] == [0, 480]
    assert not problems.errors and text in problems.cautions[0].what


def test_running_status_stops_at_meta_events() -> None:
    assert parse_chunks(file_of("00 90 40 50 10 40 00 00 FF 2F 00"), Path("x"), Problems()) is not None
    problems = Problems()
    assert parse_chunks(file_of("00 90 40 50 00 FF 01 00 00 40 00"), Path("x"), problems) is None


def test_unknown_chunks_are_skipped() -> None:
    data = file_of(PLAIN)
    odd = data[:14] + b"Junk" + (3).to_bytes(4, "big") + b"abc" + data[14:]
    raw = parse_chunks(odd, Path("x"), Problems())
    assert raw is not None and len(raw.tracks[0]) == 2


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    problems = Problems()
    assert read_chunks(tmp_path / "none.mid", problems) is None
    assert "cannot be read" in problems.errors[0].what


@pytest.mark.parametrize("events", ["", "00 FF 2F 00", "00 99 26 50 10 89 26 00 00 FF 2F 00"])
def test_files_without_a_tune(events: str, tmp_path: Path) -> None:
    path = tmp_path / "x.mid"
    path.write_bytes(file_of(events))
    problems = Problems()
    assert read_midi(path, problems) is None and len(problems.errors) == 1
    assert problems.errors[0].remedy


def test_a_lone_far_note_is_not_a_piece(tmp_path: Path) -> None:
    path = tmp_path / "x.mid"
    path.write_bytes(file_of("BF FF FF 7F 90 40 50 83 60 80 40 40 00 FF 2F 00"))
    problems = Problems()
    assert read_midi(path, problems) is None
    assert "the piece would have" in problems.errors[0].what


def mutated(data: bytes, dice: random.Random) -> bytes:
    bad = bytearray(data)
    for _ in range(dice.randint(1, 6)):
        way, at = dice.randrange(4), dice.randrange(len(bad))
        if way == 0:
            bad[at] = dice.randrange(256)
        elif way == 1:
            del bad[at : at + dice.randint(1, 30)]
        elif way == 2:
            bad[at:at] = bytes(dice.randrange(256) for _ in range(dice.randint(1, 8)))
        else:
            bad[at : at + 4] = b"\xff\xff\xff\x7f"
        if not bad:
            return b""
    return bytes(bad[: dice.randrange(len(bad))] if dice.random() < 0.15 else bad)


@pytest.mark.parametrize("seed", range(4))
def test_damaged_files_are_read_or_refused(seed: int, tmp_path: Path) -> None:
    data, dice = write_midi(techniques_tab()), random.Random(seed)
    path = tmp_path / "x.mid"
    read = 0
    for _ in range(40):
        path.write_bytes(mutated(data, dice))
        problems = Problems()
        tab = read_midi(path, problems)
        assert (tab is None) == bool(problems.errors)
        read += tab is not None
    assert read  # some damage is harmless
