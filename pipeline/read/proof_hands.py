"""Whether hands can do it: stretches, fingers, speed, the top of the neck, frets that stand alone.

How far a hand reaches is judged in millimetres along the neck, between the wires of the lowest
and the highest fret that are held: four frets anywhere, five from the first fret on a guitar
(126 mm), are everyday; six from the first (153 mm) are a wide stretch, seven (178 mm) more than
most hands hold. Common practice.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from pipeline.music.tab import Note, SoundingNote, Tab
from pipeline.music.technique import Dead, Harmonic, HarmonicKind, LetRing, Slide, Tap, TremoloPicking, Trill
from pipeline.music.timemap import TimeMap
from pipeline.read.places import Places
from pipeline.read.proof_finding import Finding, Rule, at_note

WIDE_MM: Final = 138.0
TOO_WIDE_MM: Final = 170.0
FASTEST: Final = 14.0  # notes a second, one after another
RUN: Final = 5  # notes that make a passage
LONE_FRETS: Final = 8  # how far a fret stands from its neighbours to be noticed
_SLIPS: Final = 4  # slips of the pen in one piece
_NEIGHBOURS: Final = 4  # frets within which those neighbours lie
_ACOUSTIC: Final = {24: 14, 25: 16}  # by General MIDI program: the last fret that is easily reached

WIDE: Final = Rule(
    "remark", "a wide stretch",
    "Some hands will not reach it: the same note may lie nearer on another string.",
)  # fmt: skip
TOO_WIDE: Final = Rule(
    "caution", "a stretch wider than a hand",
    "Move a note to another string, tap it, or let one go earlier.",
)  # fmt: skip
TOO_MANY: Final = Rule(
    "caution", "more fretted notes at once than four fingers can hold",
    "Leave a note out, or move one to an open string.",
)  # fmt: skip
TRILL_WIDE: Final = Rule("caution", "a trill wider than a hand", "Correct the fret it goes to, or tap it.")
SAME_FINGER: Final = Rule("caution", "one finger on two frets at once", "Correct one of the two fingers.")
CROSSED: Final = Rule(
    "remark", "crossed fingers: the higher finger on the lower fret", "Check which of the two is meant."
)
FINGER_OPEN: Final = Rule("remark", "a finger on an open string", "Leave the finger out, or write the fret.")
TOO_FAST: Final = Rule(
    "caution", "faster than fingers go",
    "Check the tempo, and whether these notes are really that short.",
)  # fmt: skip
HIGH: Final = Rule(
    "remark", "frets that are hard to reach on an acoustic guitar",
    "For an electric one write instrument: electric guitar; otherwise an octave lower may serve.",
)  # fmt: skip
LONE: Final = Rule(
    "remark", "a fret far away from those around it",
    "Fine if the jump is meant; otherwise a figure too many or too few, such as 15 for 1 and 5.",
)  # fmt: skip


def proof_hands(tab: Tab, places: Places) -> Iterator[Finding]:
    """All findings of this module, in the order of the rules."""
    yield from grips(tab, places)
    yield from trills(tab, places)
    yield from fingers_on_open_strings(tab, places)
    yield from speed(tab, places)
    yield from high_frets(tab, places)
    yield from lone_frets(tab, places)


@dataclass(frozen=True, slots=True)
class Grip:
    """What the fretting hand holds when notes are struck.

    struck : the notes struck at this moment
    held : those it must hold then, these and earlier ones, without open and tapped strings
    open : strings that sound open meanwhile
    """

    struck: tuple[Note, ...]
    held: tuple[Note, ...]
    open: frozenset[int]


def grips_of(tab: Tab) -> Iterator[Grip]:
    """Every moment of the written form at which something is struck."""
    sounding: dict[int, Note] = {}
    for onset, group in itertools.groupby((n for n in tab.notes if not n.grace), key=lambda n: n.onset):
        struck = tuple(group)
        sounding = {string: note for string, note in sounding.items() if note.end > onset}
        held = [n for n in sounding.values() if not n.has(LetRing)]
        sounding.update({note.string: note for note in struck})
        strings = {note.string for note in struck}
        everything = [*struck, *(n for n in held if n.string not in strings)]
        if len(everything) > 1 or (struck and struck[0].finger is not None):
            yield Grip(
                struck,
                tuple(n for n in everything if n.fret > 0 and not n.has(Tap) and _by_the_fretting_hand(n)),
                frozenset(n.string for n in everything if n.fret == 0),
            )


def _by_the_fretting_hand(note: Note) -> bool:
    harmonic = note.get(Harmonic)  # a natural one is touched, not held
    return harmonic is None or harmonic.kind is not HarmonicKind.NATURAL


def grips(tab: Tab, places: Places) -> Iterator[Finding]:
    """Stretches, more notes than fingers, and fingers as written, at each moment."""
    for grip in grips_of(tab):
        if len(grip.held) < 2:
            continue
        low, high = (pick(grip.held, key=lambda n: n.fret) for pick in (min, max))
        reach = _mm(tab, low.fret, high.fret)
        at = next((n for n in grip.struck if n.fret in (low.fret, high.fret)), grip.struck[0])
        if reach > WIDE_MM and not (low.has(Dead) or high.has(Dead) or _moves(grip)):
            rule = TOO_WIDE if reach > TOO_WIDE_MM else WIDE
            detail = f"frets {low.fret} to {high.fret}, {reach / 10:.0f} cm"
            yield at_note(rule, tab, at, places, detail)
        count = fingers_needed(grip)
        if count > 4:
            frets = "-".join(str(n.fret) for n in sorted(grip.held, key=lambda n: -n.string))
            yield at_note(TOO_MANY, tab, at, places, f"frets {frets}")
        yield from _fingers_as_written(tab, grip, places)


def _moves(grip: Grip) -> bool:
    """Whether a held note leaves its fret by a slide, so that the hand has moved."""
    return any(note.has(Slide) for note in grip.held if note not in grip.struck)


def _mm(tab: Tab, low: int, high: int) -> float:
    neck = tab.instrument
    return neck.fret_mm(high + neck.capo) - neck.fret_mm(low + neck.capo)


def fingers_needed(grip: Grip) -> int:
    """The fewest fingers for what is held: one finger lies over neighbouring strings of one fret,
    where no string between sounds a lower one."""
    sounding = {note.string: note.fret for note in grip.held if not note.has(Dead)}
    sounding.update(dict.fromkeys(grip.open, 0))
    count = 0
    for fret in sorted({f for f in sounding.values() if f > 0}):
        strings = sorted(string for string, f in sounding.items() if f == fret)
        count += 1
        for one, two in itertools.pairwise(strings):
            count += any(sounding.get(between, fret) < fret for between in range(one + 1, two))
    return count


def _fingers_as_written(tab: Tab, grip: Grip, places: Places) -> Iterator[Finding]:
    fingered = [n for n in grip.held if n.finger is not None]
    for one, two in itertools.combinations(fingered, 2):
        if one.fret == two.fret or one.finger is None or two.finger is None:
            continue
        low, high = sorted((one, two), key=lambda n: n.fret)
        assert low.finger is not None and high.finger is not None
        at = one if one in grip.struck else two
        frets = f"frets {low.fret} and {high.fret}"
        if low.finger == high.finger:
            yield at_note(SAME_FINGER, tab, at, places, f"finger {low.finger}, {frets}")
        elif low.finger > high.finger > 0:
            detail = f"finger {low.finger} on fret {low.fret}, finger {high.finger} on fret {high.fret}"
            yield at_note(CROSSED, tab, at, places, detail)


def fingers_on_open_strings(tab: Tab, places: Places) -> Iterator[Finding]:
    """A finger from 1 on where nothing is fretted; many scores write 0 for an open string."""
    for note in tab.notes:
        if note.fret == 0 and note.finger and not note.has(Harmonic):
            yield at_note(FINGER_OPEN, tab, note, places, f"string {note.string}, finger {note.finger}")


def trills(tab: Tab, places: Places) -> Iterator[Finding]:
    """Trills whose two frets lie too far apart; one from an open string may reach anywhere."""
    for note in tab.notes:
        trill = note.get(Trill)
        if trill is None or note.has(Tap) or 0 in (note.fret, trill.fret):
            continue
        low, high = sorted((note.fret, trill.fret))
        if _mm(tab, low, high) > TOO_WIDE_MM:
            yield at_note(TRILL_WIDE, tab, note, places, f"frets {low} and {high}")


def speed(tab: Tab, places: Places) -> Iterator[Finding]:
    """Passages that run faster than can be played; a rake over the strings is no passage."""
    one_by_one: list[SoundingNote] = []
    for sounding in tab.sounding:
        if sounding.note.grace or sounding.note.has(TremoloPicking):
            continue
        if not one_by_one or sounding.onset > one_by_one[-1].onset:
            one_by_one.append(sounding)
    if len(one_by_one) < RUN:
        return
    seconds = TimeMap.of_tab(tab).to_seconds([float(s.onset) for s in one_by_one])
    told: set[int] = set()
    for start in range(len(one_by_one) - RUN + 1):
        run = one_by_one[start : start + RUN]
        pace = (RUN - 1) / float(seconds[start + RUN - 1] - seconds[start])
        raked = len({s.note.string for s in run}) == RUN
        bar = run[0].bar.written
        if pace <= FASTEST or raked or bar in told:
            continue
        told.add(bar)
        yield at_note(TOO_FAST, tab, run[0].note, places, f"{pace:.0f} notes a second")


def high_frets(tab: Tab, places: Places) -> Iterator[Finding]:
    """The top of the neck of an acoustic guitar, where its body is in the way."""
    neck = tab.instrument
    last = _ACOUSTIC.get(neck.program)
    if last is None or neck.frets < 18:
        return
    told: set[int] = set()
    for note in tab.notes:
        bar = tab.form.written.bar_at(note.onset).index
        if note.fret + neck.capo > last and not note.has(Harmonic) and bar not in told:
            told.add(bar)
            yield at_note(HIGH, tab, note, places, f"string {note.string}, fret {note.fret}")


def lone_frets(tab: Tab, places: Places) -> Iterator[Finding]:
    """One fret far up or down among notes that lie together, there and back within two beats; what
    happens often is a figure of the music."""
    found = list(_lone_frets(tab, places))
    yield from found if len(found) <= _SLIPS else ()


def _lone_frets(tab: Tab, places: Places) -> Iterator[Finding]:
    single = _single_fretted(tab)
    for before, note, after in zip(single, single[1:], single[2:], strict=False):
        if any(n.has(Tap, Slide, Harmonic) for n in (before, note, after)):
            continue
        if after.onset - before.onset > 2 or abs(before.fret - after.fret) > _NEIGHBOURS:
            continue
        far = (note.fret - before.fret, note.fret - after.fret)
        if min(map(abs, far)) >= LONE_FRETS and far[0] * far[1] > 0:
            low, high = sorted((before.fret, after.fret))
            around = f"fret {low} on both sides" if low == high else f"frets {low} and {high} around it"
            yield at_note(LONE, tab, note, places, f"fret {note.fret}, with {around}")


def _single_fretted(tab: Tab) -> Sequence[Note]:
    """The fretted notes that are struck alone; what is struck together has other reasons."""
    found: list[Note] = []
    for _, group in itertools.groupby(_struck(tab), key=lambda n: n.onset):
        notes = list(group)
        if len(notes) == 1 and notes[0].fret > 0:
            found.append(notes[0])
    return found


def _struck(tab: Tab) -> Iterable[Note]:
    return (n for n in tab.notes if not n.grace and not n.tied and not n.has(Dead))
