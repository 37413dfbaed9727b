"""Keys and tempos of the band."""

from __future__ import annotations

import pytest

from pipeline.build.editions import (
    counted_words,
    editions_of,
    editions_with,
    key_words,
    parse_keys,
    parse_tempos,
    tempo_words,
)
from pipeline.config.tempo import TempoChoice
from pipeline.errors import MisuseError
from pipeline.music.key import Key
from pipeline.music.metre import Metre


def made(
    home: str, keys: list[str], tempos: list[str | float], bpm: float = 100.0
) -> list[tuple[str, int, float]]:
    found, _ = editions_of(Key.parse(home), bpm, parse_keys(keys), parse_tempos(tempos))
    return [(one.key.text(), one.semitones, one.tempo_bpm) for one in found]


@pytest.mark.parametrize(
    ("home", "keys", "tempos", "wanted"),
    [
        ("Am", [], [], [("Am", 0, 100.0)]),
        ("Am", ["Cm"], [80], [("Cm", 3, 80.0)]),
        ("Am", ["Em"], ["96 bpm", "50%"], [("Em", -5, 96.0), ("Em", -5, 50.0)]),
        ("Am", ["Am", "Bm"], ["96"], [("Am", 0, 96.0), ("Bm", 2, 96.0)]),
        ("C", ["F#", "Gb"], [100], [("F#", -6, 100.0), ("Gb", -6, 100.0)]),
        ("A dorian", ["Cm"], [], [("C dorian", 3, 100.0)]),
        ("Am", ["Am", "Am"], ["100%", "100 bpm"], [("Am", 0, 100.0)]),
    ],
)  # fmt: skip
def test_every_key_in_every_tempo_once(
    home: str, keys: list[str], tempos: list[str | float], wanted: list[tuple[str, int, float]]
) -> None:
    assert made(home, keys, tempos) == wanted


@pytest.mark.parametrize(
    ("home", "asked", "said"),
    [
        ("Am", "C", "the backing keeps the minor mode, on C"),
        ("C", "Am", "the backing keeps the major mode, on A"),
        ("A dorian", "C", "the backing keeps the dorian mode, on C"),
        ("A dorian", "E phrygian", "the backing keeps the dorian mode, on E"),
        ("A dorian", "Cm", ""),
        ("G mixolydian", "C", ""),
        ("Am", "Cm", ""),
    ],
)
def test_another_mode_is_told(home: str, asked: str, said: str) -> None:
    _, notes = editions_of(Key.parse(home), 100.0, parse_keys([asked]), ())
    assert said in " ".join(notes)
    assert bool(notes) == bool(said)


def test_a_key_beyond_seven_signs_gets_its_simpler_name() -> None:
    """G sharp minor's tonic with a lydian scale would need nine sharps."""
    found, _ = editions_of(Key.parse("C lydian"), 100.0, parse_keys(["G#m"]), ())
    assert (found[0].key.text(), found[0].semitones) == ("Ab lydian", -4)


def added(keys: list[str], tempos: list[str], more_keys: list[str], more_tempos: list[str]) -> tuple[
    list[tuple[str, float]], tuple[str, ...]
]:  # fmt: skip
    """What a lesson in A minor at 100 gets, and what is told."""
    found, notes = editions_with(
        Key.parse("Am"), 100.0, keys=parse_keys(keys), tempos=parse_tempos(tempos),
        more_keys=parse_keys(more_keys), more_tempos=parse_tempos(more_tempos), file="lesson.toml",
    )  # fmt: skip
    return [(one.key.text(), one.tempo_bpm) for one in found], notes


def test_the_command_line_adds_to_the_lesson() -> None:
    """`--key Em` once took the lesson's own key out of the pack."""
    found, notes = added(["Am", "Cm"], ["80%"], ["Em"], [])
    assert found == [("Am", 80.0), ("Cm", 80.0), ("Em", 80.0)]
    assert notes == (
        "Em was asked for on the command line; add it to keys in lesson.toml to keep it in the next build.",
    )
    found, notes = added([], [], ["Em", "F#m", "Em"], ["90"])
    assert found == [(key, bpm) for key in ("Am", "Em", "F#m") for bpm in (100.0, 90.0)]
    assert notes == (
        'Em and F#m were asked for on the command line; write keys = ["Am", "Em", "F#m"] under [backing] '
        "in lesson.toml to keep them in the next build.",
        '90 bpm was asked for on the command line; write tempos = ["100%", "90 bpm"] under [backing] '
        "in lesson.toml to keep it in the next build.",
    )


def test_what_the_lesson_has_anyway_is_not_told() -> None:
    assert added(["Am"], [], ["Am"], ["100 bpm"]) == ([("Am", 100.0)], ())
    assert added([], ["50%"], [], ["50 bpm"]) == ([("Am", 50.0)], ())


@pytest.mark.parametrize(
    ("key", "words"), [("F#m", "F-sharp minor"), ("Bb", "B-flat major"), ("E dorian", "E dorian")]
)
def test_names_for_files_are_plain(key: str, words: str) -> None:
    assert key_words(Key.parse(key)) == words
    assert words.isascii()


def test_tempos_in_names() -> None:
    assert [tempo_words(bpm) for bpm in (104.0, 83.2, 70.125)] == ["104 bpm", "83.2 bpm", "70.12 bpm"]


@pytest.mark.parametrize(
    ("bpm", "metre", "words"),
    [(104.0, "4/4", "104 bpm"), (108.0, "6/8", "♩. = 72"), (100.0, "12/8", "♩. = 66.7")],
)
def test_tempos_as_they_are_counted(bpm: float, metre: str, words: str) -> None:
    """Common practice: compound metres are counted in dotted quarters."""
    assert counted_words(bpm, Metre.parse(metre)) == words


def test_what_cannot_be_played() -> None:
    with pytest.raises(MisuseError, match="a tempo of 400% is 1200 quarter notes a minute here"):
        editions_of(Key.parse("C"), 300.0, (), (TempoChoice(percent=400),))
    with pytest.raises(MisuseError, match="--key X: not a key"):
        parse_keys(["C", "X"])
    with pytest.raises(MisuseError, match="--tempo slow: not a tempo"):
        parse_tempos(["slow"])
