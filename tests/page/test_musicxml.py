"""The score says what the tab says."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction as F
from xml.etree.ElementTree import Element

import pytest
from defusedxml.ElementTree import fromstring

from pipeline.music.chart import ChordSpan
from pipeline.music.chord import KINDS, Chord
from pipeline.music.key import Key
from pipeline.music.metre import Bar, Form, Jump, Metre, Signs
from pipeline.music.tab import Comment, KeyMark, Lyric, Phrase, Remark
from pipeline.music.technique import (
    Bend,
    Dead,
    Ghost,
    Grace,
    HammerOn,
    Harmonic,
    HarmonicKind,
    LetRing,
    PalmMute,
    Slide,
    SlideKind,
    Technique,
    Trill,
)
from pipeline.page.chordxml import KIND_VALUES, harmony, shown_chords
from pipeline.page.musicxml import lost_in_musicxml, write_musicxml
from pipeline.page.notations import bend_elements
from pipeline.read.musicxml_chart import chord_of
from tests.page.pieces import all_marks_tab, compound_tab, techniques_tab, triplets_tab
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


def test_a_chord_that_goes_on_is_named_again_where_a_jump_lands() -> None:
    """Bars 1-4 with segno at 2 and To Coda after 2, D.S. al Coda after 3, coda at 4: all one chord."""
    four = Metre(4, 4)
    signs = {2: Signs(segno=True, to_coda=True), 3: Signs(jump=Jump("segno", "coda")), 4: Signs(coda=True)}
    form = Form(tuple(Bar(n, four, F(4), signs=signs.get(n, Signs())) for n in range(1, 6)))

    def throughout(form: Form) -> tuple[ChordSpan, ...]:
        return (ChordSpan(F(0), form.played.length, Chord.parse("Am"), form.played.bars[0]),)

    shown, notes = shown_chords(throughout(form), form)
    assert [place.bar + 1 for place in shown] == [1, 2, 4] and not notes
    back = Form(tuple(replace(b, signs=Signs(jump=Jump() if b.number == 3 else None)) for b in form.bars))
    again, _ = shown_chords(throughout(back), back)
    assert [place.bar + 1 for place in again] == [1, 4]


@pytest.mark.parametrize("name", ["C9add#9", "C13add#9", "C11add#11"])
def test_a_degree_beside_the_one_the_chord_has_is_an_added_one(name: str) -> None:
    """MusicXML 4.0, degree-type: ``alter`` would take the ninth itself away."""
    chord = Chord.parse(name)
    assert [d.findtext("degree-type") for d in harmony(chord).iter("degree")] == ["add"]
    assert chord_of(harmony(chord))[0] == chord


def test_accidentals_hold_for_their_bar() -> None:
    """G sharp twice in a bar prints one sharp; the next bar's G natural prints none."""
    tab = tab_of([(0, 1, 1, 4, ()), (1, 1, 1, 4, ()), (2, 2, 1, 3, ()), (4, 4, 1, 3, ())])
    found = [n.findtext("accidental") for n in score(tab).iter("note") if n.get("id", "").startswith("n")]
    assert found == ["sharp", None, "natural", None]


def test_texts_are_escaped() -> None:
    tab = replace(lead_tab(), title="Salt & <Water>")
    assert score(tab).findtext("work/work-title") == "Salt & <Water>"


def at(root: Element, measure: int, path: str) -> list[Element]:
    return list(root.iter("measure"))[measure].findall(path)


def staff_notes(root: Element, staff: str) -> list[Element]:
    return [n for n in root.iter("note") if n.findtext("staff") == staff and n.find("rest") is None]


def test_a_dynamic_is_written_from_the_first_change_on() -> None:
    """A bar at the default began with *mf*, which nobody had written."""
    tab = tab_of([(q, 1, 3, 7, ()) for q in range(4)])
    levels = ("mf", "mf", "p", "mf")
    tab = replace(tab, notes=tuple(replace(n, dynamic=d) for n, d in zip(tab.notes, levels, strict=True)))
    assert [e[0].tag for e in score(tab).iter("dynamics")] == ["p", "mf"]


