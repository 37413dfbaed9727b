"""What single notes say that cannot be played, or that was hardly meant.

Which technique a hand can do on which string is common practice; where a natural harmonic
rings is physics: the n-th partial has its nodes at the k/n of the string (Fletcher and
Rossing, "The Physics of Musical Instruments", 2nd ed. 1998, ch. 2), and the fret there is
``-12 log2(1 - k/n)``.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import Counter
from collections.abc import Iterator
from fractions import Fraction
from typing import Final

from pipeline.music.harmonic import node_semitones
from pipeline.music.instrument import Instrument
from pipeline.music.tab import Note, SoundingNote, Tab
from pipeline.music.technique import (
    Accent,
    Bend,
    Dead,
    Ghost,
    HammerOn,
    Harmonic,
    HarmonicKind,
    LetRing,
    PalmMute,
    PullOff,
    Slide,
    SlideKind,
    Staccato,
    Tap,
    Technique,
    Trill,
    Vibrato,
)
from pipeline.read.places import Places
from pipeline.read.proof_finding import Finding, Rule, at_note

HAMMER_DOWN: Final = Rule(
    "caution", "a hammer-on that does not go up",
    "From a higher fret it is a pull-off (p); otherwise correct one of the two frets.",
)  # fmt: skip
PULL_UP: Final = Rule(
    "caution", "a pull-off that does not go down",
    "From a lower fret it is a hammer-on (h); otherwise correct one of the two frets.",
)  # fmt: skip
SLIDE_NOWHERE: Final = Rule(
    "caution", "a slide to the fret it starts from", "Correct one of the two frets, or tie the notes."
)
SLIDE_OPEN: Final = Rule(
    "caution", "a slide to the open string",
    "A finger cannot slide off the neck: write a pull-off (p), or a slide out of the note before.",
)  # fmt: skip
SLIDE_FROM_OPEN: Final = Rule(
    "remark", "a slide that starts from the open string",
    "If the finger comes from somewhere low on the neck, write a slide in.",
)  # fmt: skip
OUT_OF_SILENCE: Final = Rule(
    "caution", "a pull-off or slide from a string that is silent by then",
    "Let the note before last until here, or have this one struck.",
)  # fmt: skip
HAMMER_NOWHERE: Final = Rule(
    "remark", "a hammer-on without a note before it on its string",
    "Fine if the finger hammers a silent string; otherwise write the note it comes from.",
)  # fmt: skip
TIE_BROKEN: Final = Rule(
    "caution", "a tied note with nothing to go on from",
    "A tie joins two notes of one fret on one string without a rest between; this one is struck again.",
)  # fmt: skip
TIE_OVER_REPEAT: Final = Rule(
    "remark", "a tie that holds in one pass of a repeat only",
    "In the other passes the note is struck: say so in the lesson, or write the passes out.",
)  # fmt: skip
BEND_OPEN: Final = Rule(
    "caution", "a bend on an open string", "Fret the note on the next string, or leave the bend out."
)
BEND_WIDE: Final = Rule(
    "caution", "a bend wider than a fourth", "Check the fret it is to sound like: 7b9 is a whole tone."
)
BEND_STIFF: Final = Rule(
    "remark", "a bend that takes much strength",
    "Wide bends near the nut or on a bass string are hard: check that it is meant, and tell the pupils.",
)  # fmt: skip
DEAD_BENT: Final = Rule(
    "caution", "a dead note with a bend, vibrato or trill", "A dead note (x) has no pitch: write its fret."
)
HARMONIC_BENT: Final = Rule(
    "caution", "a bend on a natural harmonic",
    "No finger holds the string there: fine with a vibrato bar, otherwise a mistake.",
)  # fmt: skip
NO_NODE: Final = Rule(
    "caution", "a natural harmonic where the string has no node",
    "They ring at frets 12, 7, 5, 9, 4 and 3; elsewhere only artificial and pinch harmonics do.",
)  # fmt: skip
OTHER_HARMONIC: Final = Rule(
    "caution", "a natural harmonic that is said to sound another pitch than rings there",
    "Correct its fret, or leave its pitch to the fret.",
)  # fmt: skip
OPEN_VIBRATO: Final = Rule(
    "remark",
    "vibrato on an open string",
    "Fine with a vibrato bar or behind the nut; otherwise fret the note.",
)
OPEN_TAP: Final = Rule(
    "caution", "a tap on the open string", "Write the fret that is tapped, or a pull-off (p)."
)
OPEN_SLIDE: Final = Rule(
    "caution", "a slide in or out of the open string", "Write the fret at which the slide begins or ends."
)
AGAINST_EACH_OTHER: Final = Rule(
    "remark", "two marks that work against each other", "Keep the one that is meant."
)

NODE_FRETS: Final = 0.4  # how far from its fret a harmonic is still written at it
_SOUND_REACH: Final = 0.75  # semitones between a partial and the pitch it is written as
_STRIFE: Final[tuple[tuple[type[Technique], type[Technique], str], ...]] = (
    (LetRing, PalmMute, "let ring and palm mute"),
    (LetRing, Staccato, "let ring and staccato"),
    (Ghost, Accent, "ghost note and accent"),
)


def proof_notes(tab: Tab, places: Places) -> Iterator[Finding]:
    """All findings of this module, in the order of the rules."""
    yield from joins(tab, places)
    yield from ties(tab, places)
    yield from bends(tab, places)
    yield from harmonics(tab, places)
    for note in tab.notes:
        if note.fret == 0 and note.has(Vibrato) and not note.has(Dead, Harmonic):
            yield at_note(OPEN_VIBRATO, tab, note, places, f"string {note.string}")
        if note.fret == 0 and note.has(Tap):
            yield at_note(OPEN_TAP, tab, note, places, f"string {note.string}")
        slide = note.get(Slide)
        if note.fret == 0 and slide is not None and slide.kind not in (SlideKind.LEGATO, SlideKind.SHIFT):
            yield at_note(OPEN_SLIDE, tab, note, places, f"string {note.string}, {slide.kind.value}")
        for one, two, names in _STRIFE:
            if note.has(one) and note.has(two):
                yield at_note(AGAINST_EACH_OTHER, tab, note, places, names)


def joins(tab: Tab, places: Places) -> Iterator[Finding]:
    """Hammer-ons, pull-offs and slides against the note they start from.

    The note before is that of the played form: after a repeat sign it may be another one each
    time. A join is wrong when it is wrong in every pass.
    """
    last: dict[int, SoundingNote] = {}
    seen: dict[int, list[Finding | None]] = {}
    struck = _Struck(tab)
    for sounding in tab.sounding:
        note = sounding.note
        if _reached(note) is not None:
            found = _judged(tab, sounding, last.get(note.string), struck, places)
            seen.setdefault(sounding.source, []).append(found)
        last[note.string] = sounding
    for passes in seen.values():
        wrong = [found for found in passes if found is not None]
        if len(wrong) == len(passes):
            yield wrong[0]


class _Struck:
    """When notes sound on the played timeline, to tell a rest from an arpeggio."""

    def __init__(self, tab: Tab) -> None:
        self._spans = [(s.onset, s.end) for s in tab.sounding]
        self._onsets = [start for start, _ in self._spans]

    def silent(self, start: Fraction, end: Fraction) -> bool:
        """Whether nothing begins, and nothing goes on, from ``start`` until ``end``."""
        upto = bisect_left(self._onsets, end)
        # notes are seldom longer than the hundred that follow them
        return all(stop <= start for _, stop in self._spans[max(0, upto - 100) : upto])


def _reached(note: Note) -> Technique | None:
    for technique in note.techniques:
        if isinstance(technique, HammerOn | PullOff):
            return technique
        if isinstance(technique, Slide) and technique.kind in (SlideKind.LEGATO, SlideKind.SHIFT):
            return technique
    return None


def _judged(
    tab: Tab, sounding: SoundingNote, before: SoundingNote | None, struck: _Struck, places: Places
) -> Finding | None:
    note, way = sounding.note, _reached(sounding.note)
    hammer, pull = isinstance(way, HammerOn), isinstance(way, PullOff)
    gone = before is None or sounding.onset - before.end > max(Fraction(4), sounding.bar.bar.length)
    if before is not None and not gone and not before.note.has(LetRing):
        rest = sounding.onset - before.end
        gone = rest >= Fraction(1, 2) and struck.silent(before.end, sounding.onset)
    if before is None or gone:
        if isinstance(way, Slide) and way.kind is SlideKind.SHIFT:
            return None  # struck anyway
        rule = HAMMER_NOWHERE if hammer else OUT_OF_SILENCE
        return at_note(rule, tab, note, places, f"string {note.string}, fret {note.fret}")
    if before.note.has(Dead) or note.has(Dead):
        return None
    low, high = before.note.fret, note.fret
    detail = f"string {note.string}, fret {low} to {high}"
    if hammer:
        return at_note(HAMMER_DOWN, tab, note, places, detail) if high <= low else None
    if pull:
        return at_note(PULL_UP, tab, note, places, detail) if high >= low else None
    if low == high:
        return at_note(SLIDE_NOWHERE, tab, note, places, detail)
    if high == 0:
        return at_note(SLIDE_OPEN, tab, note, places, detail)
    return at_note(SLIDE_FROM_OPEN, tab, note, places, detail) if low == 0 else None


def ties(tab: Tab, places: Places) -> Iterator[Finding]:
    """Tied notes that must be struck after all, always or in some passes."""
    struck = Counter(s.source for s in tab.sounding if s.note.tied)
    passes = Counter(bar.written for bar in tab.form.played.bars)
    for index in sorted(struck):
        note = tab.notes[index]
        detail = f"string {note.string}, fret {note.fret}"
        if struck[index] < passes[tab.form.written.bar_at(note.onset).index]:
            yield at_note(TIE_OVER_REPEAT, tab, note, places, detail)
            continue
        before = next(
            (n for n in tab.notes if n.string == note.string and n.end == note.onset and not n.grace), None
        )
        if before is not None and before.fret != note.fret:
            detail += f"; before it fret {before.fret}"
        yield at_note(TIE_BROKEN, tab, note, places, detail)


def bends(tab: Tab, places: Places) -> Iterator[Finding]:
    """Bends that fingers cannot do, or hardly."""
    for note in tab.notes:
        bend, harmonic = note.get(Bend), note.get(Harmonic)
        if note.has(Dead):
            if bend is not None or note.has(Vibrato, Trill):
                yield at_note(DEAD_BENT, tab, note, places, f"string {note.string}")
            continue
        if bend is None:
            continue
        where = f"string {note.string}, fret {note.fret}"
        if harmonic is not None and harmonic.kind is HarmonicKind.NATURAL:
            yield at_note(HARMONIC_BENT, tab, note, places, where)
        elif note.fret == 0:
            yield at_note(BEND_OPEN, tab, note, places, f"string {note.string}")
        elif bend.peak > 5:
            yield at_note(BEND_WIDE, tab, note, places, f"{where}, by {_tones(bend.peak)}")
        elif bend.peak > _easy_semitones(tab.instrument, note):
            yield at_note(BEND_STIFF, tab, note, places, f"{where}, by {_tones(bend.peak)}")


def _easy_semitones(neck: Instrument, note: Note) -> int:
    """How far a bend goes without a struggle: common practice."""
    wound = neck.clef == "F" or (len(neck.strings) >= 6 and note.string > 3)
    return 2 if wound or note.fret <= 3 else 4


def _tones(semitones: Fraction) -> str:
    whole, half = divmod(semitones, 2)
    if semitones.denominator != 1:
        return f"{float(semitones):g} semitones"
    number = f"{whole}½" if half and whole else "½" if half else str(whole)
    return f"{number} tone{'s' if semitones > 2 else ''}"


def harmonics(tab: Tab, places: Places) -> Iterator[Finding]:
    """Natural harmonics at frets where nothing rings, or something else than is said."""
    for note in tab.notes:
        harmonic = note.get(Harmonic)
        if harmonic is None or harmonic.kind is not HarmonicKind.NATURAL:
            continue
        rings = sorted(node_semitones(note.fret, reach=NODE_FRETS)) if note.fret else []
        where = f"string {note.string}, fret {note.fret}"
        if not rings:
            yield at_note(NO_NODE, tab, note, places, where)
        elif not any(abs(sounds - harmonic.sounds) < _SOUND_REACH for sounds in rings):
            said = f"{where}: {harmonic.sounds} semitones above the open string, {round(rings[0])} ring there"
            yield at_note(OTHER_HARMONIC, tab, note, places, said)
