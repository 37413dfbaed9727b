"""Syllables, remarks and phrase names of a MusicXML part.

References
----------
MusicXML 4.0: ``lyric`` (number, syllabic, elision), ``rehearsal``, ``miscellaneous-field``.
"""

from __future__ import annotations

import re
from collections import Counter
from fractions import Fraction
from typing import Final
from xml.etree.ElementTree import Element

from pipeline.music.metre import Form
from pipeline.music.tab import VERSES, Lyric, Phrase, Remark
from pipeline.music.words import tidy
from pipeline.read.musicxml_directions import Marks
from pipeline.read.musicxml_ledger import LYRIC, Ledger
from pipeline.read.musicxml_measures import Measure, timed

_PHRASE: Final = re.compile(r"(\d{1,5})-(\d{1,5})\s+(.+)")


def lyrics_of(
    measures: tuple[Measure, ...], staves: frozenset[str] | None, ledger: Ledger, *, exact: bool = False
) -> tuple[Lyric, ...]:
    """The syllables on the notes (and rests) of these staves (None: of all).

    exact : the score is one of ours, whose syllables may end in a space
    Verses that are not numbered are counted behind the others in the order they come in.
    """
    found: dict[tuple[Fraction, int], str] = {}
    named: dict[str, int] = {}
    length = measures[-1].end
    numbered = max(
        (
            v
            for _, _, item in timed(measures, "note")
            for e in item.element.iterfind("lyric")
            if (v := _verse(e))
        ),
        default=0,
    )
    for measure, quarter, item in timed(measures, "note"):
        staff = (item.element.findtext("staff") or "1").strip()
        if staves is not None and staff not in staves:
            continue
        for element in item.element.iterfind("lyric"):
            ledger.drop_unknown(element, LYRIC, measure.name)
            verse = _verse(element)
            if not verse:
                name = element.get("number") or element.get("name") or ""
                verse = named.setdefault(name, numbered + len(named) + 1)
            text = ""
            for child in element:
                if child.tag == "text":
                    text += child.text or ""
                elif child.tag == "elision":
                    text += child.text or " "
            text = text if exact else text.strip()
            syllabic = [(child.text or "").strip() for child in element.iterfind("syllabic")]
            if not text.strip("_ \t\n"):
                continue
            if syllabic and syllabic[-1] in ("begin", "middle"):
                text += "-"
            text = tidy(text).replace("_", " ").strip()
            place = (quarter, verse)
            if verse > VERSES or quarter >= length or found.get(place, text) != text:
                ledger.drop(f"syllable {text!r}"[:40], element, measure.name)
                continue
            found[place] = text
    return tuple(Lyric(quarter, text, verse) for (quarter, verse), text in found.items())


def _verse(element: Element) -> int:
    """The number of a lyric's verse; 0 when it has another name."""
    name = (element.get("number") or element.get("name") or "1").strip()
    return int(name) if name.isdecimal() and len(name) < 3 and 1 <= int(name) <= VERSES else 0


def remarks_of(marks: Marks, form: Form) -> tuple[Remark, ...]:
    """Words above the staff; those behind the last note stand at the start of its bar."""
    length = form.written.length
    last = form.written.bars[-1].start
    return tuple(Remark(quarter if quarter < length else last, text) for quarter, text in marks.words)


def phrases_of(marks: Marks, form: Form, ledger: Ledger, stated: str) -> tuple[Phrase, ...]:
    """The phrases ``stated`` (lines ``1-4 name``), else from one rehearsal mark's bar to the bar before the next one's."""
    numbers = [bar.number for bar in form.bars]
    found: list[Phrase] = []
    for line in stated.splitlines():
        match = _PHRASE.fullmatch(line.strip())
        if (
            match is not None
            and tidy(match[3])
            and numbers[0] <= int(match[1]) <= int(match[2]) <= numbers[-1]
        ):
            found.append(Phrase(match[3], int(match[1]), int(match[2])))
        elif line.strip():
            ledger.drop(f"phrase {line.strip()!r}"[:60])
    if found:
        return tuple(found)
    starts: dict[int, str] = {}
    for quarter, name in marks.names:
        place = form.written.bar_at(quarter).index
        if starts.setdefault(place, name) != name:
            ledger.drop(f"second rehearsal mark {name!r} of a measure"[:60])
    places = sorted(starts)
    taken: Counter[str] = Counter()
    for place, after in zip(places, [*places[1:], len(numbers)], strict=True) if places else ():
        name = starts[place]
        taken[name] += 1
        if taken[name] > 1:
            name = f"{name} ({taken[name]})"
        found.append(Phrase(name, numbers[place], numbers[after - 1]))
    return tuple(found)
