"""The tab: notes on strings, in exact time, with the phrases they are taught in."""

from __future__ import annotations

import itertools
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
from pipeline.music.technique import (
    Dead,
    Ghost,
    Grace,
    Harmonic,
    HarmonicKind,
    Stroke,
    Tap,
    Technique,
    Trill,
    conflicts,
    in_order,
    reaches,
)
from pipeline.music.words import tidy

DYNAMICS: Final = ("ppp", "pp", "p", "mp", "mf", "f", "ff", "fff")
PLUCKING: Final = ("p", "i", "m", "a", "c")  # thumb, index, middle, ring, little: common practice
VERSES: Final = 9  # lines of words below a staff
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Note:
    """One note of the written tab.

    onset, duration : quarters on the written timeline (a grace note lasts 0)
    pitch : sounding pitch of string and fret, before any bend or harmonic
    tied : goes on from the note before on this string; not struck again
    techniques : kept in one order, see :func:`pipeline.music.technique.in_order`
    voice : 1 stems up, 2 stems down
    dynamic : one of :data:`DYNAMICS`
    finger : fretting finger 1-4, 0 the thumb, or None
    pluck : finger of the picking hand, one of :data:`PLUCKING`, or None
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
    pluck: str | None = None

    def __post_init__(self) -> None:
        if len(self.techniques) > 1:
            object.__setattr__(self, "techniques", in_order(self.techniques))

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
        object.__setattr__(self, "name", tidy(self.name))
        if not self.name:
            raise MusicError(f"the phrase of bars {self.first}-{self.last} has no name")
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
class KeyMark:
    """From the bar that starts at this written moment on, another key."""

    quarter: Fraction
    key: Key


@dataclass(frozen=True, slots=True)
class Lyric:
    """A syllable sung at a written moment; one that the word goes on from ends in ``-``.

    verse : line of words below the staff, 1 to 9
    """

    quarter: Fraction
    text: str
    verse: int = 1

    def __post_init__(self) -> None:
        object.__setattr__(self, "text", tidy(self.text).replace("_", " ").strip())
        if not self.text:
            raise MusicError("a syllable without letters")
        if not 1 <= self.verse <= VERSES:
            raise MusicError(f"verses are numbered 1 to {VERSES}, got {self.verse}")


@dataclass(frozen=True, slots=True)
class Remark:
    """Words above the staff at a written moment: ``rit.``, ``second time softly``."""

    quarter: Fraction
    text: str

    def __post_init__(self) -> None:
        object.__setattr__(self, "text", tidy(self.text).replace('"', "'"))
        if not self.text:
            raise MusicError("a remark without words")


@dataclass(frozen=True, slots=True)
class Comment:
    """The writer's own note before a bar (its index; that behind the last: at the end).

    It stays in the source and its conversions to text; nobody else sees it.
    """

    bar: int
    text: str

    def __post_init__(self) -> None:
        object.__setattr__(self, "text", tidy(self.text))


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


def _slid(techniques: tuple[Technique, ...], frets: int) -> tuple[Technique, ...]:
    """On the same shape ``frets`` further up: a trill's other fret moves along."""
    return tuple(Trill(t.fret + frets) if isinstance(t, Trill) else t for t in techniques)


def _order(note: Note) -> tuple[Fraction, bool, int, int]:
    # grace notes stay in the order in which they are struck
    return (note.onset, False, 0, 0) if note.grace else (note.onset, True, note.string, note.voice)


