"""What a step's portrait shows, and that it shows everything."""

from __future__ import annotations

import json
from dataclasses import dataclass, fields, replace
from fractions import Fraction as F
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from pipeline.build.digest import value_digest
from pipeline.build.portrait import packed, portrait, portraits, unpacked
from pipeline.build.step import Given, Output, Result, Step
from pipeline.music.chart import Chart, ChartBar, ChartChord, ChordSpan, Play
from pipeline.music.chord import Change, Chord
from pipeline.music.key import Key
from pipeline.music.metre import Form
from pipeline.music.pitch import Interval
from pipeline.music.tab import Comment, KeyMark, Lyric, Note, Phrase, Remark, Tab, TempoMark
from pipeline.page.look import look_from
from tests import strategies
from tests.samples import lead_spans, lead_tab

# making up a tab is slow, and some have no notes
_patient = settings(
    max_examples=20,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much, HealthCheck.data_too_large],
)


@dataclass(frozen=True)
class Params:
    """Every kind of thing a step is given."""

    tab: Tab | None = None
    spans: tuple[ChordSpan, ...] = ()
    more: Any = None


def _make(params: Params, given: Given) -> Result:
    return Result()


def _step(params: Any = Params(), **more: Any) -> Step:
    more.setdefault("outputs", (Output("out.txt", "tab"),))
    return Step("one", "page", "tune", _make, params, **more)


def _differ(one: Step, other: Step) -> set[str]:
    before, now = portrait(one), portrait(other)
    return {label for label in before.keys() | now.keys() if before.get(label) != now.get(label)}


def _with_note(tab: Tab, place: int, note: Note) -> Tab:
    return replace(tab, notes=(*tab.notes[:place], note, *tab.notes[place + 1 :]))


# -- music ----------------------------------------------------------------------------------


@_patient
@given(strategies.tabs(), st.data())
def test_one_note_shows_in_its_bar_alone(tab: Tab, data: st.DataObject) -> None:
    assume(tab.notes)
    place = data.draw(st.integers(0, len(tab.notes) - 1))
    note = tab.notes[place]
    changes = [replace(note, finger=1 if note.finger != 1 else 2), replace(note, voice=3 - note.voice),
               replace(note, dynamic="pp" if note.dynamic != "pp" else "ff")]  # fmt: skip
    if note.fret + 1 <= tab.instrument.highest_fret:
        pitch = tab.key.spell_midi(tab.instrument.midi(note.string, note.fret + 1))
        changes.append(replace(note, fret=note.fret + 1, pitch=pitch))
    other = _with_note(tab, place, data.draw(st.sampled_from(changes)))
    bar = tab.form.written.bar_at(note.onset).bar.number
    assert _differ(_step(Params(tab)), _step(Params(other))) == {f"tab bar {bar}"}


@_patient
@given(strategies.tabs(), st.data())
def test_a_note_left_out_shows_in_its_bar_alone(tab: Tab, data: st.DataObject) -> None:
    assume(tab.notes)
    place = data.draw(st.integers(0, len(tab.notes) - 1))
    other = replace(tab, notes=tab.notes[:place] + tab.notes[place + 1 :])
    bar = tab.form.written.bar_at(tab.notes[place].onset).bar.number
    assert _differ(_step(Params(tab)), _step(Params(other))) == {f"tab bar {bar}"}


@_patient
@given(strategies.tabs(), strategies.tabs())
def test_different_tabs_have_different_portraits_and_equal_ones_the_same(one: Tab, other: Tab) -> None:
    same = value_digest(one) == value_digest(other)
    assert (portrait(_step(Params(one))) == portrait(_step(Params(other)))) == same
    again = replace(one, notes=tuple(replace(note) for note in one.notes))
    assert portrait(_step(Params(one))) == portrait(_step(Params(again)))


