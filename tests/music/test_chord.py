"""Chord names: what musicians write, read and written back, moved, and exported."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.music.chord import KINDS, Change, Chord
from pipeline.music.errors import MusicError, SpellingError
from pipeline.music.pitch import Interval, Spelling
from tests.chart_strategies import chords
from tests.music.strategies import INTERVALS, chord_names, intervals, spellings


@given(chord_names())
def test_text_reads_back_as_the_same_chord(name: str) -> None:
    chord = Chord.parse(name)
    assert Chord.parse(chord.text()) == chord
    assert Chord.parse(chord.symbol()) == chord


@given(chord_names(), intervals)
def test_moved_chords_keep_their_shape(name: str, interval: Interval) -> None:
    chord = Chord.parse(name)
    moved = chord.transposed(interval)
    assert (moved.kind, moved.changes, moved.degrees) == (chord.kind, chord.changes, chord.degrees)
    assert moved.pitch_classes == {(pc + interval.semitones) % 12 for pc in chord.pitch_classes}
    assert moved.transposed(-interval).pitch_classes == chord.pitch_classes


@given(spellings, st.sampled_from(sorted(KINDS)))
def test_every_kind_is_read_from_its_own_suffix(root: Spelling, kind: str) -> None:
    for suffix in KINDS[kind][1:]:
        assert Chord.parse(root.text() + suffix) == Chord(root, kind)


@given(spellings, st.sampled_from(sorted(KINDS)))
def test_tones_stand_on_the_letters_of_their_degrees(root: Spelling, kind: str) -> None:
    chord = Chord(root, kind)
    for degree, tone in zip(chord.degrees, chord.tones, strict=True):
        steps = ("CDEFGAB".index(tone.step) - "CDEFGAB".index(root.step)) % 7
        # a tone that would need three signs takes a simpler name, and with it another letter
        letter = "CDEFGAB"[("CDEFGAB".index(root.step) + degree - 1) % 7]
        signs = [alter for alter in (-3, 3) if Spelling(letter, alter).pitch_class == tone.pitch_class]
        assert steps == (degree - 1) % 7 or signs


@pytest.mark.parametrize(
    ("written", "plain"),
    [
        ("CMaj7", "Cmaj7"),
        ("CMAJ7", "Cmaj7"),
        ("CMajor", "C"),
        ("Cmajor7", "Cmaj7"),
        ("CMA9", "Cmaj9"),
        ("CMin7", "Cm7"),
        ("CMI7", "Cm7"),
        ("Cminor", "Cm"),
        ("CmMaj7", "Cm(maj7)"),
        ("C-Δ", "Cm(maj7)"),
        ("CmΔ", "Cm(maj7)"),
        ("C6(9)", "C6/9"),
        ("C7(9)", "C9"),
        ("C7(13)", "C7add13"),
        ("Cmaj7(9)", "Cmaj9"),
        ("Cm7(11)", "Cm7add11"),
        ("C7(b9,13)", "C7(b9,add13)"),
        ("Calt", "C7alt"),
    ],
)
def test_other_hands_write_it_otherwise(written: str, plain: str) -> None:
    """Capitals, whole words, additions in parentheses; an altered chord has its seventh: common practice."""
    assert Chord.parse(written) == Chord.parse(plain)


@pytest.mark.parametrize(
    ("name", "tones"),
    [
        ("Em", "E G B"), ("F#m7b5", "F# A C E"), ("B♭maj9/D", "Bb D F A C"), ("A7#9", "A C# E G B#"),
        ("C-7", "C Eb G Bb"), ("CΔ", "C E G B"), ("G°7", "G Bb Db Fb"), ("Dø", "D F Ab C"), ("E+", "E G# B#"),
        ("G7sus4", "G C D F"), ("D9sus4", "D G A C E"), ("C6/9", "C E G A D"), ("Cadd9", "C E G D"),
        ("Asus2", "A B E"), ("E5", "E B"), ("Bbm(maj7)", "Bb Db F A"), ("F13", "F A C Eb G D"),
        ("C7no5", "C E Bb"), ("Gm11", "G Bb D F A C"), ("Ab7b9", "Ab C Eb Gb Bbb"), ("Dmaj7#11", "D F# A C# G#"),
        ("A-", "A C E"), ("C#dim", "C# E G"), ("C2", None), ("Cm6", "C Eb G A"), ("C7+", "C E G# Bb"),
    ],
)  # fmt: skip
def test_what_a_name_means(name: str, tones: str | None) -> None:
    """Meaning of chord names: common practice."""
    if tones is None:
        with pytest.raises(SpellingError) as caught:
            Chord.parse(name)
        assert caught.value.suggestion == "Csus2"
        return
    assert sorted(map(str, Chord.parse(name).tones)) == sorted(tones.split())


def test_a_foreign_bass_sounds_but_is_no_chord_tone() -> None:
    chord = Chord.parse("D/E")
    assert chord.lowest == Spelling("E")
    assert 4 in chord.pitch_classes
    assert Spelling("E") not in chord.tones


@pytest.mark.parametrize(
    ("text", "column", "says", "suggestion"),
    [
        ("H7", 0, "[(]a chord starts with a note name, A to G[)]", "B7"),
        ("am7", 0, "starts with a note name", "Am7"),
        ("Cm7/x", 4, "after / comes a bass note", None),
        ("Cmj7", 2, "not understood", "Cmaj7"),
        ("C7(b9", 5, "parenthesis is not closed", None),
        ("C#####", 1, "too many", None),
        ("Gsus5", 1, "sus2 or sus4", None),
        ("C7/", 3, "after / comes a bass note", None),
        ("C7//E", 2, "not understood", None),
        ("Cadd", 1, "lacks its degree", None),
        ("", 0, "starts with a note name", None),
    ],
)
def test_what_is_no_chord(text: str, column: int, says: str, suggestion: str | None) -> None:
    with pytest.raises(SpellingError, match=says) as caught:
        Chord.parse(text)
    assert caught.value.column == column
    if suggestion:
        assert caught.value.suggestion == suggestion


@given(st.text(alphabet="ABCDEFGHm7b#♭♯5()/+-°ø9sudijaMΔ13 ", max_size=12))
def test_any_text_is_read_or_refused_but_never_breaks(text: str) -> None:
    try:
        chord = Chord.parse(text)
    except SpellingError as error:
        assert str(error)
        assert 0 <= error.column <= len(text)
    else:
        assert Chord.parse(chord.text()) == chord


def test_distances_named_in_the_tests_are_twelve_tone() -> None:
    assert sorted(i.semitones for i in INTERVALS.values()) == [1, 2, 3, 4, 5, 6, 6, 7, 8, 9, 10, 11]


@given(chords)
def test_every_chord_has_a_name_that_reads_back(chord: Chord) -> None:
    """Whatever kind and changes it was put together from."""
    assert Chord.parse(chord.text()) == chord
    assert Chord.parse(chord.symbol()) == chord
    assert Chord(chord.root, chord.kind, chord.changes, chord.bass) == chord


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("Cmb5", "Cdim"), ("Cm7-5", "Cø7"), ("C7sus", "Csus4(b7)"), ("C6add9", "C6/9"), ("C+maj7", "Cmaj7#5"),
        ("C7(b9,13)", "C13b9"), ("C/C", "C"), ("Cno3", "C5"), ("C7+9", "C7#9"), ("C+9", "C9#5"), ("C^7", "C∆7"),
        ("Cº7", "C°7"), ("Cm#7", "CmM7"), ("Cdom7", "C7"), ("Cø9", "Cm7b5add9"),
        ("C7/9", "C9"), ("C7/b9", "C7b9"), ("C7/13", "C7add13"), ("C7(b9/#5)", "C7#5b9"), ("C/9", "Cadd9"),
        ("Csus7", "C7sus4"), ("Csus9", "C9sus4"), ("Csus13", "C13sus4"), ("C7(b9/13)/E", "C13b9/E"), ("C6/9/E", "C69/E"),
    ],
)  # fmt: skip
def test_a_chord_is_its_degrees(one: str, other: str) -> None:
    """Two ways to write one chord: common practice."""
    assert Chord.parse(one) == Chord.parse(other)


@pytest.mark.parametrize(
    ("name", "tones"),
    [
        ("C7(b9,#9)", "C E G Bb Db D#"), ("C7b5#5", "C E Gb G# Bb"), ("C9add#9", "C E G Bb D D#"),
        ("Cadd#11", "C E G F#"), ("C11add#11", "C E G Bb D F F#"),
    ],
)  # fmt: skip
def test_two_forms_of_one_degree_both_sound(name: str, tones: str) -> None:
    """A second ninth or fifth used to take the place of the first."""
    chord = Chord.parse(name)
    assert sorted(map(str, chord.tones)) == sorted(tones.split())
    assert Chord.parse(chord.text()) == chord


@pytest.mark.parametrize(
    ("name", "nearest"),
    [
        ("Cmaji7", "Cmaj7"), ("Cdimm", "Cdim"), ("Gsu4", "Gsus4"), ("Am7b", "Am7b5"),
        ("C7sus5", "C7sus4"), ("Cminn7", "Cm7"), ("A/c", "A"), ("Hm", "Bm"), ("dm7", "Dm7"),
    ],
)  # fmt: skip
def test_a_mistyped_name_is_told_with_the_nearest_one(name: str, nearest: str) -> None:
    with pytest.raises(SpellingError) as caught:
        Chord.parse(name)
    assert caught.value.suggestion == nearest


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: Chord(Spelling("C"), "major"), "unknown kind"),
        (lambda: Change("flatten", 5), "added, altered or omitted"),
        (lambda: Change("add", 14), "no degree 14"),
        (lambda: Change("add", 1), "no degree 1"),
        (lambda: Change("alter", 5, 3), "altered by"),
        (lambda: Change("omit", 5, 1), "not altered"),
        (lambda: Change("add", 7, 1), "octave"),
    ],
)
def test_what_a_chord_cannot_be(make: Callable[[], object], says: str) -> None:
    with pytest.raises(MusicError, match=says):
        make()
