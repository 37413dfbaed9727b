"""Bars, tempos, keys and phrases from the maps of a MIDI file."""

from __future__ import annotations

import itertools
from dataclasses import replace
from fractions import Fraction
from typing import Final

from pipeline.music.errors import MusicError
from pipeline.music.key import Key
from pipeline.music.metre import Bar, Form, Metre
from pipeline.music.pitch import Spelling
from pipeline.music.quantise import Beat
from pipeline.music.tab import KeyMark, Phrase, TempoMark
from pipeline.read.midi_song import MidiSong

MOST_BARS: Final = 5_000
_NEAR: Final = Fraction(1, 32)  # a metre this near a bar line stands on it
_DEFAULT_BPM: Final = 120.0  # Standard MIDI Files 1.0: without a tempo


class TooLongError(Exception):
    """More bars than a piece has."""


def form_of(song: MidiSong, last: Fraction, notes: list[str]) -> Form:
    """The bars of the piece; ``last``: where its last note ends. What is assumed goes to ``notes``.

    Raises
    ------
    TooLongError : more than MOST_BARS bars.
    """
    end = max(song.end, last)
    if song.instrument and song.end:
        end = song.end  # a file that states its instrument is ours, and ends where the piece does
    elif song.end > last + 40:
        end = last  # a silence that a program left
    changes: list[tuple[Fraction, Metre]] = []
    for quarter, (beats, power) in song.metres:
        try:
            metre = Metre(beats, 2**power if power < 8 else 0)
        except MusicError as error:
            notes.append(f"a time signature is left out ({error})")
            continue
        if changes and quarter - changes[-1][0] < _NEAR:
            changes[-1] = (changes[-1][0], metre)
        elif quarter < end or not changes:
            changes.append((quarter, metre))
    if not song.metres:
        notes.append("the file states no metre: 4/4")
    if not changes or changes[0][0] >= _NEAR:
        changes.insert(0, (Fraction(0), Metre()))
    elif changes[0][0]:
        changes[0] = (Fraction(0), changes[0][1])
    bars: list[Bar] = []
    start = Fraction(0)
    for place, (_, metre) in enumerate(changes):
        until = changes[place + 1][0] if place + 1 < len(changes) else None
        stop = end if until is None else until
        if (stop - start) / metre.quarters > MOST_BARS - len(bars):
            raise TooLongError(f"{int((stop - start) / metre.quarters)} bars of {metre}")
        while start < stop - (_NEAR if until is not None else 0):
            length = metre.quarters
            if until is not None and start + length > until + _NEAR:
                length = until - start  # the metre changes before the bar is full
            bars.append(Bar(len(bars) + 1, metre, length))
            start += length
    if not bars:
        bars = [Bar(1, changes[-1][1], changes[-1][1].quarters)]
    bars = _with_pickup(bars)
    if bars[0].pickup and bars[-1].length == bars[-1].metre.quarters and len(bars) > 1:
        whole = sum((bar.length for bar in bars[:-1]), Fraction(0))
        if song.end - whole == bars[-1].metre.quarters - bars[0].length:
            bars[-1] = replace(bars[-1], length=song.end - whole)
    if bars[0].pickup and len(bars) > 2:
        final, before = bars[-1], bars[-2]
        if final.metre != before.metre and final.length + bars[0].length == before.metre.quarters:
            bars[-1] = replace(final, metre=before.metre)  # what the pickup took is missing at the end
    return Form(tuple(bars))


def _with_pickup(bars: list[Bar]) -> list[Bar]:
    """A first bar shorter than the second is its pickup: common practice."""
    if len(bars) < 2:
        return bars
    first, second = bars[0], bars[1]
    full = first.length == first.metre.quarters
    if (full and first.metre == second.metre) or first.length >= second.metre.quarters:
        return bars
    after = bars[2] if len(bars) > 2 else None
    if full and after is not None and after.metre != second.metre and after.metre == first.metre:
        return bars  # metres that alternate
    begun = Bar(0, second.metre, first.length, pickup=True)
    return [begun, *(replace(bar, number=number) for number, bar in enumerate(bars[1:], start=1))]


