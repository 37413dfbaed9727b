"""The score says what the tab says."""

from __future__ import annotations

from fractions import Fraction as F
from xml.etree.ElementTree import Element

import pytest
from defusedxml.ElementTree import fromstring

from pipeline.music.chord import KINDS, Chord
from pipeline.music.technique import Bend, Dead, Ghost
from pipeline.page.chordxml import KIND_VALUES, harmony, shown_chords
from pipeline.page.musicxml import write_musicxml
from pipeline.page.notations import bend_elements
from tests.page.pieces import compound_tab, techniques_tab
from tests.samples import chart_of, lead_spans, lead_tab, tab_of, waltz_spans, waltz_tab


def score(tab: object, spans: object = ()) -> Element:
    return fromstring(write_musicxml(tab, spans))  # type: ignore[arg-type]


def test_same_bytes_twice() -> None:
    assert write_musicxml(lead_tab(), lead_spans()) == write_musicxml(lead_tab(), lead_spans())


def test_strings_and_frets_in_order() -> None:
    tab = techniques_tab()
    notes = [n for n in score(tab).iter("note") if n.findtext("staff") == "2" and n.find("rest") is None]
    found = [(int(n.findtext(".//string", "0")), int(n.findtext(".//fret", "0"))) for n in notes]
    assert found == [(note.string, note.fret) for note in tab.notes]


def test_a_dead_note_can_be_a_ghost() -> None:
    """Its parentheses were lost to its cross."""
    root = score(tab_of([(0, 1, 3, 7, (Dead(), Ghost())), (1, 1, 3, 7, (Ghost(),)), (2, 1, 3, 7, (Dead(),))]))
    heads = [(head.text, head.get("parentheses")) for head in root.iter("notehead")]
    assert heads == 2 * [("x", "yes"), ("normal", "yes"), ("x", None)]


def test_pickup_repeats_and_endings() -> None:
    measures = list(score(waltz_tab()).iter("measure"))
    assert [m.get("number") for m in measures] == ["0", "1", "2", "3", "4"]
    assert measures[0].get("implicit") == "yes"
    assert measures[1].find("barline/repeat").get("direction") == "forward"  # type: ignore[union-attr]
    endings = [(m.get("number"), e.get("number"), e.get("type")) for m in measures for e in m.iter("ending")]
    assert endings == [("3", "1", "start"), ("3", "1", "stop"), ("4", "2", "start"), ("4", "2", "stop")]


@pytest.mark.parametrize("kind", KINDS)
def test_each_kind_of_chord_has_a_published_value(kind: str) -> None:
    element = harmony(Chord.parse("C" + KINDS[kind][1]))
    assert element.findtext("kind") == KIND_VALUES[kind]
    assert not list(element.iter("degree"))


@pytest.mark.parametrize(
    ("name", "kind", "degrees"),
    [
        ("A7#9", "dominant", [("9", "1", "add")]),
        ("C7b5", "dominant", [("5", "-1", "alter")]),
        ("Dadd9", "major", [("9", "0", "add")]),
        ("G7(b9,b13)", "dominant", [("9", "-1", "add"), ("13", "-1", "add")]),
        ("G7no5", "dominant", [("5", "0", "subtract")]),
    ],
)
def test_alterations(name: str, kind: str, degrees: list[tuple[str, str, str]]) -> None:
    """MusicXML 4.0, degree: added degrees count from the major one, altered ones from the chord's."""
    element = harmony(Chord.parse(name))
    assert element.findtext("kind") == kind
    found = [tuple(child.text for child in degree) for degree in element.iter("degree")]
    assert found == degrees


def test_slash_chord_and_no_chord() -> None:
    bass = harmony(Chord.parse("D7/F#"))
    assert (bass.findtext("bass/bass-step"), bass.findtext("bass/bass-alter")) == ("F", "1")
    none = harmony(None)
    assert none.findtext("kind") == "none"
    assert none.find("kind").get("text") == "N.C."  # type: ignore[union-attr]


@pytest.mark.parametrize(
    ("bend", "expected"),
    [
        (Bend.up(2), [("2", None)]),
        (Bend.up(F(1, 2)), [("0.5", None)]),
        (Bend.up_release(2), [("2", None), ("-2", "release")]),
        (Bend.pre(1), [("1", "pre-bend")]),
        (Bend.pre_release(3), [("3", "pre-bend"), ("-3", "release")]),
    ],
)
def test_bends(bend: Bend, expected: list[tuple[str, str | None]]) -> None:
    """MusicXML 4.0, bend: a release is a bend of its own with a negative amount."""
    found = []
    for element in bend_elements(bend):
        children = [child.tag for child in element if child.tag != "bend-alter"]
        found.append((element.findtext("bend-alter"), children[0] if children else None))
    assert found == expected


def test_hammers_pulls_and_slides_start_and_stop_in_pairs() -> None:
    root = score(techniques_tab())
    for tag in ("hammer-on", "pull-off", "slide", "slur"):
        kinds = [e.get("type") for e in root.iter(tag)]
        assert kinds.count("start") == kinds.count("stop") > 0


def test_tempo_counts_dotted_quarters_in_six_eight() -> None:
    root = score(compound_tab())
    marks = list(root.iter("metronome"))
    assert [m.findtext("per-minute") for m in marks] == ["60", "72"]
    assert [m.find("beat-unit-dot") is not None for m in marks] == [True, False]
    assert [s.get("tempo") for s in root.iter("sound") if s.get("tempo")] == ["90", "72"]


def test_chords_that_differ_between_passes_are_announced() -> None:
    form = waltz_tab().form
    same = waltz_spans()
    assert shown_chords(same, form)[1] == ()
    # as played: pickup, 1 2 3, 1 2 4
    other = chart_of("N.C.", "G", "D7", "Em", "C", "D7", "G").spans(form)
    shown, notes = shown_chords(other, form)
    assert [s.chord.text() if s.chord else "N.C." for s in shown] == ["G", "D7", "Em", "G"]
    assert len(notes) == 1 and "bar 1 " in notes[0]


def test_accidentals_hold_for_their_bar() -> None:
    """G sharp twice in a bar prints one sharp; the next bar's G natural prints none."""
    from tests.samples import tab_of

    tab = tab_of([(0, 1, 1, 4, ()), (1, 1, 1, 4, ()), (2, 2, 1, 3, ()), (4, 4, 1, 3, ())])
    found = [n.findtext("accidental") for n in score(tab).iter("note") if n.get("id", "").startswith("n")]
    assert found == ["sharp", None, "natural", None]


def test_texts_are_escaped() -> None:
    from dataclasses import replace

    tab = replace(lead_tab(), title="Salt & <Water>")
    assert score(tab).findtext("work/work-title") == "Salt & <Water>"
