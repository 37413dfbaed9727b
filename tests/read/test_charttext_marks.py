"""What may stand in a chart beside plain chords: signs, pushes, hits, alternates, changes, degrees."""

from __future__ import annotations

from fractions import Fraction as F
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import Problems
from pipeline.music.chart import Chart, Play
from pipeline.music.key import Key
from pipeline.music.metre import Jump, Metre, Signs
from pipeline.read.charttext import read_chart_text
from pipeline.read.places import Places
from tests.read.test_charttext import PATH, good, read, rows


def first(text: str) -> tuple[str, F, Play, F]:
    """Name, push, play and place of the only chord of a one-bar chart."""
    (item,) = good(f"key: C\n| {text} |").bars[0].chords
    return item.chord.text() if item.chord else "N.C.", item.push, item.play, item.at


@pytest.mark.parametrize(
    ("text", "name", "push", "play"),
    [
        ("Am7", "Am7", F(0), Play.ON),
        ("Am7!", "Am7", F(0), Play.STOP),
        ("Am7^", "Am7", F(0), Play.HIT),
        ("<Am7>", "Am7", F(0), Play.HOLD),
        ("N.C.!", "N.C.", F(0), Play.STOP),
        ("<Am7", "Am7", F(1, 2), Play.ON),
        ("‹Am7", "Am7", F(1, 2), Play.ON),
        ("<sAm7", "Am7", F(1, 4), Play.ON),
        ("<qAm7^", "Am7", F(1), Play.HIT),
        ("<e3Am7!", "Am7", F(1, 3), Play.STOP),
        ("<s.Bb", "Bb", F(3, 8), Play.ON),
        ("<{5/7}:Am", "Am", F(5, 7), Play.ON),
        ("<<Am7>", "Am7", F(1, 2), Play.HOLD),
        ("<e3:<Am7>", "Am7", F(1, 3), Play.HOLD),
        ("<57", "G7", F(1, 2), Play.ON),
        ("<e57", "G7", F(1, 2), Play.ON),
        ("<e3:57", "G7", F(1, 3), Play.ON),
        ("<e3b7", "Bb", F(1, 3), Play.ON),
        ("<IV", "F", F(1, 2), Play.ON),
        ("<N.C.", "N.C.", F(1, 2), Play.ON),
    ],
)
def test_what_is_played_on_a_chord_and_how_early(text: str, name: str, push: F, play: Play) -> None:
    assert first(text) == (name, push, play, F(0))


def test_a_chord_at_its_exact_place_takes_no_slot() -> None:
    assert rows(good("| C Dm@3/8 | Dm@5/16 . | F@1/2 G@3/4 |")) == [
        [(0, "C"), (F(3, 8), "Dm")], [(F(5, 16), "Dm")], [(F(1, 2), "F"), (F(3, 4), "G")],
    ]  # fmt: skip


@pytest.mark.parametrize("text", ["| Am | Dm | %% | %% |", "| Am | Dm | %% |  |"])
def test_two_bars_once_more(text: str) -> None:
    assert rows(good(text)) == [[(F(0), "Am")], [(F(0), "Dm")], [(F(0), "Am")], [(F(0), "Dm")]]


def test_a_repeated_bar_does_not_repeat_a_push_into_it() -> None:
    """What sounds at the start of the repeated bar came from before; it is not early again."""
    chart = good("| <Am^ | . E7 | % |")
    item = chart.bars[2].chords[0]
    assert (item.push, item.play, item.at) == (F(0), Play.ON, F(0))


@pytest.mark.parametrize("sign", ["-", ".", "/"])
def test_a_chord_is_held_by_any_of_three_marks(sign: str) -> None:
    assert rows(good(f"| C {sign} {sign} G |")) == [[(0, "C"), (F(3, 4), "G")]]


def test_a_chart_that_says_nothing_yet() -> None:
    assert rows(good("| ... | ... C |")) == [[], [(F(1, 2), "C")]]


