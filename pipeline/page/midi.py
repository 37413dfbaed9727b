"""A tab as a Standard MIDI File for other programs: exact times, one channel for each string.

Conventions
-----------
- Format 1: track 0 has tempo, metre, key and phrase names, then one track for each string.
- The *played* form, repeats unrolled; straight times even where eighths swing (a text event
  says so), since notation programs want what is written.
- Pitch wheel range is twelve semitones up and down, set by RPN 0 on each channel. Bends move
  it as the string moves; a slide moves it at the end of the note it leaves.
- Vibrato is the modulation wheel (controller 1).

References
----------
Standard MIDI Files 1.0 (RP-001); MIDI 1.0, registered parameter 0; General MIDI level 1.
"""

from __future__ import annotations

import io
import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

import mido

from pipeline.music.errors import MusicError
from pipeline.music.tab import DYNAMICS, SoundingNote, Tab
from pipeline.music.technique import (
    Accent,
    Bend,
    Dead,
    Ghost,
    Grace,
    HammerOn,
    PullOff,
    Slide,
    SlideKind,
    Tap,
    Vibrato,
)
from pipeline.page.directions import swing_words

TICKS: Final = 960  # to the quarter
BEND_RANGE: Final = 12  # semitones
WHEEL_STEP: Final = Fraction(1, 48)  # quarters between two positions of the pitch wheel
GRACE: Final = Fraction(1, 8)  # what a grace note takes, quarters
# General MIDI drums have channel 10 (index 9)
CHANNELS: Final = tuple(channel for channel in range(16) if channel != 9)

# off before control before on, at one tick
_OFF, _CONTROL, _ON = 0, 1, 2


@dataclass(slots=True)
class _Played:
    """A note with its place made exact: grace notes have taken their time."""

    sound: SoundingNote
    onset: Fraction
    end: Fraction


def velocity_of(sound: SoundingNote) -> int:
    """1..127 from dynamics and the way of striking. Steps: common practice."""
    note = sound.note
    value = 20 + 14 * DYNAMICS.index(note.dynamic)
    accent = note.get(Accent)
    if accent is not None:
        value += 22 if accent.strong else 14
    if note.has(Ghost):
        value -= 30
    if note.has(HammerOn, PullOff, Tap):
        value -= 10
    return max(1, min(127, value))


def write_midi(tab: Tab, *, semitones: int = 0, tempo_bpm: float | None = None) -> bytes:
    """The file's bytes; the same music gives the same bytes.

    Parameters
    ----------
    semitones : moves every note
    tempo_bpm : quarters a minute at the start; later tempo marks keep their proportion

    Raises
    ------
    MusicError : a moved note is outside MIDI's 0 to 127.
    """
    if tempo_bpm is not None:
        tab = tab.with_tempo(tempo_bpm)
    file = mido.MidiFile(type=1, ticks_per_beat=TICKS)
    file.tracks.append(_conductor(tab, semitones))
    by_string: dict[int, list[_Played]] = {n: [] for n in range(1, len(tab.instrument.strings) + 1)}
    for played in _in_place(tab):
        by_string[played.sound.note.string].append(played)
    for string, notes in by_string.items():
        file.tracks.append(_string_track(tab, string, notes, semitones))
    buffer = io.BytesIO()
    file.save(file=buffer)
    return buffer.getvalue()


def _tick(quarter: Fraction) -> int:
    return round(quarter * TICKS)


