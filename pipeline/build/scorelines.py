"""Tab, chart and form as lines of a portrait: label → short text, bar by printed bar.

Labels
------
``bar 7`` of a tab: a digest of what is played in the bars printed 7, and one of how its notes
are spelled; ``-`` when there are none. ``bar 3`` of a chart: its chords (``Am D7``); with a
digest behind ``~`` where they do not simply share the bar; ``bar 3 time 2`` where the times
through it differ; ``…`` before a chord that the chart does not say, ``!`` behind a stop, ``^``
behind a hit, ``_`` behind one that is held.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Sequence
from operator import attrgetter
from typing import Final

from pipeline.build.shorttext import DIGITS, LONGEST, hashed, short_text
from pipeline.music.chart import ChordSpan, Play
from pipeline.music.chord import Chord
from pipeline.music.errors import MusicError
from pipeline.music.metre import NO_SIGNS, Form
from pipeline.music.tab import Note, Tab

REST: Final = "-"
Lines = Iterator[tuple[str, str]]

_PLAY: Final = {Play.ON: "", Play.STOP: "!", Play.HIT: "^", Play.HOLD: "_"}
_PLAYED: Final = tuple(f.name for f in dataclasses.fields(Note) if f.name not in ("onset", "pitch"))
_played_of: Final = attrgetter(*_PLAYED)
# fields of a tab that get lines of their own; any other is told by its name
_OF_TAB: Final = ("instrument", "form", "notes", "key", "tempos", "phrases", "title")


class ScoreLines:
    """The lines of the music of one lesson; each tab, chart, form and note is read once.

    By identity: the values must live as long as this does.
    """

    def __init__(self) -> None:
        self._known: dict[tuple[int, str], list[tuple[str, str]]] = {}
        self._notes: dict[tuple[int, int], tuple[int, str, str]] = {}
        self._chords: dict[Chord | None, tuple[str, bool]] = {None: ("N.C.", True)}

    def of(self, music: Tab | Form | tuple[ChordSpan, ...], head: str) -> list[tuple[str, str]]:
        """The lines of a tab, a form, or the chords of a chart; ``head`` stands before each label.

        The same texts each time, so that what holds many of them is small and travels lightly.
        """
        if (id(music), head) not in self._known:
            if isinstance(music, Tab):
                lines = self._tab(music)
            elif isinstance(music, Form):
                lines = _form(music)
            else:
                lines = self._chart(music)
            self._known[id(music), head] = [(f"{head} {label}", text) for label, text in lines]
        return self._known[id(music), head]

    def _tab(self, tab: Tab) -> Lines:
        yield "title", short_text(tab.title)
        yield "key", tab.key.text()
        yield "tempo", short_text(tab.tempo_bpm)
        if len(tab.tempos) > 1:
            yield "tempos", short_text(tuple((str(mark.quarter), mark.bpm) for mark in tab.tempos))
        yield "instrument", short_text(tab.instrument.name)
        yield "tuning", " ".join(str(pitch) for pitch in reversed(tab.instrument.strings))
        yield "capo", str(tab.instrument.capo)
        yield "neck", hashed(repr(tab.instrument))
        for number, phrase in enumerate(tab.phrases, 1):
            yield f"phrase {number}", short_text(f"{phrase.name}: bars {phrase.first}–{phrase.last}")
        for item in dataclasses.fields(tab):
            if item.name not in _OF_TAB:
                yield item.name, short_text(getattr(tab, item.name))
        yield from _form(tab.form)
        played: dict[int, list[str]] = {bar.number: [] for bar in tab.form.bars}
        spelled: dict[int, list[str]] = {bar.number: [] for bar in tab.form.bars}
        for note in tab.notes:
            number, what, name = self._note(note, tab.form)
            played[number].append(what)
            spelled[number].append(name)
        for number, notes in played.items():
            said = f"{hashed(' '.join(notes))} {hashed(' '.join(spelled[number]))}" if notes else REST
            yield f"bar {number}", said

    def _note(self, note: Note, form: Form) -> tuple[int, str, str]:
        """Printed bar, what is played, how it is spelled."""
        at = (id(note), id(form))
        if at not in self._notes:
            bar = form.written.bar_at(note.onset)
            # the place in the bar, not in the piece: a bar put in before does not touch it; the
            # index tells apart what stands in two bars of one number
            index = bar.index if _repeated(form, bar.bar.number) else ""
            played = f"{index}@{note.onset - bar.start}{_played_of(note)!r}"
            self._notes[at] = (bar.bar.number, played, str(note.pitch))
        return self._notes[at]

    def _chart(self, spans: Sequence[ChordSpan]) -> Lines:
        bars: list[list[ChordSpan]] = []
        sections: list[tuple[str, str | None]] = []
        for span in spans:
            if bars and (bars[-1][0].bar is span.bar or bars[-1][0].bar == span.bar):
                bars[-1].append(span)
            else:
                bars.append([span])
            if not sections or sections[-1][1] != span.section:
                sections.append((str(span.start), span.section))
        yield "form", hashed(repr([in_bar[0].bar for in_bar in bars]))
        yield "sections", hashed(repr(sections))
        printed: dict[int, list[str]] = {}
        for in_bar in bars:
            printed.setdefault(in_bar[0].bar.bar.number, []).append(self._chords_of(in_bar))
        for number, times in printed.items():
            if len(set(times)) == 1:
                yield f"bar {number}", times[0]
            else:
                for time, text in enumerate(times, 1):
                    yield f"bar {number} time {time}", text

    def _chords_of(self, spans: Sequence[ChordSpan]) -> str:
        """The chords of one played bar."""
        bar = spans[0].bar
        share = bar.bar.length / len(spans)
        exact = all(
            span.start == bar.start + place * share and span.end == span.start + share
            for place, span in enumerate(spans)
        )
        words = []
        for span in spans:
            if span.chord not in self._chords:
                self._chords[span.chord] = _chord_text(span.chord)
            text, plain = self._chords[span.chord]
            exact = exact and plain and not span.push
            words.append(("…" if span.implied else "") + text + _PLAY[span.play])
        said = " ".join(words)
        if exact and len(said) <= LONGEST:
            return said
        whole = [
            (str(s.start - bar.start), str(s.end - bar.start), s.chord, s.play.value, s.implied, str(s.push))
            for s in spans
        ]
        return f"{said[: LONGEST - DIGITS - 2]} ~{hashed(repr(whole))}"


def _repeated(form: Form, number: int) -> bool:
    """Whether more than one written bar carries this number."""
    first, last = form.bars[0].number, form.bars[-1].number
    return len(form.bars) != last - first + 1 and sum(bar.number == number for bar in form.bars) > 1


def _chord_text(chord: Chord | None) -> tuple[str, bool]:
    """A chord as musicians write it, and whether that says all of it."""
    if chord is None:
        return "N.C.", True
    text = chord.text()
    try:
        return text, Chord.parse(text) == chord
    except MusicError:
        return text, False


def _form(form: Form) -> Lines:
    metres = [str(form.bars[0].metre)]
    for before, bar in zip(form.bars, form.bars[1:], strict=False):
        if bar.metre != before.metre:
            metres.append(f"{bar.metre} from bar {bar.number}")
    signs = [
        (bar.number, bar.repeat_start, bar.repeat_times, bar.endings, bar.signs)
        for bar in form.bars
        if bar.repeat_start or bar.repeat_times or bar.endings or bar.signs != NO_SIGNS
    ]
    yield "bars", str(len(form.bars))
    yield "metre", short_text(", ".join(metres))
    yield "repeats", hashed(repr(signs)) if signs else "none"
    yield "form", hashed(repr(form.bars))
