"""The headers of a text tab: instrument, tuning, key, metre, tempo, swing."""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import Final

from pipeline.errors import nearest
from pipeline.music.errors import MusicError, SpellingError
from pipeline.music.instrument import INSTRUMENTS, Instrument, parse_tuning
from pipeline.music.key import Key
from pipeline.music.metre import Metre
from pipeline.music.pitch import Pitch, Spelling
from pipeline.read.source import SourceText
from pipeline.read.texttab_lines import Header, Sheet, StringLine
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
    stated: frozenset[str] = frozenset()


def parse_number(text: str) -> float | None:
    """A plain decimal number, or None."""
    return float(text) if re.fullmatch(r"\d{1,6}(?:\.\d{1,12})?", text.strip()) else None


def parse_tempo(text: str) -> float | None:
    """``104``, ``104 bpm`` or ``q. = 72`` as quarter notes a minute, or None."""
    match = re.fullmatch(
        r"(?:(\S+?)\s*=)?\s*(\d{1,4}(?:\.\d{1,12})?)\s*(?:bpm)?", text.strip(), re.IGNORECASE
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


def _whole(source: SourceText, header: Header, low: int, high: int) -> int | None:
    if header.value.isdecimal() and low <= int(header.value) <= high:
        return int(header.value)
    source.error(
        header.line, header.column, f"{header.name}: {header.value!r} is not a whole number from {low} to {high}",
        f"Write {header.name}: {max(low, min(high, 2 if header.name == 'capo' else 24))}.",
    )  # fmt: skip
    return None


def _swing(source: SourceText, header: Header) -> Fraction | None:
    text = header.value.lower()
    share = _SWINGS.get(text)
    try:
        if share is None:
            share = Fraction(text.removesuffix("%").strip()) / (100 if text.endswith("%") else 1)
    except (ValueError, ZeroDivisionError):
        share = None
    if share is None or not Fraction(1, 2) <= share < 1:
        source.error(
            header.line, header.column, f"not a swing: {header.value!r}",
            "Write straight, shuffle, or the share of the first eighth from 1/2 up: swing: 2/3.",
        )  # fmt: skip
        return None
    return share


def _letters(lines: list[StringLine]) -> tuple[str, ...]:
    return tuple(line.label[:1].upper() + line.label[1:] for line in lines)


def _guess(source: SourceText, lines: list[StringLine]) -> Instrument | None:
    """The instrument of a tab that names none, from its strings; what was assumed is told."""
    labels = [Spelling.parse(x.rstrip("0123456789")) if x else None for x in _letters(lines)]
    fitting = [
        item
        for item in INSTRUMENTS.values()
        if len(item.strings) == len(lines)
        and all(a is None or a == p.spelling for a, p in zip(labels, item.strings, strict=True))
    ]
    first = lines[0].number
    # the plain guitar comes first among those of its tuning, and stands in when labels fit none
    if len(lines) == 6:
        chosen = (fitting or [INSTRUMENTS["guitar"]])[0]
    elif len(fitting) == 1:
        chosen = fitting[0]
    else:
        names = [n for n, i in INSTRUMENTS.items() if len(i.strings) == len(lines)]
        source.error(
            first, 1, f"the instrument is not named, and {len(lines)} strings do not tell it",
            f"Write instrument: {names[0] if names else '...'} at the top"
            + (f" (or {', '.join(names[1:])})" if names[1:] else " with tuning: from the bottom line up") + ".",
        )  # fmt: skip
        return None
    tuning = " ".join(str(pitch) for pitch in reversed(chosen.strings))
    source.caution(
        first, 1, f"no instrument is named: taken as {chosen.name}, {tuning}",
        f"Write instrument: {chosen.name} at the top to say so.",
    )  # fmt: skip
    return chosen


def _with_octaves(text: str, named: Header | None) -> str:
    """Note names without octaves, as musicians say tunings, in the octaves of the instrument's
    usual strings; any other text as it is."""
    names = text.replace(",", " ").split()
    if not names or not all(re.fullmatch(r"[A-Ga-g][#b♯♭]?", name) for name in names):
        return text
    word = " ".join(named.value.lower().split()) if named is not None else "guitar"
    usual = {name.lower(): item for name, item in INSTRUMENTS.items()}.get(word)
    if usual is None or len(usual.strings) != len(names):
        return text
    return " ".join(_like(name, pitch) for name, pitch in zip(names, reversed(usual.strings), strict=True))


def _tuning(source: SourceText, tuned: Header, named: Header | None) -> tuple[Pitch, ...] | None:
    """The open strings of a tuning: header, string 1 first; None, told, when it is not one."""
    try:
        strings = parse_tuning(_with_octaves(tuned.value, named))
    except SpellingError as error:
        column = tuned.column + max(0, tuned.value.find(error.text.strip()) if error.text else 0)
        source.error(
            tuned.line, column, f"in the tuning: {error}",
            "Write the open strings from the bottom line up: tuning: E2 A2 D3 G3 B3 E4.",
        )  # fmt: skip
        return None
    if len(strings) > 12:
        source.error(
            tuned.line, tuned.column, f"{len(strings)} strings; at most 12 are read", "Check the tuning."
        )
        return None
    return strings


def _instrument(source: SourceText, headers: dict[str, Header], lines: list[StringLine]) -> Instrument | None:
    named, tuned = headers.get("instrument"), headers.get("tuning")
    strings: tuple[Pitch, ...] | None = None
    if tuned is not None:
        strings = _tuning(source, tuned, named)
        if strings is None:
            return None
    found: Instrument | None
    if named is not None:
        folded = {name.lower(): item for name, item in INSTRUMENTS.items()}
        found = folded.get(" ".join(named.value.lower().split()))
        if found is None:
            near = nearest(named.value, INSTRUMENTS)
            source.error(
                named.line, named.column, f"unknown instrument {named.value!r}",
                (f"Did you mean {near}? " if near else "") + f"Known: {', '.join(INSTRUMENTS)}.",
            )  # fmt: skip
            return None
    elif strings is not None:
        same = [i for i in INSTRUMENTS.values() if i.strings == strings]
        alike = [i for i in INSTRUMENTS.values() if len(i.strings) == len(strings)]
        low = min(p.midi for p in strings)
        alike.sort(key=lambda i: abs(min(p.midi for p in i.strings) - low))
        found = (same or alike or [INSTRUMENTS["guitar"]])[0]
    else:
        found = _guess(source, lines)
    if found is None:
        return None
    if strings is not None:
        found = found.tuned(strings)
    frets = _whole(source, headers["frets"], 1, 36) if "frets" in headers else found.frets
    capo = _whole(source, headers["capo"], 0, (frets or found.frets) - 1) if "capo" in headers else found.capo
    if frets is None or capo is None:
        return None
    return replace(found, frets=frets, capo=capo)


def _check_labels(source: SourceText, sheet: Sheet, instrument: Instrument) -> None:
    """Labels that name other strings than the tuning are told once a string, with the way out."""
    told: set[tuple[int, str]] = set()
    for system in sheet.systems:
        if len(system.strings) != len(instrument.strings):
            continue
        labels = _letters(system.strings)
        for index, (label, pitch) in enumerate(zip(labels, instrument.strings, strict=True)):
            name = label.rstrip("0123456789")
            if (
                not name
                or Spelling.parse(name).pitch_class == pitch.spelling.pitch_class
                or (index, label) in told
            ):
                continue
            # a plain letter on a string tuned a half step off is how many tabs are labelled
            if "tuning" in sheet.headers and len(name) == 1 and name == pitch.spelling.step:
                continue
            told.update((i, text) for i, text in enumerate(labels))
            wanted = " ".join(
                _like(text, p) for text, p in zip(reversed(labels), reversed(instrument.strings), strict=True)
            )
            line = system.strings[index]
            source.error(
                line.number, 1, f"this string is labelled {name}, but string {index + 1} is tuned to {pitch}",
                f"Right the label, or write at the top: tuning: {wanted}",
            )  # fmt: skip


def _like(label: str, pitch: Pitch) -> str:
    """The pitch of this label nearest to the usual one of its string."""
    name = label.rstrip("0123456789")
    if not name:
        return str(pitch)
    spelling = Spelling.parse(name)
    midi = pitch.midi + (spelling.pitch_class - pitch.midi + 6) % 12 - 6
    return str(Pitch.from_midi(midi, spelling))


def read_heads(source: SourceText, sheet: Sheet) -> Heads | None:
    """What the headers say; None when the instrument cannot be told."""
    headers = sheet.headers
    found = Heads(stated=frozenset(headers))
    if "title" in headers:
        found.title = headers["title"].value
    if "key" in headers:
        header = headers["key"]
        try:
            found.key = Key.parse(header.value)
        except SpellingError as error:
            source.error(
                header.line,
                header.column + error.column,
                str(error),
                "Write key: Am, key: Bb or key: E dorian.",
            )
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
    instrument = _instrument(source, headers, sheet.systems[0].strings)
    if instrument is None:
        return None
    found.instrument = instrument
    _check_labels(source, sheet, instrument)
    return found
