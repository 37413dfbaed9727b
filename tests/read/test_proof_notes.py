"""What single notes say that cannot be played: each rule met by one wrong case, and no right one."""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction as F

import pytest

from pipeline.music.harmonic import node_semitones
from pipeline.music.metre import Bar, Form, Metre
from pipeline.music.tab import Note, Tab
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
from pipeline.read import proof_notes as rules
from pipeline.read.proof_finding import Rule
from tests.read.proofs import broken, found_in, problems_of
from tests.samples import tab_of

HAMMER, PULL = (HammerOn(),), (PullOff(),)
GLIDE, SHIFT = (Slide(SlideKind.LEGATO),), (Slide(SlideKind.SHIFT),)
RING = (LetRing(),)
Row = tuple[F | int, F | int, int, int, tuple[Technique, ...]]


def natural(sounds: int = 12) -> Harmonic:
    return Harmonic(HarmonicKind.NATURAL, sounds)


def two(low: int, high: int, marks: tuple[Technique, ...], *, string: int = 2) -> list[Row]:
    """A note, and one reached from it."""
    return [(0, 1, string, low, ()), (1, 1, string, high, marks)]


def one(fret: int, *marks: Technique, string: int = 2) -> list[Row]:
    return [(0, 2, string, fret, marks)]


RIGHT: list[tuple[str, list[Row]]] = [
    ("up", two(5, 7, HAMMER)),
    ("from open", two(0, 3, HAMMER)),
    ("down", two(7, 5, PULL)),
    ("to open", two(3, 0, PULL)),
    ("glide", two(5, 7, GLIDE)),
    ("glide down", two(7, 5, SHIFT)),
    ("tapped, then pulled", [(0, 1, 2, 12, (Tap(),)), (1, 1, 2, 5, PULL)]),
    ("hammered from a dead note", [(0, 1, 2, 7, (Dead(),)), (1, 1, 2, 5, HAMMER)]),
    ("hammered while another string sounded meanwhile",
     [(0, 1, 2, 5, ()), (1, 1, 1, 5, ()), (2, 1, 2, 7, HAMMER)]),
    ("pulled from a string that rings", [(0, F(1, 2), 2, 7, RING), (2, 1, 2, 5, PULL)]),
    ("slid anew after a rest", [(0, 1, 2, 5, ()), (3, 1, 2, 7, SHIFT)]),
    ("a tone", one(7, Bend.up(2), string=3)),
    ("a tone on a bass string", one(7, Bend.up(2), string=5)),
    ("two tones up the neck", one(12, Bend.up(4))),
    ("a pinch harmonic bent", one(7, Harmonic(HarmonicKind.PINCH, 12), Bend.up(2))),
    ("twelfth", one(12, natural())),
    ("seventh", one(7, natural(19))),
    ("fifth", one(5, natural(24))),
    ("fourth", one(4, natural(28))),
    ("ninth", one(9, natural(28))),
    ("third", one(3, natural(31))),
    ("a harmonic shaken with the bar", one(12, natural(), Vibrato())),
    ("a fretted note shaken", one(5, Vibrato())),
    ("a tap", one(12, Tap())),
    ("in from below", one(7, Slide(SlideKind.IN_BELOW))),
    ("accent and staccato", one(7, Accent(), Staccato())),
    ("a dead note muted with the palm", one(7, Dead(), PalmMute())),
]  # fmt: skip


@pytest.mark.parametrize("rows", [rows for _, rows in RIGHT], ids=[name for name, _ in RIGHT])
def test_what_hands_do_every_day(rows: list[Row]) -> None:
    """Common practice."""
    assert broken(tab_of(rows)) == set()


WRONG: list[tuple[Rule, list[Row]]] = [
    (rules.HAMMER_DOWN, two(7, 5, HAMMER)),
    (rules.HAMMER_DOWN, two(7, 7, HAMMER)),
    (rules.PULL_UP, two(5, 7, PULL)),
    (rules.PULL_UP, two(0, 2, PULL)),
    (rules.SLIDE_NOWHERE, two(5, 5, GLIDE)),
    (rules.SLIDE_OPEN, two(5, 0, GLIDE)),
    (rules.SLIDE_FROM_OPEN, two(0, 5, SHIFT)),
    (rules.OUT_OF_SILENCE, [(0, 1, 2, 7, ()), (2, 1, 2, 5, PULL)]),
    (rules.OUT_OF_SILENCE, [(0, 1, 1, 7, ()), (1, 1, 2, 5, GLIDE)]),
    (rules.HAMMER_NOWHERE, [(0, 1, 1, 7, ()), (1, 1, 2, 5, HAMMER)]),
    (rules.HAMMER_NOWHERE, [(0, 1, 2, 5, ()), (2, 1, 2, 7, HAMMER)]),
    (rules.BEND_OPEN, one(0, Bend.up(2))),
    (rules.BEND_WIDE, one(12, Bend.up(7))),
    (rules.BEND_STIFF, one(12, Bend.up(5))),
    (rules.BEND_STIFF, one(7, Bend.up(3), string=5)),
    (rules.BEND_STIFF, one(2, Bend.up(3))),
    (rules.DEAD_BENT, one(7, Dead(), Bend.up(2))),
    (rules.DEAD_BENT, one(7, Dead(), Vibrato())),
    (rules.DEAD_BENT, one(7, Dead(), Trill(8))),
    (rules.HARMONIC_BENT, one(12, natural(), Bend.up(2))),
    (rules.NO_NODE, one(11, natural())),
    (rules.NO_NODE, one(1, natural(24))),
    (rules.NO_NODE, one(0, natural())),
    (rules.OTHER_HARMONIC, one(7, natural(12))),
    (rules.OPEN_VIBRATO, one(0, Vibrato())),
    (rules.OPEN_TAP, one(0, Tap())),
    (rules.OPEN_SLIDE, one(0, Slide(SlideKind.OUT_DOWN))),
    (rules.AGAINST_EACH_OTHER, one(7, LetRing(), PalmMute())),
    (rules.AGAINST_EACH_OTHER, one(7, LetRing(), Staccato())),
    (rules.AGAINST_EACH_OTHER, one(7, Ghost(), Accent())),
]


