"""Music made up by hypothesis: tabs as an engraver writes them; ``wholetabs`` makes any tab there can be."""

from __future__ import annotations

from fractions import Fraction as F

from hypothesis import strategies as st

from pipeline.music.instrument import INSTRUMENTS
from pipeline.music.key import Key
from pipeline.music.metre import Bar, Form, Metre
from pipeline.music.tab import DYNAMICS, Note, Phrase, Tab, TempoMark
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

METRES = [Metre(4, 4), Metre(3, 4), Metre(6, 8), Metre(2, 4), Metre(7, 8), Metre(12, 8), Metre(5, 4)]
KEYS = ["C", "Am", "F#m", "Bb", "E dorian", "Eb", "C#m", "G mixolydian"]
# a quarter's, or two quarters', worth of steps; what is left of a bar is filled with eighths
CELLS = [
    [F(1)], [F(1, 2)] * 2, [F(3, 4), F(1, 4)], [F(1, 4)] * 4, [F(1, 3)] * 3, [F(2, 3), F(1, 3)], [F(1, 5)] * 5, [F(2)],
    [F(3, 2), F(1, 2)], [F(2, 3)] * 3, [F(2, 7)] * 7, [F(1, 8), F(1, 8), F(1, 4), F(1, 2)], [F(5, 4), F(3, 4)],
]  # fmt: skip
ODD = [F(1, 5), F(1, 3), F(3, 8), F(2, 7), F(5, 6), F(1, 48)]
NATURAL = [(12, 12), (7, 19), (5, 24), (4, 28), (9, 28), (19, 19), (24, 24)]


def bends() -> st.SearchStrategy[Bend]:
    amounts = st.sampled_from([F(1, 2), F(1), F(3, 2), F(2), F(3)])
    makers = [Bend.up, Bend.up_release, Bend.pre, Bend.pre_release]
    return st.builds(lambda make, amount: make(amount), st.sampled_from(makers), amounts)


@st.composite
def _own(draw: st.DrawFn, fret: int, top: int) -> tuple[int, list[Technique]]:
    """What one struck note is, and its fret, in the order the text tab gives them."""
    kind = draw(
        st.sampled_from(
            ["plain"] * 6 + ["bend", "dead", "ghost", "natural", "artificial", "pinch", "trill", "shake"]
        )
    )
    found: list[Technique] = []
    if kind == "dead":
        return fret, [Dead()]
    if kind == "ghost":
        found.append(Ghost())
    elif kind == "natural":
        fret, sounds = draw(st.sampled_from([pair for pair in NATURAL if pair[0] <= top]))
        found.append(Harmonic(HarmonicKind.NATURAL, sounds))
    elif kind == "artificial":
        found.append(Harmonic(HarmonicKind.ARTIFICIAL, draw(st.sampled_from([12, 19, 24]))))
    elif kind == "pinch":
        found.append(Harmonic(HarmonicKind.PINCH, draw(st.sampled_from([12, 19, 24, 28]))))
    if kind == "bend":
        found.append(draw(bends()))
    if kind in ("bend", "shake") and draw(st.booleans()):
        found.append(Vibrato(wide=draw(st.booleans())))
    if kind == "trill":
        found.append(Trill(fret + 2 if fret + 2 <= top else fret - 2))
    if draw(st.integers(0, 11)) == 0:
        found.append(Slide(draw(st.sampled_from([SlideKind.OUT_UP, SlideKind.OUT_DOWN]))))
    if draw(st.integers(0, 11)) == 0:
        found.append(TremoloPicking(draw(st.integers(1, 3))))
    if draw(st.integers(0, 11)) == 0:
        found.append(Staccato())
    if draw(st.integers(0, 11)) == 0:
        found.append(Accent(strong=draw(st.booleans())))
    return fret, found


def _reached(draw: st.DrawFn, before: Note | None, fret: int) -> list[Technique]:
    """How a note is reached from the one before on its string."""
    kinds: list[Technique] = [Slide(SlideKind.IN_BELOW), Slide(SlideKind.IN_ABOVE), Tap()]
    if before is not None:
        kinds += [HammerOn()] * 2 if fret > before.fret else [PullOff()] * 2 if fret < before.fret else []
        kinds.append(Slide(SlideKind.SHIFT))
        outs = [
            t
            for t in before.techniques
            if isinstance(t, Slide) and t.kind in (SlideKind.OUT_UP, SlideKind.OUT_DOWN)
        ]
        kinds += [] if outs else [Slide(SlideKind.LEGATO)] * 2
    return [draw(st.sampled_from(kinds))] if draw(st.integers(0, 4)) == 0 else []


@st.composite
def forms(draw: st.DrawFn) -> Form:
    """1 to 6 bars; pickup, changes of metre, repeats and endings."""
    count = draw(st.integers(1, 6))
    metre = draw(st.sampled_from(METRES))
    bars: list[Bar] = []
    pickup = count > 1 and draw(st.booleans())
    repeated = draw(st.sampled_from(["", "", "all", "endings"])) if count > 4 else ""
    for index in range(count):
        if index and draw(st.integers(0, 5)) == 0:
            metre = draw(st.sampled_from(METRES))
        short = pickup and index == 0
        bars.append(
            Bar(
                index if pickup else index + 1,
                metre,
                metre.quarters - draw(st.sampled_from([F(1), F(1, 2)])) if short else metre.quarters,
                short,
                repeat_start=bool(repeated) and index == 1,
                repeat_times={"all": {count - 1: draw(st.integers(2, 4))}, "endings": {3: 2}}.get(
                    repeated, {}
                ).get(index, 0),
                endings={3: (1,), 4: (2,)}.get(index, ()) if repeated == "endings" else (),
            )
        )
    return Form(tuple(bars))


