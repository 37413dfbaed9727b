"""Reasons as the creator reads them."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction as F
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.build import make_pages, make_pictures, make_sound, make_words
from pipeline.build.meanings import shown
from pipeline.build.portrait import portrait
from pipeline.build.reasons import because
from pipeline.build.step import Output, Step
from pipeline.music.chart import ChordSpan
from pipeline.music.chord import Chord
from pipeline.music.metre import Form
from pipeline.music.pitch import Interval
from pipeline.music.tab import Note, Phrase, Tab
from tests.samples import lead_spans, lead_tab

NAMES = {"tab": "tab.txt", "chart": "chart.txt", "lesson": "lesson.toml", "channel": "channel.toml"}
COLOURS = {"accent": "#7a2e1d", "ink": "#22303c"}


def _page(tab: Tab | None = None, spans: tuple[ChordSpan, ...] | None = None, **more: Any) -> Step:
    params = make_pages.PageParams(
        "a.pdf",
        tab or lead_tab(),
        lead_spans() if spans is None else spans,
        COLOURS,
        "A4",
        "By nobody",
        "foot",
    )
    params = replace(
        params, **{name: more.pop(name) for name in ("colours", "sheet", "footer") if name in more}
    )
    return Step("page", "page", "tune", make_pages.page, params, (Output("a.pdf", "tab"),), **more)


def _why(before: Step, now: Step, **names: str) -> tuple[str, ...]:
    return because(portrait(before), portrait(now), names=names or NAMES)


def _with(tab: Tab, change: Callable[[Note], Note], *bars: int) -> Tab:
    """The tab with every note of these printed bars changed."""
    written = tab.form.written
    notes = tuple(change(n) if written.bar_at(n.onset).bar.number in bars else n for n in tab.notes)
    return replace(tab, notes=notes)


def _louder(note: Note) -> Note:
    return replace(note, dynamic="fff")


def _long(bars: int) -> Tab:
    """A note in each bar."""
    tab = Tab(lead_tab().instrument, Form.plain(bars), ())
    return replace(tab, notes=tuple(tab.note(F(4 * bar), F(1), 1, 5) for bar in range(bars)))


def _chord(spans: tuple[ChordSpan, ...], number: int, name: str) -> tuple[ChordSpan, ...]:
    return tuple(replace(s, chord=Chord.parse(name)) if s.bar.bar.number == number else s for s in spans)


def test_what_was_not_there_before_says_so() -> None:
    assert because(None, portrait(_page()), names=NAMES) == ("it was not made before",)


def test_the_same_has_no_reason() -> None:
    assert _why(_page(), _page()) == ()


# -- tab ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("bars", "said"),
    [((7,), "bar 7"), ((7, 8), "bars 7–8"), ((7, 8, 12), "bars 7–8, 12"), ((1, 3, 5), "bars 1, 3, 5")],
)
def test_the_bars_of_the_tab(bars: tuple[int, ...], said: str) -> None:
    tab = _long(16)
    assert _why(_page(tab, ()), _page(_with(tab, _louder, *bars), ())) == (f"tab.txt changed: {said}",)


def test_too_many_bars_are_counted() -> None:
    tab = _long(64)
    odd = range(1, 63, 2)
    assert _why(_page(tab, ()), _page(_with(tab, _louder, *odd), ())) == ("tab.txt changed: 31 bars",)


def test_names_of_files_are_the_creators() -> None:
    tab = _long(2)
    other = _page(_with(tab, _louder, 2), ())
    assert _why(_page(tab, ()), other, tab="lead.musicxml") == ("lead.musicxml changed: bar 2",)
    assert because(portrait(_page(tab, ())), portrait(other), names={}) == ("the tab changed: bar 2",)


def test_another_capo_is_told_once_not_note_by_note() -> None:
    tab = _long(4)
    neck = tab.instrument.with_capo(2)
    moved = tuple(replace(n, pitch=tab.key.spell_midi(neck.midi(n.string, n.fret))) for n in tab.notes)
    told = _why(_page(tab, ()), _page(replace(tab, instrument=neck, notes=moved), ()))
    assert told == ("tab.txt changed: the capo (0 → 2)",)


def test_bars_more() -> None:
    told = _why(_page(_long(4), ()), _page(_long(6), ()))
    assert told == ("tab.txt changed: bars 5–6, the number of bars (4 → 6)",)


def test_a_note_that_is_only_spelled_anew_blames_no_file() -> None:
    """It is spelled by the chord under it: the tab's file may be as it was."""
    tab = _long(4)
    other = _with(tab, lambda n: replace(n, pitch=n.pitch.transposed(Interval(1, 0))), 3)
    assert _why(_page(tab, ()), _page(other, ())) == ("notes are spelled another way: bar 3",)


