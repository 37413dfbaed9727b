"""The bytes of a Standard MIDI File, read with every length checked before it is believed.

Conventions
-----------
Events come with the tick they fall on, counted from the start of the piece, and the byte of
the file they begin at, so that what is wrong can be pointed at.

References
----------
Standard MIDI Files 1.0 (RP-001): chunks, variable-length quantities (at most four bytes),
running status (only between channel messages), meta events, SMPTE division. Chunks of an
unknown type are skipped, as the standard asks.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from pipeline.errors import Problems

MOST_BYTES: Final = 32 * 1024 * 1024
MOST_EVENTS: Final = 400_000
MOST_TICKS: Final = 1 << 31
_REMEDY: Final = "Export the file again from the program it comes from."
_META, _SYSEX, _ESCAPE = 0xFF, 0xF0, 0xF7
_END: Final = 0x2F


@dataclass(frozen=True, slots=True)
class RawEvent:
    """One event: ``status`` 0x80-0xEF of a channel, or 0xFF with the ``kind`` of a meta event."""

    tick: int
    byte: int
    status: int
    kind: int
    data: bytes

    @property
    def channel(self) -> int:
        return self.status & 0x0F

    @property
    def message(self) -> int:
        """0x80 note off, 0x90 note on, 0xB0 control, 0xC0 program, 0xE0 wheel; 0xF0 for meta events."""
        return self.status & 0xF0


@dataclass(frozen=True, slots=True)
class RawFile:
    """format : 0 or 1; division : ticks to the quarter; ends : the tick each track ends on"""

    format: int
    division: int
    tracks: tuple[tuple[RawEvent, ...], ...]
    ends: tuple[int, ...]


class _BrokenError(Exception):
    """Something at a byte of the file that cannot be."""

    def __init__(self, byte: int, what: str) -> None:
        self.byte, self.what = byte, what
        super().__init__(what)


def read_chunks(path: Path, problems: Problems) -> RawFile | None:
    """The events of a MIDI file, or None when it cannot be used, which is told."""
    try:
        size = path.stat().st_size
        data = path.read_bytes() if size <= MOST_BYTES else b""
    except OSError as error:
        problems.error(
            f"the file cannot be read ({error.strerror or error})",
            path=path,
            remedy="Check its name and place.",
        )
        return None
    if size > MOST_BYTES:
        problems.error(
            f"{size} bytes are more than a MIDI file of music needs (at most {MOST_BYTES})",
            path=path, remedy=_REMEDY,
        )  # fmt: skip
        return None
    return parse_chunks(data, path, problems)


def parse_chunks(data: bytes, path: Path, problems: Problems) -> RawFile | None:
    """The events in the bytes of a MIDI file, or None when they cannot be used, which is told."""
    try:
        return _parse(data, path, problems)
    except _BrokenError as error:
        problems.error(f"at byte {error.byte}: {error.what}", path=path, remedy=_REMEDY)
        return None


def _parse(data: bytes, path: Path, problems: Problems) -> RawFile:
    start = 0
    if data[:4] == b"RIFF" and data[8:12] == b"RMID":  # a MIDI file in a RIFF wrapping
        start = data.find(b"MThd")
    if data[start : start + 4] != b"MThd" or start < 0:
        got = data[:4].decode("latin-1") if data else "nothing"
        raise _BrokenError(0, f"a MIDI file begins with MThd, got {got!r}")
    if len(data) < start + 14:
        raise _BrokenError(len(data), "the file ends inside its header")
    length = int.from_bytes(data[start + 4 : start + 8], "big")
    if length < 6:
        raise _BrokenError(start + 4, f"the header is at least 6 bytes long, got {length}")
    kind, count, division = (int.from_bytes(data[start + n : start + n + 2], "big") for n in (8, 10, 12))
    if kind == 2:
        raise _BrokenError(start + 8, "format 2 holds pieces side by side; formats 0 and 1 are read")
    if kind > 2:
        raise _BrokenError(start + 8, f"unknown format {kind}; formats 0 and 1 are read")
    if division & 0x8000:
        raise _BrokenError(
            start + 12, "time is counted in film frames (SMPTE), not in ticks to a quarter note"
        )
    if division == 0:
        raise _BrokenError(start + 12, "no ticks to a quarter note")
    tracks: list[tuple[RawEvent, ...]] = []
    ends: list[int] = []
    room = MOST_EVENTS
    at = start + 8 + length
    while at < len(data) and len(tracks) < count:
        if len(data) - at < 8:
            raise _BrokenError(at, "the file ends inside the head of a chunk")
        name, size = data[at : at + 4], int.from_bytes(data[at + 4 : at + 8], "big")
        body, stop = at + 8, at + 8 + size
        if stop > len(data):
            if name != b"MTrk":
                raise _BrokenError(at + 4, f"a chunk of {size} bytes, but only {len(data) - body} are left")
            # a length that lies; the events themselves still say where the track ends
            stop = len(data)
        if name == b"MTrk":
            events, end, used = _track(data, body, stop, room)
            if at + 8 + size > len(data):
                if used < 0:
                    raise _BrokenError(
                        at + 4, f"the track says {size} bytes, but the file ends before its end"
                    )
                problems.caution(
                    f"at byte {at + 4}: the track says {size} bytes, only {stop - body} are there; "
                    "its events are complete", path=path, remedy=_REMEDY,
                )  # fmt: skip
            elif used < 0:
                problems.caution(f"at byte {stop}: a track without its end mark", path=path, remedy=_REMEDY)
            room -= len(events)
            tracks.append(tuple(events))
            ends.append(end)
        at = stop
    if len(tracks) < count:
        if not tracks:
            raise _BrokenError(min(at, len(data)), f"the header says {count} tracks, none is there")
        problems.caution(
            f"the header says {count} tracks, {len(tracks)} are there", path=path, remedy=_REMEDY
        )
    if not tracks:
        raise _BrokenError(start + 10, "a MIDI file without tracks")
    return RawFile(kind, division, tuple(tracks), tuple(ends))


def _quantity(data: bytes, at: int, stop: int) -> tuple[int, int]:
    """A variable-length quantity and the byte behind it."""
    value = 0
    for place in range(4):
        if at + place >= stop:
            raise _BrokenError(at, "the track ends inside a length")
        byte = data[at + place]
        value = value << 7 | byte & 0x7F
        if byte < 0x80:
            return value, at + place + 1
    raise _BrokenError(at, "a length of more than four bytes")


def _track(data: bytes, at: int, stop: int, room: int) -> tuple[list[RawEvent], int, int]:
    """The events of a track, the tick it ends on, and the byte behind its end mark (-1: none)."""
    events: list[RawEvent] = []
    tick, running = 0, 0
    while at < stop:
        delta, at = _quantity(data, at, stop)
        tick += delta
        if tick > MOST_TICKS:
            raise _BrokenError(at, f"an event after {tick} ticks, more than a piece of music lasts")
        if len(events) >= room:
            raise _BrokenError(at, f"more than {MOST_EVENTS} events")
        if at >= stop:
            raise _BrokenError(at, "the track ends where an event should be")
        begin, status = at, data[at]
        if status >= 0x80:
            at += 1
        elif running:
            status = running
        else:
            raise _BrokenError(at, f"an event begins with {status:#04x}, which is no status")
        if status == _META:
            if at >= stop:
                raise _BrokenError(at, "the track ends inside an event")
            kind = data[at]
            size, at = _quantity(data, at + 1, stop)
            if at + size > stop:
                raise _BrokenError(
                    begin, f"an event of {size} bytes, but only {stop - at} are left of its track"
                )
            running = 0
            if kind == _END:
                return events, tick, at + size
            events.append(RawEvent(tick, begin, status, kind, data[at : at + size]))
            at += size
        elif status in (_SYSEX, _ESCAPE):
            size, at = _quantity(data, at, stop)
            if at + size > stop:
                raise _BrokenError(
                    begin, f"an event of {size} bytes, but only {stop - at} are left of its track"
                )
            running = 0
            at += size
        elif status < _SYSEX:
            running = status
            need = 1 if status & 0xF0 in (0xC0, 0xD0) else 2
            if at + need > stop:
                raise _BrokenError(begin, "the track ends inside an event")
            body = data[at : at + need]
            if any(byte >= 0x80 for byte in body):
                raise _BrokenError(at, f"a data byte above 127 in an event {status:#04x}")
            events.append(RawEvent(tick, begin, status, 0, body))
            at += need
        else:
            raise _BrokenError(begin, f"an event {status:#04x}, which no file may hold")
    return events, tick, -1


def texts(events: tuple[RawEvent, ...], *kinds: int) -> Iterator[tuple[int, str]]:
    """(tick, text) of the meta events of these kinds: UTF-8 where it is, else Latin-1."""
    for event in events:
        if event.status == _META and event.kind in kinds:
            try:
                text = event.data.decode("utf-8")
            except UnicodeDecodeError:
                text = event.data.decode("latin-1")
            yield event.tick, " ".join("".join(c if c.isprintable() else " " for c in text).split())
