"""Which part of a score is read, on which instrument, and where its notes lie on the neck."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Final
from xml.etree.ElementTree import Element

from pipeline.errors import Problems
from pipeline.music.errors import MusicError
from pipeline.music.instrument import INSTRUMENTS, Instrument
from pipeline.music.pitch import Pitch, Spelling
from pipeline.read.musicxml_measures import number_of
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


def choose_part(root: Element, path: Path, problems: Problems) -> Element:
    """The first part with a tab; without one, the first with notes. Told when there are several."""
    parts = [part for part in root.findall("part") if part.find("measure") is not None]
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
        name = part_names(root).get(chosen.get("id", "")) or chosen.get("id", "")
        problems.caution(
            f"the score has {len(parts)} parts: {name!r} is read", path=path,
            remedy="Export the part you teach alone to read another one.",
        )  # fmt: skip
    return chosen


def stated_strings(part: Element, staff: int | None) -> tuple[tuple[Pitch, ...], int]:
    """Open strings (string 1 first) and capo that ``staff-details`` states; () when silent.

    Lines of ``staff-tuning`` count from the bottom (MusicXML 4.0, staff-line).

    Raises
    ------
    MusicError : a tuning that is none.
    """
    for details in part.iter("staff-details"):
        if staff is not None and details.get("number", "1") != str(staff):
            continue
        lines: dict[int, Pitch] = {}
        for tuning in details.findall("staff-tuning"):
            step, octave = tuning.findtext("tuning-step"), number_of(tuning, "tuning-octave")
            alter = number_of(tuning, "tuning-alter", Fraction(0)) or Fraction(0)
            line = tuning.get("line", "")
            if step and octave is not None and line.isdecimal():
                lines[int(line)] = Pitch(Spelling(step.strip(), int(alter)), int(octave))
            else:
                raise MusicError(f"line {line or '?'} has no pitch")
        if lines:
            capo = number_of(details, "capo", Fraction(0)) or Fraction(0)
            return tuple(lines[line] for line in sorted(lines, reverse=True)), int(capo)
    return (), 0


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
    staff: int | None,
    votes: Counter[tuple[int, int]],
    fewest: int,
    path: Path,
    problems: Problems,
) -> Instrument:
    """The instrument of a part: tuned as stated, or as the strings and frets of its notes tell.

    votes : how often (string, open MIDI number) follows from a note's pitch, string and fret
    fewest : the highest number of a string that is played
    """
    try:
        strings, capo = stated_strings(part, staff)
    except MusicError as error:
        problems.error(
            f"not a tuning of the tab staff ({error})",
            path=path,
            remedy="Correct it in the notation software.",
        )
        return INSTRUMENTS["guitar"]
    name = part_names(root).get(part.get("id", ""), "").lower()
    program = _program(root, part)
    wanted = next((known for word, known in _NAMES if word in name), None)
    count = len(strings) or fewest
    pool = [
        i
        for i in INSTRUMENTS.values()
        if len(i.strings) == count or (not strings and len(i.strings) >= count)
    ]
    if strings:
        same = [i for i in pool if i.strings == strings]
        pool = same or pool
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
        problems.caution(
            f"the score does not state the tuning: taken as {chosen.name}, {tuning}",
            path=path, remedy="Give its tab staff a tuning in the notation software.",
        )  # fmt: skip
        return chosen
    try:
        return replace(chosen, strings=strings, capo=capo)
    except MusicError as error:
        problems.error(
            str(error), path=path, remedy="Correct the tuning or the capo in the notation software."
        )
        return chosen


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


def place_on_neck(
    midis: Sequence[int], instrument: Instrument, busy: frozenset[int]
) -> list[tuple[int, int] | None]:
    """(string, fret) for pitches struck together, each as low on the neck as it goes.

    Highest pitch first, the lowest free fret, the strings in ``busy`` left alone when there
    is another way; a string tuned above its neighbour, such as a banjo's short one, is fretted
    only for want of another (common practice). None for a pitch that no free string has.
    """
    drones = {
        s for s in range(2, len(instrument.strings) + 1)
        if instrument.open_midi(s) > instrument.open_midi(s - 1)
    }  # fmt: skip
    found: dict[int, tuple[int, int] | None] = {}
    used: set[int] = set()
    for index in sorted(range(len(midis)), key=lambda i: -midis[i]):
        places = sorted(
            instrument.places(midis[index]),
            key=lambda place: (place[0] in busy, place[0] in drones and place[1] > 0, place[1], place[0]),
        )
        place = next((p for p in places if p[0] not in used), None)
        found[index] = place
        if place is not None:
            used.add(place[0])
    return [found[index] for index in range(len(midis))]
