"""The instrument of a text tab: named, tuned by name or by pitches, or told by its strings."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from typing import Final

from pipeline.errors import nearest
from pipeline.music.errors import SpellingError
from pipeline.music.instrument import INSTRUMENTS, Instrument, parse_tuning
from pipeline.music.pitch import Pitch, Spelling
from pipeline.music.tuning import NAMES, near, tuned_by_name
from pipeline.read.source import SourceText
from pipeline.read.texttab_sheet import Header, Sheet, StringLine

MOST_STRINGS: Final = 12
_NAME: Final = r"[A-Ga-g][#b♯♭]?"


_EXAMPLES: Final = {"capo": 2, "frets": 24, "program": 26, "written": 1}
_CAPO: Final = re.compile(r"(?:at |on )?(?:fret )?(\d+)(?:st|nd|rd|th)?(?: fret)?", re.IGNORECASE)


def _whole(source: SourceText, header: Header, low: int, high: int) -> int | None:
    value = header.value
    if header.name == "capo":  # as it is often said: 2nd fret
        match = _CAPO.fullmatch(value)
        value = "0" if value.lower() in ("no", "none") else match[1] if match else value
    if re.fullmatch(r"-?\d{1,4}", value) and low <= int(value) <= high:
        return int(value)
    source.error(
        header.line, header.column, f"{header.name}: {header.value!r} is not a whole number from {low} to {high}",
        f"Write {header.name}: {max(low, min(high, _EXAMPLES[header.name]))}.",
    )  # fmt: skip
    return None


def _scale(source: SourceText, header: Header) -> float | None:
    value = header.value.lower().removesuffix("mm").strip()
    if re.fullmatch(r"\d{1,5}(?:\.\d{1,340})?", value) and float(value) > 0:
        return float(value)
    source.error(
        header.line, header.column, f"scale: {header.value!r} is not a length in millimetres", "Write scale: 648."
    )  # fmt: skip
    return None


def _clef(source: SourceText, header: Header) -> str | None:
    clef = {"g": "G", "treble": "G", "f": "F", "bass": "F"}.get(header.value.lower())
    if clef is None:
        source.error(
            header.line,
            header.column,
            f"clef: {header.value!r} is neither G nor F",
            "Write clef: G or clef: F.",
        )
    return clef


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
    _mention(source, lines, chosen)
    return chosen


def _known(value: str) -> Instrument | None:
    if value.startswith('"'):  # in quotes it is the name as it stands, of an instrument of one's own
        return None
    return {name.lower(): item for name, item in INSTRUMENTS.items()}.get(" ".join(value.lower().split()))


def _unknown(source: SourceText, named: Header) -> None:
    """Tell an instrument that is not built in; one with its tuning behind its name is taken apart."""
    word = " ".join(named.value.lower().split())
    remedy = f"Known: {', '.join(INSTRUMENTS)}."
    close = nearest(named.value, INSTRUMENTS)
    if close:
        remedy = f"Did you mean {close}? " + remedy
    for name in sorted(INSTRUMENTS, key=len, reverse=True):
        tuning = word.removeprefix(name.lower() + " ")
        if tuning != word and tuned_by_name(tuning, INSTRUMENTS[name].strings):
            tuning = named.value.strip()[-len(tuning) :]
            remedy = f"Write two lines: instrument: {name} and tuning: {tuning}"
            break
    source.error(named.line, named.column, f"unknown instrument {named.value!r}", remedy)


def _own(source: SourceText, named: Header, strings: tuple[Pitch, ...]) -> Instrument:
    """An instrument of the musician's own, tuned to these pitches; the rest as that built in which is nearest."""
    name = named.value
    if name.startswith('"'):
        try:
            name = str(json.loads(name))
        except ValueError:
            name = name.strip('"')
    else:
        close = nearest(name, INSTRUMENTS)
        if close:
            source.caution(
                named.line, named.column, f"{name!r} is taken as an instrument of your own",
                f"If {close} is meant, write instrument: {close}.",
            )  # fmt: skip
    low = min(pitch.midi for pitch in strings)
    like = min(
        INSTRUMENTS.values(),
        key=lambda i: (len(i.strings) != len(strings), abs(min(p.midi for p in i.strings) - low)),
    )
    return replace(like, name=name, strings=strings)


