"""Text tabs as people post them: read, or refused so that everyone knows why."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction as F
from pathlib import Path
from random import Random

import pytest

from pipeline.errors import Problems
from pipeline.music.tab import Tab
from pipeline.page.texttab import write_text_tab
from pipeline.read.texttab import read_text_tab
from tests.page.pieces import long_tab
from tests.wholetabs import whole_tab

DEMOS = sorted(Path("configs").glob("*/tab.txt"))
HEAD = "instrument: guitar\ntempo: 90\n\n"


def read(text: str) -> tuple[Tab | None, Problems]:
    problems = Problems()
    return read_text_tab(text, path=Path("tab.txt"), problems=problems), problems


def good(text: str) -> Tab:
    tab, problems = read(text)
    assert tab is not None, "\n".join(p.text() for p in problems)
    return tab


def system(*rows: str, names: str = "eBGDAE", mark: str = "|") -> str:
    """Six strings, those not given empty as the first one is."""
    empty = "".join(c if c in "|:" else "-" for c in rows[0])
    filled = [*rows, *[empty] * (len(names) - len(rows))]
    return "".join(f"{name}{mark}{row}\n" for name, row in zip(names, filled, strict=True))


def fingered(tab: Tab) -> list[tuple[F, F, int, int]]:
    return [(n.onset, n.duration, n.string, n.fret) for n in tab.notes]


PLAIN = good(HEAD + "  q q h\n" + system("-5-7-8----|", "-5-5------|"))


@pytest.mark.parametrize(
    "text",
    [
        system("-5-7-8----|", "-5-5------|", mark="||").replace("|\n", "||\n"),
        system("-5-7-8----|", "-5-5------|", mark=":"),
        system("-5-7-8----|", "-5-5------|", mark=" |"),
        system("-5-7-8----|", "-5-5------|", mark=" ||"),
        system("-5-7-8----|", "-5-5------|", names=["E4", "B3", "G3", "D3", "A2", "E2"]),  # type: ignore[arg-type]
        system("-5-7-8----|", "-5-5------|", names="123456"),
        system("-5-7-8----|", "-5-5------|", names="EBGDAE"),
        system("-5-7-8----|", "-5-5------|", names="      "),
        system("-5-7-8----|", "-5-5------|", names="      ", mark="").replace("|", ""),
        system("-5-7-8----", "-5-5----", names="eBGDAE"),
        system("-5-7-8--", "-5-5-----------"),
        system("-5-7-8----|", "-5-5------|").replace("-", "—"),
        system("-5-7-8----|", "-5-5------|").replace("-", "−").replace("|", "│"),
        system("-5-7-8----|", "-5-5------|").replace("|\n", "¦\n").replace("-", "–"),
        system("-5-7-8----|", "-5-5------|").replace("5", "５"),
        system("-5-7-8----|", "-5-5------|").replace("\n", "   \n"),
    ],
)  # fmt: skip
def test_strings_typed_otherwise(text: str) -> None:
    lead = text.split("\n")[0].index("5") if "5" in text else text.split("\n")[0].index("５")
    tab = good(f"{HEAD}{' ' * lead}q q h\n{text}")
    assert fingered(tab) == fingered(PLAIN)


def test_frets_of_two_digits_beside_those_of_one() -> None:
    for top, low in (("-12-10-9----|", "-8--9--10---|"), ("-12-10-9----|", "--8--9-10---|")):
        tab = good(f"{HEAD}  q  q  h\n{system(top, low)}")
        assert [(n.onset, n.fret) for n in tab.notes] == [(0, 12), (0, 8), (1, 10), (1, 9), (2, 9), (2, 10)]


def test_even_spacing_gives_even_notes() -> None:
    """`|--5-7-8-5--|` was taken for a rest and dotted notes: its margins were counted as time."""
    tab = good(HEAD + system("--5-7-8-5--|--0-1-3-1-0-1-3-1--|"))
    assert {n.duration for n in tab.notes[:4]} == {F(1)}
    assert {n.duration for n in tab.notes[4:]} == {F(1, 2)}


def test_seven_even_columns_are_eighths_not_triplets() -> None:
    tab = good(HEAD + system("0-1-3-1-0-1-3-|"))
    assert all(n.onset.denominator <= 2 for n in tab.notes)


def test_systems_without_an_empty_line_between() -> None:
    two = system("-5-7-|") + system("-8-7-|")
    for head in (HEAD, "tempo: 90\n\n"):
        assert [n.fret for n in good(head + two).notes] == [5, 7, 8, 7]


def test_words_behind_the_strings_are_told_and_a_count_is_read() -> None:
    lines = system("-5-7-|").splitlines()
    tab, problems = read(HEAD + "\n".join([lines[0] + " (slowly)", *lines[1:]]) + "\n")
    assert tab is not None
    assert "the words behind this string are not read" in problems.cautions[0].what
    lines = system(":-5-7-:|").splitlines()
    tab = good(HEAD + "\n".join([lines[0] + " x3", *lines[1:]]) + "\n")
    assert tab.form.bars[0].repeat_times == 3
    lines = system("-5-7-|").splitlines()
    tab, problems = read(HEAD + "\n".join([lines[0] + " x3", *lines[1:]]) + "\n")
    assert tab is None
    assert "no repeat sign" in problems.errors[0].what


@pytest.mark.parametrize("line", ["  1 + 2 + 3 + 4 +", "  1 e & a 2 e & a", "  1 (and) 2 + | 3"])
def test_counts_are_told(line: str) -> None:
    tab, problems = read(f"{HEAD}{line}\n{system('-5-7-|')}")
    assert tab is not None
    assert "counts above the strings are not read" in [p.what for p in problems.cautions]


@pytest.mark.parametrize("capo", ["2", "2nd fret", "fret 2", "on fret 2"])
def test_a_capo_as_it_is_said(capo: str) -> None:
    assert good(f"capo: {capo}\n{HEAD}{system('-5-7-|')}").instrument.capo == 2


@pytest.mark.parametrize(
    ("text", "line", "what"),
    [
        ("somebody's song\n" + HEAD + system("-5-|"), 1, "this line is not understood"),
        (HEAD + "Chorus:\n" + system("-5-|"), 4, "unknown header 'Chorus'"),
        ("Artist: me\n" + HEAD + system("-5-|"), 1, "unknown header 'Artist'"),
        (HEAD + system("-5-\t|"), 4, "a tab character"),
        (HEAD + system("-5-7-|", "-5-7--|"), 5, "the barline is in column"),
        (HEAD + system("-5-9r7-|"), 4, "a release without a bend"),
        (HEAD + system("-5-|").replace("E|---|\n", ""), 4, "this system has 5 strings"),
        (HEAD + system("-5-|") + "\n   q q\n", 11, "durations without strings below them"),
        (HEAD + system("-5-|") + '\n   "softly"\n', 11, "words that belong above strings"),
        (HEAD + system("-5-|") + "\n   Fine\n", 11, "words that belong above strings"),
    ],
)
def test_refused_clearly(text: str, line: int, what: str) -> None:
    tab, problems = read(text)
    assert tab is None
    told = problems.errors[0]
    assert (told.line, what in told.what) == (line, True), told.text()
    assert told.remedy


EDITORS: list[Callable[[str], str]] = [
    lambda text: text.replace("\n", "\r\n"),
    lambda text: "\ufeff" + text,
    lambda text: text.replace("\n", "  \n"),
    lambda text: text.replace("|", "｜"),
    lambda text: text.replace("~", "∼").replace("'", "’"),
]


@pytest.mark.parametrize("edit", EDITORS, ids=["crlf", "bom", "trailing spaces", "wide bars", "look-alikes"])
@pytest.mark.parametrize("path", DEMOS, ids=lambda path: path.parent.name)
def test_what_editors_do_to_the_demonstration_tabs(path: Path, edit: Callable[[str], str]) -> None:
    text = path.read_text("utf-8")
    assert replace(good(edit(text)), comments=()) == replace(good(text), comments=())


@pytest.mark.parametrize("path", DEMOS, ids=lambda path: path.parent.name)
def test_a_tab_read_and_written_is_tidy_and_stays_so(path: Path) -> None:
    tab = good(path.read_text("utf-8"))
    text = write_text_tab(tab)
    assert good(text) == tab
    assert write_text_tab(good(text)) == text
    assert text.startswith("# ")  # its comment is kept


def _damaged(rnd: Random, text: str, count: int) -> str:
    signs = list("-|:0157hpbrsx~/\\()<>[].#{}eq\n\tAm*t'=^_+,é\"")
    signs += [
        "{mf}",
        "{tie}",
        "g",
        "PM",
        "LY ",
        "FI ",
        "b(",
        "½",
        "Fine",
        "1.--",
        "x3",
        "||",
        ":|",
        "key: Eb\n",
        "!",
        "VO 2",
    ]
    kept = list(text)
    for _ in range(count):
        place = rnd.randrange(len(kept))
        kind = rnd.random()
        if kind < 0.5:
            kept[place] = rnd.choice(signs)
        elif kind < 0.7:
            del kept[place : place + rnd.randint(1, 4)]
        else:
            kept.insert(place, rnd.choice(signs))
    return "".join(kept)


@pytest.mark.parametrize("seeds", [range(60), pytest.param(range(60, 4000), marks=pytest.mark.slow)])
def test_damaged_tabs_are_read_and_stay_stable_or_are_refused(seeds: range) -> None:
    texts = [path.read_text("utf-8") for path in DEMOS]
    outcomes = {True: 0, False: 0}
    for seed in seeds:
        rnd = Random(seed)
        base = rnd.choice(texts) if rnd.random() < 0.5 else write_text_tab(whole_tab(rnd))
        tab, problems = read(_damaged(rnd, base, rnd.choice((1, 1, 2, 6))))
        assert (tab is None) == bool(problems.errors)
        assert all(p.remedy and p.line for p in problems.errors)
        outcomes[tab is None] += 1
        if tab is not None:
            text = write_text_tab(tab)
            assert good(text) == tab, seed
            assert write_text_tab(good(text)) == text
    assert min(outcomes.values()) > len(seeds) / 20


def test_two_hundred_bars_say_where_they_stand() -> None:
    text = write_text_tab(long_tab(200))
    assert good(text) == long_tab(200)


def test_a_span_above_its_strings_belongs_to_them() -> None:
    """A line of palm mute that stood above a system, behind an empty line, went to the one before."""
    tab = good(f"{HEAD}{system('-5-7-|')}\n PM---\n{system('-8-7-|')}")
    assert [bool(n.techniques) for n in tab.notes] == [False, False, True, True]
    tab = good(f"{HEAD}{system('-5-7-|')}PM ---\n\n{system('-8-7-|')}")
    assert [bool(n.techniques) for n in tab.notes] == [True, True, False, False]


def test_a_rule_across_the_page_is_no_string() -> None:
    tab = good(f"{HEAD}----------------\n\n{system('-5-7-|')}\n------\n\n{system('-8-7-|')}")
    assert [n.fret for n in tab.notes] == [5, 7, 8, 7]


def test_a_spoiled_string_behind_one_of_dashes() -> None:
    """The first string was taken for a rule across the page, and reading ended in a traceback."""
    tab, problems = read(f"{HEAD}-----------\n%|--5--7---|\n")
    assert tab is None
    assert any("'%' at the start of this string" in p.what for p in problems.errors)


@pytest.mark.parametrize("label", ["Exxx", "E#bx", "Ebbbb", "H", "E44"])
@pytest.mark.parametrize("head", [HEAD, "tempo: 90\n\n", "tuning: E2 A2 D3 G3 B3 Exxx4\ntempo: 90\n\n"])
def test_a_label_that_is_no_note(label: str, head: str) -> None:
    """One with more sharps than a note can have ended in a traceback."""
    tab, problems = read(head + system("-5-7-|", names=[label, *"BGDAE"]))  # type: ignore[arg-type]
    assert tab is None
    assert problems.errors[0].remedy


EVEN = [  # a bar without durations, its metre, and how long its notes last, in eighths
    ("-5---5---5---5---5---5---5---5-", "4/4", [1] * 8),  # crammed at the end
    ("--5--5--5--5--5--5--5--5--", "4/4", [1] * 8),  # more air at the start
    ("5-5-5-5-", "4/4", [2] * 4),
    ("---5---5---5---5---", "4/4", [2] * 4),
    ("-5---5---5---", "3/4", [2] * 3),
    ("-5--5--5--5--5--5--", "6/8", [1] * 6),
    ("-5-------5---5---5---5---5-------", "4/4", [2, 1, 1, 1, 1, 2]),
    ("-5---7---10---12---10---7---5---5---", "4/4", [1] * 8),  # two digits move what is behind them
    ("-5-5-5-5-5-5-5-5-5-5-5-5-5-5-5-5-", "4/4", [F(1, 2)] * 16),
    ("-5--5--5--5--5--5--5--5--5--5--5--5--", "4/4", [F(2, 3)] * 12),
    ("-5-----5-7-----7-5-----5-7-----7-", "4/4", [F(3, 2), F(1, 2)] * 4),
    ("-5---5---5-------", "4/4", [2, 2, 4]),
]


@pytest.mark.parametrize(("bar", "metre", "eighths"), EVEN)
def test_equal_distances_are_equal_lengths(bar: str, metre: str, eighths: list[F]) -> None:
    """Eight notes four columns apart once limped, since the last one stood close to the barline."""
    text = f"instrument: guitar\ntempo: 90\ntime: {metre}\n\ne|{bar}|\n"
    text += "".join(f"{string}|{'-' * len(bar)}|\n" for string in "BGDAE")
    problems = Problems()
    tab = read_text_tab(text, path=Path("tab.txt"), problems=problems)
    assert tab is not None, [p.text() for p in problems]
    assert [2 * note.duration for note in tab.notes] == eighths
    assert tab.notes[0].onset == 0


def test_a_rest_before_evenly_spaced_notes_is_heard() -> None:
    bar = "-----5---5---5---5---5---5---5---"
    text = f"instrument: guitar\ntempo: 90\n\ne|{bar}|\n" + "".join(
        f"{s}|{'-' * len(bar)}|\n" for s in "BGDAE"
    )
    # alone in its system it might be taken for a margin: another bar shows what the margin is
    text = text.replace(f"e|{bar}|", f"e|{bar}|-5---5---5---5---|").replace(
        f"{'-' * len(bar)}|\n", f"{'-' * len(bar)}|{'-' * 17}|\n"
    )
    tab = read_text_tab(text, path=Path("tab.txt"), problems=Problems())
    assert tab is not None
    assert [note.onset for note in tab.notes[:3]] == [F(1, 2), F(1), F(3, 2)]
