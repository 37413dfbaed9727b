"""Chords and notes against the key that is written, and chords that look like slips of the pen.

A chord belongs to a key when its triad does; in a minor key so do the chords on the dominant
and on the leading note with the raised seventh: common practice. A key is doubted only when
chords and notes both speak for the same other one, so that a blues or a borrowed chord is not.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

from pipeline.music.chart import Chart, ChartChord, ChordSpan
from pipeline.music.chord import Chord
from pipeline.music.key import Key
from pipeline.music.keyfinding import TONICS
from pipeline.music.tab import Note, Tab
from pipeline.music.technique import Bend, Dead
from pipeline.read.places import Place, Places
from pipeline.read.proof_finding import Finding, Rule

ANOTHER_KEY: Final = Rule(
    "caution", "another key fits better",
    "If you hear it so, write that key in the tab and the chart; the signature and all note names follow it.",
)  # fmt: skip
HOME_ELSEWHERE: Final = Rule(
    "remark", "the chords begin and end at home in another key",
    "If that is the key, write it in the tab and the chart; the signature and all note names follow it.",
)  # fmt: skip
ODD_CHORD: Final = Rule(
    "remark", "a chord outside the key, used once, one sign away from one used often",
    "Fine if you play it so; otherwise correct it.",
)  # fmt: skip

_FEWEST: Final = 5  # chords that say something about a key
_OFTEN: Final = 3
_MAJOR: Final = {1: 0, 2: 2, 3: 4, 4: 5, 5: 7}  # semitones of the lower degrees of a major scale
KEYS: Final = tuple(Key.parse(f"{name} {mode}") for mode, names in TONICS.items() for name in names)


def belongs(chord: Chord, key: Key) -> bool:
    """Whether the triad of a chord (its root with third, or what stands for it, and fifth) is
    made of notes of the key."""
    triad = {
        (chord.root.pitch_class + _MAJOR[degree] + alter) % 12
        for degree, alter in chord.degrees.items()
        if degree <= 5
    }
    scale = set(key.scale)
    if triad <= scale:
        return True
    root = (chord.root.pitch_class - key.tonic.pitch_class) % 12
    leading = (key.tonic.pitch_class + 11) % 12
    return key.mode == "minor" and root in (7, 11) and triad <= scale | {leading}


@dataclass(frozen=True, slots=True)
class _Stretch:
    """The written bars (by index) under one key."""

    key: Key
    first: int
    last: int
    chords: tuple[Chord, ...]
    notes: tuple[Note, ...]


def key_doubts(tab: Tab, spans: Sequence[ChordSpan], places: Places) -> Iterator[Finding]:
    """Stretches under one signature whose music fits another better: much better (a caution), or
    a little and with its first and last chord on that key's tonic (a remark)."""
    for stretch in _stretches(tab, spans):
        count = len(stretch.chords)
        if count < _FEWEST or len({c.text() for c in stretch.chords}) < _OFTEN:
            continue
        said = sum(belongs(chord, stretch.key) for chord in stretch.chords)
        heard = _share(tab, stretch.notes, stretch.key)
        others = [
            _Other(key, sum(belongs(chord, key) for chord in stretch.chords), _share(tab, stretch.notes, key))
            for key in KEYS
            if key != stretch.key
        ]
        much = [o for o in others if _much_better(o, said, heard, count)]
        home = [o for o in others if _more_at_home(o, said, heard, stretch)]
        if not much and not home:
            continue
        found = max(much or home, key=lambda o: (o.chords, _at_home(stretch.chords, o.key), o.notes))
        name, written = found.key.symbol(), stretch.key.symbol()
        detail = f"{found.chords} of {count} chords belong to {name}, {said} to {written}"
        if stretch.notes:
            detail += f"; of the notes {found.notes:.0%} and {heard:.0%}"
        if (stretch.first, stretch.last) != (0, len(tab.form.bars) - 1):
            low, high = (tab.form.bars[index].number for index in (stretch.first, stretch.last))
            detail = f"bars {low}-{high}: {detail}" if low != high else f"bar {low}: {detail}"
        rule = ANOTHER_KEY if much else HOME_ELSEWHERE
        # the key of the start stands in a head that nobody has the place of
        place = places.bar(stretch.first) if stretch.first else Place(places.path)
        yield Finding(rule, place, None, "", detail)


@dataclass(frozen=True, slots=True)
class _Other:
    """Another key; how many of the chords belong to it, and which share of the notes."""

    key: Key
    chords: int
    notes: float


