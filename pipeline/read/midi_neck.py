"""Which part of a MIDI file is read, on which instrument and which strings."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Final

from pipeline.music.errors import MusicError
from pipeline.music.instrument import INSTRUMENTS, Instrument, parse_tuning
from pipeline.read.midi_song import MidiNote, MidiPart, MidiSong, monophonic

_STRING: Final = re.compile(r"string (\d{1,2})")
# words in a part's name -> built-in instrument
_NAMES: Final = (
    ("ukulele", "ukulele"), ("mandolin", "mandolin"), ("banjo", "banjo"), ("bass", "bass"), ("nylon", "nylon guitar"),
    ("classical", "nylon guitar"), ("electric", "electric guitar"), ("guitar", "guitar"), ("gtr", "guitar"),
)  # fmt: skip
# General MIDI programs, 0-based
_PROGRAMS: Final = {24: "nylon guitar", 25: "guitar", **dict.fromkeys(range(26, 32), "electric guitar"),
                    **dict.fromkeys(range(32, 40), "bass"), 105: "banjo"}  # fmt: skip


def stated_instrument(text: str) -> Instrument | None:
    """``guitar, tuned E2 A2 D3 G3 B3 E4, 22 frets, capo 2`` as an instrument, None when it is none."""
    words = [word.strip() for word in text.split(",")]
    base = INSTRUMENTS.get(words[0].lower())
    tuned = next((word[6:] for word in words[1:] if word.startswith("tuned ")), None)
    try:
        strings = parse_tuning(tuned) if tuned else base.strings if base else None
        if strings is None:
            return None
        low = min(p.midi for p in strings)
        base = base or INSTRUMENTS["bass" if low < 38 and len(strings) < 6 else "guitar"]
        figures = {k: int(v) for w in words[1:] for v, k in re.findall(r"^(\d{1,2}) (frets)$", w)}
        figures |= {k: int(v) for w in words[1:] for k, v in re.findall(r"^(capo|program) (\d{1,3})$", w)}
        return Instrument(
            words[0] or base.name, strings, figures.get("frets", base.frets), base.scale_mm,
            figures.get("program", base.program), figures.get("capo", 0), base.written_octaves, base.clef,
        )  # fmt: skip
    except MusicError:
        return None


def by_strings(song: MidiSong) -> MidiPart | None:
    """The tracks that are named as strings of one instrument, as one part; channels tell the strings."""
    numbered = [
        (part, match) for part in song.parts if (match := _STRING.fullmatch(part.name.strip().lower()))
    ]
    if not numbered or len({m[1] for _, m in numbered}) < len(numbered):
        return None
    notes: list[MidiNote] = []
    for part, match in numbered:
        for note in part.notes:
            note.channel = -int(match[1])  # below 0: the string itself
            notes.append(note)
    first = numbered[0][0]
    return MidiPart(first.number, song.instrument.partition(",")[0] or "strings", first.program, notes)


def choose_part(song: MidiSong, track: str | None) -> tuple[MidiPart | None, list[MidiPart]]:
    """The part to read and the others with notes.

    The one whose name or number is ``track``; without it the one that is told as strings, is
    played by a guitar or its kin, or else has most notes that a guitar has.
    """
    tuneful = [part for part in song.parts if not part.percussion and part.notes]
    if track is not None:
        wanted = track.strip().lower()
        chosen = next((p for p in tuneful if p.name.lower() == wanted), None)
        chosen = chosen or next((p for p in tuneful if str(p.number) == wanted), None)
        return chosen, [p for p in song.parts if p is not chosen]
    strings = by_strings(song)
    if strings is not None:
        return strings, [p for p in song.parts if not _STRING.fullmatch(p.name.strip().lower())]
    low, high = INSTRUMENTS["guitar"].midi_range

    def worth(part: MidiPart) -> tuple[bool, bool, int, int]:
        kin = part.program in _PROGRAMS and part.program not in range(32, 40)
        named = any(word in part.name.lower() for word, _ in _NAMES if word != "bass")
        return (
            len(part.channels) >= 4,
            kin or named,
            sum(low <= n.midi <= high for n in part.notes),
            -part.number,
        )

    chosen = max(tuneful, key=worth, default=None)
    return chosen, [p for p in song.parts if p is not chosen]


def instrument_of(part: MidiPart, song: MidiSong, notes: list[str]) -> Instrument:
    """The instrument a part is played on, by what the file says, its name or its program."""
    stated = stated_instrument(song.instrument) if song.instrument else None
    if stated is not None:
        return stated
    name = next((known for word, known in _NAMES if word in part.name.lower()), None)
    by_program = _PROGRAMS.get(part.program if part.program is not None else -1)
    if name is None or (name == "guitar" and by_program is not None and "guitar" in by_program):
        name = by_program or name
    if name is None:
        name = "bass" if part.notes and max(n.midi for n in part.notes) < 52 else "guitar"
    instrument = INSTRUMENTS[name]
    low = min((n.midi for n in part.notes), default=64)
    if name == "bass" and low < instrument.midi_range[0]:
        instrument = INSTRUMENTS["5-string bass"]
    elif instrument.strings == INSTRUMENTS["guitar"].strings and 35 <= low < 40:
        instrument = INSTRUMENTS["guitar drop D" if low >= 38 else "7-string guitar"]
    tuning = " ".join(str(p) for p in reversed(instrument.strings))
    notes.append(f"the file does not state the tuning: taken as {instrument.name}, {tuning}")
    return instrument


def string_numbers(notes: Sequence[MidiNote], instrument: Instrument) -> dict[int, int]:
    """Channel -> string, where channels are the strings of the instrument; {} where they are not.

    The lowest channel is the first string: common practice of guitar synthesizers; the other way
    round, or from another string on, when only that fits the neck.
    """
    channels = sorted({note.channel for note in notes})
    count = len(instrument.strings)
    if any(channel < 0 for channel in channels):
        return {c: -c for c in channels if 1 <= -c <= count}
    if len(channels) < 2 or channels[-1] - channels[0] > count or len(channels) > count:
        return {}
    if not all(monophonic(n for n in notes if n.channel == c) for c in channels):
        return {}
    spans = {
        c: (min(n.midi for n in notes if n.channel == c), max(n.midi for n in notes if n.channel == c))
        for c in channels
    }
    ranks = {c: c - channels[0] - (1 if channels[0] < 9 < c else 0) for c in channels}  # past percussion
    width = ranks[channels[-1]] + 1
    ways = [{c: first + r for c, r in ranks.items()} for first in range(1, count - width + 2)]
    ways += [{c: last - r for c, r in ranks.items()} for last in range(count, width - 1, -1)]
    for way in ways:
        if all(
            instrument.open_midi(s) <= spans[c][0]
            and spans[c][1] <= instrument.open_midi(s) + instrument.highest_fret
            for c, s in way.items()
        ):
            return way
    return {}
