"""Events in seconds, and their packing as a Standard MIDI File for the synthesizer.

The file is only an envelope: 24 000 ticks a quarter at 120 quarters a minute make one
tick one sample at 48 kHz. (The MIDI file for musicians is made in ``page``.)

References
----------
Standard MIDI Files 1.0 (RP-001, 1996). MIDI 1.0: pitch-bend range is RPN 0,0 in semitones
(CC 6) and cents (CC 38); fine tuning is RPN 0,1, 14 bits over -100..+100 cents.
"""

from __future__ import annotations

import io
from typing import Final

import mido

TICKS_PER_QUARTER: Final = 24_000
TICKS_PER_SECOND: Final = 48_000
BEND_RANGE: Final = 12
_TAIL_S: Final = 3.0  # after the last event


class Events:
    """Messages gathered in any order, sorted when packed."""

    def __init__(self) -> None:
        self._found: list[tuple[int, int, int, mido.Message]] = []

    def _add(self, second: float, order: int, message: mido.Message) -> None:
        tick = max(0, round(second * TICKS_PER_SECOND))
        self._found.append((tick, order, len(self._found), message))

    def note(self, start_s: float, end_s: float, channel: int, key: int, velocity: int) -> None:
        """A note on and off. At one instant offs come first, then controls, then ons."""
        self._add(start_s, 3, mido.Message("note_on", channel=channel, note=key, velocity=velocity))
        self._add(end_s, 0, mido.Message("note_off", channel=channel, note=key, velocity=0))

    def program(self, second: float, channel: int, program: int) -> None:
        self._add(second, 1, mido.Message("program_change", channel=channel, program=program))

    def control(self, second: float, channel: int, number: int, value: int) -> None:
        self._add(second, 1, mido.Message("control_change", channel=channel, control=number, value=value))

    def dry(self, channel: int) -> None:
        """No reverb or chorus from the synthesizer, full volume and expression."""
        for number, value in ((91, 0), (93, 0), (7, 127), (11, 127), (10, 64)):
            self.control(0.0, channel, number, value)

    def _registered(self, channel: int, number: int, coarse: int, fine: int) -> None:
        for control, value in ((101, 0), (100, number), (6, coarse), (38, fine), (101, 127), (100, 127)):
            self.control(0.0, channel, control, value)

    def bend_range(self, channel: int) -> None:
        """The wheel reaches :data:`BEND_RANGE` semitones either way."""
        self._registered(channel, 0, BEND_RANGE, 0)

    def fine_tune(self, channel: int, cents: float) -> None:
        """The channel sounds this many cents (-100..100) above A4 = 440 Hz."""
        if cents:
            value = min(16383, max(0, round(8192 + cents / 100.0 * 8192)))
            self._registered(channel, 1, value >> 7, value & 0x7F)

    def wheel(self, second: float, channel: int, semitones: float) -> None:
        """Pitch wheel to ``semitones``, within :data:`BEND_RANGE`."""
        value = min(8191, max(-8192, round(semitones / BEND_RANGE * 8192)))
        self._add(second, 2, mido.Message("pitchwheel", channel=channel, pitch=value))

    @property
    def end_s(self) -> float:
        return max((tick for tick, *_ in self._found), default=0) / TICKS_PER_SECOND

    @property
    def sounding(self) -> bool:
        return any(message.type == "note_on" for *_, message in self._found)

    def notes(self) -> list[tuple[float, int, int, int]]:
        """Note-ons as (second, channel, key, velocity), in time."""
        ons = sorted((i for i in self._found if i[3].type == "note_on"), key=lambda i: i[:3])
        return [(t / TICKS_PER_SECOND, m.channel, m.note, m.velocity) for t, _, _, m in ons]

    def to_midi(self) -> bytes:
        """The file's bytes, with time to ring out; the same events give the same bytes."""
        track = mido.MidiTrack([mido.MetaMessage("set_tempo", tempo=500_000, time=0)])
        now = 0
        for tick, _, _, message in sorted(self._found, key=lambda item: item[:3]):
            track.append(message.copy(time=tick - now))
            now = tick
        track.append(mido.MetaMessage("end_of_track", time=round(_TAIL_S * TICKS_PER_SECOND)))
        data = io.BytesIO()
        mido.MidiFile(type=0, ticks_per_beat=TICKS_PER_QUARTER, tracks=[track]).save(file=data)
        return data.getvalue()