def test_alternates_for_a_bar() -> None:
    bar = good("| Dm7 G7 or Dm7 Db7 or ... G7 |").bars[0]
    assert [c.chord.text() for c in bar.chords if c.chord] == ["Dm7", "G7"]
    assert [[(c.at, str(c.chord)) for c in other] for other in bar.alternates] == [
        [(0, "Dm7"), (F(1, 2), "Db7")],
        [(F(1, 2), "G7")],
    ]


SIGNS = [
    ("| Segno C | F | G D.S. |", [Signs(segno=True), Signs(), Signs(jump=Jump("segno"))]),
    ("| C | F Fine | G D.C. al Fine |", [Signs(), Signs(fine=True), Signs(jump=Jump("start", "fine"))]),
    ("| C | F Fine | G |\nda capo al fine", [Signs(), Signs(fine=True), Signs(jump=Jump("start", "fine"))]),
    ("| C | F | Fine | G || D.C. al Fine", [Signs(), Signs(fine=True), Signs(jump=Jump("start", "fine"))]),
    ("Segno | C | F | G | D.S.", [Signs(segno=True), Signs(), Signs(jump=Jump("segno"))]),
    ("𝄋\n| C | F | G | DS", [Signs(segno=True), Signs(), Signs(jump=Jump("segno"))]),
    ("| C To Coda | F D.C. al Coda || Coda G |",
     [Signs(to_coda=True), Signs(jump=Jump("start", "coda")), Signs(coda=True)]),
    ("| C To Coda | F D.C. al Coda |\n[Coda] | G |",
     [Signs(to_coda=True), Signs(jump=Jump("start", "coda")), Signs(coda=True)]),
    ("| C | to 𝄌 | F | D.C. al Coda | 𝄌 | G |",
     [Signs(to_coda=True), Signs(jump=Jump("start", "coda")), Signs(coda=True)]),
]  # fmt: skip


@pytest.mark.parametrize(("text", "signs"), SIGNS, ids=[text.replace("\n", " ") for text, _ in SIGNS])
def test_signs_in_a_bar_between_bars_and_on_their_own_line(text: str, signs: list[Signs]) -> None:
    chart = good(text)
    assert [bar.signs for bar in chart.bars] == signs
    assert [row[0][1] for row in rows(chart)] == ["C", "F", "G"]


def test_d_and_c_side_by_side_are_chords() -> None:
    assert rows(good("| D C |")) == [[(0, "D"), (F(1, 2), "C")]]


def test_double_bars_and_repeat_signs_side_by_side() -> None:
    chart = good("| C || F :|| G :||: A :| |: B :|x3|: C :|")
    assert [b.double for b in chart.bars] == [True, True, True, False, False, False]
    assert [b.repeat_times for b in chart.bars] == [0, 2, 2, 2, 3, 2]
    assert [b.repeat_start for b in chart.bars] == [False, False, False, True, True, True]


@pytest.mark.parametrize(
    ("ending", "found"),
    [("1.", (1,)), ("1,2.", (1, 2)), ("1, 2.", (1, 2)), ("1-3.", (1, 2, 3)), ("1.3.", (1, 3)), ("1 ", (1,))],
)
def test_endings_however_they_are_numbered(ending: str, found: tuple[int, ...]) -> None:
    assert good(f"|: C |{ending} F :|4. G |").bars[1].endings == found


def test_a_number_behind_a_barline_is_a_degree_unless_a_dot_follows() -> None:
    chart = good("key: C\n|: 1 |1. 4 :|2. 5 |1 4 | 5 1 ||")
    assert [[name for _, name in row] for row in rows(chart)] == [["C"], ["F"], ["G"], ["C", "F"], ["G", "C"]]
    assert [bar.endings for bar in chart.bars][:3] == [(), (1,), (2,)]


