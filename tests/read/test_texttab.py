"""Reading text tabs: what is understood, and what is told when it is not."""

from __future__ import annotations

import random
from fractions import Fraction as F
from pathlib import Path

import pytest

from pipeline.errors import Problems
from pipeline.music.key import Key
from pipeline.music.metre import Metre
from pipeline.music.tab import Phrase, Tab
from pipeline.music.technique import (
    Accent,
    Bend,
    Dead,
    Ghost,
    Grace,
    HammerOn,
    Harmonic,
    HarmonicKind,
    LetRing,
    PalmMute,
    PullOff,
    Slide,
    SlideKind,
    Staccato,
    Stroke,
    Tap,
    TremoloPicking,
    Trill,
    Vibrato,
)
from pipeline.read.texttab import read_text_tab

PATH = Path("tab.txt")
GOOD = """\
# a good tab, which each bad one breaks in one place
title: Low Tide
instrument: electric guitar
key: Am
time: 4/4
tempo: 104
swing: 2/3

[Opening call]
   q   e e q  q    q     e e h
e|---------------|--------------|
B|-----5h8-5-----|-8b10r8-------|
G|-7b9--------7~-|-------7-5----|
D|---------------|-----------7--|
A|---------------|--------------|
E|---------------|--------------|
PM                       -----

[Answer]
   q q   h
e|-----------|
B|-----------|
G|-----------|
D|-5/7-------|
A|-------7---|
E|-----------|
"""


def read(text: str) -> tuple[Tab | None, Problems]:
    problems = Problems()
    return read_text_tab(text, path=PATH, problems=problems), problems


def good(text: str) -> Tab:
    tab, problems = read(text)
    assert not problems.errors, "\n".join(p.text() for p in problems)
    assert tab is not None
    return tab


def one_bar(
    line: str, marks: str, *, below: str = "", headers: str = "key: Am\ntime: 4/4\ntempo: 100"
) -> str:
    """A tab of one system whose G string is ``line``."""
    width = len(line)
    rows = [f"{name}|" + "-" * width + "|" for name in "eB"] + [f"G|{line}|"]
    rows += [f"{name}|" + "-" * width + "|" for name in "DAE"]
    return f"instrument: electric guitar\n{headers}\n\n  {marks}\n" + "\n".join(rows) + "\n" + below


def test_the_good_tab() -> None:
    tab = good(GOOD)
    assert tab.title == "Low Tide"
    assert tab.instrument.name == "electric guitar"
    assert tab.tempo_bpm == 104
    assert tab.swing == F(2, 3)
    assert tab.phrases == (Phrase("Opening call", 1, 2), Phrase("Answer", 3, 3))
    rows = [(n.onset, n.duration, n.string, n.fret) for n in tab.notes]
    half = F(1, 2)
    assert rows == [
        (0, 1, 3, 7), (1, half, 2, 5), (F(3, 2), half, 2, 8), (2, 1, 2, 5), (3, 1, 3, 7),
        (4, 1, 2, 8), (5, half, 3, 7), (F(11, 2), half, 3, 5), (6, 2, 4, 7),
        (8, 1, 4, 5), (9, 1, 4, 7), (10, 2, 5, 7),
    ]  # fmt: skip
    assert tab.notes[0].techniques == (Bend.up(2),)
    assert tab.notes[2].techniques == (HammerOn(),)
    assert tab.notes[4].techniques == (Vibrato(),)
    assert tab.notes[5].techniques == (Bend.up_release(2),)
    assert [n.has(PalmMute) for n in tab.notes] == [False] * 6 + [True] * 3 + [False] * 3
    assert tab.notes[10].techniques == (Slide(SlideKind.LEGATO),)


