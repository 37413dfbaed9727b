"""A text tab by lines: headers, and systems with the lines that go with them."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

_USUAL: Final = (6, 4, 5, 7)  # strings of the instruments that are played most


@dataclass(frozen=True, slots=True)
class Header:
    """``name: value`` with the place of the value, 1-based."""

    name: str
    value: str
    line: int
    column: int


@dataclass(slots=True)
class StringLine:
    """A string as typed: its label, and the text with plain characters from ``start`` (0-based)."""

    number: int
    label: str
    start: int
    text: str


@dataclass(slots=True)
class System:
    """Some bars of tab: the string lines and the lines that go with them.

    Each of ``durations``, ``endings`` is (line number, text); ``signs`` and ``remarks`` are several such;
    ``spans`` are (name, number, text) of the lines below, the label blanked.
    """

    strings: list[StringLine] = field(default_factory=list)
    durations: tuple[int, str] | None = None
    endings: tuple[int, str] | None = None
    signs: list[tuple[int, str]] = field(default_factory=list)
    remarks: list[tuple[int, str]] = field(default_factory=list)
    spans: list[tuple[str, int, str]] = field(default_factory=list)
    changes: list[Header] = field(default_factory=list)
    comments: list[str] = field(default_factory=list)
    phrase: tuple[str, int] | None = None  # its name ("" ends the one before) and line
    damaged: bool = False  # one of its lines could not be read, and was told


@dataclass(slots=True)
class Sheet:
    """A text tab by lines."""

    headers: dict[str, Header] = field(default_factory=dict)
    tempo_marks: list[Header] = field(default_factory=list)  # tempo: 96 at bar 3 beat 2
    phrases: list[Header] = field(default_factory=list)  # phrase: 3-6 Name
    systems: list[System] = field(default_factory=list)
    comments: list[str] = field(default_factory=list)  # behind the last system


def part_systems(sheet: Sheet, count: int | None) -> None:
    """Part systems that follow one another without an empty line between.

    count : strings of the instrument, or None while nobody knows: then the labels must come round
    """
    found: list[System] = []
    for system in sheet.systems:
        labels = [string.label.upper() for string in system.strings]
        total = len(labels)
        size = count or next((n for n in _USUAL if total > n and not total % n and all(labels)), total)
        whole = labels == labels[:size] * (total // size)
        if total <= size or total % size or not whole or system.durations or system.damaged:
            found.append(system)
            continue
        spans, system.spans = system.spans, []
        strings, system.strings = system.strings, []
        for begin in range(0, total, size):
            part = System() if begin else system
            part.strings = strings[begin : begin + size]
            found.append(part)
        found[-1].spans = spans
    sheet.systems = found
