"""The tab: what it refuses, what sounds and when, phrases, tempo, and moving it along the neck."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction as F

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.music.errors import MusicError
from pipeline.music.key import Key
from pipeline.music.metre import Bar, Form, Metre
from pipeline.music.pitch import Interval, Pitch
from pipeline.music.tab import Comment, KeyMark, Lyric, Note, Phrase, Remark, Tab, TempoMark
from pipeline.music.technique import (
    Accent,
    Bend,
    Dead,
    Grace,
    HammerOn,
    Harmonic,
    HarmonicKind,
    PullOff,
    Slide,
    SlideKind,
    Staccato,
    Trill,
    Vibrato,
)
from tests.music.strategies import INTERVALS
from tests.samples import lead_tab, tab_of, waltz_tab


def note_of(tab: Tab, onset: F | int, duration: F | int, string: int, fret: int, **more: object) -> Note:
    return replace(tab.note(F(onset), F(duration), string, fret), **more)  # type: ignore[arg-type]


BREAKS: dict[str, tuple[Callable[[Tab], object], str]] = {
    "swing too small": (lambda t: replace(t, swing=F(1, 3)), "1/2 to 1, got 1/3"),
    "swing of one": (lambda t: replace(t, swing=F(1)), "1/2 to 1, got 1"),
    "no tempo": (lambda t: replace(t, tempos=()), "first tempo stands at the start"),
    "late tempo": (lambda t: replace(t, tempos=(TempoMark(F(1), 90),)), "first tempo stands at the start"),
    "note behind the end": (lambda t: replace(t, notes=(note_of(t, 15, 2, 1, 5),)), "bar 4, beat 4: a note outside"),
    "note before the start": (lambda t: replace(t, notes=(note_of(t, -1, 1, 1, 5),)), "a note outside the piece"),
    "lasting nothing": (lambda t: replace(t, notes=(note_of(t, 4, 0, 1, 5),)), "bar 2, beat 1: only a grace note"),
    "grace that lasts": (
        lambda t: replace(t, notes=(note_of(t, 0, 1, 1, 5, techniques=(Grace(),)),)), "only a grace note lasts nothing",
    ),
    "dynamic": (lambda t: replace(t, notes=(note_of(t, 0, 1, 1, 5, dynamic="sfz"),)), "unknown dynamic 'sfz'"),
    "voice": (lambda t: replace(t, notes=(note_of(t, 0, 1, 1, 5, voice=3),)), "voices are 1 and 2, got 3"),
    "finger": (lambda t: replace(t, notes=(note_of(t, 0, 1, 1, 5, finger=5),)), "fingers are 1 to 4, 0 the thumb"),
    "plucking": (lambda t: replace(t, notes=(note_of(t, 0, 1, 1, 5, pluck="x"),)), "p i m a c, got 'x'"),
    "two bends": (
        lambda t: replace(t, notes=(note_of(t, 0, 1, 1, 5, techniques=(Bend.up(1), Bend.up(2))),)), "two marks of one kind",
    ),
    "reached twice": (
        lambda t: replace(t, notes=(note_of(t, 0, 1, 1, 5, techniques=(HammerOn(), PullOff())),)), "in one way only",
    ),
    "dead harmonic": (
        lambda t: replace(t, notes=(note_of(t, 0, 1, 1, 7, techniques=(Dead(), Harmonic(HarmonicKind.NATURAL, 19))),)),
        "does not ring",
    ),
    "tied and struck": (
        lambda t: replace(t, notes=(note_of(t, 0, 1, 1, 5), note_of(t, 1, 1, 1, 5, tied=True, techniques=(HammerOn(),)))),
        "bar 1, beat 2: a tied note is not struck or reached again",
    ),
    "trill to itself": (lambda t: replace(t, notes=(note_of(t, 0, 1, 1, 5, techniques=(Trill(5),)),)), "no trill between"),
    "trill off the neck": (lambda t: replace(t, notes=(note_of(t, 0, 1, 1, 5, techniques=(Trill(40),)),)), "no trill between"),
    "grace together with none": (
        lambda t: replace(t, notes=(note_of(t, 0, 0, 1, 5, techniques=(Grace(together=True),)), note_of(t, 0, 1, 1, 7))),
        "together with one that is not there",
    ),
    "key inside a bar": (
        lambda t: replace(t, key_changes=(KeyMark(F(5), Key.parse("D")),)), "not at the start of a bar",
    ),
    "key at the start": (lambda t: replace(t, key_changes=(KeyMark(F(0), Key.parse("D")),)), "not at the start of a bar"),
    "two keys": (
        lambda t: replace(t, key_changes=(KeyMark(F(4), Key.parse("D")), KeyMark(F(4), Key.parse("E")))), "one after another",
    ),
    "tempo behind the end": (lambda t: replace(t, tempos=(*t.tempos, TempoMark(F(99), 90))), "tempo mark behind the end"),
    "tempos at one place": (lambda t: replace(t, tempos=(*t.tempos, TempoMark(F(0), 90))), "tempo marks stand one after"),
    "words behind the end": (lambda t: replace(t, remarks=(Remark(F(99), "rit."),)), "'rit.' stands outside the piece"),
    "two syllables": (lambda t: replace(t, lyrics=(Lyric(F(0), "la"), Lyric(F(0), "lu"))), "two syllables at one place"),
    "comment outside": (lambda t: replace(t, comments=(Comment(99, "x"),)), "a comment outside the piece"),
    "tuning pitch": (lambda t: replace(t, a4_hz=300.0), "from 380 to 500 hertz, got 300"),
    "string": (lambda t: replace(t, notes=(replace(note_of(t, 0, 1, 1, 5), string=7),)), "there is no string 7"),
    "fret": (lambda t: replace(t, notes=(replace(note_of(t, 0, 1, 1, 5), fret=30),)), "fret 30 is beyond the neck"),
    "pitch": (
        lambda t: replace(t, notes=(note_of(t, 0, 1, 1, 5, pitch=Pitch.parse("B4")),)),
        "string 1 fret 5 does not sound B4",
    ),
    "two on a string": (
        lambda t: replace(t, notes=(note_of(t, 0, 2, 3, 5), note_of(t, F(3, 2), 1, 3, 7))),
        "bar 1, beat 2.5: string 3 still sounds fret 5",
    ),
    "phrase beyond": (lambda t: replace(t, phrases=(Phrase("Coda", 4, 9),)), "phrase 'Coda': there is no bar 9"),
    "phrase backwards": (lambda t: Phrase("Coda", 4, 2), "bars 4-2 run backwards"),
    "tempo": (lambda t: TempoMark(F(0), 900), "outside 10 to 500"),
}  # fmt: skip


@pytest.mark.parametrize("name", sorted(BREAKS))
def test_one_broken_rule_one_complaint(name: str) -> None:
    change, says = BREAKS[name]
    with pytest.raises(MusicError, match=says) as caught:
        change(lead_tab())
    assert str(caught.value).count(";") == (1 if name == "phrase beyond" else 0), (
        "one rule broken, one sentence"
    )


def test_all_complaints_come_at_once() -> None:
    tab = lead_tab()
    with pytest.raises(MusicError) as caught:
        replace(tab, swing=F(0), notes=(note_of(tab, 99, 1, 1, 5), note_of(tab, 0, 1, 1, 5, dynamic="loud")))
    assert str(caught.value).count(";") == 2


def test_notes_are_kept_in_order_whatever_order_they_come_in() -> None:
    tab = lead_tab()
    assert replace(tab, notes=tuple(reversed(tab.notes))) == tab


def test_ties_make_one_sounding_note() -> None:
    tab = lead_tab()
    tied = replace(
        tab, notes=(note_of(tab, 3, 1, 3, 7), note_of(tab, 4, 2, 3, 7, tied=True), note_of(tab, 6, 1, 3, 7))
    )
    assert [(float(n.onset), float(n.duration)) for n in tied.sounding] == [(3, 3), (6, 1)]


def test_a_tie_over_the_end_of_a_repeat_holds_only_where_notes_meet() -> None:
    """The first bar begins with a note tied from the last: struck the first time, held the second."""
    metre = Metre(4, 4)
    form = Form((Bar(1, metre, F(4), repeat_start=True), Bar(2, metre, F(4), repeat_times=2)))
    plain = tab_of([], form=form)
    tab = replace(plain, notes=(note_of(plain, 0, 1, 3, 7, tied=True), note_of(plain, 7, 1, 3, 7)))
    assert [(float(n.onset), float(n.duration)) for n in tab.sounding] == [(0, 1), (7, 2), (15, 1)]


def test_the_played_form_of_the_waltz() -> None:
    tab = waltz_tab()
    starts = [float(bar.start) for bar in tab.form.played.bars]
    assert starts == [0, 1, 4, 7, 10, 13, 16]
    assert [n.index for n in tab.sounding] == list(range(len(tab.sounding)))
    assert [n.onset for n in tab.sounding] == sorted(n.onset for n in tab.sounding)
    times: dict[int, int] = {}
    for note in tab.sounding:
        times[note.source] = times.get(note.source, 0) + 1
    assert sorted(set(times.values())) == [1, 2]
    assert [n.beat for n in tab.sounding][:4] == [3, 1, 2, 3]


def test_phrases_sound_as_often_as_they_are_played() -> None:
    tab = waltz_tab()
    assert tab.phrase_spans(Phrase("bar 2", 2, 2)) == ((4, 7), (13, 16))
    assert tab.phrase_spans(tab.phrases[0]) == ((1, 10), (10, 19))


def test_tempo_marks_keep_their_proportion() -> None:
    tab = replace(lead_tab(), tempos=(TempoMark(F(0), 100), TempoMark(F(8), 50)))
    assert [mark.bpm for mark in tab.with_tempo(120).tempos] == [120, 60]


@given(st.sampled_from(sorted(INTERVALS)), st.booleans())
def test_moving_along_the_neck_keeps_every_distance(name: str, down: bool) -> None:
    interval = -INTERVALS[name] if down else INTERVALS[name]
    tab = lead_tab()
    if any(not 0 <= n.fret + interval.semitones <= tab.instrument.highest_fret for n in tab.notes):
        with pytest.raises(MusicError, match="beyond the neck"):
            tab.transposed(interval)
        return
    moved = tab.transposed(interval)
    assert [n.pitch.midi - interval.semitones for n in moved.notes] == [n.pitch.midi for n in tab.notes]
    assert [(n.string, n.onset, n.techniques) for n in moved.notes] == [
        (n.string, n.onset, n.techniques) for n in tab.notes
    ]
    assert abs(moved.key.fifths) <= 7


def test_transposing_to_a_far_key_keeps_notes_and_key_in_one_spelling() -> None:
    """A minor moved up a major third is C sharp minor: no note may be spelled in flats."""
    moved = lead_tab().transposed(Interval(2, 4))
    assert moved.key.text() == "C#m"
    assert all(n.pitch.spelling.alter >= 0 for n in moved.notes)


def test_harmonics_sound_from_the_open_string_or_the_fret() -> None:
    tab = lead_tab()
    natural = note_of(tab, 0, 1, 1, 7, techniques=(Harmonic(HarmonicKind.NATURAL, 19),))
    pinched = note_of(tab, 0, 1, 1, 7, techniques=(Harmonic(HarmonicKind.PINCH, 12),))
    assert natural.sounding_midi(tab.instrument) == 64 + 19
    assert pinched.sounding_midi(tab.instrument) == 64 + 7 + 12


def test_techniques_are_kept_in_one_order() -> None:
    marks = (Accent(), Slide(SlideKind.OUT_UP), Staccato(), Vibrato(), Slide(SlideKind.LEGATO), Bend.up(1))
    first = note_of(lead_tab(), 0, 1, 1, 5, techniques=marks)
    assert first == note_of(lead_tab(), 0, 1, 1, 5, techniques=marks[::-1])
    assert first.techniques[0] == Slide(SlideKind.LEGATO) and first.techniques[-1] == Accent()
    assert first.techniques.index(Slide(SlideKind.OUT_UP)) > first.techniques.index(Vibrato())


def test_grace_notes_stay_in_the_order_they_are_struck_in() -> None:
    tab = lead_tab()
    graces = [note_of(tab, 0, 0, string, 3, techniques=(Grace(),)) for string in (3, 1, 2)]
    main = note_of(tab, 0, 1, 1, 5)
    kept = replace(tab, notes=(main, *graces)).notes
    assert [note.string for note in kept] == [3, 1, 2, 1]


def test_the_key_changes_where_it_says() -> None:
    tab = replace(lead_tab(), key=Key.parse("C"), key_changes=(KeyMark(F(4), Key.parse("E")),))
    assert [tab.key_at(F(q)).text() for q in (0, 3, 4, 9)] == ["C", "C", "E", "E"]
    assert tab.note(F(0), F(1), 1, 4).pitch.spelling.text() == "Ab"
    assert tab.note(F(4), F(1), 1, 4).pitch.spelling.text() == "G#"
    assert tab.transposed(Interval(1, 2)).key_at(F(4)).text() == "F#"


def test_words_are_kept_in_one_form() -> None:
    assert Phrase("  Sea \n  shanty\t", 1, 2).name == "Sea shanty"
    assert Lyric(F(0), "o_ver ").text == "o ver"
    assert Remark(F(0), 'play "softly"\x1b').text == "play 'softly'"
    assert replace(lead_tab(), title="A  long\u2028title").title == "A long title"
    with pytest.raises(MusicError, match="no name"):
        Phrase(" ", 1, 2)
    with pytest.raises(MusicError, match="verses are numbered"):
        Lyric(F(0), "la", 10)