def _steps(draw: st.DrawFn, length: F, *, odd: bool) -> list[F]:
    """Steps that fill a bar."""
    found: list[F] = []
    left = length
    while left > 0:
        if odd:
            cell = [min(left, draw(st.sampled_from(ODD)))]
        else:
            fitting = [cell for cell in CELLS if sum(cell) <= left]
            cell = draw(st.sampled_from(fitting)) if fitting else [min(left, F(1, 2))]
        found += cell
        left -= sum(cell)
    return found


@st.composite
def tabs(draw: st.DrawFn, *, odd: bool = False) -> Tab:
    """A tab that the text format can hold in full; ``odd``: in durations no engraver would write."""
    neck = INSTRUMENTS[draw(st.sampled_from(sorted(INSTRUMENTS)))]
    neck = neck.with_capo(draw(st.sampled_from([0, 0, 0, 2])))
    key = Key.parse(draw(st.sampled_from(KEYS)))
    form = draw(forms())
    notes: list[Note] = []
    last: dict[int, Note] = {}
    top = neck.highest_fret - 6
    dynamic = "mf"
    for bar in form.written.bars:
        now = bar.start
        for step in _steps(draw, bar.bar.length, odd=odd):
            strings = draw(st.lists(st.integers(1, len(neck.strings)), max_size=3, unique=True))
            tying = [n for n in last.values() if n.end == now and not n.has(Dead, Ghost, Harmonic)]
            extra: list[Technique] = []
            if draw(st.integers(0, 5)) == 0:
                extra.append(draw(st.sampled_from([PalmMute(), LetRing()])))
            if draw(st.integers(0, 7)) == 0:
                extra.append(Stroke(down=draw(st.booleans())))
            if strings and draw(st.integers(0, 9)) == 0:
                dynamic = draw(st.sampled_from(DYNAMICS))
            held = step if draw(st.integers(0, 6)) else min(step * 2, form.written.length - now)
            tied = {n.string: n for n in tying} if draw(st.integers(0, 5)) == 0 else {}
            # what still sounds on a string keeps it busy
            strings = sorted(s for s in set(strings) | set(tied) if s not in last or last[s].end <= now)
            graced = draw(st.integers(0, 9)) == 0 and not tied
            for string in strings:
                before = last.get(string)
                marks = list(extra)
                if string in tied:
                    own, fret = [], tied[string].fret
                    marks = [t for t in extra if not isinstance(t, Stroke)]  # it is not struck again
                else:
                    fret = draw(st.integers(0, top))
                    reached = _reached(draw, before, fret)
                    fret, own = draw(_own(fret, top + 6))
                    if (
                        before is not None
                        and any(isinstance(t, HammerOn | PullOff) for t in reached)
                        and fret == before.fret
                    ):
                        reached = []
                    # a soft note that looks like the end of a tie would be read as one
                    if tied and any(isinstance(t, Ghost) for t in own):
                        own = [t for t in own if not isinstance(t, Ghost)]
                    if graced and not any(isinstance(t, Slide) for t in reached):
                        quick = max(0, fret - 1)
                        pitch = key.spell_midi(neck.midi(string, quick))
                        grace = Note(
                            now,
                            F(0),
                            string,
                            quick,
                            pitch,
                            techniques=(Grace(draw(st.booleans())),),
                            dynamic=dynamic,
                        )
                        notes.append(grace)
                        reached = []
                    own = reached + own
                pitch = key.spell_midi(neck.midi(string, fret))
                note = Note(
                    now, held, string, fret, pitch, string in tied, tuple(own + marks), dynamic=dynamic
                )
                notes.append(note)
                last[string] = note
            now += step
    starts = [bar.start for bar in form.written.bars]
    places = sorted(
        {F(0)} | set(draw(st.lists(st.sampled_from([*starts, starts[-1] + F(1, 2)]), max_size=2)))
    )
    tempos = tuple(TempoMark(q, draw(st.integers(40, 240)) / 2) for q in places)
    names = st.text("abcXYZ é([]:|#-7", min_size=1, max_size=8).map(lambda t: " ".join(t.split()))
    numbers = [bar.number for bar in form.bars]
    spans = draw(
        st.lists(st.tuples(st.sampled_from(numbers), st.sampled_from(numbers)), max_size=3, unique=True)
    )
    titles = draw(st.lists(names.filter(bool), min_size=len(spans), max_size=len(spans), unique=True))
    phrases = sorted(
        (Phrase(name, min(span), max(span)) for name, span in zip(titles, spans, strict=True)),
        key=lambda p: (p.first, p.last),
    )
    swing = draw(st.sampled_from([F(1, 2), F(2, 3), F(3, 5)]))
    return Tab(
        neck,
        form,
        tuple(notes),
        key,
        tempos,
        tuple(phrases),
        "Made up",
        swing,
        draw(st.sampled_from([440.0, 442.5])),
    )
