"""Small pieces of music that tests share, made without any reader."""

from __future__ import annotations

from fractions import Fraction as F

from pipeline.music.chart import Chart, ChartBar, ChartChord, ChordSpan
from pipeline.music.chord import Chord
from pipeline.music.instrument import INSTRUMENTS
from pipeline.music.key import Key
from pipeline.music.metre import Bar, Form, Metre
from pipeline.music.tab import Note, Phrase, Tab, TempoMark
from pipeline.music.technique import (
    Bend,
    Dead,
    HammerOn,
    LetRing,
    PalmMute,
    PullOff,
    Slide,
    SlideKind,
    Technique,
    Vibrato,
)


def tab_of(
    rows: list[tuple[F | int, F | int, int, int, tuple[Technique, ...]]],
    *,
    instrument: str = "electric guitar",
    form: Form | None = None,
    key: str = "Am",
    bpm: float = 104.0,
    phrases: tuple[Phrase, ...] = (),
    swing: F = F(1, 2),
    title: str = "Sample",
) -> Tab:
    """A tab from rows of (onset, duration, string, fret, techniques)."""
    neck, name = INSTRUMENTS[instrument], Key.parse(key)
    notes = tuple(
        Note(F(on), F(length), string, fret, name.spell_midi(neck.midi(string, fret)), techniques=marks)
        for on, length, string, fret, marks in rows
    )
    return Tab(neck, form or Form.plain(4), notes, name, (TempoMark(F(0), bpm),), phrases, title, swing)


def lead_tab() -> Tab:
    """Four bars of 4/4 lead guitar: bend, release, slide, hammer, pull, vibrato, mute, double stop."""
    half, quarter = F(1, 2), F(1, 4)
    return tab_of(
        [
            (0, 1, 3, 7, (Bend.up(2),)),
            (1, half, 2, 5, ()),
            (F(3, 2), half, 2, 8, (HammerOn(),)),
            (2, half, 2, 5, (PullOff(),)),
            (F(5, 2), F(3, 2), 3, 7, (Vibrato(),)),
            (4, half, 4, 5, ()),
            (F(9, 2), F(3, 2), 4, 7, (Slide(SlideKind.LEGATO),)),
            (6, 1, 2, 8, (Bend.up_release(2),)),
            (7, 1, 1, 5, (Vibrato(wide=True),)),
            (8, half, 5, 7, (PalmMute(),)),
            (F(17, 2), half, 5, 7, (PalmMute(),)),
            (9, half, 6, 5, (PalmMute(),)),
            (F(19, 2), half, 6, 5, (Dead(),)),
            (10, 2, 3, 5, ()),
            (10, 2, 2, 5, ()),
            (12, quarter, 3, 5, ()),
            (F(49, 4), quarter, 3, 7, (HammerOn(),)),
            (F(25, 2), half, 2, 5, ()),
            (13, 3, 3, 7, (Vibrato(),)),
        ],
        phrases=(Phrase("Call", 1, 2), Phrase("Answer", 3, 4)),
    )


def waltz_tab() -> Tab:
    """Nylon guitar in 3/4: pickup, |: two bars with first and second endings, let ring."""
    metre = Metre(3, 4)
    form = Form(
        (
            Bar(0, metre, F(1), pickup=True),
            Bar(1, metre, F(3), repeat_start=True),
            Bar(2, metre, F(3)),
            Bar(3, metre, F(3), repeat_times=2, endings=(1,)),
            Bar(4, metre, F(3), endings=(2,)),
        )
    )
    ring = (LetRing(),)
    rows: list[tuple[F | int, F | int, int, int, tuple[Technique, ...]]] = [(0, 1, 2, 0, ())]
    for bar, (bass, top) in enumerate(((6, 3), (5, 0), (4, 0), (6, 0))):
        start = 1 + 3 * bar
        rows += [
            (start, 3, bass, 3 if bass == 6 else 2, ring),
            (start + 1, 1, 3, 0, ring),
            (start + 2, 1, 1, top, ring),
        ]
    return tab_of(
        rows, instrument="nylon guitar", form=form, key="G", bpm=132, phrases=(Phrase("Strain", 1, 4),)
    )


def chart_of(*bars: str) -> Chart:
    """One bar per argument; chords split it evenly; ``N.C.`` is no chord."""
    made = []
    for bar in bars:
        names = bar.split()
        made.append(
            ChartBar(
                tuple(
                    ChartChord(F(i, len(names)), None if name == "N.C." else Chord.parse(name))
                    for i, name in enumerate(names)
                )
            )
        )
    return Chart(tuple(made))


def lead_spans() -> tuple[ChordSpan, ...]:
    return chart_of("Am7", "D9", "Am7 Em7", "Am7").spans(lead_tab().form)


def waltz_spans() -> tuple[ChordSpan, ...]:
    return chart_of("G", "D7/F#", "Em", "C G/B").spans(waltz_tab().form)
