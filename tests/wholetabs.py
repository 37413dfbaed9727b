"""Whole tabs made up: every field of the music, at its edges, with the words a musician might write."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction as F
from random import Random
from typing import TypeVar

from hypothesis import strategies as st

from pipeline.music.errors import MusicError
from pipeline.music.instrument import INSTRUMENTS, Instrument
from pipeline.music.key import MODES, Key
from pipeline.music.metre import NO_SIGNS, Bar, Form, Jump, Metre, Signs
from pipeline.music.pitch import Pitch, Spelling
from pipeline.music.tab import (
    DYNAMICS,
    PLUCKING,
    Comment,
    KeyMark,
    Lyric,
    Note,
    Phrase,
    Remark,
    Tab,
    TempoMark,
)
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
    conflicts,
    reaches,
)
from pipeline.music.words import tidy

T = TypeVar("T")
NASTY = (
    "q e e h", "e|--5--|", "[Answer]", "]", "[", "# no", "title: x", "key: E", "E", "Am", "| Am | F |", "PM ---", "LY la", "1.---",
    "Fine", "D.C. al Fine", "To Coda", "||", "|", "-", "--", "_", "\\", "\\x", "...", "“smart”", "'", "a  #b", "3-4 x", "{q}", "é", "e\u0301",
    "Привет", "日本の歌", "שלום", "–—", "｜", "tempo: 90 at bar 1", ":|x2", "x2", "0", "\u200bz", "🎸", "Ünder", "a-", "-b", "b\u0338", "T.",
)  # fmt: skip
PARTS = (
    F(1),
    F(1, 2),
    F(1, 4),
    F(1, 3),
    F(3, 2),
    F(2),
    F(1, 5),
    F(3, 8),
    F(2, 7),
    F(4, 11),
    F(7, 64),
    F(5, 48),
    F(101, 977),
)
SOUNDS = (12, 19, 24, 28, 31, 34, 36, 7, 1, 0, -5, 100)


def _maybe(rnd: Random, share: float, make: Callable[[], T], other: T) -> T:
    return make() if rnd.random() < share else other


def _text(rnd: Random) -> str:
    """Words, tidied, never none."""
    words = [rnd.choice(NASTY) for _ in range(rnd.choice((1, 1, 2)))]
    return tidy(" ".join(words)) or "x"


def _float(rnd: Random, low: float, high: float) -> float:
    return rnd.choice(
        (low, high, round(rnd.uniform(low, high)), rnd.uniform(low, high), rnd.uniform(low, high))
    )


def _pitch(rnd: Random) -> Pitch:
    while True:
        pitch = Pitch(
            Spelling(rnd.choice("CDEFGAB"), rnd.choice((0, 0, 0, 1, -1, 2, -2, 3, -3))), rnd.randint(0, 6)
        )
        if pitch.midi >= 0:
            return pitch


def _instrument(rnd: Random) -> Instrument:
    usual = INSTRUMENTS[rnd.choice(sorted(INSTRUMENTS))]
    kind = rnd.choice(("usual", "capo", "tuned", "own", "own"))
    if kind == "usual":
        return usual
    if kind == "capo":
        return usual.with_capo(rnd.randrange(usual.frets))
    if kind == "tuned":
        return usual.tuned(tuple(_pitch(rnd) for _ in usual.strings))
    frets = rnd.randint(1, 36)
    return Instrument(
        rnd.choice((_text(rnd), "GUITAR", "gutar", "", " a\n b", '"x"', "bass")),
        tuple(_pitch(rnd) for _ in range(rnd.choice((1, 2, 3, 6, 12, rnd.randint(1, 12))))),
        frets, _float(rnd, 1.0, 2000.0), rnd.randrange(128), rnd.randrange(frets), rnd.randint(-4, 4), rnd.choice("GF"),
    )  # fmt: skip


def _key(rnd: Random) -> Key:
    while True:
        try:
            return Key(Spelling(rnd.choice("CDEFGAB"), rnd.choice((0, 1, -1))), rnd.choice(MODES))
        except MusicError:
            continue


def _signs(rnd: Random) -> Signs:
    if rnd.random() < 0.6:
        return NO_SIGNS
    jump = Jump(rnd.choice(("start", "segno")), rnd.choice(("end", "fine", "coda")))
    return Signs(*(rnd.random() < 0.3 for _ in range(4)), jump if rnd.random() < 0.4 else None)


def _form(rnd: Random) -> Form:
    count = rnd.randint(1, 6)
    pickup = rnd.random() < 0.3
    repeated = rnd.random() < 0.5
    while True:
        bars: list[Bar] = []
        metre = Metre(4, 4)
        for index in range(count):
            if rnd.random() < 0.35:
                metre = Metre(
                    rnd.choice((1, 2, 3, 4, 5, 6, 7, 9, 12, 64)), rnd.choice((1, 2, 4, 8, 16, 32, 64))
                )
            full = metre.quarters
            bars.append(
                Bar(
                    index if pickup else index + 1,
                    metre,
                    full * rnd.choice((F(1, 2), F(3, 4), F(5, 7))) if rnd.random() < 0.2 else full,
                    pickup and index == 0,
                    repeated and rnd.random() < 0.2,
                    rnd.choice((2, 2, 3, 10)) if repeated and rnd.random() < 0.25 else 0,
                    rnd.choice(((1,), (2,), (1, 2), (3, 1))) if repeated and rnd.random() < 0.25 else (),
                    _signs(rnd),
                    rnd.random() < 0.15,
                )
            )
        try:
            form = Form(tuple(bars))
            form.played.length  # noqa: B018  # unrolls
        except MusicError:  # a jump that leads nowhere, or repeats without end
            continue
        return form


def _bend(rnd: Random) -> Bend:
    kind = rnd.choice(("up", "release", "pre", "prerelease", "any", "any"))
    amount = rnd.choice((F(1, 2), F(1), F(2), F(3), F(12), F(1, 3), F(5, 4)))
    if kind != "any":
        ways = {"up": Bend.up, "release": Bend.up_release, "pre": Bend.pre, "prerelease": Bend.pre_release}
        return ways[kind](amount)
    times = sorted({F(rnd.randint(1, 47), 48) for _ in range(rnd.randint(0, 3))})
    heights = [F(rnd.randint(0, 24), rnd.choice((1, 2, 3))) for _ in range(len(times) + 2)]
    heights = [min(F(12), height) for height in heights]
    if not any(heights):
        heights[-1] = F(2)
    return Bend(tuple(zip((F(0), *times, F(1)), heights, strict=True)))


def _techniques(rnd: Random, fret: int, top: int, *, tied: bool) -> tuple[Technique, ...]:
    makers: tuple[Callable[[], Technique], ...] = (
        HammerOn, PullOff, lambda: Slide(rnd.choice(list(SlideKind))), lambda: Slide(rnd.choice(list(SlideKind))), Tap, Dead,
        Ghost, lambda: Harmonic(rnd.choice(list(HarmonicKind)), rnd.choice(SOUNDS)), lambda: _bend(rnd), lambda: _bend(rnd),
        lambda: Vibrato(rnd.random() < 0.5), lambda: Trill(rnd.randint(0, top)), lambda: TremoloPicking(rnd.randint(1, 3)),
        Staccato, lambda: Accent(rnd.random() < 0.5), PalmMute, LetRing, lambda: Stroke(rnd.random() < 0.5),
    )  # fmt: skip
    found: list[Technique] = []
    for make in rnd.sample(makers, rnd.choice((0, 0, 0, 1, 1, 2, 3, 6))):
        one = make()
        if tied and (isinstance(one, Tap | Dead | Ghost | Stroke) or reaches(one)):
            continue
        if isinstance(one, Trill) and one.fret == fret:
            continue
        if not list(conflicts([*found, one])):
            found.append(one)
    return tuple(found)


class _Maker:
    def __init__(self, rnd: Random) -> None:
        self.rnd = rnd
        self.neck = _instrument(rnd)
        self.form = _form(rnd)
        self.length = self.form.written.length
        self.starts = [bar.start for bar in self.form.written.bars]

    def moment(self) -> F:
        """Anywhere in the piece."""
        rnd = self.rnd
        bar = rnd.choice(self.form.written.bars)
        way = rnd.choice(("start", "grid", "any"))
        offset = {"start": F(0), "grid": rnd.choice(PARTS), "any": bar.bar.length * rnd.randint(0, 95) / 96}[
            way
        ]
        return bar.start + (offset if offset < bar.bar.length else F(0))

    def note(self, onset: F, duration: F, string: int, before: Note | None, *marks: Technique) -> Note:
        rnd, top = self.rnd, self.neck.highest_fret
        fret = rnd.choice((0, top, rnd.randint(0, top), min(top, 7)))
        tied = rnd.random() < 0.25 and duration > 0
        if before is not None and (tied or rnd.random() < 0.3):
            fret = before.fret
        midi = self.neck.midi(string, fret)
        names = [Spelling(step, alter) for step in "CDEFGAB" for alter in range(-3, 4)]
        fitting = [name for name in names if name.pitch_class == midi % 12]
        name = rnd.choice(fitting) if rnd.random() < 0.2 else None
        own = _techniques(rnd, fret, top, tied=tied)
        if marks:
            own = tuple(t for t in own if not list(conflicts([t, *marks])))
        return Note(
            onset, duration, string, fret, Pitch.from_midi(midi, name) if name else self.spelled(onset, midi), tied,
            (*own, *marks), rnd.choice((1, 1, 1, 2)),
            rnd.choice((self.dynamic, self.dynamic, self.dynamic, rnd.choice(DYNAMICS))),
            rnd.choice((None, None, None, 0, 1, 4)), rnd.choice((None, None, None, *PLUCKING)),
        )  # fmt: skip

    def spelled(self, onset: F, midi: int) -> Pitch:
        key = self.key
        for mark in self.keys:
            key = mark.key if mark.quarter <= onset else key
        return key.spell_midi(midi)

    def notes(self) -> list[Note]:
        rnd = self.rnd
        pool = sorted({self.moment() for _ in range(rnd.randint(1, 9))})
        found: list[Note] = []
        strings = range(1, len(self.neck.strings) + 1)
        for string in strings:
            onsets = [onset for onset in pool if rnd.random() < 0.5]
            before: Note | None = None
            now = F(0)
            for place, onset in enumerate(onsets):
                if onset < now:
                    continue
                after = onsets[place + 1] if place + 1 < len(onsets) else self.length
                room = rnd.choice((after, after, self.length)) - onset
                length = rnd.choice((room, min(room, rnd.choice(PARTS))))
                if rnd.random() < 0.15 and before is not None and before.end < onset:
                    length, onset = onset - before.end, before.end  # close behind the one before
                before = self.note(onset, length, string, before)
                now = before.end
                found.append(before)
        for _ in range(rnd.choice((0, 0, 1, 2))):
            onset = rnd.choice([*pool, self.moment()])
            if any(note.grace and note.onset == onset for note in found):
                continue
            for place in range(rnd.randint(1, 4)):
                grace = Grace(rnd.random() < 0.3, place > 0 and rnd.random() < 0.5)
                found.append(self.note(onset, F(0), rnd.choice(strings), None, grace))
        return found

    def tab(self) -> Tab:
        rnd = self.rnd
        self.key = _key(rnd)
        self.dynamic = rnd.choice(("mf", "mf", "p", "fff"))
        later = [start for start in self.starts[1:] if rnd.random() < 0.25]
        self.keys = tuple(KeyMark(start, _key(rnd)) for start in later)
        tempos = sorted({F(0)} | {self.moment() for _ in range(rnd.choice((0, 0, 1, 3)))})
        numbers = [bar.number for bar in self.form.bars]
        phrases: list[Phrase] = []
        for _ in range(rnd.choice((0, 0, 1, 2, 4))):
            span = sorted((rnd.choice(numbers), rnd.choice(numbers)))
            phrases.append(Phrase(_text(rnd), *span))
            if rnd.random() < 0.1:
                phrases.append(phrases[-1])
        verses = {(self.moment(), rnd.choice((1, 1, 1, 2, 9))) for _ in range(rnd.choice((0, 0, 1, 5)))}
        lyrics = []
        for moment, verse in sorted(verses):
            word = _text(rnd).replace("_", " ").strip() or "la-"
            lyrics.append(Lyric(moment, word, verse))
        remarks = [Remark(self.moment(), _text(rnd)) for _ in range(rnd.choice((0, 0, 1, 3)))]
        remarks += [Remark(r.quarter, "again") for r in remarks if rnd.random() < 0.2]
        comments = [
            Comment(rnd.randint(0, len(numbers)), _maybe(rnd, 0.9, lambda: _text(rnd), ""))
            for _ in range(rnd.choice((0, 0, 1, 3)))
        ]
        return Tab(
            self.neck, self.form, tuple(self.notes()), self.key,
            tuple(TempoMark(quarter, _float(rnd, 10.0, 500.0)) for quarter in tempos), tuple(phrases),
            _maybe(rnd, 0.6, lambda: _text(rnd), ""), rnd.choice((F(1, 2), F(2, 3), F(3, 5), F(98, 99))),
            rnd.choice((440.0, 442.5, _float(rnd, 380.0, 500.0))), self.keys, tuple(lyrics), tuple(remarks),
            tuple(comments),
        )  # fmt: skip


def whole_tab(rnd: Random) -> Tab:
    """One tab, made by these dice."""
    return _Maker(rnd).tab()


def whole_tabs() -> st.SearchStrategy[Tab]:
    """Any tab that the music can hold."""
    return st.builds(whole_tab, st.integers(0, 2**64).map(Random))