@pytest.mark.parametrize(
    ("line", "techniques"),
    [
        ("7b9", (Bend.up(2),)),
        ("7b8", (Bend.up(1),)),
        ("7b7.5", (Bend.up(F(1, 2)),)),
        ("7b9r7", (Bend.up_release(2),)),
        ("7b9r", (Bend.up_release(2),)),
        ("7pb9", (Bend.pre(2),)),
        ("7pb9r7", (Bend.pre_release(2),)),
        ("7b9~", (Bend.up(2), Vibrato())),
        ("7~", (Vibrato(),)),
        ("7~~", (Vibrato(wide=True),)),
        ("7--~~", (Vibrato(wide=True),)),
        ("x", (Dead(),)),
        ("X", (Dead(),)),
        ("(7)", (Ghost(),)),
        ("<12>", (Harmonic(HarmonicKind.NATURAL, 12),)),
        ("<7>", (Harmonic(HarmonicKind.NATURAL, 19),)),
        ("5<17>", (Harmonic(HarmonicKind.ARTIFICIAL, 12),)),
        ("5*24", (Harmonic(HarmonicKind.PINCH, 24),)),
        ("/7", (Slide(SlideKind.IN_BELOW),)),
        ("\\7", (Slide(SlideKind.IN_ABOVE),)),
        ("7/", (Slide(SlideKind.OUT_UP),)),
        ("7\\", (Slide(SlideKind.OUT_DOWN),)),
        ("t12", (Tap(),)),
        ("5tr7", (Trill(7),)),
        ("7==", (TremoloPicking(2),)),
        ("7'", (Staccato(),)),
        ("7>", (Accent(),)),
        ("7^", (Accent(strong=True),)),
    ],
)
def test_marks_on_one_note(line: str, techniques: tuple[object, ...]) -> None:
    text = one_bar(f"-{line}------", " " + " " * (line[0] in "/\\") + "w")
    tab = good(text)
    assert len(tab.notes) == 1
    assert tab.notes[0].techniques == techniques


@pytest.mark.parametrize(
    ("line", "marks", "technique"),
    [
        ("-5h7---", " h h", HammerOn()),
        ("-5--h7-", " h   h", HammerOn()),
        ("-7p5---", " h h", PullOff()),
        ("-5/7---", " h h", Slide(SlideKind.LEGATO)),
        ("-5//7--", " h  h", Slide(SlideKind.LEGATO)),
        ("-7\\5---", " h h", Slide(SlideKind.LEGATO)),
        ("-5s7---", " h h", Slide(SlideKind.SHIFT)),
        ("-5|h7--", " h  h", HammerOn()),
        ("-5-|-h7", " h    h", HammerOn()),
        ("-5/|/7-", " h   h", Slide(SlideKind.LEGATO)),
        ("-5-|-/7", " h    h", Slide(SlideKind.IN_BELOW)),
    ],
)
def test_marks_that_join_two_notes(line: str, marks: str, technique: object) -> None:
    headers = "key: Am\ntime: 2/4\ntempo: 100" if "|" in line else "key: Am\ntime: 4/4\ntempo: 100"
    text = one_bar(line, marks, headers=headers)
    if "|" in line:
        bar = line.index("|")
        for name in "eBDAE":
            text = text.replace(
                f"{name}|{'-' * len(line)}|", f"{name}|{'-' * bar}|{'-' * (len(line) - bar - 1)}|"
            )
    tab = good(text)
    assert tab.notes[1].techniques == (technique,)
    assert not tab.notes[0].has(Slide)


def test_slide_out_before_a_bar_whose_next_note_is_apart() -> None:
    text = one_bar("-5/|---7", " h     h", headers="key: Am\ntime: 2/4\ntempo: 100")
    for name in "eBDAE":
        text = text.replace(f"{name}|--------|", f"{name}|---|----|")
    tab = good(text)
    assert tab.notes[0].techniques == (Slide(SlideKind.OUT_UP),)
    assert tab.notes[1].techniques == ()


def test_ties_and_ghosts_are_told_apart() -> None:
    tab = good(one_bar("-5--(5)-(5)", " h_  q   q"))
    assert [n.tied for n in tab.notes] == [False, True, False]
    assert [n.has(Ghost) for n in tab.notes] == [False, False, True]
    assert [s.duration for s in tab.sounding] == [3, 1]


def test_held_notes_sound_below_moving_ones() -> None:
    rows = [f"{name}|-----------|" for name in "eB"] + [
        "G|-----5-7-5-|",
        "D|-----------|",
        "A|-----------|",
        "E|-3---------|",
    ]
    tab = good("instrument: guitar\ntempo: 90\n\n   q:w q q q\n" + "\n".join(rows) + "\n")
    assert [(n.string, n.duration) for n in tab.notes] == [(6, 4), (3, 1), (3, 1), (3, 1)]


def test_strokes_dynamics_let_ring() -> None:
    tab = good(one_bar("-5-7-5-5-", " q q q q", below="LR ---\nPK d u\nDY p     f\n"))
    assert [n.get(Stroke) for n in tab.notes] == [Stroke(down=True), Stroke(down=False), None, None]
    assert [n.dynamic for n in tab.notes] == ["p", "p", "p", "f"]
    assert [n.has(LetRing) for n in tab.notes] == [True, True, False, False]