def _say_tuning(strings: tuple[Pitch, ...], *, octaves: bool = True) -> str:
    return " ".join(str(p if octaves else p.spelling) for p in reversed(strings))


def _is_pitch(word: str) -> bool:
    try:
        Pitch.parse(word)
    except SpellingError:
        return False
    return True


def _bad_tuning(source: SourceText, tuned: Header, instrument: Instrument) -> None:
    """Tell a tuning that is none, with the forms there are for the instrument."""
    strings, count = instrument.strings, len(instrument.strings)
    words = tuned.value.replace(",", " ").split()
    forms = (
        f"Write the open strings from the bottom line up, tuning: {_say_tuning(strings)} or"
        f" {_say_tuning(strings, octaves=False)}"
    )
    if words and all(re.fullmatch(_NAME, word) for word in words):
        source.error(
            tuned.line, tuned.column, f"the tuning names {len(words)} strings, the {instrument.name} has {count}",
            f"{forms}; with octaves there may be more or fewer.",
        )  # fmt: skip
        return
    if any(_is_pitch(word) for word in words):
        odd = next(word for word in words if not _is_pitch(word))
        source.error(
            tuned.line, tuned.column + tuned.value.find(odd), f"in the tuning: {odd!r} is not a pitch such as F#2", f"{forms}."
        )  # fmt: skip
        return
    names = [name for name in NAMES if tuned_by_name(name, strings) is not None]
    close = nearest(tuned.value, names)
    built = [name for name in INSTRUMENTS if name.startswith("guitar ")]
    retuned = [INSTRUMENTS[name].strings for name in ("guitar", *built)]
    source.error(
        tuned.line, tuned.column, f"no tuning of the {instrument.name} is called {tuned.value!r}",
        (f"Did you mean {close}? " if close else "") + f"{forms}, or its name, such as {', '.join(names)}."
        + (f" Instruments built in with such a tuning: {', '.join(built)}." if strings in retuned else ""),
    )  # fmt: skip


def _tuned(source: SourceText, tuned: Header, instrument: Instrument) -> Instrument | None:
    """The instrument tuned as a tuning: header says; None, told, when it does not say how."""
    strings = _pitches(tuned) or tuned_by_name(tuned.value, instrument.strings)
    if strings is None:
        _bad_tuning(source, tuned, instrument)
        return None
    if len(strings) > MOST_STRINGS:
        source.error(
            tuned.line, tuned.column, f"{len(strings)} strings; at most {MOST_STRINGS} are read", "Check the tuning."
        )  # fmt: skip
        return None
    return instrument.tuned(strings)


def _by_tuning(source: SourceText, tuned: Header, lines: list[StringLine]) -> Instrument | None:
    """The instrument of a tab that names none but is tuned; None, told, when that does not tell it."""
    try:
        strings = parse_tuning(tuned.value)
    except SpellingError:
        return _by_named_tuning(source, tuned, lines)
    same = [i for i in INSTRUMENTS.values() if i.strings == strings]
    alike = [i for i in INSTRUMENTS.values() if len(i.strings) == len(strings)]
    low = min(p.midi for p in strings)
    alike.sort(key=lambda i: abs(min(p.midi for p in i.strings) - low))
    return _tuned(source, tuned, (same or alike or [INSTRUMENTS["guitar"]])[0])


