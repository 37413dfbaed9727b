"""Chords against published tables and two general-purpose libraries.

Sources
-------
- Harte, C., Sandler, M., Abdallah, S., Gomez, E. (2005), ISMIR: the chord syntax; as read by
  ``mir_eval.chord`` 0.8, whose own test table (tests/test_chord.py) gives the examples.
- music21's chord symbols for the tones of a name, its roman numerals for diatonic chords.
- Chords of the harmonic minor: college handout figures, and stacking thirds on the scale.
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from pipeline.music.chord import KINDS, Chord
from pipeline.music.key import Key

ROOTS = ("C", "F#", "Bb", "E", "Ab")
# our name without root -> music21's, where it writes the same chord in another way
FIGURES = {
    "": "", "m": "m", "dim": "dim", "aug": "+", "5": "power", "sus2": "sus2", "sus4": "sus", "6": "6", "m6": "m6",
    "7": "7", "maj7": "maj7", "m7": "m7", "m(maj7)": "mM7", "m7b5": "ø7", "dim7": "o7", "9": "9", "maj9": "M9",
    "m9": "m9", "7#9": "7add#9", "7b9": "7addb9", "add9": "add9", "7sus4": "7sus4", "6/9": "6add9",
}  # fmt: skip


@pytest.mark.parametrize(("ours", "theirs"), sorted(FIGURES.items()))
@pytest.mark.parametrize("root", ROOTS)
def test_tones_as_music21_has_them(root: str, ours: str, theirs: str) -> None:
    from music21.harmony import ChordSymbol

    symbol = ChordSymbol(root.replace("b", "-") + theirs)
    pitch_classes = {pitch.pitchClass for pitch in symbol.pitches}
    assert set(Chord.parse(root + ours).pitch_classes) == pitch_classes


@pytest.mark.parametrize(
    ("name", "more"),
    [
        ("C11", "the third sounds with the eleventh"),
        ("C13", "the eleventh is left out of a major thirteenth"),
    ],
)
def test_where_we_differ_from_music21_on_purpose(name: str, more: str) -> None:
    """music21 stacks all thirds; a player leaves the eleventh out over a major third: common practice."""
    from music21.harmony import ChordSymbol

    theirs = {pitch.pitchClass for pitch in ChordSymbol(name).pitches}
    ours = set(Chord.parse(name).pitch_classes)
    assert ours <= theirs, more
    assert theirs - ours in (set(), {5})


def encoded(label: str) -> tuple[int, str, int]:
    """(root, bits from the root, bass) by mir_eval."""
    from mir_eval import chord

    root, bits, bass = chord.encode(label, reduce_extended_chords=True)
    return int(root), "".join(str(int(b)) for b in np.asarray(bits)), int(bass)


@pytest.mark.parametrize("kind", sorted(KINDS))
@pytest.mark.parametrize("bass", ["", "/third", "/fifth"])
def test_exported_labels_are_read_as_the_same_notes(kind: str, bass: str) -> None:
    """Every kind, with and without a chord tone in the bass: mir_eval reads our label as our tones."""
    for root in ROOTS:
        plain = Chord.parse(root + KINDS[kind][1])
        if bass:
            degrees = list(plain.degrees)
            index = (
                degrees.index(5)
                if bass == "/fifth"
                else next((i for i, d in enumerate(degrees) if d == 3), 0)
            )
            tone = plain.tones[index]
            if index == 0 or abs(tone.alter) > 1:
                continue
            plain = Chord(plain.root, plain.kind, plain.changes, tone)
        number, bits, low = encoded(plain.harte())
        assert number == plain.root.pitch_class
        ours = {(pc - number) % 12 for pc in plain.pitch_classes}
        assert {i for i, bit in enumerate(bits) if bit == "1"} == ours
        assert low == (plain.lowest.pitch_class - number) % 12


@pytest.mark.parametrize(
    "name",
    ["A7b9", "E7#9", "C7(b9,#11)", "G13b9", "Cadd9", "Dmadd9", "F6/9", "A7sus4", "B9sus4", "D7no5", "Ebmaj7#11",
     "C7alt", "Gm7(add11)", "Am/F#", "C/Bb", "F/G", "D7/C", "Csus2", "A5", "Ab+7", "B(b5)"],
)  # fmt: skip
def test_altered_chords_and_foreign_basses_too(name: str) -> None:
    chord = Chord.parse(name)
    number, bits, low = encoded(chord.harte())
    assert number == chord.root.pitch_class
    tones = {(tone.pitch_class - number) % 12 for tone in chord.tones} | {low}
    assert {i for i, bit in enumerate(bits) if bit == "1"} | {low} == tones
    assert low == (chord.lowest.pitch_class - number) % 12


@pytest.mark.parametrize(
    ("name", "label", "encoding"),
    [
        # encodings: mir_eval 0.8.2, tests/test_chord.py and runs of it
        ("F#m7b5/E", "F#:hdim7/b7", (6, "100100100010", 10)),
        ("Am7", "A:min7", (9, "100100010010", 0)),
        ("G7/B", "G:7/3", (7, "100010010010", 4)),
        ("Gdim", "G:dim", (7, "100100100000", 0)),
        ("Ebm/Bb", "Eb:min/5", (3, "100100010000", 7)),
        ("A#dim7", "A#:dim7", (10, "100100100100", 0)),
        ("A#sus4", "A#:sus4", (10, "100001010000", 0)),
    ],
)
def test_examples_of_the_syntax(name: str, label: str, encoding: tuple[int, str, int]) -> None:
    assert Chord.parse(name).harte() == label
    assert encoded(label) == encoding


def test_a_power_chord_sounds_root_and_fifth() -> None:
    """E:5 encodes as 100000010000 in mir_eval; Harte's shorthands have no 5, so degrees are listed."""
    from mir_eval import chord

    ours, theirs = encoded(Chord.parse("E5").harte()), chord.encode("E:5")
    assert ours[0] == theirs[0]
    assert ours[1] == "".join(str(int(bit)) for bit in theirs[1]) == "100000010000"


