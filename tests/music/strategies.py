"""What hypothesis draws from: forms, maps, pitches, chords written as musicians write them."""

from __future__ import annotations

from fractions import Fraction

from hypothesis import strategies as st

from pipeline.music.key import MODES, Key
from pipeline.music.metre import Bar, Form, Metre
from pipeline.music.pitch import Interval, Pitch, Spelling
from pipeline.music.timemap import TimeMap

METRES = tuple(
    Metre(*pair) for pair in ((4, 4), (3, 4), (2, 2), (6, 8), (9, 8), (12, 8), (5, 4), (7, 8), (3, 8))
)
INTERVALS = {
    "minor second": Interval(1, 1),
    "major second": Interval(1, 2),
    "minor third": Interval(2, 3),
    "major third": Interval(2, 4),
    "fourth": Interval(3, 5),
    "augmented fourth": Interval(3, 6),
    "diminished fifth": Interval(4, 6),
    "fifth": Interval(4, 7),
    "minor sixth": Interval(5, 8),
    "major sixth": Interval(5, 9),
    "minor seventh": Interval(6, 10),
    "major seventh": Interval(6, 11),
}

metres = st.sampled_from(METRES)
spellings = st.builds(Spelling, st.sampled_from("CDEFGAB"), st.integers(-1, 1))
pitches = st.builds(Pitch, spellings, st.integers(1, 6))
intervals = st.builds(
    lambda name, down: -INTERVALS[name] if down else INTERVALS[name],
    st.sampled_from(sorted(INTERVALS)),
    st.booleans(),
)
fractions = st.fractions(0, 1, max_denominator=24).filter(lambda f: f < 1)


@st.composite
def keys(draw: st.DrawFn) -> Key:
    """Any key of at most seven sharps or flats."""
    mode = draw(st.sampled_from(MODES))
    lowest = Key(Spelling("D"), mode).fifths - Spelling("D").fifths
    return Key(Spelling.from_fifths(draw(st.integers(-7, 7)) - lowest), mode)


@st.composite
def forms(draw: st.DrawFn) -> Form:
    """Bars in changing metres, perhaps a pickup, repeats (also three times), two endings."""
    bars: list[Bar] = []
    metre = draw(metres)
    if draw(st.booleans()):
        parts = draw(st.integers(1, metre.beats - 1)) if metre.beats > 1 else 1
        bars.append(Bar(0, metre, metre.quarters * Fraction(parts, metre.beats), pickup=True))
    number = 1
    for _ in range(draw(st.integers(1, 4))):
        metre = draw(st.sampled_from([metre, draw(metres)]))
        count = draw(st.integers(1, 3))
        kind = draw(st.sampled_from(["plain", "repeat", "endings"]))
        for i in range(count):
            bars.append(
                Bar(
                    number,
                    metre,
                    metre.quarters,
                    repeat_start=kind != "plain" and i == 0,
                    repeat_times=draw(st.integers(2, 3)) if kind == "repeat" and i == count - 1 else 0,
                )
            )
            number += 1
        if kind == "endings":
            bars.append(Bar(number, metre, metre.quarters, repeat_times=2, endings=(1,)))
            bars.append(Bar(number + 1, metre, metre.quarters, endings=(2,)))
            number += 2
    return Form(tuple(bars))


@st.composite
def time_maps(draw: st.DrawFn) -> TimeMap:
    """Two to twelve points at tempos between 20 and 400 quarter notes a minute."""
    steps = draw(st.lists(st.tuples(st.floats(0.05, 16), st.floats(20, 400)), min_size=1, max_size=11))
    quarter, second = draw(st.floats(-8, 8)), draw(st.floats(-2, 20))
    points = [(quarter, second)]
    for length, bpm in steps:
        quarter, second = quarter + length, second + length * 60 / bpm
        points.append((quarter, second))
    return TimeMap.from_points(points)


@st.composite
def chord_names(draw: st.DrawFn) -> str:
    """Root, quality, alterations and bass in the ways that musicians write them."""
    root = draw(st.sampled_from("CDEFGAB")) + draw(st.sampled_from(["", "", "#", "b", "♯", "♭"]))
    quality = draw(
        st.sampled_from(
            ["", "m", "min", "-", "5", "6", "m6", "7", "9", "11", "13", "maj7", "M7", "Δ7", "Δ", "maj9", "m7", "-7",
             "m9", "m11", "mmaj7", "m(maj7)", "dim", "°", "dim7", "°7", "ø", "m7b5", "aug", "+", "+7", "aug7",
             "sus2", "sus4", "sus", "7sus4", "9sus4", "6/9", "69", "add9", "madd9", "7b9", "7#9", "7b5", "7#5",
             "7#11", "13b9", "maj7#11", "7(b9,#11)", "7(b9,b13)", "m7(add11)", "(b5)", "no3", "7no5", "7alt"]
        )
    )  # fmt: skip
    bass = draw(st.sampled_from(["", "", "/C", "/F#", "/Bb", "/E"]))
    return root + quality + bass