def test_signs_stand_at_their_ends_of_the_bar() -> None:
    """MusicXML 4.0: signs are drawn by direction-type and played by sound; a jump holds at the bar's end."""
    root = score(all_marks_tab())
    found = {}
    for measure in root.iter("measure"):
        shown, filled = [], False
        for child in measure:
            if child.tag == "backup":
                break
            filled |= child.tag == "note"
            sound = child.find("sound")
            if (
                child.tag == "direction"
                and sound is not None
                and not {"tempo", "dynamics"} & set(sound.keys())
            ):
                kind = child.find("direction-type")[0]  # type: ignore[index]
                shown.append((kind.text or kind.tag, dict(sound.attrib), filled))
        if shown:
            found[measure.get("number")] = shown
    assert found == {
        "1": [("segno", {"segno": "1"}, False)],
        "4": [("To Coda", {"tocoda": "1"}, True)],
        "6": [("Fine", {"fine": "yes"}, True)],
        "8": [("D.S. al Coda", {"dalsegno": "1"}, True)],
        "9": [("coda", {"coda": "1"}, False)],
        "10": [("D.C. al Fine", {"dacapo": "yes"}, True)],
    }


def form_of(*signs: Signs) -> Form:
    return Form(tuple(Bar(n + 1, Metre(), F(4), signs=one) for n, one in enumerate(signs)))


def test_a_jump_names_the_nearest_of_several_signs() -> None:
    form = form_of(
        Signs(segno=True), Signs(segno=True, to_coda=True), Signs(jump=Jump("segno", "coda")), Signs(coda=True),
        Signs(to_coda=True), Signs(coda=True), Signs(jump=Jump("start", "coda")),
    )  # fmt: skip
    sounds = [s.attrib for s in score(tab_of([(0, 4, 1, 3, ())], form=form)).iter("sound")]
    assert {"dalsegno": "2"} in sounds
    assert [s["tocoda"] for s in sounds if "tocoda" in s] == ["1", "2"]


def test_a_bare_da_capo_is_not_taken_for_one_to_the_fine() -> None:
    form = form_of(Signs(fine=True), Signs(jump=Jump("start", "end")))
    words = [w.text for w in score(tab_of([(0, 4, 1, 3, ())], form=form)).iter("words")]
    assert words == ["Fine", "D.C. senza Fine"]
    form = form_of(Signs(), Signs(jump=Jump("start", "end")))
    assert [w.text for w in score(tab_of([(0, 4, 1, 3, ())], form=form)).iter("words")] == ["D.C."]


def test_double_barlines_and_keys() -> None:
    root = score(all_marks_tab())
    styles = {
        m.get("number"): [b.findtext("bar-style") for b in m.findall("barline")] for m in root.iter("measure")
    }
    assert styles["4"] == styles["6"] == ["light-light"]
    assert styles["3"] == ["light-heavy"]
    keys = [(m.get("number"), k.findtext("fifths"), k.findtext("mode")) for m in root.iter("measure")
            for k in m.iter("key")]  # fmt: skip
    assert keys == [("0", "1", "major"), ("5", "4", "major"), ("9", "-3", "minor")]


def test_accidentals_follow_the_key_in_force() -> None:
    """G sharp needs a sign in A minor and none in E."""
    tab = tab_of([(0, 4, 1, 4, ()), (4, 4, 1, 4, ())], form=Form.plain(2), key="Am")
    tab = replace(tab, key_changes=(KeyMark(F(4), Key.parse("E")),))
    assert [n.findtext("accidental") for n in staff_notes(score(tab), "1")] == ["sharp", None]