def _much_better(other: _Other, said: int, heard: float, count: int) -> bool:
    """Whether chords and notes both speak for another key, beyond what is borrowed now and then."""
    if other.chords < said + max(2, count / 4) or other.chords < 0.75 * count:
        return False
    return other.notes >= heard + 0.1 or other.notes >= heard >= 0.95


def _more_at_home(other: _Other, said: int, heard: float, stretch: _Stretch) -> bool:
    """Whether the music begins and ends on another tonic and never on its own, and fits no worse.

    A key a fifth away shares six notes of seven: that is how a signature left empty shows.
    """
    first, last = stretch.chords[0], stretch.chords[-1]
    if stretch.key.tonic.pitch_class in (first.root.pitch_class, last.root.pitch_class):
        return False
    if not all(_is_tonic(chord, other.key) for chord in (first, last)):
        return False
    return other.chords > said and other.notes >= heard - 0.02


def _stretches(tab: Tab, spans: Sequence[ChordSpan]) -> Iterator[_Stretch]:
    written = tab.form.written.bars
    starts = [0, *(tab.form.written.bar_at(change.quarter).index for change in tab.key_changes)]
    ends = [*(start - 1 for start in starts[1:]), len(written) - 1]
    seen: set[tuple[int, Fraction]] = set()
    chords: dict[int, list[Chord]] = {}
    for span in spans:
        place = (span.bar.written, span.start + span.push - span.bar.start)
        if place in seen or span.implied:
            continue
        seen.add(place)
        if span.chord is not None:
            chords.setdefault(span.bar.written, []).append(span.chord)
    for first, last in zip(starts, ends, strict=True):
        inside = [chord for index in range(first, last + 1) for chord in chords.get(index, ())]
        changed = [c for place, c in enumerate(inside) if place == 0 or c != inside[place - 1]]
        notes = [n for n in tab.notes if written[first].start <= n.onset < written[last].end]
        yield _Stretch(tab.key_at(written[first].start), first, last, tuple(changed), tuple(notes))


def _share(tab: Tab, notes: Iterable[Note], key: Key) -> float:
    """How much of the sounding time the notes of a key make up, 0..1; 1 without notes."""
    scale = set(key.scale)
    if key.mode == "minor":
        scale.add((key.tonic.pitch_class + 11) % 12)
    inside = total = Fraction(0)
    for note in notes:
        if note.has(Dead):
            continue
        bend = note.get(Bend)
        midi = note.sounding_midi(tab.instrument) + (round(bend.peak) if bend else 0)
        total += note.duration
        inside += note.duration if midi % 12 in scale else 0
    return float(inside / total) if total else 1.0


def _is_tonic(chord: Chord, key: Key) -> bool:
    minor = chord.degrees.get(3, -1 if key.minorish else 0) < 0
    return chord.root.pitch_class == key.tonic.pitch_class and minor == key.minorish


def _at_home(chords: Sequence[Chord], key: Key) -> int:
    """How much the tonic chord stands where tonics stand: last, first, often."""
    home = [_is_tonic(chord, key) for chord in chords]
    return 2 * len(chords) * home[-1] + len(chords) * home[0] + sum(home)


def odd_chords(chart: Chart, key: Key, places: Places) -> Iterator[Finding]:
    """Chords used once, outside the key (that of the start, where the chart names none), that
    differ in one sign from a chord used often."""
    used = [(index, item) for index, bar in enumerate(chart.bars) for item in bar.chords if item.chord]
    names = Counter(_name(item) for _, item in used)
    now = chart.key or key
    keys: list[Key] = []
    for bar in chart.bars:
        now = bar.key or now
        keys.append(now)
    for index, item in used:
        name = _name(item)
        if item.chord is None or names[name] > 1 or belongs(item.chord, keys[index]):
            continue
        near = [other for other, count in names.items() if count >= _OFTEN and _one_letter_apart(name, other)]
        if near:
            often = max(near, key=lambda other: names[other])
            detail = f"{name}, with {often} {names[often]} times"
            yield Finding(ODD_CHORD, places.chord(index, item.at), index + 1, "", detail)


def _name(item: ChartChord) -> str:
    return item.chord.text() if item.chord else ""


def _one_letter_apart(one: str, two: str) -> bool:
    """Whether one sign more, less or instead makes one of the other, on a root of the same letter."""
    if one[0] != two[0]:
        return False
    short, long = sorted((one, two), key=len)
    if len(long) - len(short) > 1 or one == two:
        return False
    same = next((i for i, (a, b) in enumerate(zip(short, long, strict=False)) if a != b), len(short))
    rest = same + 1 if len(short) == len(long) else same
    return short[rest:] == long[same + 1 :]