def test_what_is_not_in_a_bar_shows_under_its_name() -> None:
    tab = lead_tab()
    whole = _step(Params(tab))
    assert _differ(whole, _step(Params(replace(tab, title="Another")))) == {"tab title"}
    assert _differ(whole, _step(Params(replace(tab, swing=F(3, 5))))) == {"tab swing"}
    assert _differ(whole, _step(Params(tab.with_tempo(tab.tempo_bpm + 1)))) == {"tab tempo"}
    key = Key.parse("E") if tab.key != Key.parse("E") else Key.parse("A")
    assert _differ(whole, _step(Params(replace(tab, key=key)))) == {"tab key"}
    assert _differ(whole, _step(Params(replace(tab, a4_hz=442.0)))) == {"tab a4_hz"}


@pytest.mark.parametrize("field", [f.name for f in fields(Tab)])
def test_no_field_of_a_tab_is_left_out(field: str) -> None:
    """A field that is added to Tab later must not go unseen."""
    tab = lead_tab()
    other = replace(tab)
    value: Any = {"instrument": replace(tab.instrument, scale_mm=601.0), "form": Form(tab.form.bars[:-1]),
                  "notes": tab.notes[1:], "tempos": tab.with_tempo(61.0).tempos, "phrases": tab.phrases[1:],
                  "title": "?", "key": Key.parse("F#m"), "swing": F(4, 7), "a4_hz": 415.0,
                  "key_changes": (KeyMark(F(4), Key.parse("D")),), "lyrics": (Lyric(F(0), "la"),),
                  "remarks": (Remark(F(0), "rit."),), "comments": (Comment(0, "softly"),)}[field]  # fmt: skip
    object.__setattr__(other, field, value)  # no matter whether it makes musical sense
    if field == "form":  # notes of a bar that is gone
        object.__setattr__(tab, "notes", ())
        object.__setattr__(other, "notes", ())
    assert _differ(_step(Params(tab)), _step(Params(other)))


def test_a_bar_put_in_before_leaves_the_others_as_they_are() -> None:
    """Every bar after it moves by one: they are told by number, as they are read."""
    form, key = Form.plain(2), Key.parse("C")
    empty = Tab(lead_tab().instrument, form, (), key)
    tab = replace(empty, notes=(empty.note(F(0), F(1), 1, 5), empty.note(F(4), F(1), 1, 5)))
    longer = replace(tab, form=Form.plain(3), notes=(*tab.notes, tab.note(F(8), F(1), 1, 7)))
    assert _differ(_step(Params(tab)), _step(Params(longer))) == {"tab bars", "tab form", "tab bar 3"}


def test_a_note_spelled_another_way_is_not_taken_for_another_note() -> None:
    tab = lead_tab()
    note = tab.notes[0]
    up = replace(note, pitch=note.pitch.transposed(Interval(1, 0)))
    (label,) = _differ(_step(Params(tab)), _step(Params(_with_note(tab, 0, up))))
    before = portrait(_step(Params(tab)))[label]
    now = portrait(_step(Params(_with_note(tab, 0, up))))[label]
    assert before.split()[0] == now.split()[0] and before != now


# -- chords ---------------------------------------------------------------------------------


def _spans(*bars: str, form: Form | None = None) -> tuple[ChordSpan, ...]:
    """``Am D7`` for each bar, evenly."""
    found = []
    for bar in bars:
        names = bar.split()
        found.append(
            ChartBar(
                tuple(ChartChord(F(i, len(names)), None if n == "N.C." else Chord.parse(n))
                      for i, n in enumerate(names))
            )
        )  # fmt: skip
    return Chart(tuple(found)).spans(form or Form.plain(len(bars)))


def test_chords_read_as_they_are_written() -> None:
    found = portrait(_step(Params(spans=_spans("Am D7", "N.C.", "F#m7b5"))))
    assert [found[f"chart bar {n}"] for n in (1, 2, 3)] == ["Am D7", "N.C.", "F#m7b5"]


def test_one_chord_shows_in_its_bar_alone() -> None:
    one, other = _spans("Am", "D7", "G"), _spans("Am", "Dm7", "G")
    assert _differ(_step(Params(spans=one)), _step(Params(spans=other))) == {"chart bar 2"}


