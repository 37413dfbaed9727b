"""Stretches, fingers, speed, the top of the neck, frets that stand alone."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction as F

import pytest

from pipeline.music.instrument import INSTRUMENTS
from pipeline.music.tab import Tab
from pipeline.music.technique import Harmonic, HarmonicKind, LetRing, Slide, SlideKind, Tap, Technique, Trill
from pipeline.read import proof_hands as rules
from pipeline.read.proof_finding import Rule
from tests.read.proofs import broken, found_in, problems_of
from tests.samples import tab_of


def shape(frets: str, *, instrument: str = "electric guitar", fingers: str = "") -> Tab:
    """A chord from the bottom line up, as ``x 3 2 0 1 0``; fingers likewise, ``-`` for none."""
    words = frets.split()[::-1]
    tab = tab_of(
        [(0, 2, string, int(fret), ()) for string, fret in enumerate(words, 1) if fret != "x"],
        instrument=instrument,
    )
    given = dict(enumerate(fingers.split()[::-1], 1))
    notes = tuple(
        replace(n, finger=int(given[n.string]) if given.get(n.string, "-") not in "-x" else None)
        for n in tab.notes
    )
    return replace(tab, notes=notes)


@pytest.mark.parametrize(
    "frets",
    [
        "x 3 2 0 1 0", "3 2 0 0 0 3", "1 3 3 2 1 1", "x x 0 2 3 2", "2 4 4 3 2 2", "x 3 5 5 5 3", "x 2 1 2 0 2",
        "x 7 6 7 8 x", "x 2 4 4 4 2", "3 5 3 4 3 3", "x 3 2 3 3 3", "x 1 x x x 5", "5 x x x x 9", "12 x x x x 17",
        "0 x x x x 15", "x 4 6 4 5 x", "x x 1 2 1 2", "5 7 5 6 8 5",
    ],
)  # fmt: skip
def test_chords_that_every_player_holds(frets: str) -> None:
    """Common practice: open chords, barres, shells, four frets anywhere and five from the first."""
    assert broken(shape(frets)) == set()


@pytest.mark.parametrize(
    ("rule", "frets"),
    [
        (rules.WIDE, "1 x x x x 6"),
        (rules.TOO_WIDE, "1 x x x x 8"),
        (rules.TOO_WIDE, "x 5 x x 14 x"),
        (rules.TOO_MANY, "1 2 3 4 5 x"),
        (rules.TOO_MANY, "3 2 1 2 3 4"),
    ],
)
def test_chords_that_no_hand_holds(rule: Rule, frets: str) -> None:
    assert broken(shape(frets)) == {rule}


def test_the_same_frets_are_further_on_a_bass_and_nearer_on_a_ukulele() -> None:
    """What counts is millimetres: five frets from the first are 168 mm on a bass of 864 mm."""
    assert broken(shape("1 x x 6", instrument="bass")) == {rules.TOO_WIDE}
    assert broken(shape("1 x x 6", instrument="ukulele")) == set()


def test_a_capo_makes_room() -> None:
    tab = shape("1 x x x x 6")
    assert broken(tab) == {rules.WIDE}
    neck = tab.instrument.with_capo(5)
    notes = tuple(replace(n, pitch=tab.key.spell_midi(neck.midi(n.string, n.fret))) for n in tab.notes)
    assert broken(replace(tab, instrument=neck, notes=notes)) == set()


@pytest.mark.parametrize("marks", [(Tap(),), (Harmonic(HarmonicKind.NATURAL, 12),)])
def test_the_other_hand_and_harmonics_need_no_finger_there(marks: tuple[Technique, ...]) -> None:
    assert broken(tab_of([(0, 2, 6, 3, ()), (0, 2, 1, 12, marks)])) == set()


def test_a_note_that_must_be_held_counts_as_long_as_it_lasts() -> None:
    held = tab_of([(0, 4, 6, 1, ()), (1, 1, 1, 8, ())])
    assert [(f.rule, f.moment) for f in found_in(held)] == [(rules.TOO_WIDE, "beat 2")]
    assert broken(tab_of([(0, 1, 6, 1, ()), (1, 1, 1, 8, ())])) == set()
    assert broken(tab_of([(0, 4, 6, 1, (LetRing(),)), (1, 1, 1, 8, ())])) == set()


def test_the_stretch_is_told_in_centimetres() -> None:
    problem = problems_of(shape("1 x x x x 8"))[0]
    assert problem.what == "bar 1, beat 1: a stretch wider than a hand (frets 1 to 8, 20 cm)"


@pytest.mark.parametrize(
    ("low", "high", "rules_"), [(5, 8, set()), (0, 12, set()), (1, 8, {rules.TRILL_WIDE})]
)
def test_trills(low: int, high: int, rules_: set[Rule]) -> None:
    assert broken(tab_of([(0, 2, 2, low, (Trill(high),))])) == rules_


@pytest.mark.parametrize(
    ("frets", "fingers", "expected"),
    [
        ("x 3 2 0 1 0", "x 3 2 0 1 0", set()),
        ("1 3 3 2 1 1", "1 3 4 2 1 1", set()),
        ("2 x 0 2 3 2", "0 x - 1 3 2", set()),  # the thumb comes over the top
        ("x 3 2 0 1 0", "x 3 3 - 1 -", {rules.SAME_FINGER}),
        ("x 3 2 0 1 0", "x 1 2 - 3 -", {rules.CROSSED}),
        ("x 3 2 0 1 0", "x 3 2 1 1 -", {rules.FINGER_OPEN}),
    ],
)
def test_fingers_as_written(frets: str, fingers: str, expected: set[Rule]) -> None:
    assert broken(shape(frets, fingers=fingers)) == expected


def scale(
    length: F, frets: tuple[int, ...] = (5, 7, 8, 7) * 4, *, bpm: float = 120, rake: bool = False
) -> Tab:
    return tab_of(
        [
            (i * length, length, 1 + i % 6 if rake else 2, 5 if rake else fret, ())
            for i, fret in enumerate(frets)
        ],
        bpm=bpm,
    )


def test_sixteenths_are_playable_up_to_a_tempo() -> None:
    """Fourteen notes a second are sixteenths at 210."""
    assert broken(scale(F(1, 4), bpm=200)) == set()
    assert broken(scale(F(1, 4), bpm=240)) == {rules.TOO_FAST}
    assert broken(scale(F(1, 8), bpm=120)) == {rules.TOO_FAST}
    assert "16 notes a second" in problems_of(scale(F(1, 4), bpm=240))[0].what


def test_a_rake_over_the_strings_may_be_as_fast_as_it_likes() -> None:
    assert broken(scale(F(1, 8), (5,) * 6, bpm=160, rake=True)) == set()


@pytest.mark.parametrize(
    ("instrument", "fret", "expected"),
    [
        ("electric guitar", 20, set()),
        ("guitar", 15, set()),
        ("guitar", 18, {rules.HIGH}),
        ("nylon guitar", 12, set()),
        ("nylon guitar", 16, {rules.HIGH}),
        ("ukulele", 15, set()),
        ("bass", 20, set()),
    ],
)
def test_the_top_of_the_neck(instrument: str, fret: int, expected: set[Rule]) -> None:
    assert INSTRUMENTS[instrument].frets >= fret
    assert broken(tab_of([(0, 1, 1, fret, ())], instrument=instrument)) == expected


@pytest.mark.parametrize(
    ("frets", "expected"),
    [
        ((5, 7, 8, 7, 5), set()),
        ((5, 7, 15, 7, 5), {rules.LONE}),
        ((12, 14, 1, 14, 12), {rules.LONE}),
        ((5, 7, 15, 14, 12), set()),  # the hand goes up there and stays
        ((0, 7, 0, 7, 0), set()),
    ],
)
def test_a_fret_that_stands_alone(frets: tuple[int, ...], expected: set[Rule]) -> None:
    assert broken(scale(F(1, 2), frets)) == expected


def test_what_happens_often_is_a_figure_and_no_slip() -> None:
    assert broken(scale(F(1, 2), (3, 3, 15) * 8)) == set()


def test_a_slide_there_is_meant() -> None:
    up = (Slide(SlideKind.LEGATO),)
    rows: list[tuple[F | int, F | int, int, int, tuple[Technique, ...]]]
    rows = [(0, F(1, 2), 2, 5, ()), (F(1, 2), F(1, 2), 2, 15, up), (1, F(1, 2), 2, 5, up)]
    assert broken(tab_of(rows)) == set()
