"""Marks as musicians type them, and what the lines above and below the strings say."""

from __future__ import annotations

import textwrap
from fractions import Fraction as F
from pathlib import Path

import pytest

import pipeline.read.texttab
from pipeline.errors import Problems
from pipeline.music.key import Key
from pipeline.music.metre import Jump, Signs
from pipeline.music.tab import Comment, KeyMark, Lyric, Remark, Tab
from pipeline.music.technique import (
    Bend,
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
    Stroke,
    Technique,
    Vibrato,
)
from pipeline.page.texttab import write_text_tab
from pipeline.read.places import Places
from pipeline.read.texttab import read_text_tab

HEAD = "instrument: guitar\nkey: C\ntempo: 90\n\n"


def read(text: str) -> tuple[Tab | None, Problems]:
    problems = Problems()
    return read_text_tab(text, path=Path("tab.txt"), problems=problems), problems


def good(text: str) -> Tab:
    tab, problems = read(text)
    assert tab is not None, "\n".join(p.text() for p in problems)
    assert read(write_text_tab(tab))[0] == tab
    return tab


def strings(top: str, *rest: str) -> str:
    """A system whose first strings are these."""
    empty = "".join("|" if c == "|" else "-" for c in top)
    rows = [top, *rest, *[empty] * (5 - len(rest))]
    return "".join(f"{name}{row}\n" for name, row in zip("eBGDAE", rows, strict=True))


def bar(top: str, *rest: str, marks: str = " w", below: str = "", above: str = "") -> str:
    return f"{HEAD}{above}{marks}\n{strings(top, *rest)}{below}"


def refused(text: str) -> list[str]:
    tab, problems = read(text)
    assert tab is None
    return [f"{p.line}:{p.column} {p.what} / {p.remedy}" for p in problems.errors]


@pytest.mark.parametrize(
    ("typed", "techniques"),
    [
        ("7b(full)", (Bend.up(2),)),
        ("7bfull", (Bend.up(2),)),
        ("7b(1)", (Bend.up(2),)),
        ("7b(1/2)", (Bend.up(1),)),
        ("7b½", (Bend.up(1),)),
        ("7bhalf", (Bend.up(1),)),
        ("7b1½", (Bend.up(3),)),
        ("7b(1 1/2)", (Bend.up(3),)),
        ("7b(1.5)", (Bend.up(3),)),
        ("7b(0.25)", (Bend.up(F(1, 2)),)),
        ("7b(9)", (Bend.up(2),)),
        ("7B9R7", (Bend.up_release(2),)),
        ("7pb(full)r", (Bend.pre_release(2),)),
        ("7b(full)r(0)", (Bend.up_release(2),)),
        ("7b{0:0,1/3:2,1:2}", (Bend.up(2),)),
        ("7b{0:1/3,1:2}", (Bend(((F(0), F(1, 3)), (F(1), F(2)))),)),
        ("7v", (Vibrato(),)),
        ("7V", (Vibrato(),)),
        ("7vv", (Vibrato(wide=True),)),
        ("[12]", (Harmonic(HarmonicKind.NATURAL, 12),)),
        ("<7:24>", (Harmonic(HarmonicKind.NATURAL, 24),)),
        ("7<:31>", (Harmonic(HarmonicKind.ARTIFICIAL, 31),)),
        ("7*", (Harmonic(HarmonicKind.PINCH, 12),)),
        ("7*{-5}", (Harmonic(HarmonicKind.PINCH, -5),)),
        ("(<12>)", (Ghost(), Harmonic(HarmonicKind.NATURAL, 12))),
        ("7{pm}", (PalmMute(),)),
        ("7{PM, lr}", (PalmMute(), LetRing())),
        ("7{ghost}", (Ghost(),)),
        ("7{hammer}", (HammerOn(),)),
        ("7{pull}", (PullOff(),)),
        ("7{slide}", (Slide(SlideKind.LEGATO),)),
        ("7{shift}", (Slide(SlideKind.SHIFT),)),
        ("7b9{mf}/", (Bend.up(2), Slide(SlideKind.OUT_UP))),
    ],
)
def test_one_note(typed: str, techniques: tuple[Technique, ...]) -> None:
    assert good(bar(f"|-{typed}---|", marks="  w")).notes[0].techniques == techniques