def _by_named_tuning(source: SourceText, tuned: Header, lines: list[StringLine]) -> Instrument | None:
    fitting = [i for i in INSTRUMENTS.values() if len(i.strings) == len(lines)]
    plain = [i for i in fitting if not i.name.startswith("guitar ")] or [INSTRUMENTS["guitar"]]
    can = [i for i in plain if tuned_by_name(tuned.value, i.strings) is not None]
    if len(lines) != len(INSTRUMENTS["guitar"].strings) and len(can) > 1:  # the labels may tell
        can = [i for i in can if _labels_fit(tuned_by_name(tuned.value, i.strings) or (), lines)] or can
        if len(can) > 1:
            source.error(
                tuned.line, tuned.column, f"the instrument that is tuned to {tuned.value} is not named",
                f"Write instrument: {can[0].name} at the top (or {', '.join(i.name for i in can[1:])}).",
            )  # fmt: skip
            return None
    found = _tuned(source, tuned, (can or plain)[0])
    if found is not None:
        _mention(source, lines, found)
    return found


def _labels_fit(strings: tuple[Pitch, ...], lines: list[StringLine]) -> bool:
    names = [label.rstrip("0123456789") for label in _letters(lines)]
    return len(names) == len(strings) and all(
        not name or Spelling.parse(name).pitch_class == pitch.spelling.pitch_class
        for name, pitch in zip(names, strings, strict=True)
    )


def _mention(source: SourceText, lines: list[StringLine], found: Instrument) -> None:
    source.caution(
        lines[0].number, 1, f"no instrument is named: taken as {found.name}, {_say_tuning(found.strings)}",
        f"Write instrument: {found.name} at the top to say so.",
    )  # fmt: skip


def read_instrument(
    source: SourceText, headers: dict[str, Header], lines: list[StringLine]
) -> Instrument | None:
    """The instrument that the headers name, or else the strings of the first system (``lines``)
    tell; None, told, when neither does."""
    named, tuned = headers.get("instrument"), headers.get("tuning")
    found: Instrument | None
    if named is not None:
        found = _known(named.value)
        pitches = _pitches(tuned) if tuned is not None else None
        if found is None and pitches is not None:
            found = _own(source, named, pitches)
        elif found is None:
            _unknown(source, named)
        elif tuned is not None:
            found = _tuned(source, tuned, found)
    else:
        found = _guess(source, lines) if tuned is None else _by_tuning(source, tuned, lines)
    if found is None:
        return None
    frets = _whole(source, headers["frets"], 1, 36) if "frets" in headers else found.frets
    capo = _whole(source, headers["capo"], 0, (frets or found.frets) - 1) if "capo" in headers else found.capo
    scale = _scale(source, headers["scale"]) if "scale" in headers else found.scale_mm
    program = _whole(source, headers["program"], 1, 128) if "program" in headers else found.program + 1
    written = _whole(source, headers["written"], -4, 4) if "written" in headers else found.written_octaves
    clef = _clef(source, headers["clef"]) if "clef" in headers else found.clef
    if frets is None or capo is None or scale is None or program is None or written is None or clef is None:
        return None
    return replace(
        found, frets=frets, capo=capo, scale_mm=scale, program=program - 1, written_octaves=written, clef=clef
    )


def _pitches(tuned: Header) -> tuple[Pitch, ...] | None:
    """The strings of a tuning said by pitches with octaves, of which there are not too many."""
    try:
        strings = parse_tuning(tuned.value)
    except SpellingError:
        return None
    return strings if len(strings) <= MOST_STRINGS else None


def check_labels(source: SourceText, sheet: Sheet, instrument: Instrument) -> None:
    """Labels that name other strings than the tuning are told once a string, with the way out."""
    told: set[tuple[int, str]] = set()
    for system in sheet.systems:
        if len(system.strings) != len(instrument.strings):
            continue
        labels = _letters(system.strings)
        if not _labels_fit(instrument.strings, system.strings) and _labels_fit(
            tuple(reversed(instrument.strings)), system.strings
        ):
            source.error(
                system.strings[0].number, 1, "the strings stand upside down: the lowest one is on top",
                "Write the highest string on the top line and the lowest on the bottom one.",
            )  # fmt: skip
            return
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
                f"Correct the label, or write at the top: tuning: {wanted}",
            )  # fmt: skip


def _like(label: str, pitch: Pitch) -> str:
    """The pitch of this label nearest to the usual one of its string."""
    name = label.rstrip("0123456789")
    return str(near(Spelling.parse(name), pitch)) if name else str(pitch)
