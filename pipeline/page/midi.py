"""A tab as a Standard MIDI File for other programs: exact times, one channel for each string.

Conventions
-----------
- Format 1: track 0 has tempo, metre, key, phrase names, words; then one track for each string.
- The *played* form, repeats unrolled; straight times even where eighths swing (a text event
  says so), since notation programs want what is written.
- Pitch wheel range is twelve semitones up and down, set by RPN 0 on each channel. Bends move
  it as the string moves; a slide moves it at the end of the note it leaves.
- Vibrato is the modulation wheel (controller 1).
- Trills and tremolo picking are notes of their own, harmonics sound where they sound, palm
  mutes are short and soft, what rings is held. A text event beside the note
  (``written: natural harmonic 12, fret 12``) says what is written there, so that nothing
  has to be guessed when the file is read again.
- A bar that is shorter than its metre has a time signature of its own length.

References
----------
Standard MIDI Files 1.0 (RP-001); MIDI 1.0, registered parameter 0; General MIDI level 1.
"""

from __future__ import annotations

import bisect
import io
import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

import mido

from pipeline.music.errors import MusicError
from pipeline.music.quantise import EXACT
from pipeline.music.tab import DYNAMICS, SoundingNote, Tab
from pipeline.music.technique import (
    LEAVING,
    Accent,
    Bend,
    Dead,
    Ghost,
    Grace,
    HammerOn,
    LetRing,
    PalmMute,
    PullOff,
    Slide,
    SlideKind,
    Staccato,
    Tap,
    TremoloPicking,
    Trill,
    Vibrato,
)
from pipeline.music.technique_words import in_words
from pipeline.page.midi_maps import TICKS, Event, conductor, lost_in_midi, tick_of, track_of

__all__ = ["BEND_RANGE", "TICKS", "lost_in_midi", "velocity_of", "write_midi"]
BEND_RANGE: Final = 12  # semitones
WHEEL_STEP: Final = Fraction(1, 48)  # quarters between two positions of the pitch wheel
GRACE: Final = Fraction(1, 8)  # what a grace note takes, quarters
SPREAD: Final = Fraction(1, 8)  # one note of a trill
# General MIDI drums have channel 10 (index 9)
CHANNELS: Final = tuple(channel for channel in range(16) if channel != 9)

# off before control before on, at one tick
_OFF, _CONTROL, _WORDS, _ON = 0, 1, 2, 3


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
    slide = note.get(Slide)
    if note.has(HammerOn, PullOff, Tap) or (slide is not None and slide.kind is SlideKind.LEGATO):
        value -= 10
    if note.has(PalmMute):
        value -= 8
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
    file.tracks.append(conductor(tab, semitones))
    by_string: dict[int, list[_Played]] = {n: [] for n in range(1, len(tab.instrument.strings) + 1)}
    for played in _in_place(tab):
        by_string[played.sound.note.string].append(played)
    for string, notes in by_string.items():
        file.tracks.append(_string_track(tab, string, notes, semitones))
    buffer = io.BytesIO()
    file.save(file=buffer)
    return buffer.getvalue()