def test_changes_hold_from_the_next_bar_on() -> None:
    chart = good(
        "title: Two rooms\nkey: C\ntime: 4/4\ntempo: q. = 72\nfeel: swing\n| I |\n\nkey: Eb\ntime: 3/4\n"
        "tempo: 90 bpm\nfeel: waltz\n| I |\n"
    )
    assert (chart.title, chart.key, chart.metre, chart.tempo_bpm, chart.feel) == (
        "Two rooms", Key.parse("C"), Metre(4, 4), 108.0, "swing",
    )  # fmt: skip
    bar = chart.bars[1]
    assert (bar.key, bar.metre, bar.tempo_bpm, bar.feel) == (Key.parse("Eb"), Metre(3, 4), 90.0, "waltz")
    assert [row[0][1] for row in rows(chart)] == ["C", "Eb"]


def test_degrees_count_in_the_key_that_is_passed_where_the_chart_has_none() -> None:
    problems = Problems()
    chart = read_chart_text("| i | bVII | 5 | Am |", path=PATH, problems=problems, key=Key.parse("Dm"))
    assert chart is not None
    assert [row[0][1] for row in rows(chart)] == ["Dm", "C", "A", "Am"]
    assert chart.key is None


def test_comments_stand_before_the_bar_that_follows() -> None:
    chart = good("# top\n[A]  # sweet\n| C |  # behind\n# between\n| F |\n# end\n")
    assert [(c.bar, c.text) for c in chart.comments] == [
        (0, "top"), (0, "sweet"), (0, "behind"), (1, "between"), (2, "end"),
    ]  # fmt: skip


def test_a_raised_degree_is_no_comment() -> None:
    """Columns that stand below one another put two blanks before #IV: no comment begins there."""
    chart = good("key: C\n| I   |  #IV°7 | #4°7 |  #2 take it slowly\n")
    assert [row[0][1] for row in rows(chart)] == ["C", "F#dim7", "F#dim7"]
    assert chart.comments[0].text == "2 take it slowly"


def test_names_with_brackets_and_look_alikes_stay_as_they_are() -> None:
    chart = good("title: A – B\n[Verse \\[2\\]]\n| C |\n[Verse [3]]\n| F |\n")
    assert chart.title == "A – B"
    assert [bar.section for bar in chart.bars] == ["Verse [2]", "Verse [3]"]


BAD = [
    ("| C | D.S. |", 1, 3, "D.S. has no segno before it", "Write Segno"),
    ("| C D.C. al Fine |", 1, 3, "has no Fine", "Write Fine"),
    ("| C D.C. al Coda |", 1, 3, "has no To Coda", "Write To Coda"),
    ("| C To Coda D.C. al Coda |", 1, 3, "has no coda sign", "Write Coda"),
    ("Fine\n| C |", 1, 1, "no bar before it", "end of its bar"),
    ("| C |\nCoda", 2, 1, "no bar after it", "start of its bar"),
    ("| C D.C. D.S. |", 1, 10, "two jumps", "one"),
    ("| C |\nkey: G", 2, 1, "key: has no bar after it", "above the bar"),
    ("| C |\nkey: G\nkey: F\n| D |", 3, 1, "key: is given twice, first in line 2", "one"),
    ("time: 4\n| C |", 1, 7, "not a metre", "time: 4/4"),
    ("tempo: fast\n| C |", 1, 8, "not a tempo", "104"),
    ("tempo: 5\n| C |", 1, 8, "not a tempo", "104"),
    ("| I |", 1, 3, "'I' is a degree, but no key is given", "key: C"),
    ("key: C\n| Iq |", 2, 4, "'q' is not understood", "Did you mean I?"),
    ("key: C\n| I/E |", 2, 5, "a degree too", "Am7"),
    ("| <wC |", 1, 3, "'<w' is no push", "eighth early"),
    ("| C or |", 1, 5, "'or' with nothing behind it", "Dm7 G7 or"),
    ("| or C |", 1, 3, "'or' with nothing before it", "Dm7 G7 or"),
    ("| C or ... |", 1, 8, "this alternate names no chord", "Write one"),
    ("| " + "C " * 600 + "|", 1, 1003, "more than 500 words", "| Am | Dm E7 |"),
    ("Chorus:\n| C |", 1, 1, "unknown header 'Chorus'", "in brackets: [Chorus]"),
    ("| C | [B] | D |", 1, 7, "not a chord name: '[B]'", "at the start of its line"),
    ("| C < |", 1, 5, "'<' stands on no chord", "<Am7"),
    ("| C <> |", 1, 5, "'<>' stands on no chord", "<Am7"),
    ("| C D@1 |", 1, 6, "'@1' is not within the bar", "@3/8"),
    ("| C D@1/0 |", 1, 6, "'@1/0' is not within the bar", "@3/8"),
    ("| C @1/2 |", 1, 5, "'@1/2' places no chord", "Dm@3/8"),
    ("| C D@0 |", 1, 5, "two chords at one place", "another place"),
    ("| %% |", 1, 3, "%% has no bar before it", "chord"),
    ("| C | %% |", 1, 7, "%% has no bar before it", "chord"),
    ("| C | %% D |", 1, 7, "%% among chords", "alone"),
    ("| C |0. D |", 1, 6, "endings are numbered from 1", "|1."),
    ("| C |5-2. D |", 1, 6, "no range", "|1-3."),
    ("| C |1-2-3. D |", 1, 6, "no range", "|1-3."),
    ("| C |x3 D |", 1, 5, "not repeated", ":|x3"),
    ("|: C :|x99999", 1, 6, "a repeat played 99999 times", ":|x2"),
    ("|: C :|x20000\n|: C :|x20000", 1, 1, "unroll to more than", "repeats"),
]


