"""Reading chord charts."""

from __future__ import annotations

from fractions import Fraction as F
from pathlib import Path

import pytest

from pipeline.errors import Problems
from pipeline.music.chart import Chart
from pipeline.music.metre import Form
from pipeline.read.charttext import read_chart_text

PATH = Path("chart.txt")
GOOD = """\
# a good chart, which each bad one breaks in one place
key: Am
feel: shuffle

[Verse]
|: Am | Dm E7 | % | N.C. |
|  Am . . E7! |1. F#m7b5 :|2. Bbmaj9/D |  # comment
[Out]
| C | | . G |
"""


def read(text: str) -> tuple[Chart | None, Problems]:
    problems = Problems()
    return read_chart_text(text, path=PATH, problems=problems), problems


def good(text: str) -> Chart:
    chart, problems = read(text)
    assert not problems.errors, "\n".join(p.text() for p in problems)
    assert chart is not None
    return chart


def rows(chart: Chart) -> list[list[tuple[F, str]]]:
    return [[(c.at, str(c.chord) if c.chord else "N.C.") for c in bar.chords] for bar in chart.bars]


def test_the_good_chart() -> None:
    chart = good(GOOD)
    half = F(1, 2)
    assert str(chart.key) == "Am"
    assert chart.feel == "shuffle"
    assert rows(chart) == [
        [(0, "Am")], [(0, "Dm"), (half, "E7")], [(0, "Dm"), (half, "E7")], [(0, "N.C.")], [(0, "Am"), (F(3, 4), "E7")],
        [(0, "F#m7b5")], [(0, "Bbmaj9/D")], [(0, "C")], [], [(half, "G")],
    ]  # fmt: skip
    assert [b.section for b in chart.bars] == ["Verse", *[None] * 6, "Out", None, None]
    assert chart.bars[0].repeat_start
    assert [b.repeat_times for b in chart.bars] == [0, 0, 0, 0, 0, 2, 0, 0, 0, 0]
    assert [b.endings for b in chart.bars][5:8] == [(1,), (2,), ()]
    assert chart.bars[4].chords[1].stop
    assert chart.order_for(Form.plain(15)) == (0, 1, 2, 3, 4, 5, 0, 1, 2, 3, 4, 6, 7, 8, 9)


@pytest.mark.parametrize(
    "line",
    [
        "| Am | Dm | E7 |",
        "Am | Dm | E7",
        "|Am|Dm|E7|",
        "|| Am | Dm | E7 ||",
        "| Am | Dm |\n| E7 |",
        "|\tAm\t|\tDm\t|\tE7\t|",
        "¦ Am ¦ Dm ¦ E7 ¦",
    ],
)
def test_bars_however_they_are_typed(line: str) -> None:
    assert rows(good(line)) == [[(0, "Am")], [(0, "Dm")], [(0, "E7")]]


def test_repeats_with_counts() -> None:
    chart = good("|: Am | Dm :|x3\n|: C :||: G :| x2\n")
    assert [(b.repeat_start, b.repeat_times) for b in chart.bars] == [
        (True, 0),
        (False, 3),
        (True, 2),
        (True, 2),
    ]


def test_endings_over_lines_and_several_passes() -> None:
    chart = good("|: Am |1,2. Dm :|3. E7 | F |\n| C |\n")
    assert [b.endings for b in chart.bars] == [(), (1, 2), (3,), (3,), ()]
    assert [b.endings for b in good("|: Am |1.\n| Dm :|2. E7 |\n").bars] == [(), (1,), (2,)]


def test_a_bar_repeated_names_what_sounded_at_its_start() -> None:
    chart = good("| Am | . E7 | % |")
    assert rows(chart) == [[(0, "Am")], [(F(1, 2), "E7")], [(0, "Am"), (F(1, 2), "E7")]]


def test_a_sharp_is_no_comment() -> None:
    assert rows(good("| F# | C#m |  # F# here\n")) == [[(0, "F#")], [(0, "C#m")]]


def test_a_section_may_stand_before_its_bars() -> None:
    assert good("[A] | Am |\n[B] | Dm |").bars[1].section == "B"


BAD = [
    (("Dm E7", "Dm Emj7"), 6, 14, "not a chord name: 'Emj7'", "Emaj7"),
    (("F#m7b5", "H7"), 7, 19, "not a chord name: 'H7'", "B7"),
    (("key: Am", "key: Xm"), 2, 6, "not a key", "key: Am"),
    (("feel:", "feal:"), 3, 1, "unknown header", "feel:"),
    (("feel: shuffle", "feel:"), 3, 6, "feel: has no value", "colon"),
    (("|: Am |", "|: % |"), 6, 4, "% has no bar before it", "chord"),
    (("|: Am |", "|: . |"), 6, 4, "'.' has no chord to hold", "chord"),
    (("|: Am |", "|: |"), 6, 3, "the first bar names no chord", "N.C."),
    (("| C | | . G |", "| C | % D |"), 9, 7, "% among chords", "alone"),
    (("[Out]", "[]"), 8, 1, "a section without a name", "[Verse]"),
    (("[Out]", "[Out]\n[In]"), 8, 1, "section 'Out' holds no bars", "below"),
    (("[Out]", "and then"), 8, 1, "this line holds no bars", "| Am | Dm E7 |"),
    ((":|2.", ":|x1 2."), 7, 26, "a repeat played 1 times", ":|x2"),
    (("feel: shuffle", "key: C"), 3, 1, "key: is given twice, first in line 2", "one"),
]


@pytest.mark.parametrize(("change", "line", "column", "what", "remedy"), BAD, ids=[b[3][:40] for b in BAD])
def test_each_mistake_is_told_where_it_is(
    change: tuple[str, str], line: int, column: int, what: str, remedy: str
) -> None:
    assert change[0] in GOOD
    chart, problems = read(GOOD.replace(*change, 1))
    fitting = [p for p in problems.errors if what in p.what]
    assert fitting, "\n".join(p.text() for p in problems) or str(chart)
    assert chart is None
    told = fitting[0]
    assert (told.line, told.column) == (line, column)
    assert remedy in told.remedy


def test_every_mistake_is_told_at_once() -> None:
    _, problems = read(
        GOOD.replace("Dm E7", "Dm Eq7").replace("key: Am", "key: Xm").replace("| . G |", "| . Gzz |")
    )
    assert [p.line for p in problems.errors] == [2, 6, 9]


@pytest.mark.parametrize("text", ["", "# nothing\n", "key: C\n"])
def test_an_empty_chart_is_an_error(text: str) -> None:
    chart, problems = read(text)
    assert chart is None
    assert "no bars" in problems.errors[0].what


def test_an_open_repeat_is_a_caution() -> None:
    chart, problems = read("|: Am | Dm |")
    assert chart is not None
    assert "no :| closes" in problems.cautions[0].what
