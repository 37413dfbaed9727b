"""The tab: notes on strings, in exact time, with the phrases they are taught in."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from fractions import Fraction
from functools import cached_property
from typing import Final, TypeVar

from pipeline.music.errors import MusicError
from pipeline.music.instrument import Instrument
from pipeline.music.key import Key
from pipeline.music.metre import Form, PlacedBar
from pipeline.music.pitch import Interval, Pitch
from pipeline.music.technique import Grace, Harmonic, HarmonicKind, Technique

DYNAMICS: Final = ("ppp", "pp", "p", "mp", "mf", "f", "ff", "fff")
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Note:
    """One note of the written tab.

    onset, duration : quarters on the written timeline (a grace note lasts 0)
    pitch : sounding pitch of string and fret, before any bend or harmonic
    tied : goes on from the note before on this string; not struck again
    voice : 1 stems up, 2 stems down
    dynamic : one of :data:`DYNAMICS`
    finger : fretting finger 1-4, or None
    """

    onset: Fraction
    duration: Fraction
    string: int
    fret: int
    pitch: Pitch
    tied: bool = False
    techniques: tuple[Technique, ...] = ()
    voice: int = 1
    dynamic: str = "mf"
    finger: int | None = None

    @property
    def end(self) -> Fraction:
        return self.onset + self.duration

    def get(self, kind: type[T]) -> T | None:
        """The technique of this kind that the note carries, or None."""
        return next((t for t in self.techniques if isinstance(t, kind)), None)

    def has(self, *kinds: type) -> bool:
        return any(isinstance(t, kinds) for t in self.techniques)

    @property
    def grace(self) -> bool:
        return self.has(Grace)

    def sounding_midi(self, instrument: Instrument) -> int:
        """MIDI number as heard when struck: harmonics at their sounding pitch."""
        harmonic = self.get(Harmonic)
        if harmonic is None:
            return self.pitch.midi
        if harmonic.kind is HarmonicKind.NATURAL:
            return instrument.open_midi(self.string) + harmonic.sounds
        return self.pitch.midi + harmonic.sounds


@dataclass(frozen=True, slots=True)
class Phrase:
    """A named span of bars, by printed number, both ends included: the unit of teaching."""

    name: str
    first: int
    last: int

    def __post_init__(self) -> None:
        if self.last < self.first:
            raise MusicError(f"phrase {self.name!r}: bars {self.first}-{self.last} run backwards")


@dataclass(frozen=True, slots=True)
class TempoMark:
    """From this written moment on, ``bpm`` quarter notes a minute."""

    quarter: Fraction
    bpm: float

    def __post_init__(self) -> None:
        if not 10 <= self.bpm <= 500:
            raise MusicError(f"a tempo of {self.bpm:g} is outside 10 to 500 quarter notes a minute")


@dataclass(frozen=True, slots=True)
class SoundingNote:
    """A struck note of the played form, with what is tied to it.

    index : place among the struck notes of the played form, from 0
    source : index of the written note in ``Tab.notes``
    onset, duration : quarters on the played timeline, ties included
    bar : the played bar in which it is struck
    """

    index: int
    source: int
    note: Note
    onset: Fraction
    duration: Fraction
    bar: PlacedBar

    @property
    def end(self) -> Fraction:
        return self.onset + self.duration

    @property
    def beat(self) -> Fraction:
        return self.bar.beat_of(self.onset - self.bar.start)


def _order(note: Note) -> tuple[Fraction, bool, int, int]:
    return note.onset, not note.grace, note.string, note.voice


@dataclass(frozen=True)
class Tab:
    """A whole tab. Notes are kept in the order onset, grace first, string.

    swing : the share of a beat that the first of two eighths takes (1/2 straight, 2/3 shuffle)
    a4_hz : tuning reference

    Raises
    ------
    MusicError : any of :meth:`complaints`, all of them in one message.
    """

    instrument: Instrument
    form: Form
    notes: tuple[Note, ...]
    key: Key = field(default_factory=lambda: Key.parse("C"))
    tempos: tuple[TempoMark, ...] = (TempoMark(Fraction(0), 120.0),)
    phrases: tuple[Phrase, ...] = ()
    title: str = ""
    swing: Fraction = Fraction(1, 2)
    a4_hz: float = 440.0

    def __post_init__(self) -> None:
        object.__setattr__(self, "notes", tuple(sorted(self.notes, key=_order)))
        found = list(self.complaints())
        if found:
            raise MusicError("; ".join(found))

    def complaints(self) -> Iterable[str]:
        """What is wrong with it, one sentence each."""
        if not Fraction(1, 2) <= self.swing < 1:
            yield f"swing is the share of the first eighth, 1/2 to 1, got {self.swing}"
        if not self.tempos or self.tempos[0].quarter != 0:
            yield "the first tempo stands at the start"
        length = self.form.written.length
        busy: dict[int, tuple[Fraction, int]] = {}  # per string until when, and its fret
        for note in self.notes:
            end, grace = note.end, note.grace
            yield from self._complaints_of(note, end, grace, length)
            before = busy.get(note.string)
            if before is not None and before[0] > note.onset and not grace:
                yield f"{self.where(note)}: string {note.string} still sounds fret {before[1]}"
            if not grace:
                busy[note.string] = (end, note.fret)
        for phrase in self.phrases:
            try:
                self.form.bar_span(phrase.first, phrase.last)
            except MusicError as error:
                yield f"phrase {phrase.name!r}: {error}"

    def _complaints_of(self, note: Note, end: Fraction, grace: bool, length: Fraction) -> Iterable[str]:
        # the place is told only where something is wrong: this runs for every note of every copy
        if note.onset.numerator < 0 or end > length:
            yield f"{self.where(note)}: a note outside the piece"
        elif grace and note.onset == length:
            yield f"{self.where(note)}: a grace note after the last note leads into nothing"
        if note.duration.numerator < 0 or (not note.duration) != grace:
            yield f"{self.where(note)}: only a grace note lasts nothing"
        if note.dynamic not in DYNAMICS:
            yield f"{self.where(note)}: unknown dynamic {note.dynamic!r}"
        try:
            midi = self.instrument.midi(note.string, note.fret)
        except MusicError as error:
            yield f"{self.where(note)}: {error}"
            return
        if midi != note.pitch.midi:
            yield f"{self.where(note)}: string {note.string} fret {note.fret} does not sound {note.pitch}"

    def where(self, note: Note) -> str:
        """``bar 7, beat 2.5`` of a written note."""
        bar = self.form.written.bar_at(max(Fraction(0), note.onset))
        beat = float(bar.beat_of(note.onset - bar.start))
        return f"bar {bar.bar.number}, beat {beat:g}"

    def note(self, onset: Fraction, duration: Fraction, string: int, fret: int, *techniques: Technique,
             tied: bool = False) -> Note:  # fmt: skip
        """A note on this tab's instrument, spelled in its key."""
        pitch = self.key.spell_midi(self.instrument.midi(string, fret))
        return Note(onset, duration, string, fret, pitch, tied=tied, techniques=tuple(techniques))

    @cached_property
    def sounding(self) -> tuple[SoundingNote, ...]:
        """Every struck note of the played form, in order, ties joined to their first note."""
        starts = self.form.written.bars
        by_bar: dict[int, list[tuple[int, Note]]] = {}
        for source, note in enumerate(self.notes):
            by_bar.setdefault(self.form.written.bar_at(note.onset).index, []).append((source, note))
        struck: list[SoundingNote] = []
        last: dict[tuple[int, int], int] = {}
        for bar in self.form.played.bars:
            for source, note in by_bar.get(bar.written, ()):
                onset = bar.start + (note.onset - starts[bar.written].start)
                home = last.get((note.string, note.fret))
                if note.tied and home is not None and struck[home].end == onset:
                    held = struck[home]
                    struck[home] = replace(held, duration=held.duration + note.duration)
                    continue
                last[note.string, note.fret] = len(struck)
                struck.append(SoundingNote(len(struck), source, note, onset, note.duration, bar))
        return tuple(struck)

    @property
    def tempo_bpm(self) -> float:
        """The tempo at the start, quarter notes a minute."""
        return self.tempos[0].bpm

    def with_tempo(self, bpm: float) -> Tab:
        """Started at ``bpm``; later tempo marks keep their proportion."""
        ratio = bpm / self.tempo_bpm
        return replace(self, tempos=tuple(TempoMark(t.quarter, t.bpm * ratio) for t in self.tempos))

    def phrase_spans(self, phrase: Phrase) -> tuple[tuple[Fraction, Fraction], ...]:
        """Where the phrase sounds on the played timeline: (start, end), one for each time."""
        return tuple(self.form.played_spans(*self.form.bar_span(phrase.first, phrase.last)))

    def transposed(self, interval: Interval) -> Tab:
        """The shapes slid along the same strings.

        Raises
        ------
        MusicError : a note leaves the neck.
        """
        notes = tuple(
            replace(n, fret=n.fret + interval.semitones, pitch=n.pitch.transposed(interval))
            for n in self.notes
        )
        return replace(self, notes=notes, key=self.key.transposed(interval))