def test_words_on_their_notes() -> None:
    """MusicXML 4.0, lyric: ``syllabic`` tells how a word goes on, ``number`` the verse."""
    tab = tab_of([(0, 1, 1, 3, ()), (0, 1, 2, 3, ()), (2, 2, 1, 5, ())], form=Form.plain(1))
    rows = [
        (F(0), "o-", 1),
        (F(1), "ver", 1),
        (F(2), "sea", 1),
        (F(2), "day", 2),
        (F(5, 2), "ah", 1),
        (F(3), "-", 2),
    ]
    root = score(replace(tab, lyrics=tuple(Lyric(*row) for row in rows)))
    found = []
    for note in root.iter("note"):
        for lyric in note.findall("lyric"):
            place = note.get("id") or ("rest" if note.get("print-object") is None else "unseen")
            found.append((place, lyric.get("number"), lyric.findtext("syllabic"), lyric.findtext("text")))
    assert found == [
        ("n0", "1", "begin", "o"), ("rest", "1", "end", "ver"), ("n2", "1", "single", "sea"),
        ("n2", "2", "single", "day"), ("unseen", "1", "single", "ah"), ("unseen", "2", "single", "-"),
    ]  # fmt: skip


def test_unseen_words_stand_at_their_moment() -> None:
    tab = replace(tab_of([(0, 4, 1, 3, ())]), lyrics=(Lyric(F(1, 3), "late"),))
    root = score(tab)
    divisions = int(root.findtext(".//divisions") or 0)
    now, found = 0, []
    for child in root.find("part/measure"):  # type: ignore[union-attr]
        length = int(child.findtext("duration") or 0)
        if child.find("lyric") is not None:
            found.append(F(now, divisions))
            assert child.get("print-lyric") == "yes"
        now += {"backup": -length, "forward": length, "note": length}.get(child.tag, 0)
    assert found == [F(1, 3)]


def test_remarks_fingers_and_plucking() -> None:
    tab = tab_of([(0, 1, 6, 2, ()), (1, 3, 1, 3, ())])
    notes = (replace(tab.notes[0], finger=0, pluck="p"), replace(tab.notes[1], finger=4, pluck="a"))
    root = score(replace(tab, notes=notes, remarks=(Remark(F(1), "Fine"), Remark(F(1), "softly"))))
    remarks = [d for d in root.iter("direction") if d.get("id")]
    assert [(d.get("id"), d.findtext(".//words")) for d in remarks] == [("r1", "Fine"), ("r2", "softly")]
    technical = [n.find("notations/technical") for n in staff_notes(root, "2")]
    assert [(t.findtext("fingering"), t.findtext("pluck")) for t in technical if t is not None] == [
        ("T", "p"),
        ("4", "a"),
    ]


def test_odd_voices_hold_voice_one_and_even_ones_voice_two() -> None:
    """Also where more than one layer of each rings at once."""
    tab = tab_of([(n * F(1, 2), 4 - n * F(1, 2), 6 - n, 3, (LetRing(),)) for n in range(6)])
    notes = tuple(replace(note, voice=1 + index % 2) for index, note in enumerate(tab.notes))
    root = score(replace(tab, notes=notes))
    for staff in ("1", "2"):
        read = {
            (n.get("id") or "")[1:].split("-")[0]: int(n.findtext("voice") or 0) % 2
            for n in staff_notes(root, staff)
        }
        assert read == {str(index): note.voice % 2 for index, note in enumerate(notes)}


def test_a_note_softer_than_what_is_struck_with_it() -> None:
    """MusicXML 4.0, note: ``dynamics`` in percent of a forte."""
    tab = tab_of([(0, 1, 1, 3, ()), (0, 1, 6, 3, ()), (1, 3, 1, 5, ())])
    root = score(replace(tab, notes=(replace(tab.notes[0], dynamic="f"), *tab.notes[1:])))
    assert [e[0].tag for e in root.iter("dynamics")] == ["f", "mf"]
    told = [(n.get("id"), n.get("dynamics")) for n in staff_notes(root, "2")]
    assert told == [("t0", None), ("t1", "84"), ("t2", None)]


def test_a_muted_string_under_a_ringing_one_starts_no_span() -> None:
    tab = tab_of(
        [
            (0, 1, 6, 0, (PalmMute(),)),
            (1, 1, 6, 0, (PalmMute(),)),
            (1, 1, 1, 3, ()),
            (2, 2, 6, 0, (PalmMute(),)),
        ]
    )
    root = score(tab)
    assert [n.get("id") for n in root.iter("note") if n.find("play/mute") is not None] == ["t0", "t2", "t3"]
    assert [w.text for w in root.iter("words")] == ["P.M.", "P.M."]  # one for each side of the chord


