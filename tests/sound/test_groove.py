from __future__ import annotations

from fractions import Fraction as F

import pytest

from pipeline.music.metre import Form, Metre
from pipeline.music.technique import Technique
from pipeline.sound.errors import SoundError
from pipeline.sound.groove import choose_groove, felt_beat, groove_names, load_groove, parse_groove
from tests.samples import lead_tab, tab_of, waltz_tab

GOOD = """
name = "plain"
about = "for a test"
also = ["simple"]
metres = ["4/4"]
steps = 2
swing = "1/2"
[[drums.patterns]]
kick = "9. .. 8. .."
[[drums.fills]]
snare = ".. .. 8. 88"
[bass]
program = 33
level_lu = 0
approach = 0.5
patterns = ["R! = . 5 R = = a"]
[[chords]]
program = 0
level_lu = -6
pan = 0
register = [52, 74]
voices = 4
patterns = ["x = = = x' . . ."]
"""


def test_all_grooves_load_and_the_four_main_ones_are_there() -> None:
    assert {"straight eighths", "shuffle", "waltz", "funk sixteenths"} <= set(groove_names())
    for name in groove_names():
        groove = load_groove(name)
        assert groove.name == name and groove.drums and groove.fills and groove.chords


def test_every_pattern_fills_whole_beats_and_some_groove_metre() -> None:
    for name in groove_names():
        groove = load_groove(name)
        metre = Metre.parse(groove.metres[0])
        beats = metre.quarters / felt_beat(metre)
        lines = [p.beats for p in (*groove.drums, *groove.fills)]
        lines += [p.beats for p in groove.bass.patterns]
        lines += [p.beats for player in groove.chords for p in player.patterns]
        assert set(lines) == {beats}, name


def test_no_name_leads_to_two_grooves() -> None:
    names = [n for g in groove_names() for n in load_groove(g).names]
    assert len(names) == len(set(names))


@pytest.mark.parametrize("name", ["Shuffle", "funk-sixteenths", "Blues Shuffle", "12/8"])
def test_names_are_taken_as_musicians_write_them(name: str) -> None:
    assert load_groove(name).name in groove_names()


def test_an_unknown_groove_is_refused_with_the_nearest_one() -> None:
    with pytest.raises(SoundError, match="Did you mean 'shuffle'"):
        load_groove("shufle")


def test_a_line_reads_into_steps() -> None:
    groove = parse_groove(GOOD, where="test")
    kick = groove.drums[0].lines["kick"]
    assert [(s.at, s.force) for s in kick] == [(F(0), 9), (F(2), 8)]
    bass = groove.bass.patterns[0].steps
    assert [(s.at, s.length, s.word, s.force) for s in bass] == [
        (F(0), F(1), "R", 8),
        (F(3, 2), F(1, 2), "5", 6),
        (F(2), F(3, 2), "R", 6),
        (F(7, 2), F(1, 2), "a", 6),
    ]


@pytest.mark.parametrize(
    ("old", "new", "complaint"),
    [
        ("kick =", "gong =", "no drum is called 'gong'"),
        ('"9. .. 8. .."', '"9. .z 8. .."', "line of 1-9"),
        ("R! = . 5", "Q! = . 5", "step 1 is 'Q!'"),
        ("R! = . 5", "= . . 5", "follows no note"),
        ("steps = 2", "", "steps"),
        ("steps = 2", "steps = ", "not a groove"),
    ],
)
def test_a_faulty_groove_file_is_refused(old: str, new: str, complaint: str) -> None:
    assert old in GOOD
    with pytest.raises(SoundError, match=complaint):
        parse_groove(GOOD.replace(old, new, 1), where="test")


def test_the_groove_follows_feel_metre_and_swing() -> None:
    assert choose_groove("Slow Blues", lead_tab()) == "shuffle"
    assert choose_groove(None, lead_tab()) == "straight eighths"
    assert choose_groove(None, waltz_tab()) == "waltz"
    rows: list[tuple[F | int, F | int, int, int, tuple[Technique, ...]]] = [(0, 1, 1, 0, ())]
    assert choose_groove(None, tab_of(rows, form=Form.plain(1, Metre(6, 8)))) == "rolling six"
    assert choose_groove(None, tab_of(rows, form=Form.plain(1, Metre(12, 8)))) == "shuffle"
    assert choose_groove(None, tab_of(rows, swing=F(2, 3))) == "shuffle"
    with pytest.raises(SoundError, match="no groove 'polka mazurka'"):
        choose_groove("polka mazurka", lead_tab())


def test_felt_beats() -> None:
    assert felt_beat(Metre(12, 8)) == felt_beat(Metre(3, 8)) == F(3, 2)
    assert felt_beat(Metre(7, 8)) == felt_beat(Metre(3, 4)) == F(1)