def test_grace_notes_take_no_duration() -> None:
    tab = good(one_bar("-g5h7----", "    w"))
    assert tab.notes[0].techniques == (Grace(),)
    assert (tab.notes[0].onset, tab.notes[0].duration) == (0, 0)
    assert tab.notes[1].techniques == (HammerOn(),)


def test_pickup_repeats_and_endings() -> None:
    text = """\
instrument: ukulele
time: 3/4
tempo: 90
                  1.---   2.---
   q     q  q  q   h.      h.
A|-0-|:-2--3--5-|-7-----:|-3-----|
E|---|:---------|-------:|-------|
C|---|:---------|-------:|-------|
G|---|:---------|-------:|-------|
"""
    tab = good(text)
    assert tab.form.pickup
    assert [b.number for b in tab.form.bars] == [0, 1, 2, 3]
    assert [b.endings for b in tab.form.bars] == [(), (), (1,), (2,)]
    assert [b.written for b in tab.form.played.bars] == [0, 1, 2, 1, 3]


def test_repeat_counts() -> None:
    text = one_bar("-5--:", " w").replace("G|-5--:|", "G|:-5--:|x3")
    for name in "eBDAE":
        text = text.replace(f"{name}|-----|", f"{name}|:----:|x3")
    text = text.replace("   w", "    w")
    assert len(good(text).form.played.bars) == 3


def test_a_bar_may_end_early_on_purpose() -> None:
    text = GOOD.replace("q     e e h", "q     e e q !")
    tab = good(text)
    assert [b.length for b in tab.form.bars] == [4, 3, 4]
    assert tab.notes[-1].onset == 9


def test_changes_of_metre_and_tempo_between_systems() -> None:
    text = GOOD.replace("[Answer]", "[Answer]\ntime: 3/4\ntempo: 96").replace("   q q   h\n", "   q q   q\n")
    tab = good(text)
    assert [b.metre for b in tab.form.bars] == [Metre(4, 4), Metre(4, 4), Metre(3, 4)]
    assert [(t.quarter, t.bpm) for t in tab.tempos] == [(0, 104), (8, 96)]


def test_columns_tell_the_time_where_no_durations_stand() -> None:
    bars = """\
instrument: guitar
time: 4/4
tempo: 100

e|-0---3---5---3---|-0-1-3-5-------0-|
B|-----------------|-----------------|
G|-----------------|-----------------|
D|-----------------|-----------------|
A|-----------------|-----------------|
E|-----------------|-----------------|
"""
    tab, problems = read(bars)
    assert tab is not None
    assert [n.onset for n in tab.notes] == [0, 1, 2, 3, 4, F(9, 2), 5, F(11, 2), F(15, 2)]
    assert [n.duration for n in tab.notes][-2:] == [2, F(1, 2)]
    assert "there are no durations above this system" in problems.cautions[0].what


@pytest.mark.parametrize("change", ["crlf", "bom", "dashes", "full-width bars", "spaces for dashes"])
def test_what_editors_do_to_a_text_changes_nothing(change: str) -> None:
    text = {
        "crlf": GOOD.replace("\n", "\r\n"),
        "bom": "\ufeff" + GOOD,
        "dashes": GOOD.replace("-", "–"),
        "full-width bars": GOOD.replace("|", "｜"),
        "spaces for dashes": "\n".join(
            line.replace("-", " ") if line[1:2] == "|" else line for line in GOOD.splitlines()
        ),
    }[change]
    if change == "spaces for dashes":
        # a string without anything on it still needs its bars
        assert good(text).notes == good(GOOD).notes
    else:
        assert good(text) == good(GOOD)


def test_a_duration_line_shifted_as_a_whole_is_read_with_a_caution() -> None:
    tab, problems = read(GOOD.replace("   q   e e q  q    q     e e h", "  q   e e q  q    q     e e h"))
    assert tab is not None
    assert tab.notes == good(GOOD).notes
    assert "1 column to the left of their notes" in problems.cautions[0].what