@pytest.mark.parametrize(
    ("typed", "told"),
    [
        ("1b(2)", "2b"),
        ("7b(x)", "'(' is not understood"),
        ("7b(loud)", "not the target of a bend"),
        ("7{loud}", "'loud' is not understood in the braces behind a note"),
        ("7{F}", "string 1 fret 7 does not sound F"),
        ("7b{0:0}", "a bend runs from the start of its note"),
        ("7b{0:0,1:13}", "at most twelve semitones"),
        ("7b{0:0,1}", "not the curve of a bend"),
        ("7b{0:0,1:1/0}", "not the curve of a bend"),
        ("7{with}", "on a note that is no grace note"),
        ("x*", "these marks do not go together: a dead note does not ring"),
        ("[1]", "there is no harmonic 1 fret up"),
    ],
)
def test_what_is_no_mark_is_told_at_its_note(typed: str, told: str) -> None:
    if typed == "1b(2)":  # half a step up to fret 2, or two whole steps?
        assert "may mean the pitch of fret 2, or 2 whole steps" in refused(bar("|-1b(2)--|", marks="  w"))[0]
        return
    found = refused(bar(f"|-{typed}---|", marks="  w"))
    assert any(told in one or "not the target" in one for one in found), found
    assert all(one.startswith("6:") for one in found)


def test_a_spelling_in_braces() -> None:
    tab = good(bar("|-4{Ab}-6---|", marks="  h      h"))
    assert [str(n.pitch) for n in tab.notes] == ["Ab4", "A#4"] or str(tab.notes[0].pitch) == "Ab4"


def test_dynamics_of_one_note_and_of_all_that_follow() -> None:
    tab = good(bar("|-5{ff}-7-|", "|-5-----5-|", marks="  h     h", below="DY p\n"))
    assert [n.dynamic for n in tab.notes] == ["ff", "p", "p", "p"]


def test_one_sign_for_a_column_or_one_for_each_note() -> None:
    below = "PK d   du\nFI T   1.\nRH pm  a\nVO     .2\n"
    tab = good(bar("|-5---7--|", "|-5---8--|", marks="  h   h", below=below))
    assert [n.get(Stroke) for n in tab.notes] == [Stroke(), Stroke(), Stroke(), Stroke(down=False)]
    assert [n.finger for n in tab.notes] == [0, 0, 1, None]
    assert [n.pluck for n in tab.notes] == ["p", "m", "a", "a"]
    assert [n.voice for n in tab.notes] == [1, 1, 1, 2]


@pytest.mark.parametrize(
    ("below", "told"),
    [
        ("FI 123\n", "12:4 3 signs below 1 note"),
        ("FI 7\n", "12:4 '7' is not understood in a FI line"),
        ("RH z\n", "12:4 'z' is not understood in a RH line"),
        ("DY loud\n", "12:4 'loud' is not understood in a DY line"),
        ("LY oh ah\n", "a second syllable at one column: 'ah'"),
    ],
)
def test_what_is_wrong_below_the_strings(below: str, told: str) -> None:
    (found,) = refused(bar("|-5------|", marks="  w", below=below))
    assert told in found


@pytest.mark.parametrize(
    "line",
    [
        "PM     -----",
        "P.M.   - - -",
        "PM     - - -|",
        "PM:    -----",
        "       PM----|",
        "palm mute---",
        "let ring ----",
    ],
)
def test_palm_mute_and_let_ring_as_they_are_typed(line: str) -> None:
    kind = LetRing if line.startswith("let") else PalmMute
    tab = good(bar("|-----5-5-5--5-|", marks="       q q q  q", below=line + "\n"))
    assert [n.has(kind) for n in tab.notes] == [not line.startswith("let"), True, True, False]


def test_words_above_and_below() -> None:
    text = bar(
        "|-5-5---5----5--|",
        marks="  q q   q    q",
        above='  "softly" “rit.”\n  "again"\n'.replace("“", '"').replace("”", '"'),
        below="LY A -  ma   zing_grace\nLY2 \\-      __\n",
    )
    tab = good(text)
    assert tab.lyrics == (
        Lyric(F(0), "A-"), Lyric(F(1), "-", 2), Lyric(F(2), "ma"), Lyric(F(3), "zing grace"),
    )  # fmt: skip
    assert tab.remarks == (Remark(F(0), "softly"), Remark(F(0), "again"), Remark(F(3), "rit."))


def test_signs_and_jumps_stand_over_their_bars() -> None:
    text = HEAD + "\n".join(
        [
            "     Segno    To Coda     D.S. al Coda   Coda",
            "  w       w          w                w",
            strings("|-1-----|-2--------|-3--------------|-4--||"),
        ]
    )
    tab = good(text)
    assert [b.signs for b in tab.form.bars] == [
        Signs(segno=True), Signs(to_coda=True), Signs(jump=Jump("segno", "coda")), Signs(coda=True),
    ]  # fmt: skip
    assert [b.double for b in tab.form.bars] == [False, False, False, True]
    assert [b.written for b in tab.form.played.bars] == [0, 1, 2, 0, 1, 3]


def test_a_jump_to_nowhere_is_told_at_its_words() -> None:
    (found,) = refused(HEAD + "        D.S. al Fine\n   w      w\n" + strings("|-1----|-2------------|"))
    assert found.startswith("5:9 bar 2: D.S. al Fine has no segno before it")