@pytest.mark.parametrize(("text", "line", "column", "what", "remedy"), BAD, ids=[b[0][:40] for b in BAD])
def test_each_mistake_is_told_where_it_is(text: str, line: int, column: int, what: str, remedy: str) -> None:
    chart, problems = read(text)
    assert chart is None
    (told,) = problems.errors
    assert what in told.what
    assert remedy in told.remedy
    assert (told.line, told.column) == (line, column)


def test_an_ending_that_is_never_reached_is_a_caution() -> None:
    chart, problems = read("|: C |1. D |2. F | G |")
    assert chart is not None
    assert [p.what for p in problems.cautions][1:] == ["bar 3 is an ending that is never reached"]
    assert (problems.cautions[1].line, problems.cautions[1].column) == (1, 16)


def test_places_of_bars_and_chords() -> None:
    places = Places(Path("chart.txt"))
    text = "key: C\n[A] | Dm  <G7! | Segno F@1/2 |\n| % | C |\n"
    assert read_chart_text(text, path=PATH, problems=Problems(), places=places) is not None
    assert {i: (p.line, p.column) for i, p in places.bars.items()} == {
        0: (2, 7), 1: (2, 24), 2: (3, 3), 3: (3, 7),
    }  # fmt: skip
    assert {k: (p.line, p.column) for k, p in places.chords.items()} == {
        (0, F(0)): (2, 7), (0, F(1, 2)): (2, 11), (1, F(1, 2)): (2, 24), (2, F(0)): (3, 3), (2, F(1, 2)): (3, 3),
        (3, F(0)): (3, 7),
    }  # fmt: skip
    assert places.bars[3].offending == "| % | C |"


WORDS = [
    "|", "||", ":|", "|:", ":|x3", "|1.", "|2.", "%", "%%", ".", "...", "-", "C", "Am7", "<Dm", "G7!", "<F>", "^", "!", "<",
    "@", "@1/2", "C@3/8", "or", "Segno", "Coda", "To Coda", "Fine", "D.C. al Fine", "D.S.", "[A]", "[", "]", "\n", "key: C\n",
    "\ntime: 3/4\n", "tempo:", "# x\n", "  #", "IV", "b7", "5/7", "V7/ii", "\t", "é", "\u0338", "–", "x3", "1", "9" * 400,
]  # fmt: skip


