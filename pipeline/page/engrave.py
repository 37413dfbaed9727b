"""A tab as printed pages: notation over tab, chord names, phrases, every technique, as SVG and PDF."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Final
from xml.etree.ElementTree import Element

from pipeline.errors import MisuseError
from pipeline.music.chart import ChordSpan
from pipeline.music.pitch import A4_HZ
from pipeline.music.tab import Tab
from pipeline.music.technique import Bend, Harmonic
from pipeline.page.breaks import line_starts
from pipeline.page.chordxml import ShownChord, shown_chords
from pipeline.page.directions import Directions, counted, swing_words
from pipeline.page.layers import Layout, lay_out
from pipeline.page.look import Look, default_look, legible
from pipeline.page.marks import Marks
from pipeline.page.musicxml import engraver_score
from pipeline.page.notations import links_of, usual_sounds
from pipeline.page.pdf import bind
from pipeline.page.scorexml import ScoreWriter
from pipeline.page.sheet import MARGIN, PAPERS, Heading, pages, restyle
from pipeline.page.systems import Drawing, System, draw, natural_widths

_SETTINGS: Final = 4
_FIRST_GAP: Final = 7.0  # steps between the staves when nothing is in the way


@dataclass(frozen=True, slots=True)
class Engraving:
    """Printed pages.

    pages : one SVG document each
    pdf : all of them
    notes : what had to be changed or left out to fit the page, one sentence each
    """

    pages: tuple[str, ...]
    pdf: bytes
    notes: tuple[str, ...] = ()


def engrave(
    tab: Tab,
    spans: Sequence[ChordSpan] = (),
    *,
    look: Look | None = None,
    credit: str = "",
    footer: str = "",
    paper: str = "a4",
) -> Engraving:
    """Set a tab on paper.

    Parameters
    ----------
    spans : chords over the played form
    credit : stands at the right of the title
    footer : terms of use and the like, on every page
    paper : a key of :data:`pipeline.page.sheet.PAPERS`

    Raises
    ------
    MisuseError : unknown paper.
    StepError : the engraver or the binder failed.
    """
    if paper not in PAPERS:
        raise MisuseError(f"there is no paper {paper!r}; known: {', '.join(PAPERS)}")
    look = _for_print(look or default_look())
    layout = lay_out(tab)
    chords, chord_notes = shown_chords(spans, tab.form)
    width, height = PAPERS[paper]
    score = _broken(tab, layout, chords, width - 2 * MARGIN)
    drawing = _with_room(tab, score, look, width=width - 2 * MARGIN)
    for system in drawing.systems:
        restyle(system, look)
    heading = Heading(tab.title, credit, facts_line(tab), footer)
    made = pages(drawing, heading, look, paper=paper)
    pdf = bind(made, look, width_mm=width / 100, height_mm=height / 100, title=tab.title, author=credit)
    notes = (*layout.notes, *chord_notes, *_not_shown(tab), *_missing_signs(tab, look, credit, footer))
    return Engraving(made, pdf, notes)


def _for_print(look: Look) -> Look:
    """On white: printer's ink is dear, and the channel's paper colour is for screens."""
    white = "#ffffff"
    return replace(
        look,
        paper=white,
        ink=legible(look.ink, on=white, ratio=7.0),
        accent=legible(look.accent, on=white),
    )


def _broken(tab: Tab, layout: Layout, chords: Sequence[ShownChord], width: float) -> bytes:
    """The score for the engraver, broken into lines."""

    def score(starts: tuple[int, ...]) -> bytes:
        writer = ScoreWriter(tab, layout, chords, for_engraver=True, line_starts=starts)
        return engraver_score(writer)

    widths, lead = natural_widths(score(()))
    for note in tab.notes:
        # a string that moves several times in one note wants room that its duration does not give
        bend = note.get(Bend)
        if bend is not None:
            moves = sum(a[1] != b[1] for a, b in itertools.pairwise(bend.points))
            widths[tab.form.written.bar_at(note.onset).index] += 300.0 * max(0, moves - 1)
    phrases = {tab.form.bar_span(phrase.first, phrase.last)[0] for phrase in tab.phrases}
    starts = line_starts(widths, width, lead=lead, phrases=phrases)
    return score(starts)


def _with_room(tab: Tab, score: bytes, look: Look, *, width: float) -> Drawing:
    """The drawing with our marks, the staves of each line as far apart as its marks need.

    The engraver knows one distance for the whole piece, so it sets the piece again with wider
    ones, and each line is taken from the narrowest setting in which nothing is in the way.
    """
    links = links_of(tab)
    graces = {index: note.string for index, note in enumerate(tab.notes) if note.grace}
    chosen: dict[int, System] = {}
    glyphs: dict[str, Element] = {}
    gap = _FIRST_GAP
    for attempt in range(_SETTINGS):
        drawing = draw(score, len(tab.form.bars), width=width, staff_gap=gap, graces=graces)
        glyphs.update(drawing.glyphs)
        wanted: list[float] = []
        for place, system in enumerate(drawing.systems):
            if place in chosen:
                continue
            marks = Marks(tab, system, links, look)
            system.element.append(marks.draw())
            system.top = min([system.top, *(box.top for box in marks.boxes)])
            system.bottom = max([system.bottom, *(box.bottom for box in marks.boxes)])
            short = marks.short_of_room()
            if short <= 0 or attempt + 1 == _SETTINGS:
                chosen[place] = system
            else:
                wanted.append(gap + short / (system.gap / 2) + 0.5)
        if not wanted:
            break
        # first what serves half of the lines, at last what serves all
        gap = max(wanted) if attempt else sorted(wanted)[len(wanted) // 2]
    return Drawing(tuple(chosen[place] for place in sorted(chosen)), glyphs)


def _not_shown(tab: Tab) -> Iterator[str]:
    """Notes on marks of the tab that the page has no place for."""
    apart = Directions(tab, for_engraver=True).apart
    if apart:
        where = tab.where(tab.notes[min(apart)])
        yield f"{where}: notes struck together at different loudness; the page shows the loudest"
    odd = [
        note
        for note in tab.notes
        if (harmonic := note.get(Harmonic)) and harmonic.sounds != usual_sounds(harmonic, note.fret)
    ]
    if odd:
        others = f" ({len(odd)} such)" if len(odd) > 1 else ""
        yield f"{tab.where(odd[0])}: which partial the harmonic sounds is not on the page{others}"
    for bar in tab.form.bars:
        if bar.double and bar.repeat_times:
            yield f"bar {bar.number}: the page shows the repeat sign, not the double barline"


def _missing_signs(tab: Tab, look: Look, *texts: str) -> tuple[str, ...]:
    """A note on letters that the look's fonts do not have, or none."""
    named = [phrase.name for phrase in tab.phrases]
    said = [lyric.text for lyric in tab.lyrics] + [remark.text for remark in tab.remarks]
    words = "".join((tab.title, *texts, *named, *said))
    missing = sorted({c for c in words if not c.isspace() and not look.has_glyph(c)})
    if not missing:
        return ()
    return (
        f"the fonts of the look have no sign for {' '.join(missing)}; give a font that has, or other words",
    )


def facts_line(tab: Tab) -> str:
    """What a player sets up first: instrument, tuning, capo, key, tempo, swing."""
    instrument = tab.instrument
    tuning = " ".join(re.sub(r"-?\d+$", "", _sign(str(pitch))) for pitch in reversed(instrument.strings))
    facts = [instrument.name[:1].upper() + instrument.name[1:], f"tuning {tuning}"]
    if instrument.capo:
        facts.append(f"capo {instrument.capo}")
    facts.append(tab.key.symbol())
    dotted, beats = counted(tab.tempo_bpm, tab.form.bars[0].metre)
    facts.append(f"♩{'.' if dotted else ''} = {beats:g}")
    if tab.swing != Fraction(1, 2):
        facts.append(swing_words(tab.swing))
    if tab.a4_hz != A4_HZ:
        facts.append(f"A = {tab.a4_hz:g} Hz")
    return "  ·  ".join(facts)


def _sign(name: str) -> str:
    return name[:1] + name[1:].replace("#", "♯").replace("b", "♭")