BAD = [
    # change, line, column, words of the message, words of the remedy
    (("q     e e h", "e     e e h"), 10, 19, "bar 2 holds 3½ quarters, 4/4 holds 4: half a quarter too little", "rest"),
    (("q     e e h", "q.    e e h"), 10, 19, "bar 2 holds 4½ quarters, 4/4 holds 4: half a quarter too much", "barline"),
    (("A|-------7---", "A|------57---"), 25, 9, "fret 57 is beyond the neck", "5-7"),
    (("|-----------7--|", "|----------7--|"), 14, 32, "on the other strings in column 33", "Line the barlines up"),
    (("D|---------------|-----------7--|", "D|---------------------------7--|"), 14, 18, "has 2 barlines, the others of its system have 3", "Write a | in column 18"),
    (("q   e e q  q  ", "q   e e q  q  h "), 10, None, "is not above a column", "rest"),
    (("q   e e q  q ", "q   e e    q "), 12, 12, "there is no duration above this note", "line 10"),
    (("A|-------7---", "A|-------7?--"), 25, 11, "'?' is not understood here", "Strings hold"),
    (("q q   h\n", "q   q   z\n"), 20, 12, "not a duration: 'z'", "w h q e s t"),
    (("key: Am", "kee: Am"), 4, 1, "unknown header 'kee'", "key:"),
    (("key: Am", "key: Hm"), 4, 6, "not a key: 'Hm' (did you mean Bm?)", "Write key: Bm."),
    (("key: Am", "key: Qm"), 4, 6, "not a key", "key: Am"),
    (("time: 4/4", "time: 4/5"), 5, 7, "power of two", "time: 4/4"),
    (("tempo: 104", "tempo: fast"), 6, 8, "not a tempo", "10 to 500"),
    (("swing: 2/3", "swing: 1/3"), 7, 8, "not a swing", "shuffle"),
    (("electric guitar", "electrc guitar"), 3, 13, "unknown instrument", "electric guitar"),
    (("7b9-", "7b--"), 13, 4, "a bend without a target", "7b9"),
    (("7b9-", "7b6-"), 13, 4, "a bend from fret 7 to 6", "higher fret"),
    (("8b10r8", "8b10r7"), 12, None, "a release to 7", "comes down"),
    (("   q q   h\n", "   q q_  h\n"), 20, 6, "a tie with no note to go on to", "(7) on string 4"),
    (("A|-------7---|\nE|-----------|", "A|-------7---|"), 21, 1, "this system has 5 strings, the electric guitar has 6", "6 lines"),
    (("D|-5/7-------|", "Eb|-5/7------|"), 24, 1, "labelled Eb, but string 4 is tuned to D3", "Eb3"),
    (("D|-5/7-------|", "D|-5/7-\t-----|"), 24, 8, "a tab character", "dashes"),
    (("[Answer]", "[Answer]\nand now softly"), 20, 1, "this line is not understood", "#"),
    (("[Answer]", "[Answer]\ntitle: Again"), 20, 1, "title: comes after the first system", "top"),
    (("D|-5/7-------|", "D|-5-/-------|"), 24, 6, "a slide that touches no fret", "5/7"),
    (("A|-------7---|", "A|-------<1>-|"), 25, 10, "there is no harmonic 1 fret up", "12, 7, 5"),
    (("   q q   h\n", "   q q e\n"), 20, 8, "the duration 'e' is in column 8, the note below in column 10", "first character"),
]  # fmt: skip


@pytest.mark.parametrize(("change", "line", "column", "what", "remedy"), BAD, ids=[b[3][:40] for b in BAD])
def test_each_mistake_is_told_where_it_is(
    change: tuple[str, str], line: int | None, column: int | None, what: str, remedy: str
) -> None:
    before, after = change
    assert GOOD.count(before) >= 1
    tab, problems = read(GOOD.replace(before, after, 1))
    assert tab is None
    fitting = [p for p in problems.errors if what in p.what]
    assert fitting, "\n".join(p.text() for p in problems)
    told = fitting[0]
    assert remedy in told.remedy
    assert told.path == PATH
    if line is not None:
        assert told.line == line
    if column is not None:
        assert told.column == column
    assert told.offending == GOOD.replace(before, after, 1).splitlines()[told.line - 1].replace("\t", " ")


def test_every_mistake_is_told_at_once() -> None:
    text = GOOD.replace("key: Am", "kee: Am").replace("7b9-", "7b--").replace("   q q   h", "   q q   q")
    _, problems = read(text)
    assert {p.line for p in problems.errors} == {4, 13, 20}