def refused_or_read(text: str) -> Chart | None:
    problems = Problems()
    chart = read_chart_text(text, path=PATH, problems=problems)
    assert (chart is None) == bool(problems.errors)
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    for problem in problems:
        assert problem.line is not None
        assert 1 <= problem.line <= max(1, len(lines))
        assert problem.column is not None
        assert problem.column >= 1
    return chart


@given(st.lists(st.sampled_from(WORDS), max_size=30))
@settings(max_examples=300)
def test_any_words_are_read_or_refused_with_a_place(words: list[str]) -> None:
    refused_or_read(" ".join(words))
    refused_or_read("".join(words))


@given(st.text(max_size=80))
def test_any_text_is_read_or_refused_with_a_place(text: str) -> None:
    refused_or_read(text)
    refused_or_read("| C |" + text)


def test_a_double_bar_in_one_sign() -> None:
    chart = good("|: Am |1. Dm :|2. E7 ‖ C | D ‖")
    assert [bar.double for bar in chart.bars] == [False, False, True, False, True]
    assert [bar.endings for bar in chart.bars] == [(), (1,), (2,), (), ()]


@pytest.mark.parametrize(
    ("text", "column", "what", "remedy"),
    [
        ("Chorus:\n| C |", 1, "unknown header 'Chorus'", "[Chorus]"),
        ("(Chorus)\n| C |", 1, "this line holds no bars", "[Chorus]"),
        ("Verse\n| C |", 1, "this line holds no bars", "[Verse]"),
        ("  Verse 2:\n| C |", 3, "this line holds no bars", "[Verse 2]"),
        ("| C | F# dim |", 10, "not a chord name: 'dim'", "without blanks: F#dim"),
        ("| C m7 |", 5, "not a chord name: 'm7'", "without blanks: Cm7"),
        ("| C/ E |", 5, "after / comes a bass note", "no blank: C/E"),
    ],
)
def test_slips_of_charts_come_with_their_remedy(text: str, column: int, what: str, remedy: str) -> None:
    chart, problems = read(text)
    assert chart is None
    (told,) = problems.errors
    assert (told.line, told.column) == (1, column)
    assert what in told.what
    assert remedy in told.remedy


@pytest.mark.parametrize(
    ("text", "column", "what"),
    [
        ("| Am | | G |", 7, "a bar with nothing in it"),
        ("| Am |  | G |", 7, "a bar with nothing in it"),
        ("|: C |2. D :| E |", 10, "ending 2, but there is no ending 1"),
        ("| C |2. D |", 9, "ending 2, but there is no ending 1"),
        ("|: C :| D |2. E |", 15, "ending 2, but there is no ending 1"),
    ],
)
def test_likely_slips_of_a_chart_are_cautioned(text: str, column: int, what: str) -> None:
    chart, problems = read(text)
    assert chart is not None
    assert [(p.column, what in p.what) for p in problems if p.level == "caution"] == [(column, True)]


@pytest.mark.parametrize(
    "text", ["| Am | . | G |", "| C | Am G | %% | | C |", "|: C |1. D | E :|2. F |", "| C | Fine | D |"]
)
def test_what_is_no_slip(text: str) -> None:
    assert not list(read(text)[1])


def test_a_chart_in_numbers_written_as_if_minor_counted_is_cautioned() -> None:
    chart, problems = read("key: Am\n| 1 | 4 5 | 1 |")
    assert chart is not None
    (told,) = problems
    assert (told.level, told.line, told.column) == ("caution", 2, 3)
    assert "the key is A minor: 1 as A, 4 as D" in told.what
    assert "1- (Am)" in told.remedy
    assert "b3 (C)" in told.remedy


@pytest.mark.parametrize(
    "text", ["key: A\n| 1 | 4 5 |", "key: Am\n| 1- | 4 5 |", "key: Am\n| i | IV | V |", "key: Am\n| 5 |"]
)
def test_other_charts_by_degree_are_not(text: str) -> None:
    assert not list(read(text)[1])
