"""Notes named by their chord."""

from __future__ import annotations

from pipeline.music.metre import Form
from pipeline.music.spelling import respelled
from tests.samples import chart_of, tab_of


def test_the_third_of_a_chord_keeps_the_chords_name() -> None:
    """In C major the eleventh step up from A is A flat, but over E7 the same fret is G sharp."""
    tab = tab_of([(0, 4, 3, 1, ()), (4, 4, 3, 1, ())], instrument="guitar", form=Form.plain(2), key="C")
    assert [str(n.pitch) for n in tab.notes] == ["Ab3", "Ab3"]
    spelt = respelled(tab, chart_of("E7", "Fm").spans(tab.form))
    assert [str(n.pitch) for n in spelt.notes] == ["G#3", "Ab3"]
    assert [n.pitch.midi for n in spelt.notes] == [n.pitch.midi for n in tab.notes]


def test_other_notes_follow_the_key() -> None:
    tab = tab_of([(0, 4, 2, 7, ())], instrument="guitar", form=Form.plain(1), key="Bb")
    assert str(respelled(tab, chart_of("F").spans(tab.form)).notes[0].pitch) == "Gb4"
