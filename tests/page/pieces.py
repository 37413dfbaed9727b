"""More small pieces, for what a page has to cope with."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction as F

from pipeline.music.instrument import INSTRUMENTS
from pipeline.music.key import Key
from pipeline.music.metre import Bar, Form, Jump, Metre, Signs
from pipeline.music.tab import KeyMark, Lyric, Note, Phrase, Remark, Tab, TempoMark
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
    Technique,
    TremoloPicking,
    Trill,
    Vibrato,
)
from tests.samples import tab_of

Row = tuple[F | int, F | int, int, int, tuple[Technique, ...]]
HALF, THIRD, QUARTER = F(1, 2), F(1, 3), F(1, 4)


def techniques_tab() -> Tab:
    """Every technique once, in eight bars of 4/4."""
    rows: list[Row] = [
        (0, 1, 3, 7, (Bend.up(2),)),
        (1, 1, 3, 7, (Bend.up(1),)),
        (2, 1, 2, 8, (Bend.up(3),)),
        (3, 1, 3, 9, (Bend.up(F(1, 2)),)),
        (4, 2, 2, 8, (Bend.up_release(2), Vibrato())),
        (6, 1, 3, 7, (Bend.pre(2),)),
        (7, 1, 3, 7, (Bend.pre_release(2),)),
        (8, HALF, 2, 5, ()),
        (F(17, 2), HALF, 2, 8, (HammerOn(),)),
        (9, HALF, 2, 5, (PullOff(),)),
        (F(19, 2), HALF, 1, 12, (Tap(),)),
        (10, HALF, 1, 5, (PullOff(),)),
        (F(21, 2), HALF, 1, 8, (Slide(SlideKind.LEGATO),)),
        (11, 1, 1, 3, (Slide(SlideKind.SHIFT),)),
        (12, 1, 4, 7, (Slide(SlideKind.IN_BELOW),)),
        (13, 1, 4, 7, (Slide(SlideKind.OUT_DOWN),)),
        (14, 1, 4, 7, (Slide(SlideKind.IN_ABOVE),)),
        (15, 1, 4, 7, (Slide(SlideKind.OUT_UP),)),
        (16, 1, 2, 12, (Harmonic(HarmonicKind.NATURAL),)),
        (17, 1, 3, 7, (Harmonic(HarmonicKind.ARTIFICIAL),)),
        (18, 1, 3, 5, (Harmonic(HarmonicKind.PINCH, 24),)),
        (19, 1, 1, 10, (Vibrato(wide=True),)),
        (20, HALF, 6, 0, (PalmMute(), Stroke(True))),
        (F(41, 2), HALF, 6, 0, (PalmMute(), Stroke(False))),
        (21, HALF, 6, 3, (PalmMute(), Dead())),
        (F(43, 2), HALF, 5, 2, (PalmMute(), Ghost())),
        (22, 1, 5, 2, (Accent(), Staccato())),
        (23, 1, 5, 3, (Accent(strong=True),)),
        (24, 2, 2, 5, (Trill(7),)),
        (26, 2, 3, 5, (TremoloPicking(3),)),
        (28, 1, 5, 3, (LetRing(),)),
        (29, 0, 2, 3, (Grace(),)),
        (29, 1, 2, 5, (LetRing(), HammerOn())),
        (30, 2, 1, 3, (LetRing(),)),
    ]
    return tab_of(
        rows,
        form=Form.plain(8),
        phrases=(Phrase("Bends", 1, 2), Phrase("Left hand", 3, 4), Phrase("Colours", 5, 8)),
    )


def triplets_tab() -> Tab:
    """Triplets of eighths and quarters, a sextuplet, a quintuplet, a triplet with a rest, a tie over the bar."""
    rows: list[Row] = []
    for n in range(3):
        rows.append((n * THIRD, THIRD, 2, 5 + n, ()))
    rows += [(1, F(2, 3), 3, 5, ()), (F(5, 3), THIRD, 3, 7, ())]
    rows += [(2, THIRD, 2, 5, ()), (F(8, 3), THIRD, 2, 8, ())]
    rows += [(3 + n * F(1, 6), F(1, 6), 1, 5 + n % 3, ()) for n in range(6)]
    rows += [(4 + n * F(2, 3), F(2, 3), 3, 5 + n, ()) for n in range(3)]
    rows += [(6 + n * F(1, 5), F(1, 5), 1, 5 + n, ()) for n in range(5)]
    rows += [(7, HALF, 4, 7, ()), (F(15, 2), F(3, 2), 4, 5, ())]
    rows += [(9, F(5, 4), 3, 6, ()), (F(41, 4), QUARTER, 3, 7, ()), (F(21, 2), F(3, 2), 2, 6, ())]
    return tab_of(rows, form=Form.plain(3), key="Bb", swing=F(2, 3))


def ukulele_tab() -> Tab:
    rows: list[Row] = []
    for n, frets in enumerate(((0, 2, 0, 0), (2, 0, 1, 0), (0, 0, 0, 3), (0, 2, 3, 2))):
        rows += [(n, 1, string, frets[4 - string], (Stroke(n % 2 == 0),)) for string in range(1, 5)]
    rows += [(4 + n * HALF, HALF, string, 0, ()) for n, string in enumerate((4, 3, 2, 1, 2, 3, 4, 1))]
    return tab_of(rows, instrument="ukulele", form=Form.plain(2), key="C")


def bass_tab() -> Tab:
    rows: list[Row] = [(n * HALF, HALF, 4 - n % 2, 3 + 2 * (n % 3), ()) for n in range(14)]
    rows += [(7, 1, 1, 9, (Slide(SlideKind.OUT_DOWN),))]
    return tab_of(rows, instrument="bass", form=Form.plain(2), key="Gm")


def seven_string_tab() -> Tab:
    rows: list[Row] = [(n * QUARTER, QUARTER, 7, (0, 0, 3, 0)[n % 4], (PalmMute(),)) for n in range(16)]
    rows += [(4, 4, 7, 0, ()), (4, 4, 6, 2, ()), (4, 4, 5, 2, ())]
    return tab_of(rows, instrument="7-string guitar", form=Form.plain(2), key="Em")


def compound_tab() -> Tab:
    """6/8 with a change to 2/4 and a tempo change, capo 2, two voices."""
    neck = INSTRUMENTS["guitar"].with_capo(2)
    metre, short = Metre(6, 8), Metre(2, 4)
    form = Form((Bar(1, metre, F(3)), Bar(2, metre, F(3)), Bar(3, short, F(2))))
    key = Key.parse("F#m")
    notes = []
    for n in range(6):
        notes.append((F(n, 2), HALF, 2 - n % 2, n % 3, 1))
    notes += [(F(0), F(3), 6, 0, 2), (F(3), F(3, 2), 5, 0, 2), (F(9, 2), F(3, 2), 4, 2, 2)]
    notes += [(F(3), F(2), 1, 2, 1), (F(5), F(1), 1, 3, 1), (F(6), F(1), 1, 0, 1), (F(7), F(1), 2, 4, 1)]
    made = tuple(
        Note(on, length, string, fret, key.spell_midi(neck.midi(string, fret)), voice=voice)
        for on, length, string, fret, voice in notes
    )
    return Tab(neck, form, made, key, (TempoMark(F(0), 90.0), TempoMark(F(6), 72.0)), (), "Two rivers")


def long_tab(bars: int = 64) -> Tab:
    """As long as a whole lesson: plain eighths with marks here and there, two phrases a line."""
    marks: dict[int, tuple[Technique, ...]] = {
        0: (Bend.up(2),), 3: (HammerOn(),), 5: (Vibrato(),), 6: (PalmMute(),), 7: (PalmMute(),)
    }  # fmt: skip
    rows: list[Row] = []
    for bar in range(bars):
        for n in range(8):
            string = 3 if n in (2, 3) else 2 if n < 6 else 5
            rows.append((4 * bar + n * HALF, HALF, string, 5 + (n + bar) % 5, marks.get(n, ())))
    phrases = tuple(Phrase(f"Part {n + 1}", 8 * n + 1, 8 * n + 8) for n in range(bars // 8))
    return replace(tab_of(rows, form=Form.plain(bars), title="A long one"), phrases=phrases)


def ringing_tab() -> Tab:
    """Six strings struck one after another, all ringing on to the end: more voices than a staff has."""
    rows: list[Row] = [(n * HALF, 4 - n * HALF, 6 - n, (0, 2, 2, 1, 0, 0)[n], (LetRing(),)) for n in range(6)]
    return tab_of(rows, form=Form.plain(1), key="E")


def whole_bar_tie_tab() -> Tab:
    """One note over three bars, then a rest bar."""
    return tab_of([(2, 9, 4, 2, ())], form=Form.plain(4), key="E")


def all_marks_tab() -> Tab:
    """What stands beside the notes, all of it: signs and jumps, keys, two verses, remarks, fingers of
    both hands, two voices, grace notes together, a change of tempo and of loudness, under a pickup."""
    metre, bar = Metre(4, 4), 4
    signs = {
        1: Signs(segno=True), 4: Signs(to_coda=True), 6: Signs(fine=True), 8: Signs(jump=Jump("segno", "coda")),
        9: Signs(coda=True), 10: Signs(jump=Jump("start", "fine")),
    }  # fmt: skip
    bars = [Bar(0, metre, F(1), pickup=True)]
    for number in range(1, 12):
        bars.append(
            Bar(number, metre, F(4), repeat_start=number == 1, repeat_times=3 * (number == 3),
                signs=signs.get(number, Signs()), double=number in (4, 6))
        )  # fmt: skip
    rows: list[Row] = [(0, 1, 3, 0, ())]
    special: dict[F, tuple[Technique, ...]] = {
        F(9): (Bend.up(2),), F(21, 2): (HammerOn(),), F(20): (Trill(7),)
    }  # fmt: skip
    for place in range(88):
        at, n = F(place, 2), place % 8
        own: tuple[Technique, ...] = (PalmMute(),) if 24 <= at < 28 else ()
        own = special.get(at, own)
        fret = n % 3 + 3 * (n == 5) + 5 * (20 <= at < 24)
        rows.append((1 + at, HALF, (3, 2, 1, 2)[n % 4], fret, own))
    tab = tab_of(rows, form=Form(tuple(bars)), key="G", title="Down to the river")
    notes = []
    for index, note in enumerate(tab.notes):
        finger = index % 5 if note.onset < 9 else None
        pluck = "pimac"[index % 5] if 9 <= note.onset < 13 else None
        notes.append(
            replace(note, finger=finger, pluck=pluck, dynamic="f" if note.onset >= 7 * bar + 1 else "mf")
        )
    for start in range(1, 17, 4):
        notes.append(replace(tab.note(F(start), F(2), 6, 3), voice=2))
        notes.append(replace(tab.note(F(start + 2), F(2), 5, 2), voice=2))
    notes.append(tab.note(F(17), F(0), 1, 4, Grace()))
    notes.append(tab.note(F(17), F(0), 2, 4, Grace(together=True)))
    one = [
        "Morn-",
        "ing",
        "comes",
        "slow-",
        "ly",
        "in-",
        "to",
        "the",
        "old",
        "town",
        "and",
        "all",
        "of",
        "us",
        "are",
        "still",
        "a-",
        "sleep",
    ]
    two = ["Eve-", "ning", "falls", "soft-", "ly", "on", "the", "same"]
    lyrics = [Lyric(1 + n * HALF, word) for n, word in enumerate(one)]
    lyrics += [Lyric(F(1 + n), word, 2) for n, word in enumerate(two)]
    return replace(
        tab,
        notes=tuple(notes),
        phrases=(Phrase("Opening", 1, 4), Phrase("Middle", 5, 8), Phrase("End", 9, 11)),
        key_changes=(KeyMark(F(17), Key.parse("E")), KeyMark(F(33), Key.parse("Cm"))),
        lyrics=tuple(lyrics),
        remarks=(Remark(F(1), "gently"), Remark(F(11), "second time softly"), Remark(F(29), "rit.")),
        tempos=(TempoMark(F(0), 96.0), TempoMark(F(21), 72.0)),
    )


PIECES = {
    "techniques": techniques_tab,
    "triplets": triplets_tab,
    "ukulele": ukulele_tab,
    "bass": bass_tab,
    "seven strings": seven_string_tab,
    "compound": compound_tab,
    "ringing": ringing_tab,
    "whole-bar tie": whole_bar_tie_tab,
    "all marks": all_marks_tab,
}