def test_grace_notes_in_turn_together_and_on_the_beat() -> None:
    tab = tab_of(
        [
            (0, 0, 2, 3, (Grace(),)), (0, 0, 1, 3, (Grace(),)), (0, 0, 3, 3, (Grace(together=True),)), (0, 2, 2, 5, ()),
            (2, 0, 2, 3, (Grace(on_beat=True),)), (2, 2, 2, 5, ()),
        ]
    )  # fmt: skip
    graces = [n for n in staff_notes(score(tab), "2") if n.find("grace") is not None]
    found = [
        (
            n.findtext("notations/technical/string"),
            n.find("chord") is not None,
            n.find("grace").get("steal-time-following") is not None,  # type: ignore[union-attr]
        )
        for n in graces
    ]
    assert found == [("2", False, False), ("1", False, False), ("3", True, False), ("2", False, True)]


def test_grace_notes_before_nothing_keep_their_moment() -> None:
    tab = tab_of([(0, 4, 1, 3, ()), (F(1, 2), 0, 2, 3, (Grace(),))])
    measure = score(tab).find("part/measure")
    now, found = 0, []
    for child in measure:  # type: ignore[union-attr]
        length = int(child.findtext("duration") or 0)
        if child.find("grace") is not None:
            found.append(now)
        now += {"backup": -length, "forward": length, "note": length}.get(child.tag, 0)
    assert len(found) == 2 and set(found) == {int(score(tab).findtext(".//divisions") or 0) / 2}


@pytest.mark.parametrize(
    ("technique", "words"),
    [
        (Harmonic(HarmonicKind.NATURAL, 12), []),
        (Harmonic(HarmonicKind.NATURAL, 31), ["harmonic +31"]),
        (Harmonic(HarmonicKind.ARTIFICIAL, 19), ["harmonic +19"]),
        (Harmonic(HarmonicKind.PINCH, 12), ["pinch harmonic"]),
        (Harmonic(HarmonicKind.PINCH, 28), ["pinch harmonic +28"]),
        (Trill(14), []),
        (Trill(13), []),
        (Trill(16), ["trill to fret 16"]),
        (Trill(11), ["trill to fret 11"]),
    ],
)
def test_what_has_no_element_of_its_own_is_said_in_words(technique: Technique, words: list[str]) -> None:
    root = score(tab_of([(0, 4, 1, 12, (technique,))]))
    assert [e.text for e in root.iter("other-technical")] == words


def test_a_bend_keeps_every_point() -> None:
    """Moves at odd times, and a place in the middle of a hold."""
    points = ((F(0), F(0)), (F(1, 7), F(1, 3)), (F(1, 2), F(1, 3)), (F(2, 3), F(1, 3)), (F(1), F(0)))
    found = [
        tuple(F(text or "").limit_denominator(1000) for text in (e.get("first-beat"), e.get("last-beat"), e.findtext("bend-alter")))
        for e in bend_elements(Bend(points))
    ]  # fmt: skip
    assert [(a / 100, b / 100, c) for a, b, c in found] == [
        (F(0), F(1, 7), F(1, 3)),
        (F(1, 7), F(1, 2), F(0)),
        (F(1, 2), F(2, 3), F(0)),
        (F(2, 3), F(1), F(-1, 3)),
    ]


def test_a_slide_in_and_a_slide_out_of_one_note() -> None:
    """Only the first was written."""
    both = (Slide(SlideKind.IN_BELOW), Slide(SlideKind.OUT_DOWN))
    root = score(tab_of([(0, 4, 1, 5, both)]))
    assert [e.tag for e in root.iter("articulations") for e in e] == 2 * ["scoop", "falloff"]


def test_a_hammer_on_from_nothing() -> None:
    root = score(tab_of([(0, 4, 1, 5, (HammerOn(),))]))
    assert [e.get("type") for e in root.iter("hammer-on")] == ["stop"]