def stacked(scale: list[int], size: int) -> list[set[int]]:
    """Thirds stacked on each note of a scale: pitch classes of the chords."""
    return [{scale[(i + 2 * k) % 7] for k in range(size)} for i in range(7)]


@pytest.mark.parametrize(
    ("scale", "triads", "sevenths"),
    [
        ([0, 2, 4, 5, 7, 9, 11], "C Dm Em F G Am Bdim", "Cmaj7 Dm7 Em7 Fmaj7 G7 Am7 Bm7b5"),
        ([9, 11, 0, 2, 4, 5, 7], "Am Bdim C Dm Em F G", "Am7 Bm7b5 Cmaj7 Dm7 Em7 Fmaj7 G7"),
        ([9, 11, 0, 2, 4, 5, 8], "Am Bdim Caug Dm E F G#dim", "Am(maj7) Bm7b5 Cmaj7#5 Dm7 E7 Fmaj7 G#dim7"),
    ],
    ids=["C major", "A natural minor", "A harmonic minor"],
)
def test_diatonic_chords(scale: list[int], triads: str, sevenths: str) -> None:
    for names, size in ((triads, 3), (sevenths, 4)):
        chords = [set(Chord.parse(name).pitch_classes) for name in names.split()]
        assert chords == stacked(scale, size)


@pytest.mark.parametrize(
    ("key", "figures"), [("C", "I ii iii IV V vi viio"), ("Am", "i iio III iv v VI VII")]
)
def test_diatonic_triads_as_music21_has_them(key: str, figures: str) -> None:
    from music21.roman import RomanNumeral

    ours = Key.parse(key)
    for figure, tones in zip(figures.split(), stacked(list(ours.scale), 3), strict=True):
        numeral = RomanNumeral(figure, "C" if key == "C" else "a")
        assert {pitch.pitchClass for pitch in numeral.pitches} == tones


def test_signatures_as_music21_has_them() -> None:
    from music21.key import Key as OtherKey

    for step, sign, mode in itertools.product(
        "CDEFGAB", ("", "#", "b"), ("major", "minor", "dorian", "mixolydian")
    ):
        theirs = OtherKey(step + sign.replace("b", "-"), mode)
        if abs(theirs.sharps) <= 7:
            ours = Key.parse(f"{step}{sign} {mode}")
            assert ours.fifths == theirs.sharps
            names = [pitch.name.replace("-", "b") for pitch in theirs.pitches[:7]]
            assert [str(ours.spell(pc)) for pc in ours.scale] == names


def test_minor_pentatonic_lies_where_every_method_puts_it() -> None:
    """A minor pentatonic, first position, two notes a string from the sixth to the first:
    frets 5-8 5-7 5-7 5-7 5-8 5-8 (common practice)."""
    from pipeline.music.instrument import INSTRUMENTS

    neck, tones = INSTRUMENTS["guitar"], {9, 0, 2, 4, 7}
    box = [[f for f in range(5, 9) if neck.midi(string, f) % 12 in tones] for string in range(6, 0, -1)]
    assert box == [[5, 8], [5, 7], [5, 7], [5, 7], [5, 8], [5, 8]]