@pytest.mark.parametrize(
    ("change", "what"),
    [
        (("5h8", "8h5"), "a hammer-on from fret 8 to 5"),
        (("5/7", "7/5"), "a slide up from fret 7 to 5"),
        (("tempo: 104\n", ""), "no tempo is stated"),
        (("instrument: electric guitar\n", ""), "taken as guitar"),
        (("[Answer]", "[Opening call]"), "the phrase name 'Opening call' is in line 9 already"),
        (("[Answer]", "[Answer]\n Am  Dm"), "chord names in the tab are not read"),
    ],
)
def test_what_is_only_odd_is_a_caution(change: tuple[str, str], what: str) -> None:
    tab, problems = read(GOOD.replace(*change))
    assert tab is not None
    assert any(what in p.what for p in problems.cautions)


@pytest.mark.parametrize(
    ("line", "marks", "column", "what", "remedy"),
    [
        ("-0h-----", " h h", 5, "a hammer-on without its target", "such as 0h2"),
        ("-0h---5-", " h    h", 5, "a hammer-on without its target", "the fret that is hammered on"),
        ("-5p-----", " w", 5, "a pull-off without its target", "such as 5p3"),
        ("-5s-----", " w", 5, "a shift slide without its target", "such as 5s7"),
        ("-5-h----", " w", 6, "a hammer-on without its target", "or delete the h"),
        ("-5h~--7-", " h    h", 5, "a hammer-on without its target", "such as 5h7"),
        ("---/----", " w", 6, "a slide that touches no fret", "5/7"),
        ("---\\----", " w", 6, "a slide that touches no fret", "5/7"),
        ("-7b-----", " w", 4, "a bend without a target", "7b9"),
        ("-7r7----", " w", 4, "a release without a bend before it", "7b9r7"),
    ],
)
def test_a_joining_mark_without_its_target(
    line: str, marks: str, column: int, what: str, remedy: str
) -> None:
    """In a trial `0h-` was read without a word: the hammered note was gone, and the next note
    of the string, a bar later, was hammered on instead."""
    tab, problems = read(one_bar(line, marks))
    assert tab is None
    (told,) = problems.errors
    assert (told.line, told.column) == (9, column)
    assert what in told.what
    assert remedy in told.remedy


@pytest.mark.parametrize(("before", "after"), [("-5h", "7-"), ("-5h", "-7-"), ("-5-", "h7-")])
def test_a_joint_over_a_barline_stands_close_to_it(before: str, after: str) -> None:
    headers = "key: Am\ntime: 2/4\ntempo: 100"
    place = len(before) + 1 + after.index("7")
    text = one_bar(f"{before}|{after}", " h".ljust(place) + "h", headers=headers)
    for name in "eBDAE":
        text = text.replace(
            f"{name}|{'-' * len(before + '|' + after)}|", f"{name}|{'-' * len(before)}|{'-' * len(after)}|"
        )
    assert good(text).notes[1].techniques == (HammerOn(),)
    if after == "-7-":
        far = text.replace("|-7-|", "|---7-|").replace("|---|---|", "|---|-----|")
        _, problems = read(far.replace("h     h", "h       h"))
        assert "a hammer-on without its target" in problems.errors[0].what


def test_a_missing_barline_is_told_alone() -> None:
    """One barline missing on one string: ten complaints about durations came before the cause,
    and the bars after it were counted one too many."""
    text = GOOD.replace("D|---------------|-----------7--|", "D|---------------------------7--|")
    text = text.replace("A|-------7---", "A|-------7?--").replace("   q q   h\n", "   q q   q\n")
    _, problems = read(text)
    assert [p.line for p in problems] == [14, 25, 20]
    told, _, later = problems.errors
    assert told.what == "this string has 2 barlines, the others of its system have 3"
    assert told.remedy == "Write a | in column 18, to match the other strings."
    assert "bar 3 holds 3 quarters" in later.what


def test_a_barline_too_many_is_told_alone() -> None:
    text = GOOD.replace("D|---------------|-----------7--|", "D|-----|---------|-----------7--|")
    _, problems = read(text.replace("   q q   h\n", "   q q   q\n"))
    assert [p.line for p in problems] == [14, 20]
    assert problems.errors[0].remedy == "Delete the | in column 8, to match the other strings."
    assert "bar 3 holds 3 quarters" in problems.errors[1].what


