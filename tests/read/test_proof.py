"""The proofreader as a whole: what is told once, where, at which level; no false alarms."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction as F
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings

from pipeline.errors import Problems
from pipeline.music.chart import Chart
from pipeline.music.errors import MusicError
from pipeline.music.metre import Form
from pipeline.music.tab import Tab
from pipeline.music.technique import HammerOn, Vibrato
from pipeline.read.lesson import read_lesson
from pipeline.read.places import Place, Places
from pipeline.read.proof import Music, findings, proofread
from pipeline.read.proof_finding import Finding, Rule, bars_in_words, told
from pipeline.read.proof_fit import disagreements, first_difference
from pipeline.read.texttab import read_text_tab
from tests.chart_strategies import charts
from tests.listen.pieces import lead, picked
from tests.page import pieces
from tests.read.proofs import CHART, TAB, broken, problems_of
from tests.samples import lead_tab, tab_of
from tests.strategies import tabs
from tests.wholetabs import whole_tabs

HERE = Place(TAB, 7, 3)
RULE = Rule("caution", "an odd note", "Mend it.")
CONFIGS = Path(__file__).parents[2] / "configs"


@pytest.mark.parametrize(
    ("numbers", "words"),
    [
        ([3], "bar 3"),
        ([9, 3, 3], "bars 3 and 9"),
        ([3, 4, 5, 6, 9], "bars 3-6 and 9"),
        ([0, 1], "bars 0 and 1"),
        ([1, 3, 5], "bars 1, 3 and 5"),
        (range(1, 41, 2), "bars 1, 3, 5, 7, 9, 11, 13, 15 and 12 more"),
        ([*range(1, 9), *range(20, 60, 2)], "bars 1-8, 20, 22, 24, 26, 28, 30, 32 and 13 more"),
    ],
)
def test_bars_in_words(numbers: list[int], words: str) -> None:
    assert bars_in_words(numbers) == words


def test_one_rule_is_told_once_at_its_first_place() -> None:
    findings = [
        Finding(RULE, replace(HERE, line=bar), bar, f"beat {bar}", f"fret {bar}") for bar in (3, 7, 9)
    ]
    problems = told(findings)
    assert [p.text() for p in problems] == [
        "tab.txt:3:3: caution: bars 3, 7 and 9: an odd note (first beat 3, fret 3)\n  Mend it."
    ]
    assert [p.what for p in told(findings[:1])] == ["bar 3, beat 3: an odd note (fret 3)"]


def test_how_often_is_told_where_a_bar_has_it_more_than_once() -> None:
    problems = told([Finding(RULE, HERE, 3, "beat 1", "fret 5"), Finding(RULE, HERE, 3, "beat 2", "fret 7")])
    assert problems[0].what == "bar 3: an odd note (2 times; first beat 1, fret 5)"


def test_what_is_said_of_the_whole_piece_is_not_run_together() -> None:
    problems = told([Finding(RULE, HERE, None, "", "this"), Finding(RULE, HERE, None, "", "that")])
    assert [p.what for p in problems] == ["an odd note (this)", "an odd note (that)"]


def test_a_note_is_pointed_at_where_it_was_read() -> None:
    tab = tab_of([(0, 1, 2, 7, ()), (1, 1, 2, 5, (HammerOn(),))])
    places = Places(TAB, notes={(F(1), 2): Place(TAB, 4, 9, "B|-7---h5--|")})
    problems = Problems()
    proofread(Music(tab, places), problems)
    assert problems.found[0].text().splitlines()[:3] == [
        "tab.txt:4:9: caution: bar 1, beat 2: a hammer-on that does not go up (string 2, fret 7 to 5)",
        "    B|-7---h5--|",
        "            ^",
    ]


def test_what_a_reader_has_told_of_a_note_is_not_told_again() -> None:
    tab = tab_of([(0, 1, 2, 7, ()), (1, 1, 2, 5, (HammerOn(),))])
    places = Places(TAB, notes={(F(1), 2): Place(TAB, 4, 9)})
    problems = Problems()
    problems.caution("a hammer-on goes up", path=TAB, line=4, column=9)
    proofread(Music(tab, places), problems)
    assert len(problems.found) == 1


@pytest.mark.parametrize("path", sorted(CONFIGS.glob("*/lesson.toml")), ids=lambda p: p.parent.name)
def test_the_demo_lessons_raise_no_false_alarm(path: Path) -> None:
    problems = Problems()
    lesson = read_lesson(path, problems, recordings=False, proof=True)
    assert lesson is not None
    assert [p.text() for p in problems] == []


def test_the_demo_lessons_are_there() -> None:
    assert len(list(CONFIGS.glob("*/lesson.toml"))) == 4


@pytest.mark.parametrize(
    "make",
    [
        pieces.techniques_tab, pieces.triplets_tab, pieces.ukulele_tab, pieces.bass_tab, pieces.seven_string_tab,
        pieces.compound_tab, pieces.ringing_tab, pieces.whole_bar_tie_tab, lead, picked, lead_tab,
    ],
)  # fmt: skip
def test_pieces_that_other_tests_play_raise_no_false_alarm(make: object) -> None:
    assert callable(make)
    assert [p.what for p in problems_of(make())] == []


@given(tabs(odd=True))
@settings(max_examples=25, deadline=None)
def test_any_tab_can_be_proofread(tab: Tab) -> None:
    problems = problems_of(tab)
    assert len({p.what.split(": ", 1)[-1].split(" (")[0] for p in problems}) <= len(problems)
    for problem in problems:
        assert problem.level in ("caution", "remark") and problem.remedy.endswith((".", "!"))


@pytest.mark.slow
@given(tabs(odd=True))
@settings(max_examples=500, deadline=None)
def test_any_tab_can_be_proofread_at_length(tab: Tab) -> None:
    problems_of(tab)


def proofread_with(tab: Tab, chart: Chart) -> None:
    try:
        spans = chart.spans(tab.form)
    except MusicError:
        spans = ()
    list(disagreements(tab, chart))
    first_difference(tab, chart)
    told(findings(Music(tab, Places(TAB), chart, Places(CHART), spans)))


@given(whole_tabs(), charts())
@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_any_whole_tab_can_be_proofread_with_any_chart(tab: Tab, chart: Chart) -> None:
    proofread_with(tab, chart)


@pytest.mark.slow
@given(whole_tabs(), charts())
@settings(max_examples=400, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_any_whole_tab_can_be_proofread_with_any_chart_at_length(tab: Tab, chart: Chart) -> None:
    proofread_with(tab, chart)


def test_a_piece_without_notes() -> None:
    assert broken(tab_of([], form=Form.plain(3))) == set()


LESSON = 'title = "Low Tide"\ntab = "tab.txt"\nchart = "chart.txt"\nrights = "own work"\n'
WRONG = """\
instrument: electric guitar
key: Am
tempo: 100