def _in_place(tab: Tab) -> Iterator[_Played]:
    """Every struck note; graces get their time from their neighbour."""
    strings: dict[int, list[_Played]] = {}
    delay: dict[tuple[int, Fraction], Fraction] = {}
    sounds = tab.sounding
    for sound in sounds:
        grace = sound.note.get(Grace)
        home = strings.setdefault(sound.note.string, [])
        if grace is None:
            onset = sound.onset + delay.pop((sound.note.string, sound.onset), Fraction(0))
            home.append(_Played(sound, onset, sound.end))
            continue
        start = sound.onset
        if not grace.on_beat and sound.onset >= GRACE:
            start -= GRACE
        else:
            delay[sound.note.string, sound.onset] = GRACE
        home.append(_Played(sound, start, start + GRACE))
    for home in strings.values():
        _share_graces(home)
        for before, after in itertools.pairwise(home):
            before.end = max(min(before.end, after.onset), before.onset + Fraction(1, TICKS))
    yield from sorted(
        (played for home in strings.values() for played in home),
        key=lambda played: (played.onset, played.sound.index),
    )


def _share_graces(notes: list[_Played]) -> None:
    """Several graces on one string share the time of one."""
    for start, run in itertools.groupby(
        [played for played in notes if played.sound.note.grace], key=lambda played: played.onset
    ):
        group = list(run)
        for place, played in enumerate(group):
            played.onset = start + GRACE * Fraction(place, len(group))
            played.end = start + GRACE * Fraction(place + 1, len(group))


def _conductor(tab: Tab, semitones: int) -> mido.MidiTrack:
    events: list[tuple[int, int, mido.MetaMessage]] = []
    fifths = tab.key.fifths + 7 * semitones
    if semitones:
        fifths = (fifths + 5) % 12 - 5  # the signature with the fewest signs
    key = _key_name(fifths, minor=tab.key.minorish)
    events.append((0, 0, mido.MetaMessage("track_name", name=_latin(tab.title or "tab"))))
    events.append((0, 3, mido.MetaMessage("key_signature", key=key)))
    if tab.swing != Fraction(1, 2):
        events.append((0, 4, mido.MetaMessage("text", text=swing_words(tab.swing))))
    metre, bpm = None, None
    for bar in tab.form.played.bars:
        if bar.bar.metre != metre:
            metre = bar.bar.metre
            # clocks of a click: 24 to the quarter
            events.append((_tick(bar.start), 1, mido.MetaMessage(
                "time_signature", numerator=metre.beats, denominator=metre.unit,
                clocks_per_click=round(24 * metre.beat_quarters))))  # fmt: skip
        written = tab.form.written.bars[bar.written]
        marks = [t for t in tab.tempos if t.quarter <= written.start][-1:]
        marks += [t for t in tab.tempos if written.start < t.quarter < written.end]
        for mark in marks:
            place = bar.start + max(Fraction(0), mark.quarter - written.start)
            if mark.bpm != bpm:
                bpm = mark.bpm
                events.append((_tick(place), 2, mido.MetaMessage("set_tempo", tempo=mido.bpm2tempo(bpm))))
    for phrase in tab.phrases:
        for start, _ in tab.phrase_spans(phrase):
            events.append((_tick(start), 5, mido.MetaMessage("marker", text=_latin(phrase.name))))
    return _track(events, _tick(tab.form.played.length))


def _key_name(fifths: int, *, minor: bool) -> str:
    names = "FCGDAEB"
    place = fifths + (3 if minor else 0)
    letter = names[(place + 1) % 7]
    signs = (place + 1) // 7
    return letter + ("#" * signs if signs > 0 else "b" * -signs) + ("m" if minor else "")


def _latin(text: str) -> str:
    """Text events are Latin-1 in practice; other letters become question marks."""
    plain = text.replace("♭", "b").replace("♯", "#").replace("’", "'").replace("–", "-")
    return plain.encode("latin-1", "replace").decode("latin-1")


def _track(events: list[tuple[int, int, mido.MetaMessage]], length: int) -> mido.MidiTrack:
    """Events (tick, order, message) as a track with delta times that ends with the piece."""
    track = mido.MidiTrack()
    now = 0
    for tick, _, message in sorted(events, key=lambda event: event[:2]):
        track.append(message.copy(time=tick - now))
        now = tick
    track.append(mido.MetaMessage("end_of_track", time=max(0, length - now)))
    return track