def test_a_lost_string_line_is_told_alone() -> None:
    """Its bars were not counted: the ones after it were told by wrong numbers, and phrases by
    number were said to lie beyond the end."""
    text = GOOD.replace("A|---------------|--------------|\n", "").replace("   q q   h\n", "   q q   q\n")
    _, problems = read(text.replace("swing: 2/3", "swing: 2/3\nphrase: 2-3 Both"))
    assert [p.line for p in problems] == [12, 20]
    assert "has 5 strings" in problems.errors[0].what
    assert "bar 3 holds 3 quarters" in problems.errors[1].what


@pytest.mark.parametrize("marks", ["q   e e q  q    q     e e h.", "q   e e q  q    q     e e h._"])
def test_a_bar_too_long_is_told_alone(marks: str) -> None:
    """What was held to its end was said to be held into the next bar: `string 4 is still held
    at fret 7 here`, or a tie with no note to go on to."""
    text = GOOD.replace("q   e e q  q    q     e e h", marks).replace("D|-5/7---", "D|-7-7---")
    text = text.replace("D|-7-7---", "D|(7)7---") if "_" in marks else text
    _, problems = read(text)
    assert ["bar 2 holds 5 quarters" in p.what for p in problems] == [True]


@pytest.mark.parametrize(
    ("before", "after", "line", "column", "what"),
    [
        # one slip of the hand each, with all it led to before
        ("A|---------------|------", "A_|---------------|-----", 15, 1, "'A_' at the start of this string"),
        ("e|---------------|------", "eh|---------------|-----", 11, 1, "'eh' at the start of this string"),
        ("   q   e e q  q ", "   qe e q  q ", 10, 4, "not a duration: 'qe'"),
        ("   q   e e q  q ", "  zz   e e q  q ", 10, 3, "not a duration: 'zz'"),
        ("e e h", "ee h", 10, 26, "not a duration: 'ee'"),
        ("   q   e e q  q    q", "   q  \n e e q  q    q", 11, 1, "a second line of durations"),
    ],
)
def test_one_slip_is_told_once(before: str, after: str, line: int, column: int, what: str) -> None:
    """A slip in one line of a system was followed by up to 26 complaints about what it moved."""
    assert GOOD.count(before) == 1
    _, problems = read(GOOD.replace(before, after))
    told = problems.errors[0]
    assert (told.line, told.column) == (line, column), told.text()
    assert what in told.what
    assert len(problems.errors) == 1, "\n".join(p.text() for p in problems)


def test_what_does_not_line_up_is_told_once_a_bar() -> None:
    text = GOOD.replace("q   e e q  q ", "q            ").replace("   q q   h\n", "     q   h\n")
    _, problems = read(text)
    assert [(p.line, p.column) for p in problems.errors] == [(12, 8), (24, 4)]
    assert "there is no duration above this note" in problems.errors[0].what
    assert "3 more of this bar do not line up either" in problems.errors[0].remedy
    assert "either" not in problems.errors[1].remedy


def test_few_slips_are_told_many_times() -> None:
    """600 seeded slips of one key: few are told by more than two errors."""
    rng = random.Random(5)
    counts: list[int] = []
    for _ in range(600):
        text = list(GOOD)
        place = rng.randrange(len(text))
        kind = rng.random()
        if kind < 0.4:
            text[place] = rng.choice("-|:0157hpbrsx~/\\()<>[]eq\n t")
        elif kind < 0.7:
            del text[place : place + rng.randint(1, 3)]
        else:
            text.insert(place, rng.choice("-|57hpqe_ "))
        counts.append(len(read("".join(text))[1].errors))
    assert sum(count > 2 for count in counts) <= 0.02 * len(counts)
    assert max(counts) <= 6


@pytest.mark.parametrize("text", ["", "\n\n", "# nothing\n", "title: Empty\n"])
def test_an_empty_tab_is_an_error(text: str) -> None:
    tab, problems = read(text)
    assert tab is None
    assert "no strings" in problems.errors[0].what


def test_the_tempo_of_the_lesson_comes_first() -> None:
    problems = Problems()
    tab = read_text_tab(GOOD, path=PATH, problems=problems, tempo_bpm=90, title="Mine")
    assert tab is not None
    assert tab.tempo_bpm == 90
    assert tab.title == "Mine"
    assert "104" in problems.cautions[0].what


def test_labels_tell_the_instrument() -> None:
    bass = "tempo: 90\n\n   w\nG|---|\nD|---|\nA|---|\nE|-3-|\n"
    tab, problems = read(bass)
    assert tab is not None
    assert tab.instrument.name == "bass"
    assert "taken as bass" in problems.cautions[0].what


