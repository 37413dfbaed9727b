"""The headers of a text tab: instrument, tuning, key, metre, tempo, swing."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Final

from pipeline.music.errors import MusicError, SpellingError
from pipeline.music.instrument import INSTRUMENTS, Instrument
from pipeline.music.key import Key
from pipeline.music.metre import Metre
from pipeline.read.source import SourceText, plain_number
from pipeline.read.texttab_instrument import check_labels, read_instrument
from pipeline.read.texttab_sheet import Header, Sheet
from pipeline.read.texttab_values import read_duration

DEFAULT_BPM: Final = 120.0
_SWINGS: Final = {"straight": Fraction(1, 2), "shuffle": Fraction(2, 3), "swing": Fraction(2, 3)}


@dataclass(slots=True)
class Heads:
    """What the headers say, with defaults where they are silent (``stated`` names what they do)."""

    title: str = ""
    instrument: Instrument = INSTRUMENTS["guitar"]
    key: Key = field(default_factory=lambda: Key.parse("C"))
    swing: Fraction = Fraction(1, 2)
    a4_hz: float = 440.0
    pickup: bool | None = None
    stated: frozenset[str] = frozenset()


def parse_number(text: str) -> float | None:
    """A plain decimal number, or None."""
    return float(text) if re.fullmatch(r"\d{1,6}(?:\.\d{1,20})?", text.strip()) else None


def parse_tempo(text: str) -> float | None:
    """``104``, ``104 bpm`` or ``q. = 72`` as quarter notes a minute, or None."""
    match = re.fullmatch(
        r"(?:(\S+?)\s*=)?\s*(\d{1,4}(?:\.\d{1,20})?)\s*(?:bpm)?", text.strip(), re.IGNORECASE
    )
    if match is None:
        return None
    mark = read_duration(match[1] or "q")
    return None if mark is None else float(match[2]) * float(mark.step)


def read_tempo(source: SourceText, header: Header, text: str | None = None) -> float | None:
    """The tempo a header states, or None, told."""
    value = header.value if text is None else text
    bpm = parse_tempo(value)
    if bpm is None or not 10 <= bpm <= 500:
        source.error(
            header.line, header.column, f"not a tempo: {value!r}",
            "Write 10 to 500 quarter notes a minute: tempo: 104, or tempo: q. = 72.",
        )  # fmt: skip
        return None
    return bpm


def read_metre(source: SourceText, header: Header) -> Metre | None:
    try:
        return Metre.parse(header.value)
    except MusicError as error:
        source.error(header.line, header.column, str(error), "Write time: 4/4.")
        return None


def read_key(source: SourceText, header: Header) -> Key | None:
    """The key a header states, or None, told."""
    try:
        return Key.parse(header.value)
    except SpellingError as error:
        source.error(
            header.line, header.column + error.column, str(error),
            f"Write key: {error.suggestion}." if error.suggestion else "Write key: Am, key: Bb or key: E dorian.",
        )  # fmt: skip
        return None


def _swing(source: SourceText, header: Header) -> Fraction | None:
    text = header.value.lower()
    share = _SWINGS.get(text)
    try:
        if share is None:
            share = plain_number(text.removesuffix("%").strip()) / (100 if text.endswith("%") else 1)
    except ValueError:
        share = None
    if share is None or not Fraction(1, 2) <= share < 1:
        source.error(
            header.line, header.column, f"not a swing: {header.value!r}",
            "Write straight, shuffle, or the share of the first eighth from 1/2 up: swing: 2/3.",
        )  # fmt: skip
        return None
    return share


def read_heads(source: SourceText, sheet: Sheet) -> Heads | None:
    """What the headers say; None when the instrument cannot be told."""
    headers = sheet.headers
    found = Heads(stated=frozenset(headers))
    if "title" in headers:
        found.title = headers["title"].value
    if "key" in headers:
        header = headers["key"]
        found.key = read_key(source, header) or found.key
    if "pickup" in headers:
        header = headers["pickup"]
        said = header.value.lower()
        if said in ("yes", "no"):
            found.pickup = said == "yes"
        else:
            source.error(
                header.line, header.column, f"pickup: {header.value!r} is neither yes nor no",
                "Write pickup: yes where the first bar is one, pickup: no where it is not.",
            )  # fmt: skip
    if "swing" in headers:
        found.swing = _swing(source, headers["swing"]) or found.swing
    if "a4" in headers:
        header = headers["a4"]
        number = parse_number(re.sub(r"\s*hz$", "", header.value, flags=re.IGNORECASE))
        if number is None or not 380 <= number <= 500:
            source.error(
                header.line,
                header.column,
                f"not a tuning pitch: {header.value!r}",
                "Write a4: 440 (380 to 500 hertz).",
            )
        else:
            found.a4_hz = number
    instrument = read_instrument(source, headers, sheet.systems[0].strings)
    if instrument is None:
        return None
    found.instrument = instrument
    check_labels(source, sheet, instrument)
    return found
