"""A step's portrait: all that decides its outputs, cut small enough to say what changed.

The digest of a step says *that* something is different; two portraits laid side by side say
*what*: which bars, which chord, which colour. What other steps have made is no part of it.

Conventions
-----------
A portrait maps labels to short texts (:mod:`pipeline.build.shorttext`). Labels are

- ``tab bar 7``, ``chart bar 3``, ``tab capo``: music, see :mod:`pipeline.build.scorelines`;
- ``facts lesson title``: other parameters, by the names of fields and keys;
- ``file take``: digest and name; ``output 1``; ``code ROOM``, ``library NAME``, ``version``.

Steps that hold the same value (one tab in six of them) have the same lines: :func:`packed`.
"""

from __future__ import annotations

import dataclasses
import json
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from pipeline.build.digest import code_digest, input_digest, library_version
from pipeline.build.reasons import because as because
from pipeline.build.scorelines import ScoreLines
from pipeline.build.shorttext import DIGITS, hashed, plain_text, row_of, short_text
from pipeline.build.step import Step
from pipeline.music.chart import ChordSpan
from pipeline.music.metre import Form
from pipeline.music.tab import Tab

Portrait = dict[str, str]
Line = tuple[str, str]

_WORD: Final = re.compile(r"[^\W\d][\w-]*")
_MUSIC: Final = ("tab", "chart", "form")  # what one lesson's steps share most of


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

    Music is shared by the piece, everything else line by line.
    """
    places: dict[tuple[Line, ...], int] = {}
    steps: dict[str, list[int]] = {}
    for name, lines in many.items():
        groups: dict[str, list[Line]] = {}
        for label, text in lines.items():
            head = label.split(" ", 1)[0]
            groups.setdefault(head if head in _MUSIC else label, []).append((label, text))
        steps[name] = [places.setdefault(tuple(group), len(places)) for group in groups.values()]
    return {"lines": [dict(group) for group in places], "steps": steps}


def unpacked(data: Mapping[str, Any]) -> dict[str, Portrait]:
    """Inverse of :func:`packed`.

    Raises
    ------
    ValueError : it is not what :func:`packed` makes.
    """
    found: dict[str, Portrait] = {}
    try:
        groups = data["lines"]
        for name, places in data["steps"].items():
            found[name] = {label: text for place in places for label, text in groups[place].items()}
    except (KeyError, IndexError, TypeError, AttributeError) as error:
        raise ValueError(f"these are no packed portraits: {error!r}") from error
    if not all(isinstance(text, str) for lines in found.values() for text in lines.values()):
        raise ValueError("these are no packed portraits: a line is no text")
    return found


class _Painter:
    """Paints the steps of one lesson."""

    def __init__(self) -> None:
        self._music = ScoreLines()
        self._texts: dict[str, str] = {}  # each said by one object, so that many portraits are small

    def of(self, step: Step) -> Portrait:
        found: Portrait = {}
        for label, text in self._lines(step):
            while label in found:  # a key that is called like one of ours
                label += "'"
            found[self._texts.setdefault(label, label)] = self._texts.setdefault(text, text)
        return found

    def _lines(self, step: Step) -> Iterator[Line]:
        rooms = (step.function.__module__, *step.rooms)
        yield "function", f"{step.function.__module__}.{step.function.__qualname__}"
        yield "version", str(step.version)
        if dataclasses.is_dataclass(step.params):
            yield "params", type(step.params).__qualname__
            for item in dataclasses.fields(step.params):
                yield from self._value((item.name,), getattr(step.params, item.name))
        else:
            yield from self._value((), step.params)
        paths = dict(step.files)
        for role, sha in step.input_digests.items():
            yield f"file {role}", f"{sha[:DIGITS]} {paths[role].name}"
        for number, output in enumerate(step.outputs, 1):
            yield f"output {number}", output.name
        yield "rooms", hashed("\n".join(rooms))
        for room in dict.fromkeys(rooms):
            yield f"code {room}", code_digest(room)[:DIGITS]
        for name in dict.fromkeys(step.libraries):
            yield f"library {name}", library_version(name)

    def _value(self, path: tuple[str, ...], value: object) -> Iterator[Line]:
        label = " ".join(path) or "params"
        if isinstance(value, Tab):
            yield from self._music.of(value, _head(path, "tab"))
        elif isinstance(value, Form):
            yield from self._music.of(value, _head(path, "form"))
        elif isinstance(value, tuple) and value and all(isinstance(item, ChordSpan) for item in value):
            yield from self._music.of(value, _head(path, "chart"))
        elif isinstance(value, Path):
            yield f"file {label}", f"{input_digest(value)[:DIGITS]} {value.name}"
        elif dataclasses.is_dataclass(value) and not isinstance(value, type):
            yield label, type(value).__qualname__
            for item in dataclasses.fields(value):
                yield from self._value((*path, item.name), getattr(value, item.name))
        elif isinstance(value, Mapping):
            if not value or not path:
                yield label, "{}"
            for key in sorted(value, key=str):
                yield from self._value((*path, _key(key)), value[key])
        elif isinstance(value, tuple | list) and any(plain_text(item) is None for item in value):
            yield from _rows(label, value)
        else:
            yield label, short_text(value)


def _rows(label: str, rows: Sequence[object]) -> Iterator[Line]:
    """One line for each, by name where they have one, so that one more moves no other."""
    columns = [row for row in map(row_of, rows) if row]
    names = _names(columns) if len(columns) == len(rows) else None
    if names is None:
        yield label, f"{len(rows)} rows"
        names = [str(number) for number in range(1, len(rows) + 1)]
    else:
        yield label, short_text(tuple(names))
        names = [json.dumps(name, ensure_ascii=False) for name in names]
    for name, row in zip(names, rows, strict=True):
        yield f"{label} {name}", short_text(row)


def _names(rows: Sequence[Sequence[object]]) -> list[str] | None:
    """What to call rows by: their first column of texts in which no two are the same."""
    for column in range(min(map(len, rows))):
        names = [row[column] for row in rows]
        if all(isinstance(name, str) for name in names) and len(set(names)) == len(names):
            return [str(name) for name in names]
    return None


def _head(path: tuple[str, ...], kind: str) -> str:
    """What a piece of music is called: by what it is and, unless it goes without saying, where."""
    usual = path in ((kind,), ("spans",) if kind == "chart" else ())
    return kind if usual else " ".join((*path, kind))


def _key(key: object) -> str:
    if isinstance(key, str):
        return key if _WORD.fullmatch(key) else json.dumps(key, ensure_ascii=False)
    return f"={short_text(key)}"