def test_tuning_capo_and_frets() -> None:
    text = GOOD.replace("key: Am\n", "tuning: D2 A2 D3 G3 B3 E4\ncapo: 2\nfrets: 24\nkey: Am\n").replace(
        "\nE|", "\nD|"
    )
    tab = good(text)
    assert str(tab.instrument.strings[5]) == "D2"
    assert (tab.instrument.capo, tab.instrument.frets) == (2, 24)
    assert tab.notes[1].pitch.midi == 59 + 2 + 5


@pytest.mark.parametrize("tuning", ["D A D G A D", "D2 A2 D3 G3 A3 D4", "D, A, D, G, A, D"])
def test_a_tuning_may_leave_its_octaves_out(tuning: str) -> None:
    text = GOOD.replace("key: Am\n", f"tuning: {tuning}\nkey: Am\n")
    for before, after in (("E", "D"), ("B", "A"), ("e", "d")):
        text = text.replace(f"\n{before}|", f"\n{after}|")
    assert [str(p) for p in good(text).instrument.strings] == ["D4", "A3", "G3", "D3", "A2", "D2"]


def _tuned(headers: str, *, labels: str = "eBGDAE") -> str:
    rows = "".join(f"{label}|---|\n" for label in labels[:-1])
    return f"{headers}\ntempo: 90\n\n   w\n{rows}{labels[-1]}|-3-|\n"


@pytest.mark.parametrize(
    ("headers", "labels", "low"),
    [
        ("instrument: electric guitar\ntuning: drop D", "eBGDAD", "D2"),
        ("instrument: electric guitar\ntuning: half-step down", "eBGDAE", "Eb2"),
        ("instrument: bass\ntuning: drop D", "GDAD", "D1"),
        ("instrument: 7-string guitar\ntuning: drop A", "eBGDAEA", "A1"),
        ("tuning: DADGAD\ninstrument: nylon guitar", "dAGDAD", "D2"),
        ("instrument: guitar\ntuning: standard", "eBGDAE", "E2"),
    ],
)
def test_a_tuning_may_be_said_by_its_name(headers: str, labels: str, low: str) -> None:
    """`tuning: drop D` was no tuning in a trial, though every guitarist says it so."""
    tab = good(_tuned(headers, labels=labels))
    assert str(tab.instrument.strings[-1]) == low
    assert tab.notes[0].pitch.midi == tab.instrument.strings[-1].midi + 3


@pytest.mark.parametrize(
    ("headers", "labels", "name"),
    [
        ("tuning: drop D", "eBGDAD", "guitar"),
        ("tuning: drop D", "GDAD", "bass"),
        ("tuning: low G", "AECG", "ukulele"),
        ("tuning: drop A", "eBGDAEA", "7-string guitar"),
    ],
)
def test_a_named_tuning_and_the_labels_tell_the_instrument(headers: str, labels: str, name: str) -> None:
    tab, problems = read(_tuned(headers, labels=labels))
    assert tab is not None
    assert tab.instrument.name == name
    assert f"taken as {name}" in problems.cautions[0].what


@pytest.mark.parametrize(
    ("headers", "line", "column", "what", "remedies"),
    [
        (
            "instrument: electric guitar\ntuning: drp D", 2, 9, "no tuning of the electric guitar is called 'drp D'",
            ("Did you mean drop D?", "E2 A2 D3 G3 B3 E4 or E A D G B E", "half-step down", "guitar DADGAD"),
        ),
        ("instrument: guitar\ntuning: D A D G A", 2, 9, "names 5 strings, the guitar has 6", ("bottom line up",)),
        ("instrument: guitar\ntuning: D2 A2 X D3", 2, 15, "'X' is not a pitch", ("bottom line up",)),
        ("tuning: strange", 1, 9, "no tuning of the guitar is called 'strange'", ("drop D", "guitar drop D")),
        ("instrument: guitar\ntuning: " + "E2 " * 13, 2, 9, "13 strings", ("Check",)),
        (
            "instrument: electric guitar drop D", 1, 13, "unknown instrument",
            ("instrument: electric guitar and tuning: drop D",),
        ),
    ],
)  # fmt: skip
def test_a_tuning_that_is_none(
    headers: str, line: int, column: int, what: str, remedies: tuple[str, ...]
) -> None:
    _, problems = read(_tuned(headers))
    (told,) = problems.errors
    assert (told.line, told.column) == (line, column)
    assert what in told.what
    for remedy in remedies:
        assert remedy in told.remedy


