"""Whole charts made up by hypothesis, every field at its edges."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction as F

from hypothesis import strategies as st

from pipeline.music.chart import Chart, ChartBar, ChartChord, ChartComment, Play
from pipeline.music.chord import KINDS, Change, Chord
from pipeline.music.errors import MusicError
from pipeline.music.metre import NO_SIGNS, Jump, Metre, Signs
from pipeline.music.pitch import Spelling
from tests.music.strategies import keys

NASTY = [
    "Verse", "Coda", "Segno", "[A]", "a]b", "\\", "\\]", "|", "|:1.", "# not a comment", "key: C", "%", "time: 4/4",
    "D.C. al Fine", "or", "é", "e\u0301", "\u0338", "×2", "a – b", "😀", "‹x›", "x  y", "：", "\u200b", "A" * 90,
]  # fmt: skip
names = st.sampled_from(NASTY) | st.text(max_size=12)
notes = st.builds(Spelling, st.sampled_from("CDEFGAB"), st.integers(-3, 3))
changes = st.builds(
    lambda action, degree, alter: Change(
        action, degree, 0 if action == "omit" else min(alter, 0) if degree == 7 else alter
    ),
    st.sampled_from(["add", "alter", "omit"]),
    st.integers(2, 13),
    st.integers(-2, 2),
)
chords = st.builds(
    Chord,
    notes,
    st.sampled_from(sorted(KINDS)),
    st.lists(changes, max_size=4).map(tuple),
    st.none() | notes,
)
common = st.sampled_from(["C", "Am7", "G7", "Dm7", "F#m7b5", "Bbmaj9/D", "E7#9", "Caug", "Bdim7"]).map(
    Chord.parse
)
shares = (
    st.sampled_from([F(0), F(1, 2), F(1, 3), F(3, 4), F(5, 8), F(7, 9), F(5, 16), F(11, 12)])
    | st.fractions(0, 1).filter(lambda at: at < 1)
)  # fmt: skip
pushes = (
    st.just(F(0))
    | st.sampled_from([F(1, 2), F(1, 4), F(1, 3), F(1, 6), F(1), F(3, 2), F(2), F(1, 5)])
    | st.fractions(0, 2)
)
metres = st.builds(Metre, st.integers(1, 64), st.sampled_from([1, 2, 4, 8, 16, 32, 64]))
tempos = st.integers(10, 500).map(float) | st.floats(10, 500)
jumps = st.builds(Jump, st.sampled_from(["start", "segno"]), st.sampled_from(["end", "fine", "coda"]))
signs = st.builds(Signs, st.booleans(), st.booleans(), st.booleans(), st.booleans(), st.none() | jumps)


@st.composite
def bar_chords(draw: st.DrawFn, *, least: int = 0) -> tuple[ChartChord, ...]:
    """The chords of a bar, in order."""
    places = sorted(set(draw(st.lists(shares, min_size=least, max_size=4))))
    return tuple(
        ChartChord(at, draw(st.none() | common | chords), draw(st.sampled_from(Play)), draw(pushes))
        for at in places
    )


@st.composite
def chart_bars(draw: st.DrawFn) -> ChartBar:
    """One bar; most of its fields are silent most of the time, as in real charts."""

    def seldom(strategy: st.SearchStrategy[object]) -> object:
        return draw(strategy) if draw(st.integers(0, 5)) == 0 else None

    return ChartBar(
        draw(bar_chords()),
        seldom(names),  # type: ignore[arg-type]
        draw(st.integers(0, 4)) == 0,
        draw(st.sampled_from([0, 0, 0, 0, 2, 2, 3, 12])),
        draw(st.sampled_from([(), (), (), (1,), (2,), (1, 2), (2, 1), (3, 3), (17,)])),
        draw(signs) if draw(st.integers(0, 3)) == 0 else NO_SIGNS,
        draw(st.integers(0, 4)) == 0,
        seldom(metres),  # type: ignore[arg-type]
        seldom(keys()),  # type: ignore[arg-type]
        seldom(tempos),  # type: ignore[arg-type]
        seldom(names),  # type: ignore[arg-type]
        tuple(draw(st.lists(bar_chords(least=1), max_size=2))) if draw(st.integers(0, 4)) == 0 else (),
    )


@st.composite
def charts(draw: st.DrawFn, *, keyed: bool = False) -> Chart:
    """A whole chart; ``keyed``: it states its key."""
    bars = draw(st.lists(chart_bars(), min_size=1, max_size=14))
    if draw(st.booleans()):  # bars that are alike, for the sign that repeats one
        bars = [bar for bar in bars for _ in range(draw(st.integers(1, 2)))]
    made = {
        "key": draw(keys() if keyed else st.none() | keys()),
        "feel": draw(st.none() | names),
        "title": draw(st.just("") | names),
        "metre": draw(st.none() | metres),
        "tempo_bpm": draw(st.none() | tempos),
        "comments": tuple(
            ChartComment(draw(st.integers(0, len(bars))), draw(names)) for _ in range(draw(st.integers(0, 3)))
        ),
    }
    for trial in (bars, [replace(bar, signs=replace(bar.signs, jump=None)) for bar in bars]):
        try:
            return Chart(tuple(trial), **made)  # type: ignore[arg-type]
        except MusicError:  # a jump that leads nowhere, or repeats without end
            continue
    return Chart(tuple(replace(bar, signs=NO_SIGNS, repeat_times=0, endings=()) for bar in bars), **made)  # type: ignore[arg-type]