@dataclass(frozen=True)
class Tab:
    """A whole tab. Notes are kept in the order onset, grace first, string.

    key : at the start; ``key_changes`` stand at later bars
    phrases, lyrics, remarks, comments : kept by place
    title : kept with single spaces
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
    key_changes: tuple[KeyMark, ...] = ()
    lyrics: tuple[Lyric, ...] = ()
    remarks: tuple[Remark, ...] = ()
    comments: tuple[Comment, ...] = ()

    def __post_init__(self) -> None:
        for name, kept in (
            ("notes", sorted(self.notes, key=_order)),
            ("phrases", sorted(self.phrases, key=lambda p: (p.first, p.last))),
            ("lyrics", sorted(self.lyrics, key=lambda item: (item.quarter, item.verse))),
            ("remarks", sorted(self.remarks, key=lambda item: item.quarter)),
            ("comments", sorted(self.comments, key=lambda item: item.bar)),
        ):
            object.__setattr__(self, name, tuple(kept))
        object.__setattr__(self, "title", tidy(self.title))
        found = list(self.complaints())
        if found:
            raise MusicError("; ".join(found))

    def complaints(self) -> Iterable[str]:
        """What is wrong with it, one sentence each."""
        if not Fraction(1, 2) <= self.swing < 1:
            yield f"swing is the share of the first eighth, 1/2 to 1, got {self.swing}"
        if not 380 <= self.a4_hz <= 500:
            yield f"a tuning pitch lies from 380 to 500 hertz, got {self.a4_hz:g}"
        length = self.form.written.length
        yield from self._complaints_of_marks(length)
        busy: dict[int, tuple[Fraction, int]] = {}  # per string until when, and its fret
        graced: Note | None = None  # the grace note before
        for note in self.notes:
            end, grace = note.end, note.grace
            yield from self._complaints_of(note, end, grace, length)
            if note.techniques:
                yield from self._complaints_of_techniques(note, graced)
            graced = note if grace else None
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

    def _complaints_of_marks(self, length: Fraction) -> Iterable[str]:
        if not self.tempos or self.tempos[0].quarter != 0:
            yield "the first tempo stands at the start"
        for before, mark in itertools.pairwise(self.tempos):
            if mark.quarter <= before.quarter:
                yield "tempo marks stand one after another"
            if mark.quarter >= length:
                yield "a tempo mark behind the end"
        starts = {bar.start for bar in self.form.written.bars} if self.key_changes else set()
        for place, change in enumerate(self.key_changes):
            if change.quarter not in starts or change.quarter == 0:
                yield f"a change to {change.key.symbol()} that is not at the start of a bar"
            if place and change.quarter <= self.key_changes[place - 1].quarter:
                yield "changes of key stand one after another"
        places = [(item.quarter, item.text) for item in self.lyrics]
        for quarter, text in [*places, *((item.quarter, item.text) for item in self.remarks)]:
            if not 0 <= quarter < length:
                yield f"{text!r} stands outside the piece"
        for one, two in itertools.pairwise(self.lyrics):
            if (one.quarter, one.verse) == (two.quarter, two.verse):
                yield f"two syllables at one place: {one.text!r} and {two.text!r}"
        for comment in self.comments:
            if not 0 <= comment.bar <= len(self.form.bars):
                yield "a comment outside the piece"

    def _complaints_of_techniques(self, note: Note, graced: Note | None) -> Iterable[str]:
        for conflict in conflicts(note.techniques):
            yield f"{self.where(note)}: {conflict}"
        if note.tied and (note.has(Tap, Grace, Dead, Ghost, Stroke) or any(map(reaches, note.techniques))):
            yield f"{self.where(note)}: a tied note is not struck or reached again"
        trill, grace = note.get(Trill), note.get(Grace)
        if trill is not None and (
            trill.fret == note.fret or not 0 <= trill.fret <= self.instrument.highest_fret
        ):
            yield f"{self.where(note)}: no trill between frets {note.fret} and {trill.fret}"
        if grace is not None and grace.together and (graced is None or graced.onset != note.onset):
            yield f"{self.where(note)}: a grace note together with one that is not there"

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
        if note.voice not in (1, 2):
            yield f"{self.where(note)}: voices are 1 and 2, got {note.voice}"
        if note.finger is not None and not 0 <= note.finger <= 4:
            yield f"{self.where(note)}: fingers are 1 to 4, 0 the thumb, got {note.finger}"
        if note.pluck is not None and note.pluck not in PLUCKING:
            yield f"{self.where(note)}: the picking hand's fingers are p i m a c, got {note.pluck!r}"
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
        pitch = self.key_at(onset).spell_midi(self.instrument.midi(string, fret))
        return Note(onset, duration, string, fret, pitch, tied=tied, techniques=tuple(techniques))

    def key_at(self, quarter: Fraction) -> Key:
        """The key at a written moment."""
        found = self.key
        for change in self.key_changes:
            if change.quarter > quarter:
                break
            found = change.key
        return found

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
            replace(
                n,
                fret=n.fret + interval.semitones,
                pitch=n.pitch.transposed(interval),
                techniques=_slid(n.techniques, interval.semitones),
            )
            for n in self.notes
        )
        changes = tuple(replace(c, key=c.key.transposed(interval)) for c in self.key_changes)
        return replace(self, notes=notes, key=self.key.transposed(interval), key_changes=changes)