def test_a_named_tuning_of_several_instruments_asks_which() -> None:
    _, problems = read("tuning: half-step down\ntempo: 90\n\n  w\n|---|\n|---|\n|---|\n|-3-|\n")
    (told,) = problems.errors
    assert "is not named" in told.what
    assert "bass" in told.remedy and "ukulele" in told.remedy


def test_a_grace_note_at_the_very_end_leads_nowhere() -> None:
    """It could not be printed: the page ended in a traceback."""
    text = one_bar("-5----------5--g7-", "  h          h")
    _, problems = read(text)
    assert "bar 1" in problems.errors[0].what
    assert "a grace note after the last note leads into nothing" in problems.errors[0].what


@pytest.mark.parametrize("key", ["E", "E major", "E minor"])
def test_a_key_that_looks_like_a_duration(key: str) -> None:
    """`key: E` was taken for a line of durations: no text tab could be in E major."""
    assert good(GOOD.replace("key: Am", f"key: {key}")).key == Key.parse(key)


@pytest.mark.parametrize("title", ["Q", "E h w"])
def test_a_title_that_looks_like_durations(title: str) -> None:
    assert good(GOOD.replace("Low Tide", title)).title == title


def test_hash_in_the_middle_of_a_title_stays() -> None:
    assert good(GOOD.replace("Low Tide", "Study in F# no. 2")).title == "Study in F# no. 2"


def test_two_hundred_bars() -> None:
    system = GOOD.split("[Opening call]\n")[1].split("\n\n")[0]
    text = GOOD.split("[Opening call]")[0] + "\n\n".join([system] * 100) + "\n"
    tab = good(text)
    assert len(tab.form.bars) == 200


def test_no_damage_to_a_tab_ends_in_a_traceback() -> None:
    """400 seeded mistypings: each gives a tab, or errors that say why not, never an exception."""
    rng = random.Random(7)
    outcomes = {True: 0, False: 0}
    for _ in range(400):
        text = list(GOOD)
        for _ in range(rng.randint(1, 2)):
            place = rng.randrange(len(text))
            kind = rng.random()
            if kind < 0.5:
                text[place] = rng.choice("-|:0123579hpbrsx~/\\()<>[].#%{}eq\n\tAm*t'=^_+,é")
            elif kind < 0.8:
                del text[place : place + rng.randint(1, 3)]
            else:
                text[place:place] = text[place : place + rng.randint(1, 3)]
        tab, problems = read("".join(text))
        assert (tab is None) == bool(problems.errors)
        assert all(p.remedy and p.line for p in problems.errors)
        outcomes[tab is None] += 1
    assert min(outcomes.values()) > 20  # both ways out are walked


def test_a_tie_to_the_same_fret_needs_no_brackets() -> None:
    """``h_`` over 8 and the 8 again is how people write it; with brackets anywhere they decide."""

    def tied(strings: str) -> list[bool]:
        rows = dict(zip("eBGDAE", [*strings.split("/"), *["-" * 9] * 4], strict=True))
        text = "instrument: guitar\ntempo: 90\n\n   h_  h\n" + "".join(
            f"{s}|{row}|\n" for s, row in rows.items()
        )
        problems = Problems()
        tab = read_text_tab(text, path=Path("tab.txt"), problems=problems)
        assert tab is not None, [p.text() for p in problems]
        return [note.tied for note in tab.notes if note.onset == 2]

    assert tied("-8---8---/---------") == [True]
    assert tied("-8---8---/-5---5---") == [True, True]
    assert tied("-8---(8)-/-5---5---") == [True, False]
    assert tied("-8---8---/-5---7---") == [True, False]


def test_strings_upside_down_are_told_as_that() -> None:
    """Once a tuning was proposed that no guitar has."""
    text = "instrument: guitar\ntempo: 90\n\n   q q q q\n" + "".join(
        f"{s}|-{f}-{f}-{f}-{f}-|\n" for s, f in zip("EADGBe", "022100", strict=True)
    )
    problems = Problems()
    assert read_text_tab(text, path=Path("tab.txt"), problems=problems) is None
    assert [p.what for p in problems.errors] == ["the strings stand upside down: the lowest one is on top"]