def test_a_repeated_bar_is_said_once_unless_one_time_differs() -> None:
    bars = [*Form.plain(2).bars]
    bars[1] = replace(bars[1], repeat_times=2)
    form = Form(tuple(bars))
    both = _spans("Am", "D7", form=form)
    found = portrait(_step(Params(spans=both)))
    assert {label for label in found if label.startswith("chart bar")} == {"chart bar 1", "chart bar 2"}
    once = _spans("Am", "D7", "C7", "D7", form=form)
    found = portrait(_step(Params(spans=once)))
    assert found["chart bar 1 time 1"] == "Am" and found["chart bar 1 time 2"] == "C7"
    assert found["chart bar 2"] == "D7"


def _moves(spans: tuple[ChordSpan, ...]) -> list[tuple[ChordSpan, ...]]:
    """The same chords with one thing different in the second span."""
    one, two, *rest = spans
    split = one.end - F(1, 4)
    return [
        (replace(one, end=split), replace(two, start=split), *rest),
        (one, replace(two, chord=None), *rest),
        (one, replace(two, play=Play.STOP), *rest),
        (one, replace(two, play=Play.HIT), *rest),
        (one, replace(two, play=Play.HOLD), *rest),
        (one, replace(two, push=F(1, 2)), *rest),
        (one, replace(two, implied=not two.implied), *rest),
        (one, replace(two, section="Elsewhere"), *rest),
        (one, replace(two, chord=Chord(Chord.parse("G").root, "min", (Change("add", 13),))), *rest),
    ]


@pytest.mark.parametrize("which", range(9))
def test_everything_of_a_chord_shows(which: int) -> None:
    spans = _spans("Am D7", "G C")
    assert _differ(_step(Params(spans=spans)), _step(Params(spans=_moves(spans)[which])))


def test_no_field_of_what_is_told_in_words_is_left_out() -> None:
    """Who adds a field here adds it to the words of :mod:`pipeline.build.scorelines` too."""
    known = {"start", "end", "chord", "bar", "section", "play", "implied", "push"}
    assert {f.name for f in fields(ChordSpan)} == known
    assert {f.name for f in fields(Phrase)} == {"name", "first", "last"}
    assert {f.name for f in fields(TempoMark)} == {"quarter", "bpm"}


def test_a_chord_is_the_same_however_it_is_put_together() -> None:
    """A chord is its degrees: C with a minor seventh added is C7."""
    tidy = Chord.parse("C7")
    loose = Chord(tidy.root, "maj", (Change("add", 7, -1),))
    spans = _spans("C7", "G")
    other = (replace(spans[0], chord=loose), spans[1])
    assert portrait(_step(Params(spans=spans))) == portrait(_step(Params(spans=other)))


def test_the_same_music_read_twice_has_the_same_portrait() -> None:
    assert portrait(_step(Params(lead_tab(), lead_spans()))) == portrait(
        _step(Params(lead_tab(), lead_spans()))
    )


# -- other values ---------------------------------------------------------------------------

_scalars = (
    st.none() | st.booleans() | st.integers(-3, 3) | st.sampled_from([0.0, 1.0, -1.5, 0.1]) | st.just(F(1, 2))
    | st.sampled_from(["", "1", "1.0", "yes", "none", "a", "a b", "a, b", "[a]", "{}", '"a"', "0123456789ab", "x(1)",
                       "2 rows", "1/2", "long " * 20])
)  # fmt: skip
_names = st.sampled_from(["a", "b", "a b", "1", "title"])
_values = st.recursive(
    _scalars,
    lambda inner: (
        st.lists(inner, max_size=3).map(tuple)
        | st.dictionaries(_names, inner, max_size=3)
        | st.builds(lambda name, value: Output(name, "p", str(value)), _names, inner)
    ),
    max_leaves=8,
)


@settings(deadline=None)
@given(_values, _values)
def test_different_values_differ_and_equal_ones_agree(one: Any, other: Any) -> None:
    same = value_digest(one) == value_digest(other)
    for params in (lambda value: Params(more=value), lambda value: value):
        assert (portrait(_step(params(one))) == portrait(_step(params(other)))) == same