def _in_place(tab: Tab) -> Iterator[_Played]:
    """Every struck note in time: graces get theirs from their neighbours, what rings is held."""
    made: list[_Played] = []
    graces: dict[tuple[Fraction, bool], list[_Played]] = {}
    for sound in tab.sounding:
        played = _Played(sound, sound.onset, sound.end)
        made.append(played)
        grace = sound.note.get(Grace)
        if grace is not None:
            before = not grace.on_beat and sound.onset >= GRACE
            graces.setdefault((sound.onset, before), []).append(played)
        elif sound.note.has(LetRing):
            played.end = max(played.end, sound.bar.end)
    late: dict[tuple[Fraction, int], Fraction] = {}
    shortest: dict[Fraction, Fraction] = {}  # of the notes that begin together
    struck: dict[int, list[Fraction]] = {}  # when the notes of each string begin
    for played in made:
        if not played.sound.note.grace:
            struck.setdefault(played.sound.note.string, []).append(played.onset)
            shortest[played.onset] = min(
                played.sound.duration, shortest.get(played.onset, played.sound.duration)
            )
    for (onset, before), group in graces.items():
        turns = _turns(group)
        start = onset
        if before:  # of a note that is itself short they take half
            earlier = [struck[p.sound.note.string] for p in group if p.sound.note.string in struck]
            last = [own[place - 1] for own in earlier if (place := bisect.bisect_left(own, onset))]
            start = max(onset - GRACE, *((moment + onset) / 2 for moment in last), Fraction(0))
        room = onset - start
        if not before:
            room = min(GRACE, shortest.get(onset, tab.form.played.length - onset) / 2)
        slot = room / (turns[-1] + 1)
        for turn, played in zip(turns, group, strict=True):
            played.onset, played.end = start + slot * turn, start + slot * (turn + 1)
            if not before:
                late[onset, played.sound.note.string] = start + slot * (turn + 1)
    strings: dict[int, list[_Played]] = {}
    for played in made:
        note = played.sound.note
        if not note.grace:
            played.onset = min(late.get((played.sound.onset, note.string), played.onset), played.end - _LEAST)
        strings.setdefault(note.string, []).append(played)
    for home in strings.values():
        home.sort(key=lambda played: (played.onset, played.sound.index))
        for one, two in itertools.pairwise(home):
            one.end = max(min(one.end, two.onset), one.onset + _LEAST)
    yield from sorted(made, key=lambda played: (played.onset, played.sound.index))


_LEAST: Final = Fraction(1, TICKS)


def _turns(graces: list[_Played]) -> list[int]:
    """When each of them is struck, counted from 0: one after another, or with the one before."""
    found: list[int] = []
    used: set[int] = set()
    for played in graces:
        grace, string = played.sound.note.get(Grace), played.sound.note.string
        joins = bool(found) and grace is not None and grace.together and string not in used
        used = used | {string} if joins else {string}
        found.append(found[-1] + (not joins) if found else 0)
    return found


def _string_track(tab: Tab, string: int, notes: list[_Played], semitones: int) -> mido.MidiTrack:
    channel = CHANNELS[string - 1]
    events: list[Event] = []

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
        following = notes[place + 1] if place + 1 < len(notes) else None
        for quarter, before, value in _wheel(played, following):
            if value != wheel:
                wheel = value
                tick = max(tick_of(played.onset), tick_of(quarter) - before)
                events.append((tick, _CONTROL, mido.Message("pitchwheel", channel=channel, pitch=value)))
        vibrato = sound.note.get(Vibrato)
        if vibrato is not None:
            control(tick_of(played.onset), 1, 100 if vibrato.wide else 50)
            control(tick_of(played.end), 1, 0)
        velocity = velocity_of(sound)
        strikes = list(_strikes(tab, played, semitones))
        words = _written_words(tab, played, strikes)
        if words:
            events.append((tick_of(played.onset), _WORDS, mido.MetaMessage("text", text=words)))
        for midi, start, end in strikes:
            on, off = tick_of(start), max(tick_of(start) + 1, tick_of(end))
            events.append((on, _ON, mido.Message("note_on", channel=channel, note=midi, velocity=velocity)))
            events.append((off, _OFF, mido.Message("note_off", channel=channel, note=midi, velocity=64)))
    return track_of(events, tick_of(tab.form.played.length))


def _strikes(tab: Tab, played: _Played, semitones: int) -> Iterator[tuple[int, Fraction, Fraction]]:
    """(MIDI number, start, end) of what is heard of one note, in quarters."""
    note = played.sound.note
    midi = note.sounding_midi(tab.instrument) + semitones
    trill, tremolo = note.get(Trill), note.get(TremoloPicking)
    other = midi if trill is None else midi + trill.fret - note.fret
    if not 0 <= min(midi, other) <= max(midi, other) <= 127:
        raise MusicError(f"{tab.where(note)}: moved by {semitones}, the note is outside MIDI's range")
    start, end = played.onset, played.end
    if trill is not None or tremolo is not None:
        step = SPREAD if tremolo is None else Fraction(1, 2**tremolo.strokes)
        count = max(1, int((end - start) / step))
        for turn in range(count):
            until = end if turn == count - 1 else start + step * (turn + 1)
            yield other if turn % 2 else midi, start + step * turn, until
        return
    if note.has(Dead):
        end = min(end, start + Fraction(1, 8))
    elif note.has(Staccato):
        end = start + (end - start) / 2
    elif note.has(PalmMute):
        end = start + (end - start) * Fraction(3, 4)
    yield midi, start, end


