"""Keys that the music speaks against, and chords that look like slips of the pen."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction as F

import pytest

from pipeline.music.chord import Chord
from pipeline.music.key import Key
from pipeline.music.metre import Form
from pipeline.music.tab import KeyMark, Tab
from pipeline.read import proof_harmony as rules
from tests.read.proofs import broken, found_in
from tests.samples import chart_of, tab_of

G_SCALE = ((3, 0), (3, 2), (2, 0), (2, 1), (2, 3), (1, 0), (1, 2), (1, 3))  # G A B C D E F# G


def eight(key: str, places: tuple[tuple[int, int], ...] = G_SCALE) -> Tab:
    return tab_of(
        [(4 * bar, 4, string, fret, ()) for bar, (string, fret) in enumerate(places)],
        key=key,
        form=Form.plain(8),
    )


IN_G = ("G", "Em", "C", "D", "G", "Bm", "Am D7", "G")


def test_a_key_that_chords_and_notes_speak_against() -> None:
    chart = chart_of(*IN_G)
    assert broken(eight("G"), chart) == broken(eight("Em"), chart) == set()
    found = found_in(eight("Bb"), chart)
    assert [f.rule for f in found] == [rules.ANOTHER_KEY]
    assert found[0].detail == "9 of 9 chords belong to G major, 0 to B♭ major; of the notes 100% and 62%"
    assert found[0].bar is None and found[0].rule.level == "caution"


def test_a_signature_that_was_left_empty() -> None:
    """Six notes of seven are the same: what tells is where the chords begin and end."""
    chords = ("G", "C", "G", "D7", "G", "Am", "C D7", "G")
    in_both = ((3, 0), (3, 2), (2, 0), (2, 1), (2, 3), (1, 0), (2, 0), (1, 3))
    found = found_in(eight("C", in_both), chart_of(*chords))
    assert [f.rule for f in found] == [rules.HOME_ELSEWHERE]
    assert found[0].detail == "9 of 9 chords belong to G major, 7 to C major; of the notes 100% and 100%"
    assert broken(eight("G", in_both), chart_of(*chords)) == set()
    # this mode has the signature of C, and its home is where the music begins
    assert broken(eight("G mixolydian", in_both), chart_of(*chords)) == set()


@pytest.mark.parametrize(
    ("key", "chords"),
    [
        ("A", ("A7", "D7", "A7", "A7", "D7", "A7", "E7 D7", "A7")),  # a blues
        ("C", ("C", "Fm", "C", "A7", "D7", "G7", "C Am", "G")),  # borrowed and secondary dominants
        ("Am", ("Am", "E7", "Am", "Dm", "E7", "Am", "G#dim7 Am", "E")),  # the raised seventh
        ("A dorian", ("Am7", "D9", "Am7", "D9", "Am7", "D9", "Em7 D9", "Am7")),
        ("G", ("G",) * 8),  # one chord says little
        ("C", ("G7", "C", "F", "C", "G7", "C", "F G7", "C")),  # begins on the dominant
        ("Am", ("F", "G", "Am", "F", "G", "Am", "F G", "F")),
        ("G", ("C", "G", "C", "D", "Em", "C", "D", "C")),  # begins and ends on the subdominant
    ],
)
def test_music_that_is_in_its_key(key: str, chords: tuple[str, ...]) -> None:
    blues = ((1, 5), (1, 8), (2, 8), (2, 5), (1, 5), (2, 8), (2, 5), (1, 5))
    assert not {rules.ANOTHER_KEY, rules.HOME_ELSEWHERE} & broken(eight(key, blues), chart_of(*chords))


def test_notes_that_hold_to_the_written_key_are_believed() -> None:
    """Chords alone do not overturn a key."""
    b_flat = ((3, 3), (2, 1), (2, 3), (2, 4), (1, 1), (1, 3), (1, 5), (1, 6))
    assert broken(eight("Bb", b_flat), chart_of(*IN_G)) == set()


def test_each_stretch_is_judged_by_its_own_key() -> None:
    tab = eight("G")
    twice = Form.plain(16)
    notes = (*tab.notes, *(replace(n, onset=n.onset + 32) for n in tab.notes))
    tab = replace(tab, form=twice, notes=notes, key_changes=(KeyMark(F(32), Key.parse("Bb")),))
    found = found_in(tab, chart_of(*IN_G, *IN_G))
    assert len(found) == 1 and found[0].detail.startswith("bars 9-16: 9 of 9 chords belong to G major")


@pytest.mark.parametrize(
    ("chord", "key", "expected"),
    [
        ("G7", "C", True), ("Dm7", "C", True), ("E7", "Am", True), ("G#dim", "Am", True), ("E7", "C", False),
        ("Fm", "C", False), ("Bdim", "C", True), ("Csus4", "C", True), ("C5", "C", True), ("D9", "A dorian", True),
        ("Baug", "C", False),
    ],
)  # fmt: skip
def test_chords_of_a_key(chord: str, key: str, expected: bool) -> None:
    """Common practice."""
    assert rules.belongs(Chord.parse(chord), Key.parse(key)) is expected


@pytest.mark.parametrize(
    ("chords", "odd"),
    [
        (("G", "Em", "C", "D", "G", "Em", "C", "Em"), False),
        (("G", "Em", "C", "D", "G", "Em", "E", "Em"), True),
        (("G", "Bm", "C", "D", "Bm", "Em", "Bbm", "Bm"), True),
        (("G", "Em", "C", "D", "E", "Em", "E", "Em"), False),  # twice is meant
        (("G", "Em", "C", "D", "A7", "D7", "G", "Em"), False),  # no near name
    ],
)
def test_chords_one_sign_away_from_one_used_often(chords: tuple[str, ...], odd: bool) -> None:
    assert (rules.ODD_CHORD in broken(eight("G"), chart_of(*chords))) is odd
    if odd:
        found = next(f for f in found_in(eight("G"), chart_of(*chords)) if f.rule is rules.ODD_CHORD)
        assert found.bar == 7 and "3 times" in found.detail