[Call]
   q q q q   w
e|---------|-0~--|
B|-7-5-7-9-|-----|
G|---------|-----|
D|---------|-----|
A|---------|-----|
E|-------1-|-----|
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "lesson.toml").write_text(LESSON)
    (tmp_path / "tab.txt").write_text(WRONG)
    (tmp_path / "chart.txt").write_text("key: Am\n| Am | E7 |\n")
    return tmp_path


def test_only_a_proof_has_the_proofreaders_cautions_and_remarks(folder: Path) -> None:
    """What it finds is for the teacher, not for the record of a release."""
    built, checked = Problems(), Problems()
    assert read_lesson(folder, built) is not None
    assert read_lesson(folder, checked, proof=True) is not None
    assert [p.what for p in built] == ["there is no take: no overlay, no clip"]
    levels = sorted((p.level, p.what) for p in checked if p not in built.found)
    assert levels == [
        ("caution", "bar 1, beat 4: a stretch wider than a hand (frets 1 to 9, 23 cm)"),
        ("remark", "bar 2, beat 1: vibrato on an open string (string 1)"),
    ]


def test_a_chart_that_does_not_fit_leaves_the_rest_to_be_proofread(folder: Path) -> None:
    (folder / "chart.txt").write_text("key: Am\n[Call]\n| Am | E7 | Am |\n")
    problems = Problems()
    assert read_lesson(folder, problems, proof=True) is None
    assert len(problems.errors) == 1 and len(problems.remarks) == 1, problems.found
    what = problems.errors[0].what
    assert what.endswith(
        "; section “Call” has 3 bars in the chart (from bar 1), 2 bars in the tab (from bar 1)"
    )


