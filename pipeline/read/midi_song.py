"""What a MIDI file holds, gathered from its events: maps of the piece, and parts of notes.

Conventions
-----------
Times are quarters (fractions of the ticks). Heights of the wheel are semitones, by the range
that RPN 0 sets on the channel, two semitones before that.

References
----------
MIDI 1.0: note on with velocity 0 is note off; registered parameter 0; General MIDI level 1:
channel 10 is percussion. Standard MIDI Files 1.0: meta events.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Final

from pipeline.read.midi_chunks import RawEvent, RawFile, texts

PERCUSSION: Final = 9  # index of channel 10
_BENT_TOGETHER: Final = 4  # notes of one channel that the wheel is followed for
_META: Final = 0xFF
_NAME, _INSTRUMENT, _LYRIC, _MARKER, _CUE, _TEXT = 0x03, 0x04, 0x05, 0x06, 0x07, 0x01
_TEMPO, _METRE, _KEY = 0x51, 0x58, 0x59


@dataclass(slots=True, eq=False)
class MidiNote:
    """A note as it stands in the file.

    curve : (quarter, semitones) of the wheel from the note's start to its end, start included
    modulation : the highest position of the modulation wheel meanwhile, 0..127
    words : a text that stands with its start
    """

    channel: int
    onset: Fraction
    end: Fraction
    midi: int
    velocity: int
    byte: int
    curve: list[tuple[Fraction, float]] = field(default_factory=list)
    modulation: int = 0
    words: str = ""


@dataclass(slots=True)
class MidiPart:
    """The notes of one track, or of one channel of a format 0 file."""

    number: int
    name: str
    program: int | None
    notes: list[MidiNote]
    percussion: bool = False

    @property
    def channels(self) -> list[int]:
        return sorted({note.channel for note in self.notes})


@dataclass(slots=True)
class MidiSong:
    """The whole file. Every map holds (quarter, value), in order.

    tempos : microseconds to the quarter; keys : (sharps or minus flats, minor)
    """

    division: int
    title: str = ""
    instrument: str = ""
    tempos: list[tuple[Fraction, int]] = field(default_factory=list)
    metres: list[tuple[Fraction, tuple[int, int]]] = field(default_factory=list)
    keys: list[tuple[Fraction, tuple[int, bool]]] = field(default_factory=list)
    markers: list[tuple[Fraction, str]] = field(default_factory=list)
    lyrics: list[tuple[Fraction, str]] = field(default_factory=list)
    cues: list[tuple[Fraction, str]] = field(default_factory=list)
    words: list[tuple[Fraction, str]] = field(default_factory=list)
    parts: list[MidiPart] = field(default_factory=list)
    unended: int = 0
    end: Fraction = Fraction(0)


def gather(raw: RawFile) -> MidiSong:
    """The song in the events of a file."""
    song = MidiSong(raw.division)
    song.end = Fraction(max(raw.ends), raw.division)
    for number, events in enumerate(raw.tracks):
        _maps(song, events, raw, number)
        notes, programs, unended = _notes(events, raw.division, raw.ends[number])
        song.unended += unended
        name = next((text for _, text in texts(events, _NAME) if text), "")
        if number == 0 and (raw.format == 1 or len(raw.tracks) == 1) and (raw.format == 0 or not notes):
            song.title = name
        drums = [note for note in notes if note.channel == PERCUSSION]
        tuneful = [note for note in notes if note.channel != PERCUSSION]
        groups = [tuneful]
        if raw.format == 0 and not _one_player(tuneful, programs):
            groups = [[n for n in tuneful if n.channel == c] for c in sorted({n.channel for n in tuneful})]
        for group in groups:
            if group:
                program = programs.get(group[0].channel)
                label = (
                    name
                    if raw.format == 1
                    else f"channel {group[0].channel + 1}"
                    if len(groups) > 1
                    else name
                )
                song.parts.append(MidiPart(len(song.parts) + 1, label, program, group))
        if drums:
            song.parts.append(MidiPart(len(song.parts) + 1, name or "percussion", None, drums, True))
    if song.instrument:
        song.end = Fraction(raw.ends[0], raw.division)
    for found in (song.tempos, song.metres, song.keys, song.markers, song.lyrics, song.cues):
        found.sort(key=lambda item: item[0])
    return song


def _one_player(notes: list[MidiNote], programs: dict[int, int]) -> bool:
    """Whether channels look like the strings of one instrument: neighbours of one program, each
    with one note at a time."""
    channels = sorted({note.channel for note in notes})
    if not 4 <= len(channels) <= 12 or len({programs.get(c) for c in channels}) > 1:
        return False
    if any(b - a > 2 for a, b in itertools.pairwise(channels)):
        return False
    return all(monophonic(note for note in notes if note.channel == c) for c in channels)


def monophonic(notes: Iterable[MidiNote]) -> bool:
    """Whether notes sound one after another (a sixteenth of overlap is legato)."""
    until = Fraction(-1)
    for note in sorted(notes, key=lambda n: n.onset):
        if note.onset < until - Fraction(1, 4):
            return False
        until = max(until, note.end)
    return True


def _maps(song: MidiSong, events: tuple[RawEvent, ...], raw: RawFile, number: int) -> None:
    def at(tick: int) -> Fraction:
        return Fraction(tick, raw.division)

    for event in events:
        if event.status != _META:
            continue
        if event.kind == _TEMPO and len(event.data) == 3:
            song.tempos.append((at(event.tick), int.from_bytes(event.data, "big")))
        elif event.kind == _METRE and len(event.data) >= 2:
            song.metres.append((at(event.tick), (event.data[0], event.data[1])))
        elif event.kind == _KEY and len(event.data) == 2:
            fifths = event.data[0] - 256 if event.data[0] > 127 else event.data[0]
            song.keys.append((at(event.tick), (fifths, event.data[1] == 1)))
    song.markers += [(at(tick), text) for tick, text in texts(events, _MARKER) if text]
    song.lyrics += [(at(tick), text) for tick, text in texts(events, _LYRIC) if text]
    song.cues += [(at(tick), text) for tick, text in texts(events, _CUE) if text]
    if number == 0:
        song.words += [(at(tick), text) for tick, text in texts(events, _TEXT) if text]
        song.instrument = next((text for _, text in texts(events, _INSTRUMENT) if text), "")


def _notes(
    events: tuple[RawEvent, ...], division: int, last: int
) -> tuple[list[MidiNote], dict[int, int], int]:
    """Notes, the first program of each channel, and how many notes never ended."""
    found: list[MidiNote] = []
    sounding: dict[tuple[int, int], list[MidiNote]] = {}
    on_channel: dict[int, list[MidiNote]] = {}
    programs: dict[int, int] = {}
    ranges: dict[int, float] = {}
    heights: dict[int, int] = {}
    modulations: dict[int, int] = {}
    rpn: dict[int, tuple[int, int]] = {}
    words: tuple[int, str] = (-1, "")
    for event in events:
        now = Fraction(event.tick, division)
        channel, message = event.channel, event.message
        if event.status == _META:
            if event.kind == _TEXT:
                words = (event.tick, event.data.decode("utf-8", "replace"))
        elif message == 0x90 and event.data[1]:
            note = MidiNote(channel, now, now, event.data[0], event.data[1], event.byte)
            note.curve = [(now, heights.get(channel, 0) * ranges.get(channel, 2.0) / 8192)]
            note.modulation = modulations.get(channel, 0)
            if words[0] == event.tick:
                note.words, words = words[1], (-1, "")
            found.append(note)
            sounding.setdefault((channel, event.data[0]), []).append(note)
            on_channel.setdefault(channel, []).append(note)
        elif message in (0x80, 0x90):
            open_notes = sounding.get((channel, event.data[0]))
            if open_notes:
                note = open_notes.pop(0)
                note.end = now
                on_channel[channel].remove(note)  # by identity
        elif message == 0xE0:
            heights[channel] = (event.data[0] | event.data[1] << 7) - 8192
            height = heights[channel] * ranges.get(channel, 2.0) / 8192
            for note in on_channel.get(channel, [])[:_BENT_TOGETHER]:
                note.curve.append((now, height))
        elif message == 0xC0:
            programs.setdefault(channel, event.data[0])
        elif message == 0xB0:
            control, value = event.data
            if control == 1:
                modulations[channel] = value
                for note in on_channel.get(channel, []):
                    note.modulation = max(note.modulation, value)
            elif control in (100, 101):
                high, low = rpn.get(channel, (127, 127))
                rpn[channel] = (value, low) if control == 101 else (high, value)
            elif control in (98, 99):
                rpn[channel] = (127, 127)  # another kind of parameter
            elif control == 6 and rpn.get(channel) == (0, 0):
                ranges[channel] = float(value)
            elif control == 38 and rpn.get(channel) == (0, 0):
                ranges[channel] = int(ranges.get(channel, 2.0)) + value / 100
    unended = 0
    for open_notes in sounding.values():
        for note in open_notes:
            note.end = max(Fraction(last, division), note.onset)
            unended += 1
    for note in found:
        if note.end <= note.onset:  # a note of no length still sounds
            note.end = note.onset + Fraction(1, max(32, division // 8 or 1))
        # of several positions at one moment the last counts; one at the very end is the next note's
        note.curve = sorted({quarter: height for quarter, height in note.curve if quarter < note.end}.items())
    return found, programs, unended
