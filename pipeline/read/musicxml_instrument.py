"""Which part of a score is read, on which instrument, and where its notes lie on the neck."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any, Final
from xml.etree.ElementTree import Element

from pipeline.errors import Problems, nearest
from pipeline.music.errors import MusicError
from pipeline.music.instrument import INSTRUMENTS, Instrument
from pipeline.music.pitch import Pitch, Spelling
from pipeline.read.musicxml_ledger import Ledger
from pipeline.read.musicxml_measures import number_of
from pipeline.read.musicxml_tree import place_of
from pipeline.read.texttab_marks import harmonic_sounds

# words in a part's name -> built-in instrument
_NAMES: Final = (
    ("ukulele", "ukulele"), ("mandolin", "mandolin"), ("banjo", "banjo"), ("bass", "bass"), ("nylon", "nylon guitar"),
    ("classical", "nylon guitar"), ("electric", "electric guitar"), ("guitar", "guitar"),
)  # fmt: skip


def has_places(part: Element) -> bool:
    """Whether notes of the part carry string and fret."""
    return any(
        t.find("string") is not None and t.find("fret") is not None for t in part.iter("technical")
    )  # fmt: skip


def tab_staff(part: Element) -> int | None:
    """The number of the staff with a TAB clef, or None."""
    for clef in part.iter("clef"):
        if (clef.findtext("sign") or "").strip() == "TAB":
            number = clef.get("number", "1")
            return int(number) if number.isdecimal() else 1
    return None


def part_names(root: Element) -> dict[str, str]:
    return {
        item.get("id", ""): " ".join((item.findtext("part-name") or "").split())
        for item in root.iter("score-part")
    }


def choose_part(root: Element, wanted: str | None, path: Path, problems: Problems) -> Element | None:
    """The part called ``wanted`` (id or name, case apart); without a wish the first part with a tab,
    else the first with notes, told when there are several. None, told, when there is no such part."""
    parts = [part for part in root.findall("part") if part.find("measure") is not None]
    names = part_names(root)
    if wanted is not None:
        said = " ".join(wanted.split()).casefold()
        for tell in (lambda part: part.get("id", ""), lambda part: names.get(part.get("id", ""), "")):
            for part in parts:
                if tell(part).casefold() == said:
                    return part
        known = [f"{names.get(p.get('id', '')) or 'without a name'} ({p.get('id', '?')})" for p in parts]
        near = nearest(wanted, [n for n in names.values() if n])
        problems.error(
            f"the score has no part {wanted!r}; its parts: {', '.join(known)}", path=path,
            remedy=f"Did you mean {near}?" if near else "Name one of them, or none.",
        )  # fmt: skip
        return None
    chosen = next(
        (
            p
            for p in parts
            if tab_staff(p) is not None or has_places(p) or p.find(".//staff-tuning") is not None
        ),
        None,
    )
    chosen = chosen or next((p for p in parts if p.find(".//pitch") is not None), parts[0])
    if len(parts) > 1:
        name = names.get(chosen.get("id", "")) or chosen.get("id", "")
        others = ", ".join(
            repr(names.get(p.get("id", "")) or p.get("id", "")) for p in parts if p is not chosen
        )
        line, column = place_of(chosen)
        problems.caution(
            f"the score has {len(parts)} parts: {name!r} is read, not {_shortened(others)}", path=path,
            line=line or None, column=column or None, remedy="Name the part you teach to read another one.",
        )  # fmt: skip
    return chosen


def _shortened(names: str) -> str:
    return names if len(names) <= 120 else names[:120].rpartition(",")[0] + " ..."


def stated_strings(part: Element, staff: str, ledger: Ledger) -> tuple[tuple[Pitch, ...], int]:
    """Open strings (string 1 first) and capo that ``staff-details`` states; () when silent.

    Lines of ``staff-tuning`` count from the bottom (MusicXML 4.0, staff-line). What is stated later
    adds to the lines before it; a change on the way is listed, the first tuning holds.

    Raises
    ------
    MusicError : a tuning that is none.
    """
    lines: dict[int, Pitch] = {}
    capo: int | None = None
    for measure in part.findall("measure"):
        name = measure.get("number") or ""
        for details in measure.iterfind("attributes/staff-details"):
            if details.get("number", staff) != staff:
                continue
            for tuning in details.iterfind("staff-tuning"):
                step, octave = tuning.findtext("tuning-step"), number_of(tuning, "tuning-octave")
                alter = number_of(tuning, "tuning-alter", Fraction(0)) or Fraction(0)
                line = tuning.get("line", "")
                if not step or octave is None or not line.isdecimal() or len(line) > 3:
                    raise MusicError(f"line {line[:9] or '?'} has no pitch")
                if alter.denominator != 1:
                    ledger.drop("quarter tone in a tuning", tuning, name)
                pitch = Pitch(Spelling(step.strip(), int(alter)), int(octave))
                if lines.setdefault(int(line), pitch) != pitch:
                    ledger.drop("change of tuning", tuning, name)
            stated = number_of(details, "capo")
            if stated is not None and capo is not None and int(stated) != capo:
                ledger.drop("change of capo", details, name)
            elif stated is not None:
                capo = int(stated)
    return tuple(lines[line] for line in sorted(lines, reverse=True)), capo or 0


def _program(root: Element, part: Element) -> int | None:
    for item in root.iter("score-part"):
        if item.get("id") == part.get("id"):
            program = number_of(item, "midi-instrument/midi-program")
            return None if program is None else int(program) - 1
    return None


def _votes(strings: tuple[Pitch, ...], votes: Counter[tuple[int, int]]) -> int:
    """How many notes agree with the open strings; octave transposition apart."""
    return sum(
        count
        for (string, open_midi), count in votes.items()
        if string <= len(strings) and (strings[string - 1].midi - open_midi) % 12 == 0
    )


def choose_instrument(
    root: Element,
    part: Element,
    staff: str,
    votes: Counter[tuple[int, int]],
    fewest: int,
    ledger: Ledger,
    *,
    exact: bool = False,
) -> Instrument:
    """The instrument of a part: tuned as stated, or as the strings and frets of its notes tell.

    votes : how often (string, open MIDI number) follows from a note's pitch, string and fret
    fewest : the highest number of a string that is played
    exact : the score is one of ours, whose part is named as the instrument is
    """
    details = part.find("measure/attributes/staff-details")
    try:
        strings, capo = stated_strings(part, staff, ledger)
    except MusicError as error:
        ledger.error(
            f"not a tuning of the tab staff ({error})", "Correct it in the notation software.", details
        )
        return INSTRUMENTS["guitar"]
    name = part_names(root).get(part.get("id", ""), "").lower()
    program = _program(root, part)
    wanted = name if name in INSTRUMENTS else next((known for word, known in _NAMES if word in name), None)
    wanted = next((known for known in INSTRUMENTS if known.lower() == name), wanted)
    count = len(strings) or fewest
    pool = [
        i
        for i in INSTRUMENTS.values()
        if len(i.strings) == count or (not strings and len(i.strings) >= count)
    ]
    if strings:
        same = [i for i in pool if i.strings == strings]
        pool = [i for i in pool if i.name == wanted] or same or pool
    elif votes:
        best = max((_votes(i.strings, votes) for i in pool), default=0)
        pool = [i for i in pool if _votes(i.strings, votes) == best]
    chosen = next((i for i in pool if i.name == wanted), None)
    chosen = chosen or next((i for i in pool if i.program == program), None)
    if chosen is None and pool:
        low = min(p.midi for p in strings) if strings else 0
        chosen = min(pool, key=lambda i: abs(min(p.midi for p in i.strings) - low)) if strings else pool[0]
    if chosen is None:
        chosen = INSTRUMENTS["guitar"]
    if not strings:
        tuning = " ".join(str(p) for p in reversed(chosen.strings))
        ledger.caution(
            f"the score does not state the tuning: taken as {chosen.name}, {tuning}",
            "Give its tab staff a tuning in the notation software.", part,
        )  # fmt: skip
    try:
        more = _neck(root, ledger) | (_as_written(root, part) if exact else {})
        return replace(chosen, strings=strings or chosen.strings, capo=capo, **more)
    except MusicError as error:
        ledger.error(str(error), "Correct the tuning or the capo in the notation software.", details)
        return chosen


def _as_written(root: Element, part: Element) -> dict[str, Any]:
    """Name, program, clef and written octaves as the part of one of our own scores has them."""
    found: dict[str, Any] = {}
    name = part_names(root).get(part.get("id", ""))
    if name is not None:
        found["name"] = name
    program = _program(root, part)
    if program is not None and 0 <= program <= 127:
        found["program"] = program
    for clef in part.iterfind("measure/attributes/clef"):
        sign = (clef.findtext("sign") or "").strip()
        if clef.get("number", "1") == "1" and sign in ("G", "F"):
            found["clef"] = sign
            found["written_octaves"] = -int(number_of(clef, "clef-octave-change", Fraction(0)) or 0)
            break
    return found


def _neck(root: Element, ledger: Ledger) -> dict[str, Any]:
    """Frets and string length, which a field of the identification may state."""
    found: dict[str, Any] = {}
    for name, key in (("frets", "frets"), ("scale-mm", "scale_mm")):
        text = field_of(root, name)
        if not text:
            continue
        try:
            number = float(text)
        except ValueError:
            number = 0.0
        if 1 <= number <= (36 if key == "frets" else 3000):
            found[key] = int(number) if key == "frets" else number
        else:
            ledger.caution(f"{name}: {text!r} is left out")
    return found


def field_of(root: Element, name: str) -> str:
    """The text of a ``miscellaneous-field`` of the score, or ""."""
    for element in root.iterfind("identification/miscellaneous/miscellaneous-field"):
        if element.get("name") == name:
            return (element.text or "").strip()
    return ""


def harmonic_place(midi: int, instrument: Instrument) -> tuple[int, int] | None:
    """(string, fret) of the natural harmonic that sounds a pitch, the lowest partial first; or None."""
    found = [
        (sounds, -fret, string)
        for string in range(1, len(instrument.strings) + 1)
        for fret in range(1, min(12, instrument.highest_fret) + 1)
        if (sounds := harmonic_sounds(fret)) is not None and instrument.open_midi(string) + sounds == midi
    ]
    if not found:
        return None
    _, fret, string = min(found)
    return string, -fret
