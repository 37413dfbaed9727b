"""A step's portrait: all that decides its outputs, cut small enough to say what changed.

The digest of a step says *that* something is different; two portraits laid side by side say
*what*: which bars, which chord, which colour. What other steps have made is no part of it.

Conventions
-----------
A portrait maps labels to short texts. Plain values stand as they read, up to 60 characters;
anything else as the first 12 hexadecimal digits of a digest. Texts of different values differ:
a string that could be taken for something else stands in quotes.

- ``tab bar 7`` what is played in the bars printed 7, then how its notes are spelled; ``-`` rests
- ``chart bar 3`` its chords; ``chart bar 3 time 2`` where one time through differs
- ``file take`` digest and name; ``code ROOM``, ``library NAME``, ``output 1``
- everything else by the names of fields and keys: ``facts lesson title``

Steps that hold the same value (one tab in six of them) hold the same lines: see :func:`packed`.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from enum import Enum
from fractions import Fraction
from operator import attrgetter
from pathlib import Path
from typing import Any, Final

from pipeline.build.digest import code_digest, input_digest, library_version, value_digest
from pipeline.build.reasons import because as because
from pipeline.build.step import Step
from pipeline.music.chart import ChordSpan
from pipeline.music.chord import Chord
from pipeline.music.errors import MusicError
from pipeline.music.metre import Form
from pipeline.music.tab import Note, Tab

Portrait = dict[str, str]

_LONGEST: Final = 60
_DIGITS: Final = 12
REST: Final = "-"
# strings that read like a number, a digest, another kind of value, or a list
_CONFUSING: Final = re.compile(
    r"""\s*|[-+]?(\d+(\.\d*)?(e[-+]?\d+)?|inf|nan)(/\d+)?|[0-9a-f]{12}.*|none|yes|no|["\[({].*|\w+\(.*""",
    re.DOTALL,
)
_WORD: Final = re.compile(r"[^\W\d][\w-]*")
_PLAYED: Final = tuple(f.name for f in dataclasses.fields(Note) if f.name not in ("onset", "pitch"))
_played_of: Final = attrgetter(*_PLAYED)
# fields of a tab that get lines of their own; any other is painted like every value
_OF_TAB: Final = ("instrument", "form", "notes", "key", "tempos", "phrases", "title")


def portrait(step: Step) -> Portrait:
    """The portrait of one step; see :func:`portraits`."""
    return _Painter().of(step)


def portraits(steps: Iterable[Step]) -> dict[str, Portrait]:
    """The portraits of the steps of one lesson, by name. What several steps hold is read once.

    Raises
    ------
    OSError : a source cannot be read.
    TypeError : a parameter has no digest.
    """
    painter = _Painter()
    return {step.name: painter.of(step) for step in steps}


def packed(many: Mapping[str, Mapping[str, str]]) -> dict[str, Any]:
    """Portraits with what they share written once, as plain JSON data for :func:`unpacked`.

    Lines are shared in groups, by the first word of their labels.
    """
    places: dict[tuple[tuple[str, str], ...], int] = {}
    steps: dict[str, list[int]] = {}
    for name, lines in many.items():
        groups: dict[str, list[tuple[str, str]]] = {}
        for line in lines.items():
            groups.setdefault(line[0].split(" ", 1)[0], []).append(line)
        steps[name] = [places.setdefault(tuple(group), len(places)) for group in groups.values()]
    return {"lines": [dict(group) for group in places], "steps": steps}


def unpacked(data: Mapping[str, Any]) -> dict[str, Portrait]:
    """Inverse of :func:`packed`.

    Raises
    ------
    KeyError, IndexError, TypeError, ValueError : it is not what :func:`packed` makes.
    """
    groups = data["lines"]
    found: dict[str, Portrait] = {}
    for name, places in data["steps"].items():
        found[name] = {label: text for place in places for label, text in groups[place].items()}
    return found


def _hashed(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:_DIGITS]


def _string(text: str) -> str:
    plain = text.isprintable() and not _CONFUSING.fullmatch(text)
    return text if plain else json.dumps(text, ensure_ascii=False)


def _plain(value: object) -> str | None:
    """A plain value as it reads, None for any other."""
    match value:
        case None:
            return "none"
        case Enum():
            return None
        case bool():
            return "yes" if value else "no"
        case int() | float():
            return repr(value)
        case Fraction():
            return f"{value.numerator}/{value.denominator}"
        case str():
            return _string(value)
    return None


def _item(value: object) -> str | None:
    text = _plain(value)
    if isinstance(value, str) and re.search(r'[,()\[\]"]', value):
        return json.dumps(value, ensure_ascii=False)
    return text