def _string_track(tab: Tab, string: int, notes: list[_Played], semitones: int) -> mido.MidiTrack:
    channel = CHANNELS[string - 1]
    events: list[tuple[int, int, mido.Message]] = []

    def control(tick: int, number: int, value: int) -> None:
        events.append((tick, _CONTROL, mido.Message(
            "control_change", channel=channel, control=number, value=value)))  # fmt: skip

    events.append((0, _CONTROL - 1, mido.MetaMessage("track_name", name=f"string {string}")))
    events.append((0, _CONTROL, mido.Message(
        "program_change", channel=channel, program=tab.instrument.program)))  # fmt: skip
    # RPN 0: pitch bend sensitivity; then the null parameter
    for number, value in ((101, 0), (100, 0), (6, BEND_RANGE), (38, 0), (101, 127), (100, 127)):
        control(0, number, value)
    wheel = 0
    for place, played in enumerate(notes):
        sound = played.sound
        midi = sound.note.sounding_midi(tab.instrument) + semitones
        if not 0 <= midi <= 127:
            raise MusicError(
                f"{tab.where(sound.note)}: moved by {semitones}, the note is outside MIDI's range"
            )
        start, end = _tick(played.onset), _tick(played.end)
        following = notes[place + 1] if place + 1 < len(notes) else None
        for tick, value in _wheel(played, following):
            if value != wheel:
                wheel = value
                events.append((tick, _CONTROL, mido.Message("pitchwheel", channel=channel, pitch=value)))
        vibrato = sound.note.get(Vibrato)
        if vibrato is not None:
            control(start, 1, 100 if vibrato.wide else 50)
            control(end, 1, 0)
        velocity = velocity_of(sound)
        events.append((start, _ON, mido.Message("note_on", channel=channel, note=midi, velocity=velocity)))
        stop = min(end, start + TICKS // 8) if sound.note.has(Dead) else end
        events.append((stop, _OFF, mido.Message("note_off", channel=channel, note=midi, velocity=64)))
    return _track(events, _tick(tab.form.played.length))


def _position(semitones: float) -> int:
    """The wheel's position, -8192..8191, for a number of semitones."""
    return max(-8192, min(8191, round(semitones * 8192 / BEND_RANGE)))


def _wheel(played: _Played, following: _Played | None) -> Iterator[tuple[int, int]]:
    """(tick, position) of the pitch wheel over one note, its start always included."""
    bend = played.sound.note.get(Bend)
    length = played.end - played.onset
    glide = _glide(played, following)
    yield _tick(played.onset), _position(bend.semitones_at(0.0) if bend else 0.0)
    if bend is None and glide is None:
        return
    steps = max(1, int(length / WHEEL_STEP))
    for step in range(1, steps + 1):
        share = Fraction(step, steps)
        height = bend.semitones_at(float(share)) if bend else 0.0
        if glide is not None and share > 1 - glide[0]:
            height += glide[1] * float((share - 1 + glide[0]) / glide[0])
        # a position at the very end would belong to the next note
        yield _tick(played.onset + length * share) - (1 if step == steps else 0), _position(height)


def _glide(played: _Played, following: _Played | None) -> tuple[Fraction, float] | None:
    """Share of the note, at its end, in which a slide moves, and by how many semitones."""
    own = played.sound.note.get(Slide)
    if own is not None and own.kind in (SlideKind.OUT_DOWN, SlideKind.OUT_UP):
        return Fraction(1, 3), 3.0 if own.kind is SlideKind.OUT_UP else -3.0
    if following is None:
        return None
    slide = following.sound.note.get(Slide)
    if slide is None or slide.kind not in (SlideKind.LEGATO, SlideKind.SHIFT):
        return None
    if following.onset != played.end:
        return None
    moved = following.sound.note.fret - played.sound.note.fret
    return Fraction(1, 3), float(max(-BEND_RANGE, min(BEND_RANGE, moved)))