def test_values_read_as_they_are() -> None:
    facts = {"lesson": {"title": "Low Tide", "blurb": "x" * 61, "bars": 12}, "loud": -14.0, "guide": True}
    found = portrait(_step(Params(more=facts)))
    assert found["more lesson title"] == "Low Tide"
    assert (
        found["more lesson bars"] == "12" and found["more loud"] == "-14.0" and found["more guide"] == "yes"
    )
    assert found["more lesson blurb"] == value_digest("x" * 61)[:12]


def test_rows_go_by_name_so_that_one_more_moves_no_other() -> None:
    one = (Output("a", "tab"), Output("b", "tab"))
    more = (Output("new", "tab"), *one)
    assert _differ(_step(Params(more=one)), _step(Params(more=more))) == {"more", 'more "new"'}


def test_a_look_shows_by_colour_and_font() -> None:
    look = look_from({})
    found = portrait(_step(Params(more=look)))
    assert found["more accent"] == look.accent
    assert found["file more font_bold"].split()[1] == look.font_bold.name
    assert _differ(_step(Params(more=look)), _step(Params(more=replace(look, accent="#5a1040")))) == {
        "more accent"
    }


def test_what_has_no_digest_has_no_portrait() -> None:
    with pytest.raises(TypeError, match="has no digest"):
        portrait(_step(Params(more=object())))


# -- the step itself ------------------------------------------------------------------------


def test_files_code_libraries_version_and_outputs_show(tmp_path: Path) -> None:
    take = tmp_path / "take.flac"
    take.write_bytes(b"one")
    whole: dict[str, Any] = {"files": (("take", take),), "rooms": ("pipeline.pack",), "libraries": ("numpy",)}
    before = portrait(_step(**whole))
    assert before["file take"].endswith(" take.flac")
    assert {"code pipeline.pack", f"code {__name__}", "library numpy", "output 1", "version"} <= before.keys()
    assert _differ(_step(**whole), _step(**whole, version=2)) == {"version"}
    other = (Output("b.txt", "tab"),)
    assert _differ(_step(**whole), _step(**whole, outputs=other)) == {"output 1"}
    take.write_bytes(b"another")
    now = portrait(_step(**whole))
    assert {label for label in before if before[label] != now[label]} == {"file take"}


@pytest.mark.parametrize(
    "more",
    [{"version": 2}, {"rooms": ("pipeline.pack",)}, {"libraries": ("numpy",)}, {"outputs": (Output("b", "tab"),)}],
)  # fmt: skip
def test_another_key_is_another_portrait(more: dict[str, Any]) -> None:
    one, other = _step(), _step(**more)
    assert one.own_digest != other.own_digest
    assert portrait(one) != portrait(other)


def test_weight_and_memory_are_no_part_of_it() -> None:
    assert portrait(_step()) == portrait(_step(weight=9.0, memory_mb=9))


# -- many at once ---------------------------------------------------------------------------


def test_many_at_once_are_as_each_alone() -> None:
    tab, spans = lead_tab(), lead_spans()
    plain = replace(tab, title="")
    steps = [replace(_step(p), name=str(n))
             for n, p in enumerate([Params(tab, spans), Params(plain, spans), Params(tab), Params()])]  # fmt: skip
    together = portraits(steps)
    assert together == {step.name: portrait(step) for step in steps}


def test_packed_says_shared_music_once_and_comes_back_whole() -> None:
    tab = lead_tab()
    many = portraits([replace(_step(Params(tab, lead_spans(), n)), name=str(n)) for n in range(20)])
    text = json.dumps(packed(many))
    assert unpacked(json.loads(text)) == many
    assert len(text) < len(json.dumps(many)) / 5


@pytest.mark.parametrize(
    "wrong",
    [
        {}, {"lines": [], "steps": {"a": [0]}}, {"lines": {}, "steps": []}, {"lines": [[1]], "steps": {"a": [0]}},
        {"lines": [{"title": 1}], "steps": {"a": [0]}}, [],
    ],
)  # fmt: skip
def test_what_is_no_packed_portrait_is_refused(wrong: Any) -> None:
    with pytest.raises(ValueError, match="no packed portraits"):
        unpacked(wrong)