def _row(value: object) -> Sequence[object] | None:
    """The columns of a dataclass or a sequence."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return [getattr(value, f.name) for f in dataclasses.fields(value)]
    return value if isinstance(value, tuple | list) else None


def _text(value: object) -> str:
    """Any value, short: as it reads when it is plain or a row of plain things, else its digest."""
    text = _plain(value)
    if text is None and (row := _row(value)) is not None:
        items = [_item(item) for item in row]
        if None not in items:
            listed = ", ".join(map(str, items))
            text = f"[{listed}]" if isinstance(value, tuple | list) else f"{type(value).__name__}({listed})"
    return text if text is not None and len(text) <= _LONGEST else value_digest(value)[:_DIGITS]


def _names(rows: Sequence[Sequence[object]]) -> list[str] | None:
    """What to call rows by: their first column of texts in which no two are the same."""
    for column in range(min(map(len, rows))):
        names = [row[column] for row in rows]
        if all(isinstance(name, str) for name in names) and len(set(names)) == len(names):
            return [str(name) for name in names]
    return None


class _Painter:
    """Paints the steps of one lesson, and each tab, chart and form only once.

    By identity: the values live as long as the steps that hold them.
    """

    def __init__(self) -> None:
        self._tabs: dict[int, list[tuple[str, str]]] = {}
        self._charts: dict[int, list[tuple[str, str]]] = {}
        self._forms: dict[int, list[tuple[str, str]]] = {}
        self._notes: dict[tuple[int, int], tuple[int, str, str]] = {}
        self._chords: dict[Chord | None, tuple[str, bool]] = {None: ("N.C.", True)}

    def of(self, step: Step) -> Portrait:
        found: Portrait = {}
        for label, text in self._lines(step):
            while label in found:  # a key that is called like one of ours
                label += "'"
            found[label] = text
        return found

    def _lines(self, step: Step) -> Iterator[tuple[str, str]]:
        params = step.params
        rooms = (step.function.__module__, *step.rooms)
        yield "function", f"{step.function.__module__}.{step.function.__qualname__}"
        yield "version", str(step.version)
        yield from self._value((), params)
        for role, sha in step.input_digests.items():
            yield f"file {role}", f"{sha[:_DIGITS]} {dict(step.files)[role].name}"
        for number, output in enumerate(step.outputs, 1):
            yield f"output {number}", output.name
        yield "rooms", _hashed("\n".join(rooms))
        for room in dict.fromkeys(rooms):
            yield f"code {room}", code_digest(room)[:_DIGITS]
        for name in step.libraries:
            yield f"library {name}", library_version(name)

    def _value(self, path: tuple[str, ...], value: object) -> Iterator[tuple[str, str]]:
        label = " ".join(path) or "params"
        if isinstance(value, Tab):
            yield from _under(path, "tab", self._tab(value))
        elif isinstance(value, Form):
            yield from _under(path, "form", self._form(value))
        elif isinstance(value, tuple) and value and all(isinstance(item, ChordSpan) for item in value):
            yield from _under(path, "chart", self._chart(value))
        elif isinstance(value, Path):
            yield f"file {label}", f"{input_digest(value)[:_DIGITS]} {value.name}"
        elif dataclasses.is_dataclass(value) and not isinstance(value, type):
            yield label, type(value).__qualname__
            for item in dataclasses.fields(value):
                yield from self._value((*path, item.name), getattr(value, item.name))
        elif isinstance(value, Mapping) and value:
            for key in sorted(value, key=str):
                yield from self._value((*path, _key(key)), value[key])
        elif isinstance(value, tuple | list) and any(_plain(item) is None for item in value):
            yield from self._rows(label, value)
        else:
            yield label, "{}" if isinstance(value, Mapping) else _text(value)

    @staticmethod
    def _rows(label: str, rows: Sequence[object]) -> Iterator[tuple[str, str]]:
        """One line for each, by name where they have one, so that one more moves no other."""
        columns = [_row(row) for row in rows]
        known = [columns_of for columns_of in columns if columns_of]
        names = _names(known) if len(known) == len(rows) else None
        if names is None:
            yield label, f"{len(rows)} rows"
            names = [str(number) for number in range(1, len(rows) + 1)]
        else:
            yield label, _text(tuple(names))
            names = [json.dumps(name, ensure_ascii=False) for name in names]
        for name, row in zip(names, rows, strict=True):
            yield f"{label} {name}", _text(row)

    # -- music ------------------------------------------------------------------------------

    def _tab(self, tab: Tab) -> list[tuple[str, str]]:
        if id(tab) not in self._tabs:
            self._tabs[id(tab)] = list(self._tab_lines(tab))
        return self._tabs[id(tab)]

    def _tab_lines(self, tab: Tab) -> Iterator[tuple[str, str]]:
        yield "title", _text(tab.title)
        yield "key", tab.key.text()
        yield "tempo", repr(tab.tempo_bpm)
        if len(tab.tempos) > 1:
            yield "tempos", _text(tuple((str(mark.quarter), mark.bpm) for mark in tab.tempos))
        yield "instrument", _text(tab.instrument.name)
        yield "tuning", " ".join(str(pitch) for pitch in reversed(tab.instrument.strings))
        yield "capo", str(tab.instrument.capo)
        yield "neck", _hashed(repr(tab.instrument))
        for number, phrase in enumerate(tab.phrases, 1):
            yield f"phrase {number}", _text(phrase)
        for item in dataclasses.fields(tab):
            if item.name not in _OF_TAB:
                yield from self._value((item.name,), getattr(tab, item.name))
        yield from self._form(tab.form)
        played: dict[int, list[str]] = {bar.number: [] for bar in tab.form.bars}
        spelled: dict[int, list[str]] = {bar.number: [] for bar in tab.form.bars}
        for note in tab.notes:
            number, what, name = self._note(note, tab.form)
            played[number].append(what)
            spelled[number].append(name)
        for number, notes in played.items():
            said = f"{_hashed(' '.join(notes))} {_hashed(' '.join(spelled[number]))}" if notes else REST
            yield f"bar {number}", said

    def _note(self, note: Note, form: Form) -> tuple[int, str, str]:
        """Printed bar, what is played, how it is spelled."""
        at = (id(note), id(form))
        if at not in self._notes:
            bar = form.written.bar_at(note.onset)
            # the place in the bar, not in the piece: a bar put in before does not touch it; the
            # index tells apart what stands in two bars of one number
            place = f"{bar.index if _twice(form, bar.bar.number) else ''}@{note.onset - bar.start}"
            self._notes[at] = (bar.bar.number, f"{place}{_played_of(note)!r}", str(note.pitch))
        return self._notes[at]

    def _form(self, form: Form) -> list[tuple[str, str]]:
        if id(form) not in self._forms:
            self._forms[id(form)] = list(_form_lines(form))
        return self._forms[id(form)]

    def _chart(self, spans: tuple[ChordSpan, ...]) -> list[tuple[str, str]]:
        if id(spans) not in self._charts:
            self._charts[id(spans)] = list(self._chart_lines(spans))
        return self._charts[id(spans)]

    def _chart_lines(self, spans: tuple[ChordSpan, ...]) -> Iterator[tuple[str, str]]:
        bars: list[list[ChordSpan]] = []
        sections: list[tuple[str, str | None]] = []
        for span in spans:
            if bars and (bars[-1][0].bar is span.bar or bars[-1][0].bar == span.bar):
                bars[-1].append(span)
            else:
                bars.append([span])
            if not sections or sections[-1][1] != span.section:
                sections.append((str(span.start), span.section))
        yield "form", _hashed(repr([in_bar[0].bar for in_bar in bars]))
        yield "sections", _hashed(repr(sections))
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
        """``Am D7`` for chords that share a bar evenly; with a digest behind ``~`` for others."""
        bar = spans[0].bar
        share = bar.bar.length / len(spans)
        exact = all(
            span.start == bar.start + i * share and span.end == span.start + share
            for i, span in enumerate(spans)
        )
        words = []
        for span in spans:
            if span.chord not in self._chords:
                self._chords[span.chord] = _chord_text(span.chord)
            text, plain = self._chords[span.chord]
            exact = exact and plain
            words.append(("…" if span.implied else "") + text + ("!" if span.stop else ""))
        said = " ".join(words)
        if exact and len(said) <= _LONGEST:
            return said
        whole = [
            (str(s.start - bar.start), str(s.end - bar.start), s.chord, s.stop, s.implied) for s in spans
        ]
        return f"{said[: _LONGEST - _DIGITS - 2]} ~{_hashed(repr(whole))}"


def _twice(form: Form, number: int) -> bool:
    return len(form.bars) != form.bars[-1].number - form.bars[0].number + 1 and (
        sum(bar.number == number for bar in form.bars) > 1
    )


def _chord_text(chord: Chord | None) -> tuple[str, bool]:
    """A chord as musicians write it, and whether that says all of it."""
    if chord is None:
        return "N.C.", True
    text = chord.text()
    try:
        return text, Chord.parse(text) == chord
    except MusicError:
        return text, False


def _form_lines(form: Form) -> Iterator[tuple[str, str]]:
    metres = [str(form.bars[0].metre)]
    for before, bar in zip(form.bars, form.bars[1:], strict=False):
        if bar.metre != before.metre:
            metres.append(f"{bar.metre} from bar {bar.number}")
    yield "bars", str(len(form.bars))
    yield "metre", _text(", ".join(metres))
    signs = [
        (bar.number, bar.repeat_start, bar.repeat_times, bar.endings)
        for bar in form.bars
        if bar.repeat_start or bar.repeat_times or bar.endings
    ]
    yield "repeats", _hashed(repr(signs)) if signs else "none"
    yield "form", _hashed(repr(form.bars))


def _under(path: tuple[str, ...], kind: str, lines: Iterable[tuple[str, str]]) -> Iterator[tuple[str, str]]:
    """Lines of a piece of music, told by what it is and, unless it goes without saying, where."""
    usual = path in ((kind,), ("spans",) if kind == "chart" else ())
    head = kind if usual else " ".join((*path, kind))
    for label, text in lines:
        yield f"{head} {label}", text


def _key(key: object) -> str:
    if isinstance(key, str):
        return key if _WORD.fullmatch(key) else json.dumps(key, ensure_ascii=False)
    return f"={_text(key)}"