# -- chart ----------------------------------------------------------------------------------


def test_a_chord_is_named_before_and_now() -> None:
    spans = lead_spans()
    number = spans[0].bar.bar.number
    old = portrait(_page())[f"chart bar {number}"]
    assert _why(_page(), _page(spans=_chord(spans, number, "C7"))) == (
        f"chart.txt changed: bar {number} ({old} → {' '.join(['C7'] * len(old.split()))})",
    )


def test_one_time_through_a_repeat() -> None:
    bars = [*Form.plain(2).bars]
    bars[1] = replace(bars[1], repeat_times=2)
    form = Form(tuple(bars))
    am = Chord.parse("Am")
    spans = tuple(ChordSpan(bar.start, bar.end, am, bar) for bar in form.played.bars)
    other = (*spans[:2], replace(spans[2], chord=Chord.parse("C7")), spans[3])
    told = _why(_page(spans=spans), _page(spans=other))
    assert told == ("chart.txt changed: bar 1, time 2 (Am → C7)",)
    everywhere = tuple(replace(s, chord=Chord.parse("C7")) if s.bar.written == 0 else s for s in spans)
    assert _why(_page(spans=spans), _page(spans=everywhere)) == ("chart.txt changed: bar 1 (Am → C7)",)


def test_a_chord_on_another_beat() -> None:
    bar = Form.plain(1).played.bars[0]
    am, g = Chord.parse("Am"), Chord.parse("G")
    spans = tuple(ChordSpan(F(a), F(b), c, bar) for a, b, c in ((0, 2, am), (2, 4, g)))
    other = (replace(spans[0], end=F(3)), replace(spans[1], start=F(3)))
    told = _why(_page(spans=spans), _page(spans=other))
    assert told == ("chart.txt changed: bar 1 (Am G, on other beats)",)


def test_tab_and_chart_in_one_file_are_told_in_one_sentence() -> None:
    tab, spans = lead_tab(), lead_spans()
    number = spans[0].bar.bar.number
    other = _page(_with(tab, _louder, number), _chord(spans, number, "C7"))
    (told,) = _why(_page(), other, tab="tune.musicxml", chart="tune.musicxml")
    assert told.startswith(f"tune.musicxml changed: bar {number}, bar {number} (")


# -- words, colours, settings ---------------------------------------------------------------


def test_a_colour() -> None:
    told = _why(_page(), _page(colours={**COLOURS, "accent": "#5a1040"}))
    assert told == ("the accent colour changed (#7a2e1d → #5a1040)",)


def test_the_title_is_told_once_however_often_it_stands() -> None:
    def step(title: str) -> Step:
        facts = {"lesson": {"title": title}}
        params = make_words.WordsParams(facts, (), None, (), None)
        outputs = (Output("description.txt", "description"),)
        return Step("words", "words", "tune", make_words.words, params, outputs)

    told = _why(step("Low Tide"), step("High Tide"))
    assert told == ("lesson.toml changed: the title (Low Tide → High Tide)",)
    told = _why(_page(replace(lead_tab(), title="Low Tide")), _page(replace(lead_tab(), title="1")))
    assert told == ("lesson.toml changed: the title (Low Tide → “1”)",)


def test_the_title_of_a_pack_is_the_tiers() -> None:
    """A pack's parameter ``title`` was once told as the lesson's."""

    def step(title: str) -> Step:
        params = make_words.PackParams("tune", "tune-a.zip", title, (), {})
        return Step("pack a", "packs", "tune", make_words.pack, params, (Output("tune-a.zip", "archive"),))

    told = _why(step("Deckhand"), step("Deck"))
    assert told == ("channel.toml changed: the name of the tier (Deckhand → Deck)",)


def test_a_phrase_is_named_when_it_is_the_only_one() -> None:
    tab = replace(_long(9), phrases=(Phrase("The call", 1, 4), Phrase("Home", 5, 8)))
    one = replace(tab, phrases=(Phrase("The call", 1, 3), tab.phrases[1]))
    both = replace(tab, phrases=(Phrase("The call", 1, 3), Phrase("Home", 4, 8)))
    assert _why(_page(tab, ()), _page(one, ())) == (
        "the phrases changed (The call: bars 1–4 → The call: bars 1–3)",
    )
    assert _why(_page(tab, ()), _page(both, ())) == ("the phrases changed",)


