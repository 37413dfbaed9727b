"""What a lesson holds, as plain facts for the page, the words and the record."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from pipeline.music import technique as t
from pipeline.music.chart import ChordSpan
from pipeline.music.key import Key
from pipeline.music.tab import Note, Phrase, Tab

_NAMES: Final[tuple[tuple[type, str], ...]] = (
    (t.Bend, "bends"),
    (t.Slide, "slides"),
    (t.HammerOn, "hammer-ons"),
    (t.PullOff, "pull-offs"),
    (t.Tap, "tapping"),
    (t.Vibrato, "vibrato"),
    (t.PalmMute, "palm muting"),
    (t.Dead, "dead notes"),
    (t.Harmonic, "harmonics"),
    (t.Trill, "trills"),
    (t.TremoloPicking, "tremolo picking"),
    (t.LetRing, "notes left to ring"),
)


@dataclass(frozen=True, slots=True)
class PhraseFacts:
    """Where a phrase lies: frets lowest and highest (open strings apart), strings used."""

    name: str
    first: int
    last: int
    fret_lo: int
    fret_hi: int
    open_strings: bool
    strings: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class LessonFacts:
    """The facts of a whole lesson; ``tuning`` is open strings from the lowest line up, ``bars``
    are those printed, ``bars_played`` with repeats, both without a pickup."""

    key: Key
    tempo_bpm: float
    metre: str
    instrument: str
    tuning: str
    techniques: tuple[str, ...]
    chords: tuple[str, ...]
    fret_lo: int
    fret_hi: int
    open_strings: bool
    bars: int
    bars_played: int
    phrases: tuple[PhraseFacts, ...]


def _frets(notes: Sequence[Note]) -> tuple[int, int]:
    fretted = [note.fret for note in notes if note.fret > 0 and not note.has(t.Dead)]
    return (min(fretted), max(fretted)) if fretted else (0, 0)


def _open(notes: Sequence[Note]) -> bool:
    return any(note.fret == 0 and not note.has(t.Dead) for note in notes)


def _phrase(tab: Tab, phrase: Phrase) -> PhraseFacts:
    first, last = tab.form.bar_span(phrase.first, phrase.last)
    bars = tab.form.written.bars
    notes = [note for note in tab.notes if bars[first].start <= note.onset < bars[last].end]
    lo, hi = _frets(notes)
    return PhraseFacts(
        phrase.name,
        phrase.first,
        phrase.last,
        lo,
        hi,
        _open(notes),
        tuple(sorted({note.string for note in notes})),
    )


def technique_names(tab: Tab) -> tuple[str, ...]:
    """What the hands do in this tab, in a teacher's words, double stops included."""
    found = [name for kind, name in _NAMES if any(note.has(kind) for note in tab.notes)]
    onsets = Counter(note.onset for note in tab.notes if not note.grace)
    together = max(onsets.values(), default=1)
    if together == 2:
        found.append("double stops")
    elif together > 2:
        found.append("chords")
    return tuple(found)


def lesson_facts(tab: Tab, spans: Sequence[ChordSpan]) -> LessonFacts:
    """The facts of a tab and its chart over the played form."""
    lo, hi = _frets(tab.notes)
    names = tuple(dict.fromkeys(span.chord.symbol() for span in spans if span.chord))
    strings = " ".join(pitch.spelling.symbol() for pitch in reversed(tab.instrument.strings))
    return LessonFacts(
        tab.key,
        tab.tempo_bpm,
        str(tab.form.bars[-1 if tab.form.pickup else 0].metre),
        tab.instrument.name,
        strings + (f", capo {tab.instrument.capo}" if tab.instrument.capo else ""),
        technique_names(tab),
        names,
        lo,
        hi,
        _open(tab.notes),
        sum(not bar.pickup for bar in tab.form.bars),
        sum(not bar.bar.pickup for bar in tab.form.played.bars),
        tuple(_phrase(tab, phrase) for phrase in tab.phrases),
    )
