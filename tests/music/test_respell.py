"""Notes outside the key named by their chord."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction as F

import pytest
from hypothesis import given

from pipeline.music.metre import Form
from pipeline.music.respell import respelled
from pipeline.music.technique import Dead
from tests.music.strategies import chord_names
from tests.samples import chart_of, lead_spans, lead_tab, tab_of, waltz_spans, waltz_tab


@pytest.mark.parametrize(
    ("key", "chord", "fret", "name"),
    [
        ("C", "E7", 4, "G#4"),  # first string, fret 4: the third of E7
        ("C", "Fm6", 4, "Ab4"),
        ("C", "C", 4, "Ab4"),  # foreign to the chord too: the key's name stays
        ("C", "D7", 2, "F#4"),
        ("C", "Gm7", 6, "Bb4"),
        ("C", "F#dim", 6, "Bb4"),
        ("C", "N.C.", 4, "Ab4"),
        ("G", "D7#9", 1, "E#4"),
        ("G mixolydian", "D7#9", 1, "F4"),  # a note of the scale keeps its name
        ("Am", "E7", 4, "G#4"),
        ("F", "A7/C#", 9, "C#5"),
        ("F", "Dm/C#", 9, "C#5"),  # a foreign bass names it as well
        ("Ab", "Fdim7", 7, "Cb5"),
    ],
)
def test_the_chord_gives_the_name(key: str, chord: str, fret: int, name: str) -> None:
    tab = tab_of([(0, 4, 1, fret, ())], form=Form.plain(1), key=key)
    assert str(respelled(tab, chart_of(chord).spans(tab.form)).notes[0].pitch) == name


def test_a_tied_note_keeps_the_name_it_was_struck_with() -> None:
    """G sharp over E7, held into F minor."""
    tab = tab_of([(0, 4, 1, 4, ()), (4, 2, 1, 4, ()), (6, 2, 1, 4, ())], form=Form.plain(2), key="C")
    held = replace(tab, notes=(tab.notes[0], replace(tab.notes[1], tied=True), tab.notes[2]))
    moved = respelled(held, chart_of("E7", "Fm").spans(tab.form))
    assert [str(note.pitch) for note in moved.notes] == ["G#4", "G#4", "Ab4"]


def test_dead_notes_have_no_pitch_to_name() -> None:
    tab = tab_of([(0, 4, 1, 4, (Dead(),))], form=Form.plain(1), key="C")
    assert respelled(tab, chart_of("E7").spans(tab.form)) == tab


def test_without_chords_nothing_changes() -> None:
    assert respelled(lead_tab(), ()) == lead_tab()


@given(chord_names())
def test_only_names_change_never_what_sounds(name: str) -> None:
    tab = tab_of([(F(i), 1, 1, i, ()) for i in range(12)], form=Form.plain(3), key="C")
    moved = respelled(tab, chart_of(name, name, name).spans(tab.form))
    assert [n.pitch.midi for n in moved.notes] == [n.pitch.midi for n in tab.notes]
    for note, before in zip(moved.notes, tab.notes, strict=True):
        if before.pitch.midi % 12 in tab.key.scale:
            assert note == before
    assert respelled(moved, chart_of(name, name, name).spans(tab.form)) == moved


def test_the_samples_go_through() -> None:
    for tab, spans in ((lead_tab(), lead_spans()), (waltz_tab(), waltz_spans())):
        assert len(respelled(tab, spans).notes) == len(tab.notes)