def test_numbers_are_told_as_people_write_them() -> None:
    params = make_sound.Mp3Params((("a.wav", "a.mp3"),), "backing", -1.0)
    step = Step("mp3", "backing", "tune", make_sound.mp3, params, (Output("a.mp3", "part"),))
    other = replace(step, params=replace(params, ceiling_dbtp=-2.0))
    assert _why(step, other) == ("channel.toml changed: the highest peak (−1 → −2)",)


def test_what_there_are_no_words_for_is_told_by_its_own_name() -> None:
    step = _page()
    one, other = replace(step, params={"sparkle": -1.0}), replace(step, params={"sparkle": -2.5})
    assert _why(one, other) == ("its settings changed: sparkle −1 → −2.5",)
    other = replace(step, params={"sparkle": "x" * 99})
    assert _why(one, other) == ("its settings changed: sparkle",)


def test_other_names_of_files() -> None:
    step = _page()
    assert isinstance(step.params, make_pages.PageParams)
    other = replace(step, params=replace(step.params, name="b.pdf"), outputs=(Output("b.pdf", "tab"),))
    assert _why(step, other) == ("its files have other names",)


def _words(facts: dict[str, Any], *templates: tuple[str, Path]) -> Step:
    params = make_words.WordsParams(facts, (), None, (), None)
    outputs = (Output("description.txt", "description"),)
    return Step("words", "words", "tune", make_words.words, params, outputs, files=templates)


def test_a_template_that_mentions_less_has_not_changed_the_lesson(tmp_path: Path) -> None:
    """Each variable that a new template left out was once told as changed in lesson.toml."""
    (tmp_path / "d.j2").write_text("{{ lesson.title }}")
    whole = _words({"lesson": {"title": "Low Tide", "blurb": "A tide."}, "links": []})
    less = _words({"lesson": {"title": "Low Tide"}}, ("template:description.txt.j2", tmp_path / "d.j2"))
    assert _why(whole, less) == ("the template description.txt.j2 is new",)
    assert _why(less, whole) == ("the template description.txt.j2 is gone",)
    title = _words({"lesson": {"title": "High Tide"}}, ("template:description.txt.j2", tmp_path / "d.j2"))
    assert _why(whole, title) == (
        "lesson.toml changed: the title (Low Tide → High Tide)", "the template description.txt.j2 is new",
    )  # fmt: skip
    assert _why(whole, _words({"lesson": {"title": "Low Tide"}})) == ("it goes by other things than before",)


def test_a_link_more_is_a_change_of_the_channel() -> None:
    one = {"label": "All", "url": "https://one.example.org"}
    none, more = _words({"links": []}), _words({"links": [one]})
    two = _words({"links": [one, {"label": "More", "url": "https://two.example.org"}]})
    for before, now in ((none, more), (more, two), (two, none)):
        assert _why(before, now) == ("channel.toml changed: the links",)


# -- files ----------------------------------------------------------------------------------


def _still(tmp_path: Path, **files: str) -> Step:
    paths = []
    for role, text in files.items():
        name, _, contents = text.partition("=")
        path = tmp_path / contents / name
        path.parent.mkdir(exist_ok=True)
        path.write_text(contents)
        paths.append((role.replace("_", " ").replace("template ", "template:"), path))
    params = make_pictures.StillParams("still.png", "T", "", COLOURS, 6)
    return Step("still", "still", "tune", make_pictures.still, params, (Output("still.png", "still"),),
                files=tuple(paths))  # fmt: skip


@pytest.mark.parametrize(
    ("before", "now", "said"),
    [
        ({"take": "take.flac=one"}, {"take": "take.flac=two"}, "take.flac is another recording"),
        ({"take": "take.flac=one"}, {"take": "take2.flac=two"}, "the take is now take2.flac"),
        ({}, {"take": "take.flac=one"}, "take.flac is new"),
        ({"take": "take.flac=one"}, {}, "there is no take any more"),
        ({"template_d.txt.j2": "d.txt.j2=one"}, {"template_d.txt.j2": "d.txt.j2=two"},
         "the template d.txt.j2 changed"),
        ({}, {"template_d.txt.j2": "d.txt.j2=two"}, "the template d.txt.j2 is new"),
        ({"template_d.txt.j2": "d.txt.j2=two"}, {}, "the template d.txt.j2 is gone"),
        ({"font_bold": "a.ttf=one"}, {"font_bold": "b.ttf=two"}, "the bold font changed (b.ttf)"),
        ({"mix": "mix.flac=one"}, {"mix": "mix.flac=two"}, "mix.flac changed"),
    ],
)  # fmt: skip
def test_files(tmp_path: Path, before: dict[str, str], now: dict[str, str], said: str) -> None:
    assert _why(_still(tmp_path, **before), _still(tmp_path, **now)) == (said,)