def test_endings_without_dashes_reach_to_their_repeat_signs() -> None:
    """`1.` and `2.` a bar apart were read as one ending for both passes."""
    text = HEAD + "        1.      2.\n   w      w       w\n" + strings("|-1----|-2----:|-3----|")
    assert [b.endings for b in good(text).form.bars] == [(), (1,), (2,)]


def test_keys_change_between_systems_and_comments_stay() -> None:
    text = f"# first\n{HEAD}  w\n{strings('|-4--|')}\n# then\nkey: Ab  # up\n  w\n{strings('|-4--|')}# last\n"
    tab = good(text)
    assert tab.key_changes == (KeyMark(F(4), Key.parse("Ab")),)
    assert [str(n.pitch) for n in tab.notes] == ["G#4", "Ab4"] or str(tab.notes[1].pitch) == "Ab4"
    assert tab.comments == (Comment(0, "first"), Comment(1, "then"), Comment(1, "up"), Comment(2, "last"))


def test_grace_notes_of_one_column_are_struck_together() -> None:
    tab = good(bar("|-g5-g7-5--|", "|-g5-----5-|".replace("5-|", "--|"), marks="        w"))
    assert [n.get(Grace) for n in tab.notes] == [Grace(), Grace(together=True), Grace(), None]


@pytest.mark.parametrize(
    ("marks", "steps"),
    [
        ("e(5:4) e(5:4) e(5:4) e(5:4) e(5:4) h", [F(2, 5)] * 5 + [F(2)]),
        ("q(7:4) q(7:4) q(7:4) q(7:4) q(7:4) q(7:4) q(7:4)", [F(4, 7)] * 7),
        ("h(3) h(3) h(3)", [F(4, 3)] * 3),
    ],
)
def test_tuplets_of_any_ratio(marks: str, steps: list[F]) -> None:
    row = "".join(f"5{'-' * (len(word))}" for word in marks.split())
    tab = good(bar(f"|{row}-|", marks=f"  {marks}"))
    assert [n.duration for n in tab.notes] == steps


def test_an_instrument_of_ones_own() -> None:
    text = "instrument: river zither\ntuning: C3 G3 D4\nfrets: 9\nscale: 501.5 mm\nprogram: 47\nclef: bass\nwritten: 1\n"
    tab = good(f"{text}tempo: 90\n\n  w\nD|-9-|\nG|---|\nC|---|\n")
    neck = tab.instrument
    assert (neck.name, neck.frets, neck.scale_mm, neck.program) == ("river zither", 9, 501.5, 46)
    assert (neck.clef, neck.written_octaves, len(neck.strings)) == ("F", 1, 3)


@pytest.mark.parametrize(
    ("header", "told"),
    [
        ("scale: long", "not a length in millimetres"),
        ("program: 0", "not a whole number from 1 to 128"),
        ("clef: H", "neither G nor F"),
        ("written: 9", "not a whole number from -4 to 4"),
        ("pickup: maybe", "neither yes nor no"),
    ],
)
def test_headers_of_an_instrument_that_say_nothing(header: str, told: str) -> None:
    (found,) = refused(f"{header}\n{HEAD}  w\n{strings('|-4--|')}")
    assert told in found


def test_places_say_where_bars_and_notes_stand() -> None:
    places = Places(Path("tab.txt"))
    text = bar("|-5--|-7--|", "|-8--|----|", marks="  w    w")
    tab = read_text_tab(text, path=places.path, problems=Problems(), places=places)
    assert tab is not None
    assert {k: (p.line, p.column) for k, p in places.notes.items()} == {
        (0, 1): (6, 4), (0, 2): (7, 4), (4, 1): (6, 9),
    }  # fmt: skip
    assert [(p.line, p.column) for p in places.bars.values()] == [(6, 3), (6, 8)]
    assert places.notes[F(4), 1].offending == "e|-5--|-7--|"


def test_the_example_of_the_description_reads() -> None:
    description = pipeline.read.texttab.__doc__ or ""
    example = description.split("has much of it::\n\n")[1].split("\n\nSpaces and dashes")[0]
    tab, problems = read(textwrap.dedent(example) + "\n")
    assert tab is not None
    assert not list(problems), "\n".join(p.text() for p in problems)
    assert write_text_tab(tab) == textwrap.dedent(example) + "\n"


@pytest.mark.parametrize(
    ("signs", "bars"),
    [
        ("   D.C. al Fine", [0]),  # from the start of its bar on
        ("                     D.C. al Fine", [4]),  # to the barline at its end
        ("    D.C. al Fine", [2]),
        ("                              D.C. al Fine", [4]),  # behind the end
    ],
)
def test_a_jump_may_stand_to_the_right_barline(signs: str, bars: list[int]) -> None:
    text = f"{HEAD}{signs}\n   Fine\n{strings('|-1--|-2--|-3--|-4--|-5------|')}"
    assert [i for i, b in enumerate(good(text).form.bars) if b.signs.jump] == bars
