"""Notes are called what their chord calls them."""

from __future__ import annotations

from dataclasses import replace

from pipeline.music.pitch import Pitch
from pipeline.page.spelling import respelled
from tests.samples import chart_of, tab_of


def names(key: str, chord: str, string: int, fret: int) -> tuple[str, str]:
    tab = tab_of([(0, 4, string, fret, ())], key=key)
    other = respelled(tab, chart_of(chord, *["N.C."] * 3).spans(tab.form))
    return str(tab.notes[0].pitch), str(other.notes[0].pitch)


def test_the_third_of_e7_in_c_is_g_sharp() -> None:
    assert names("C", "E7", 3, 1) == ("Ab3", "G#3")


def test_a_note_outside_the_chord_keeps_its_name() -> None:
    assert names("C", "Am", 3, 1) == ("Ab3", "Ab3")


def test_no_chord_no_change() -> None:
    assert names("C", "N.C.", 3, 1) == ("Ab3", "Ab3")


def test_double_signs_are_not_brought_in() -> None:
    """The diminished seventh of G dim7 is F flat; of A♭dim7 it would be G double flat."""
    assert names("Eb", "Abdim7", 3, 10)[1] == "F4"


def test_a_name_that_was_chosen_is_kept() -> None:
    tab = tab_of([(0, 4, 3, 1, ())], key="C")
    chosen = replace(tab, notes=(replace(tab.notes[0], pitch=Pitch.parse("G#3")),))
    spans = chart_of("Fm", *["N.C."] * 3).spans(tab.form)
    assert str(respelled(chosen, spans).notes[0].pitch) == "G#3"