def _written_words(tab: Tab, played: _Played, strikes: Sequence[tuple[int, Fraction, Fraction]]) -> str:
    """What the sound does not tell of the note, "" when it tells all."""
    sound, note = played.sound, played.sound.note
    words: list[str] = []
    if strikes[0][0] != note.pitch.midi and note.pitch.midi != note.sounding_midi(tab.instrument):
        words.append(f"fret {note.fret}")
    # what lies on no usual grid would be taken for something simpler nearby
    last = tab.form.played.bar_at(sound.end).start
    if tick_of(played.onset) != tick_of(sound.onset) or _unusual(sound.onset, sound.bar.start):
        words += [f"at {sound.onset}", f"lasts {sound.duration}"]
    elif tick_of(strikes[-1][2]) != tick_of(sound.end) or _unusual(sound.end, last):
        words.append(f"lasts {sound.duration}")
    if len(strikes) > 1:
        words.append(f"strikes {len(strikes)}")
    if note.finger is not None:
        words.append(f"finger {note.finger}")
    if note.pluck is not None:
        words.append(f"pluck {note.pluck}")
    if note.voice != 1:
        words.append(f"voice {note.voice}")
    words += [in_words(technique) for technique in note.techniques]
    if not words:
        return ""
    return "written: " + ", ".join([*words, note.dynamic])


def _position(semitones: float) -> int:
    """The wheel's position, -8192..8191, for a number of semitones."""
    return max(-8192, min(8191, round(semitones * 8192 / BEND_RANGE)))


def _unusual(moment: Fraction, start: Fraction) -> bool:
    return (moment - start).denominator not in EXACT or start.denominator not in (1, 2, 4)


def _wheel(played: _Played, following: _Played | None) -> Iterator[tuple[Fraction, int, int]]:
    """(quarter, ticks before it, position) of the pitch wheel over one note, its start included."""
    note = played.sound.note
    bend = note.get(Bend)
    length = played.end - played.onset
    glide, scoop = _glide(played, following), _scoop(played)

    def height_at(share: Fraction) -> float:
        height = bend.semitones_at(float(share)) if bend else 0.0
        if scoop is not None and share < scoop[0]:
            height += scoop[1] * float(1 - share / scoop[0])
        if glide is not None and share > 1 - glide[0]:
            height += glide[1] * float((share - 1 + glide[0]) / glide[0])
        return height

    yield played.onset, 0, _position(height_at(Fraction(0)))
    if bend is None and glide is None and scoop is None:
        return
    steps = max(1, int(length / WHEEL_STEP))
    for step in range(1, steps + 1):
        share = Fraction(step, steps)
        # a position at the very end would belong to the next note
        yield played.onset + length * share, 1 if step == steps else 0, _position(height_at(share))


def _scoop(played: _Played) -> tuple[Fraction, float] | None:
    """Share of the note, at its start, in which it is slid into, and from how many semitones away."""
    slide = played.sound.note.get(Slide)
    if slide is None or slide.kind not in (SlideKind.IN_BELOW, SlideKind.IN_ABOVE):
        return None
    share = min(Fraction(1, 3), Fraction(1, 8) / (played.end - played.onset))
    return share, -2.0 if slide.kind is SlideKind.IN_BELOW else 2.0


def _glide(played: _Played, following: _Played | None) -> tuple[Fraction, float] | None:
    """Share of the note, at its end, in which a slide moves, and by how many semitones."""
    note = played.sound.note
    if any(isinstance(t, Slide) and t.kind in LEAVING for t in note.techniques):
        up = any(isinstance(t, Slide) and t.kind is SlideKind.OUT_UP for t in note.techniques)
        return Fraction(1, 3), 3.0 if up else -3.0
    if following is None or following.onset != played.end:
        return None
    kinds = {t.kind for t in following.sound.note.techniques if isinstance(t, Slide)}
    if not kinds & {SlideKind.LEGATO, SlideKind.SHIFT}:
        return None
    moved = following.sound.note.fret - note.fret
    return Fraction(1, 3), float(max(-BEND_RANGE, min(BEND_RANGE, moved)))