def test_a_file_of_another_name_and_the_same_contents_is_no_reason(tmp_path: Path) -> None:
    one = _still(tmp_path, take="take.flac=one")
    other = _still(tmp_path, take="renamed.flac=one")
    assert one.own_digest == other.own_digest
    assert _why(one, other) == ()


# -- the tool -------------------------------------------------------------------------------


def test_the_tools_own_code_and_libraries() -> None:
    before = portrait(_page(rooms=("pipeline.sound",), libraries=("numpy",)))
    now = {**before, "code pipeline.sound": "0" * 12, "library numpy": "99.0"}
    version = before["library numpy"]
    assert because(before, now, names=NAMES) == (
        "lessonwright's own code changed (sound)",
        f"numpy is another version ({version} → 99.0)",
    )
    assert because(before, {**before, "version": "2"}, names=NAMES) == ("lessonwright's own code changed",)


# -- in general -----------------------------------------------------------------------------


def test_much_is_summed_up_and_the_music_comes_first() -> None:
    tab, spans = lead_tab(), lead_spans()
    number = spans[0].bar.bar.number
    other = _page(_with(tab, _louder, 1, 2), _chord(spans, number, "C7"), colours={"accent": "#5a1040"},
                  sheet="Letter", footer="another foot", version=2, libraries=("numpy", "scipy"))  # fmt: skip
    told = _why(_page(), other)
    assert len(told) == 3
    assert told[0].startswith("tab.txt changed: bar") and told[1].startswith("chart.txt changed: bar")
    assert re.fullmatch(r"and \d other things changed", told[2])


_texts = st.sampled_from(
    ["a", "yes", "-1.0", '"1"', "0123456789ab", "0123456789ab name", "2 rows", "[a, b]", "Phrase(a, 1)", "x" * 60,
     "Am D7", "Am ~0123456789ab", "-", '"broken', "", "0123456789ab 0123456789ac"]
)  # fmt: skip
_labels = st.sampled_from(
    ["title", "tab title", "tab bar 1", "tab bar 2", "tab neck", "tab tuning", "tab form", "tab bars", "chart bar 1",
     "chart bar 1 time 1", "chart bar 1 time 2", "chart form", "chart sections", "facts facts chords", "names",
     "output 1", "members", "archive", "seed", "file take", "file template:a", "file font bold", "file x", "version",
     "code pipeline.a", "library numpy", "library scipy", "total_s", "what else", "more title'", "params", "offers"]
)  # fmt: skip
_portraits = st.dictionaries(_labels, _texts, max_size=12)


@settings(deadline=None)
@given(_portraits, _portraits)
def test_every_difference_is_told_shortly(before: dict[str, str], now: dict[str, str]) -> None:
    told = because(before, now, names=NAMES)
    counts = {
        label
        for label in before.keys() | now.keys()
        if before.get(label) != now.get(label)
        # the same contents under another name
        and not (label.startswith("file ") and label in before and label in now
                 and before[label].split(" ")[0] == now[label].split(" ")[0])
    }  # fmt: skip
    assert bool(told) == bool(counts)
    assert len(told) <= 3 and all(0 < len(one) <= 100 for one in told)
    assert len(set(told)) == len(told)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("1/2", "2/3", " (1/2 → 2/3)"),
        ("104.0", "96.5", " (104 → 96.5)"),
        ("2/1", "3/1", " (2 → 3)"),
        ('""', "Em", " (nothing → Em)"),
        ('"12"', '"1\\n3"', " (“12” → “1 3”)"),
        ("0123456789ab", "a", ""),
        (None, "a", ""),
        ("x" * 29, "a", ""),
        ("2 rows", "3 rows", ""),
        ("2", "2.0", ""),
    ],
)
def test_values_as_a_reader_wants_them(old: str | None, new: str | None, said: str) -> None:
    assert shown((old, new)) == said