@pytest.mark.parametrize(("rule", "rows"), WRONG)
def test_what_was_hardly_meant(rule: Rule, rows: list[Row]) -> None:
    """Common practice; each breaks this one rule."""
    assert broken(tab_of(rows)) == {rule}


def test_the_fret_before_and_the_string_are_told() -> None:
    problem = problems_of(tab_of(two(7, 5, HAMMER)))[0]
    assert problem.what == "bar 1, beat 2: a hammer-on that does not go up (string 2, fret 7 to 5)"
    assert "pull-off (p)" in problem.remedy and problem.level == "caution"


def test_a_plain_string_stays_plain_when_it_is_tuned_down() -> None:
    rows = one(9, Bend.up(3), string=3)
    assert broken(tab_of(rows, instrument="guitar half-step down")) == set()
    assert broken(tab_of(one(9, Bend.up(3), string=4), instrument="guitar")) == {rules.BEND_STIFF}
    assert broken(tab_of(one(9, Bend.up(3), string=1), instrument="bass")) == {rules.BEND_STIFF}


def tied(fret: int, onset: F | int = 1, first: int = 5) -> Tab:
    tab = tab_of([(0, 1, 2, first, ()), (onset, 1, 2, fret, ())])
    return replace(tab, notes=(tab.notes[0], replace(tab.notes[1], tied=True)))


def test_ties() -> None:
    assert broken(tied(5)) == set()
    assert broken(tied(7)) == broken(tied(5, 2)) == {rules.TIE_BROKEN}
    assert "before it fret 5" in found_in(tied(7))[0].detail


METRE = Metre(4, 4)


def repeated(rows: list[Row], *tied_onsets: int) -> Tab:
    """|: bar 1 [1. bar 2 :| [2. bar 3"""
    form = Form(
        (
            Bar(1, METRE, F(4), repeat_start=True),
            Bar(2, METRE, F(4), endings=(1,), repeat_times=2),
            Bar(3, METRE, F(4), endings=(2,)),
        )
    )
    tab = tab_of(rows, form=form)
    notes: list[Note] = [replace(n, tied=n.onset in tied_onsets) for n in tab.notes]
    return replace(tab, notes=tuple(notes))


def test_a_tie_into_the_second_ending_goes_on_from_before_the_first() -> None:
    """On the page the first ending lies between; in the music it does not."""
    tab = repeated([(0, 4, 2, 5, ()), (4, 4, 1, 5, ()), (8, 4, 2, 5, ())], 8)
    assert broken(tab) == set()


def test_a_tie_that_holds_in_one_pass_only() -> None:
    tab = repeated([(0, 4, 2, 5, ()), (4, 4, 2, 7, ()), (8, 4, 2, 5, ())], 0, 8)
    found = found_in(tab)
    assert [(f.rule, f.bar) for f in found] == [(rules.TIE_BROKEN, 1)]
    again = repeated([(0, 4, 2, 5, ()), (4, 4, 2, 5, ()), (8, 4, 2, 5, ())], 0)
    assert {f.rule for f in found_in(again)} == {rules.TIE_OVER_REPEAT}


def test_a_join_is_judged_by_the_note_that_was_played_before() -> None:
    """From bar 1 into the second ending: down by a pull-off, though bar 2 ends lower."""
    tab = repeated([(0, 4, 2, 9, ()), (4, 4, 2, 3, ()), (8, 4, 2, 7, PULL)])
    assert broken(tab) == set()
    tab = repeated([(0, 4, 2, 3, ()), (4, 4, 2, 9, ()), (8, 4, 2, 7, PULL)])
    assert broken(tab) == {rules.PULL_UP}


def test_every_node_of_a_string_up_to_the_fifth_partial_rings() -> None:
    """An independent list: frets whose distance leaves k/n of the string (from memory, and
    checked against 17.817, the luthier's constant, by which each fret shortens the string)."""
    left, frets = 1.0, {}
    for fret in range(1, 25):
        left -= left / 17.817
        frets[fret] = left
    for partial, sounds in ((2, 12), (3, 19), (4, 24), (5, 28)):
        for k in range(1, partial):
            fret = min(frets, key=lambda f: abs(frets[f] - k / partial))
            if math.gcd(k, partial) == 1 and abs(frets[fret] - k / partial) < 0.004:
                assert any(abs(s - sounds) < 0.75 for s in node_semitones(fret, reach=rules.NODE_FRETS)), (
                    partial,
                    fret,
                )
