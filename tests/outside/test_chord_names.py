"""Chord names against the vocabularies of two general-purpose libraries.

Sources
-------
- music21 10, ``harmony.CHORD_TYPES``: every kind of chord with all its abbreviations, and
  ``harmony.ChordSymbol`` for names with alterations.
- mir_eval 0.8, ``chord.QUALITIES`` and ``chord.encode``: the shorthands of Harte et al. (2005)
  with their pitch classes, and our own labels read back.
- Harte, C., Sandler, M., Abdallah, S., Gomez, E. (2005), ISMIR, as mir_eval's own test table
  has its examples.
"""

from __future__ import annotations

import itertools
import re

import numpy as np
import pytest
from hypothesis import given, settings

from pipeline.music.chord import Chord
from pipeline.music.errors import SpellingError
from tests.chart_strategies import chords
from tests.music.strategies import chord_names

ROOTS = ("C", "F#", "Bb", "Ab", "E")
# kinds of harmony books that are no chord symbols, and two that only music21 writes so
NO_NAMES = {
    "Neapolitan", "Italian", "French", "German", "pedal", "Tristan",
    "power",  # a power chord is C5
    "seventh-flat-five",  # dom7dim5: C7b5
    "diminished-minor-ninth",  # ob9: its seventh is not written
}  # fmt: skip
# the eleventh is left out of a thirteenth chord over a major third: common practice
NO_ELEVENTH = {
    "major-13th", "dominant-13th", "augmented-major-13th", "augmented-dominant-13th",
}  # fmt: skip


def abbreviations() -> list[tuple[str, str]]:
    from music21.harmony import CHORD_TYPES

    return [(kind, name) for kind, (_, names) in CHORD_TYPES.items() for name in names]


def theirs(name: str) -> set[int]:
    from music21.harmony import ChordSymbol

    root = re.match(r"[A-G][b#]?", name)
    assert root is not None
    return {p.pitchClass for p in ChordSymbol(root[0].replace("b", "-") + name[root.end() :]).pitches}


def test_every_abbreviation_of_music21_sounds_the_same() -> None:
    compared = 0
    for kind, name in abbreviations():
        if kind in NO_NAMES:
            continue
        for root in ROOTS:
            chord = Chord.parse(root + name)
            other = theirs(root + name)
            if kind in NO_ELEVENTH:
                other -= {(chord.root.pitch_class + 5) % 12}
            assert set(chord.pitch_classes) == other, f"{root + name}: {kind}"
            compared += 1
    assert compared > 60 * len(ROOTS)


@pytest.mark.parametrize("kind", sorted(NO_NAMES - {"seventh-flat-five", "diminished-minor-ninth"}))
def test_kinds_that_are_no_chord_symbols_are_refused(kind: str) -> None:
    for name in [name for other, name in abbreviations() if other == kind]:
        with pytest.raises(SpellingError):
            Chord.parse("C" + name)


ALTERED = ["b5", "#5", "b9", "#9", "#11", "b13"]
BASES = ["7", "m7", "M7", "9", "m9"]


@pytest.mark.parametrize("base", BASES)
def test_altered_chords_sound_as_music21_has_them(base: str) -> None:
    """One or two alterations in a row; what is altered is no longer there plain."""
    ours_only = []
    for count in (1, 2):
        for alterations in itertools.combinations(ALTERED, count):
            degrees = [a.lstrip("b#") for a in alterations]
            # nobody writes a ninth chord with another ninth, nor m7#9
            if (
                len(set(degrees)) < count
                or ("9" in base and "9" in degrees)
                or (base == "m7" and "#9" in alterations)
            ):
                continue
            name = base + "".join(alterations)
            try:
                other = theirs("C" + name)
            except ValueError:  # music21 does not read it
                ours_only.append(name)
                continue
            assert set(Chord.parse("C" + name).pitch_classes) == other, name
    for name in ours_only:
        assert Chord.parse("C" + name).text()


def test_shorthands_of_harte_are_our_kinds() -> None:
    """Each shorthand that mir_eval defines: the name with these pitch classes reads to the same."""
    from mir_eval import chord as other

    named = {"maj": "", "min": "m", "aug": "aug", "dim": "dim", "sus4": "sus4", "sus2": "sus2", "7": "7", "maj7": "maj7",
             "min7": "m7", "minmaj7": "m(maj7)", "maj6": "6", "min6": "m6", "dim7": "dim7", "hdim7": "m7b5",
             "5": "5"}  # fmt: skip
    for shorthand, name in named.items():
        bits = other.QUALITIES[shorthand]
        assert {i for i, bit in enumerate(bits) if bit} == set(Chord.parse("C" + name).pitch_classes), (
            shorthand
        )


def encoded(label: str) -> tuple[int, set[int], int]:
    from mir_eval import chord

    root, bits, bass = chord.encode(label, reduce_extended_chords=True)
    return int(root), {int(i) for i in np.flatnonzero(np.asarray(bits))}, int(bass)


def same_as_label(chord: Chord) -> None:
    number, tones, low = encoded(chord.harte())
    assert number == chord.root.pitch_class
    assert low == (chord.lowest.pitch_class - number) % 12
    # an omitted root is still the root of the label
    mine = {(pc - number) % 12 for pc in chord.pitch_classes}
    assert tones - {low} == mine - {low}, chord.harte()


@given(chord_names())
def test_labels_of_names_are_read_as_the_same_notes(name: str) -> None:
    chord = Chord.parse(name)
    if abs(chord.root.alter) < 2:
        same_as_label(chord)


@given(chords)
@settings(max_examples=300)
def test_labels_of_any_chord_are_read_as_the_same_notes(chord: Chord) -> None:
    same_as_label(chord)


@pytest.mark.parametrize(
    ("label", "name"),
    [
        # mir_eval's tests/test_chord.py, valid labels, and what a musician calls them
        ("C", "C"), ("Eb:min/5", "Ebm/Bb"), ("A#:dim7", "A#dim7"), ("B:maj(*1,*5)/3", "B(no1,no5)/D#"),
        ("A#:sus4", "A#sus4"), ("A:9/b3", "A9/C"), ("G:dim", "Gdim"), ("F#:hdim7/b7", "F#m7b5/E"),
        ("A:min7", "Am7"), ("G:7/3", "G7/B"), ("E:5", "E5"), ("C:sus4(b7)", "C7sus4"), ("G:dim(4)/6", "Gdim(add4)/E"),
    ],
)  # fmt: skip
def test_examples_of_the_syntax_and_their_names(label: str, name: str) -> None:
    number, tones, low = encoded(label)
    chord = Chord.parse(name)
    assert chord.root.pitch_class == number
    assert (chord.lowest.pitch_class - number) % 12 == low
    assert {(pc - number) % 12 for pc in chord.pitch_classes} | {low} == tones | {low}