def test_a_metre_and_a_tempo_that_differ_are_told_to_builds_too(folder: Path) -> None:
    (folder / "chart.txt").write_text("key: Am\n| Am | E7 |\n")
    problems = Problems()
    lesson = read_lesson(folder, problems)
    assert lesson is not None
    from pipeline.config.load import load_lesson
    from pipeline.music.metre import Metre
    from pipeline.read.lesson_checks import check_chart

    written = load_lesson(folder / "lesson.toml", Problems())
    assert written is not None
    own = Problems()
    check_chart(written, lesson.tab, replace(lesson.chart, metre=Metre(3, 4), tempo_bpm=90.0), own)
    assert [p.what for p in own.cautions] == [
        "bar 1 is in 3/4 in the chart, in 4/4 in the tab; the tab's is used",
        "bar 1 is at 90 quarter notes a minute in the chart, at 100 quarter notes a minute in the tab;"
        " the tab's is used",
    ]
    assert own.cautions[0].line == 3
    check_chart(written, lesson.tab, replace(lesson.chart, metre=Metre(4, 4), tempo_bpm=100.0), own)
    assert len(own.found) == 2


def test_a_groove_beside_the_charts_feel_is_a_remark(folder: Path) -> None:
    (folder / "chart.txt").write_text("key: Am\nfeel: shuffle\n| Am | E7 |\n")
    for groove, expected in (
        ("Shuffle", []),
        ("waltz", ["lesson.toml:7:10: remark: the lesson's groove is “waltz”"]),
    ):
        (folder / "lesson.toml").write_text(LESSON + f'\n[backing]\ngroove = "{groove}"\n')
        problems = Problems()
        read_lesson(folder, problems, proof=True)
        told_ = [p.text().removeprefix(f"{folder}/") for p in problems.remarks if "groove" in p.what]
        assert [text.split(",")[0] for text in told_] == expected


def test_what_the_rules_call_things_reads_on_in_a_sentence() -> None:
    """Each is a noun with its article, or a short clause, in small letters, without a full stop."""
    from pipeline.read import proof_form, proof_hands, proof_harmony, proof_notes

    rules = [
        rule
        for module in (proof_form, proof_hands, proof_harmony, proof_notes)
        for rule in vars(module).values()
        if isinstance(rule, Rule)
    ]
    assert len(rules) > 30
    for rule in rules:
        assert rule.what[0].islower() and not rule.what.endswith("."), rule.what
        assert rule.remedy[0].isupper() and rule.remedy.endswith("."), rule.remedy
    assert len({rule.what for rule in rules}) == len(rules)


def test_an_open_string_with_vibrato_is_only_a_remark() -> None:
    assert [p.level for p in problems_of(tab_of([(0, 2, 1, 0, (Vibrato(),))]))] == ["remark"]


def test_what_a_reader_said_hides_no_other_finding_of_its_place() -> None:
    """The reader's word on the hammer-on once swallowed the bend that stands at the same fret."""
    rows = ["e|-5--h3b11-5------|", *(f"{name}|-----------------|" for name in "BGDAE")]
    problems, places = Problems(), Places(TAB)
    tab = read_text_tab("\n".join(rows), path=TAB, problems=problems, places=places)
    assert tab is not None
    proofread(Music(tab, places), problems)
    at_fret = [p.what for p in problems if p.column == 8]
    assert len(at_fret) == 2
    assert sum("hammer-on" in what for what in at_fret) == 1
    assert sum("a bend wider than a fourth" in what for what in at_fret) == 1