def beats_of(form: Form) -> list[Beat]:
    """The felt beats of every bar."""
    found: list[Beat] = []
    for bar in form.written.bars:
        step = bar.bar.metre.beat_quarters
        start = bar.start
        if bar.bar.pickup:  # its beats are the last ones of a full bar
            rest = bar.bar.length % step
            if rest:
                found.append(Beat(start, rest))
                start += rest
        while start < bar.end:
            found.append(Beat(start, min(step, bar.end - start)))
            start += step
    return found


def bpm_of(microseconds: int) -> float:
    """Quarters a minute with the fewest figures that give these microseconds."""
    exact = 60_000_000 / microseconds
    for figures in range(5):
        bpm = round(exact, figures)
        if bpm > 0 and round(60_000_000 / bpm) == microseconds:
            return bpm
    return exact


def tempos_of(
    song: MidiSong, length: Fraction, tempo_bpm: float | None, notes: list[str]
) -> tuple[TempoMark, ...]:
    """The tempo at the start, ``tempo_bpm`` where given, and later ones in proportion to it.

    Raises
    ------
    MusicError : begun at ``tempo_bpm``, a later tempo is outside 10 to 500.
    """
    found: dict[Fraction, float] = {}
    strange = 0
    for quarter, microseconds in song.tempos:
        bpm = bpm_of(microseconds) if microseconds else 500.0
        strange += not 10 <= bpm <= 500
        if quarter < length:
            found[quarter] = min(500.0, max(10.0, bpm))
    if strange:
        notes.append(f"{strange} tempos outside 10 to 500 quarter notes a minute are taken as the nearest")
    if not song.tempos and tempo_bpm is None:
        notes.append(f"the file states no tempo: {_DEFAULT_BPM:g} quarter notes a minute")
    found.setdefault(Fraction(0), tempo_bpm or _DEFAULT_BPM)
    ratio = tempo_bpm / found[Fraction(0)] if tempo_bpm else 1.0
    if tempo_bpm and ratio != 1.0:
        notes.append(f"the file's tempo is {found[Fraction(0)]:g}, the lesson's {tempo_bpm:g} is used")
    marks: list[TempoMark] = []
    for quarter, bpm in sorted(found.items()):
        moved = tempo_bpm if tempo_bpm and not quarter else bpm * ratio
        if not 10 <= moved <= 500:
            raise MusicError(
                f"begun at {tempo_bpm:g}, the file's later tempo of {bpm:g} becomes {moved:g} quarter notes a "
                "minute (10 to 500 are read)"
            )
        if not marks or marks[-1].bpm != moved:
            marks.append(TempoMark(quarter, moved))
    return tuple(marks)


def keys_of(song: MidiSong, form: Form, notes: list[str]) -> tuple[Key | None, tuple[KeyMark, ...]]:
    """The key at the start (None: not stated) and the changes, each at the start of its bar."""
    first: Key | None = None
    changes: dict[Fraction, Key] = {}
    for quarter, (fifths, minor) in song.keys:
        if not -7 <= fifths <= 7:
            notes.append(f"a key signature of {abs(fifths)} signs is left out")
            continue
        key = Key(Spelling.from_fifths(fifths + (3 if minor else 0)), "minor" if minor else "major")
        start = form.written.bar_at(quarter + _NEAR).start
        if quarter >= form.written.length:
            continue
        if start == 0:
            first = key
        else:
            changes[start] = key
    marks: list[KeyMark] = []
    now = first
    for start, key in sorted(changes.items()):
        if key != now:
            marks.append(KeyMark(start, key))
            now = key
    return first, tuple(marks)


def phrases_of(song: MidiSong, form: Form) -> tuple[Phrase, ...]:
    """Markers as phrases, each up to the next one; a name met again is numbered."""
    bars = form.written.bars
    starts: dict[int, str] = {}
    for quarter, name in song.markers:
        if quarter < form.written.length:
            starts.setdefault(form.written.bar_at(quarter + _NEAR).index, name)
    used: dict[str, int] = {}
    found: list[Phrase] = []
    for (index, name), after in itertools.zip_longest(sorted(starts.items()), sorted(starts)[1:]):
        used[name] = used.get(name, 0) + 1
        label = name if used[name] == 1 else f"{name} ({used[name]})"
        last = len(bars) - 1 if after is None else after - 1
        found.append(Phrase(label, bars[index].bar.number, bars[last].bar.number))
    return tuple(found)