def test_phrases_that_overlap_are_listed() -> None:
    """A name tells where a phrase starts; where it ends only if the next one starts there."""
    tab = tab_of([(0, 4, 1, 5, ())], form=Form.plain(4))
    tiled = replace(tab, phrases=(Phrase("A", 1, 2), Phrase("B", 3, 4)))
    assert not list(score(tiled).iter("miscellaneous-field"))
    crossed = replace(tab, phrases=(Phrase("A", 1, 3), Phrase("B & C", 2, 3)))
    (field,) = score(crossed).iter("miscellaneous-field")
    assert (field.get("name"), field.text) == ("phrases", "1-3 A\n2-3 B & C")


def test_durations_finer_than_note_values_stand_as_they_are() -> None:
    tab = tab_of([(0, F(1, 1000), 1, 5, ()), (F(1, 1000), 2, 1, 7, ())])
    root = score(tab)
    divisions = int(root.findtext(".//divisions") or 0)
    lengths = [F(int(n.findtext("duration") or 0), divisions) for n in staff_notes(root, "2")]
    assert lengths == [F(1, 1000), F(2)]


def test_nothing_is_lost_but_what_is_told() -> None:
    assert lost_in_musicxml(all_marks_tab()) == lost_in_musicxml(techniques_tab()) == ()


LOSSES = {
    "2 comments": {"comments": (Comment(0, "one"), Comment(1, "two"))},
    "1 comment": {"comments": (Comment(0, "one"),)},
    "characters that XML forbids (U+FFFE)": {"remarks": (Remark(F(0), "odd \ufffe"),)},
    "bar 1: the double barline, as a repeat sign stands there": {
        "form": Form((Bar(1, Metre(), F(4), repeat_times=2, double=True),))
    },
    "the numbers of the bars: a reader counts them through from 1": {
        "form": Form((Bar(7, Metre(), F(4)),)),
    },
    "bar 1: that it is short but no pickup": {"form": Form((Bar(1, Metre(6, 4), F(4)),))},
}


@pytest.mark.parametrize("sentence", LOSSES)
def test_losses(sentence: str) -> None:
    tab = replace(tab_of([(0, 4, 1, 5, ())]), **LOSSES[sentence])  # type: ignore[arg-type]
    assert lost_in_musicxml(tab) == (sentence,)
    score(tab)  # can be read all the same


def test_a_tie_from_nothing_is_told() -> None:
    tab = tab_of([(0, 1, 1, 3, ()), (1, 1, 1, 3, ()), (2, 2, 1, 5, ())])
    tied = replace(tab, notes=(tab.notes[0], *(replace(note, tied=True) for note in tab.notes[1:])))
    assert lost_in_musicxml(tied) == ("bar 1, beat 3: a tie that comes from no note",)


def test_divisions_change_only_where_they_would_be_too_fine() -> None:
    """MusicXML 4.0, divisions: above 16383 they do not go with MIDI."""
    odd = [F(1, 97), F(1, 89), F(1, 83)]
    tab = tab_of([(4 * n, step, 1, 3, ()) for n, step in enumerate(odd)], form=Form.plain(4))
    assert [d.text for d in score(tab).iter("divisions")] == ["97", "89", "83", "1"]
    assert len(list(score(triplets_tab()).iter("divisions"))) == 1


def test_losses_of_notes() -> None:
    tab = tab_of(
        [
            (0, 0, 1, 3, (Grace(),)),
            (0, 0, 2, 3, (Grace(),)),
            (0, 2, 1, 5, ()),
            (2, 2, 3, 7, (Slide(SlideKind.SHIFT),)),
        ]
    )
    assert lost_in_musicxml(tab) == ("bar 1, beat 3: a slide that comes from no note",)


def test_grace_notes_of_two_voices_keep_their_order() -> None:
    tab = tab_of([(0, 0, n, 3, (Grace(together=n == 3),)) for n in (1, 2, 3)] + [(0, 4, 1, 5, ())])
    notes = tuple(replace(note, voice=2) if note.string == 2 else note for note in tab.notes)
    graces = [n for n in staff_notes(score(replace(tab, notes=notes)), "2") if n.find("grace") is not None]
    assert [(n.get("id"), int(n.findtext("voice") or 0) % 2) for n in graces] == [
        ("t0", 1),
        ("t1", 0),
        ("t2", 1),
    ]
    assert [n.find("chord") is not None for n in graces] == [False, False, True]
