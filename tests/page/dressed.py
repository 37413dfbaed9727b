"""Made-up tabs that also have what stands beside the notes: signs, words, keys, fingers, voices."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction as F

from hypothesis import strategies as st

from pipeline.music.errors import MusicError
from pipeline.music.harmonic import harmonic_sounds
from pipeline.music.key import Key
from pipeline.music.metre import Form, Jump, Signs
from pipeline.music.tab import DYNAMICS, PLUCKING, Comment, KeyMark, Lyric, Note, Remark, Tab
from pipeline.music.technique import Bend, Harmonic, HarmonicKind, Technique, Trill, Vibrato
from tests.strategies import KEYS, tabs

SYLLABLES = ["la", "riv-", "er", "é-", "don't", "-", "a--", "ñ & <x>", '"so"', "1."]
REMARKS = ["rit.", "Fine", "P.M.", "second time softly", "q = 120", "D.C. al Coda", "swing 2:1", "tr & <x>"]


def _signs(draw: st.DrawFn, form: Form) -> Form:
    """Any signs that lead somewhere, double barlines."""
    flag = st.integers(0, 4).map(lambda n: n == 0)
    jumps = st.builds(Jump, st.sampled_from(["start", "segno"]), st.sampled_from(["end", "fine", "coda"]))
    bars = tuple(
        replace(
            bar,
            double=draw(flag) and not bar.repeat_times,
            signs=Signs(
                draw(flag), draw(flag), draw(flag), draw(flag), draw(st.one_of(st.none(), st.none(), jumps))
            ),
        )
        for bar in form.bars
    )
    for _ in bars:
        try:
            found = Form(bars)
            found.played  # noqa: B018
            return found
        except MusicError:
            place = next(i for i in reversed(range(len(bars))) if bars[i].signs.jump)
            plain = replace(bars[place], signs=replace(bars[place].signs, jump=None))
            bars = (*bars[:place], plain, *bars[place + 1 :])
    return Form(bars)


ANY_HEIGHTS = (F(0), F(1, 2), F(1), F(2), F(2), F(3, 4), F(1, 3))
SEMITONES = (F(0), F(1), F(2), F(2), F(3))


@st.composite
def curves(draw: st.DrawFn, among: Sequence[F] = ANY_HEIGHTS) -> Bend:
    """Any bend through these heights: uneven times, holds with places of their own."""
    inner = draw(st.lists(st.fractions(F(1, 20), F(19, 20), max_denominator=30), max_size=4, unique=True))
    heights = st.sampled_from(among)
    points = [(time, draw(heights)) for time in [F(0), *sorted(inner), F(1)]]
    if all(height == 0 for _, height in points):
        points[-1] = (F(1), F(1))
    return Bend(tuple(points))


def _technique(
    draw: st.DrawFn, tab: Tab, note: Note, technique: Technique, heights: Sequence[F]
) -> Technique:
    if isinstance(technique, Bend):
        return draw(curves(heights))
    if isinstance(technique, Harmonic) and draw(st.booleans()):
        natural = technique.kind is HarmonicKind.NATURAL
        usual = harmonic_sounds(note.fret) if natural else 12
        return Harmonic(technique.kind, draw(st.sampled_from([usual or 12, 12, 19, 31, 36])))
    if isinstance(technique, Trill):
        frets = [f for f in range(tab.instrument.highest_fret + 1) if f != note.fret]
        return Trill(draw(st.sampled_from(frets)))
    return technique


def _note(draw: st.DrawFn, tab: Tab, note: Note, heights: Sequence[F]) -> Note:
    techniques = [_technique(draw, tab, note, technique, heights) for technique in note.techniques]
    if any(isinstance(t, Trill) for t in techniques) and draw(st.booleans()):
        techniques.append(Vibrato(wide=draw(st.booleans())))
    rarely = st.integers(0, 9).map(lambda n: n == 0)
    return replace(
        note,
        techniques=tuple(techniques),
        voice=2 if draw(rarely) else 1,
        dynamic=draw(st.sampled_from(DYNAMICS)) if draw(rarely) else note.dynamic,
        finger=draw(st.integers(0, 4)) if draw(rarely) else None,
        pluck=draw(st.sampled_from(PLUCKING)) if draw(rarely) else None,
    )


@st.composite
def dressed_tabs(draw: st.DrawFn, *, odd: bool = False, heights: Sequence[F] = ANY_HEIGHTS) -> Tab:
    """``odd``: in durations no engraver would write; ``heights`` : of bends, semitones."""
    tab = draw(tabs(odd=odd))
    form = _signs(draw, tab.form)
    starts = [bar.start for bar in form.written.bars][1:]
    length = form.written.length
    places = st.sampled_from(sorted({n.onset for n in tab.notes} | {length * F(k, 7) for k in range(7)}))
    keys = st.sampled_from(KEYS).map(Key.parse)
    changes = draw(st.lists(st.sampled_from(starts), max_size=2, unique=True)) if starts else []
    sung = draw(st.lists(st.tuples(places, st.integers(1, 3)), max_size=6, unique=True))
    said = draw(st.lists(st.tuples(places, st.sampled_from(REMARKS)), max_size=4))
    return replace(
        tab,
        form=form,
        notes=tuple(_note(draw, tab, note, heights) for note in tab.notes),
        key_changes=tuple(KeyMark(start, draw(keys)) for start in sorted(changes)),
        lyrics=tuple(Lyric(at, draw(st.sampled_from(SYLLABLES)), verse) for at, verse in sung),
        remarks=tuple(Remark(at, text) for at, text in said),
        comments=(Comment(0, "try slowly"),) if draw(st.booleans()) else (),
    )
