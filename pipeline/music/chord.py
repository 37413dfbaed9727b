"""Chords: read from what musicians write, spelled right, exported in a published syntax.

Label grammar
-------------
``root quality alterations / bass``. Root and bass are note names (``C#``, ``B♭``). The
quality is a triad (nothing, ``m min -``, ``dim ° o``, ``aug +``, ``sus2 sus4 sus``, ``5``)
with an extension (``6 69 7 maj7 M7 Δ 9 11 13 ø`` ...); alterations are ``b5 #5 b9 #9 #11
b13``, ``addN``, ``noN``, ``sus4`` and ``alt``, bare or in parentheses.

A chord *is* its degrees: kind and changes are brought to the one shortest way to say them,
so that chords of the same notes and names are equal however they were written.

References
----------
Harte, C., Sandler, M., Abdallah, S., Gomez, E. (2005), "Symbolic representation of musical
chords", ISMIR. Degrees count in the major scale of the root, as there.
"""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass
from functools import cached_property
from typing import Final

from pipeline.music.chordkind import ALTERED, DOUBLED, KINDS, Change, Degrees, degrees_of, shortest
from pipeline.music.errors import MusicError, SpellingError
from pipeline.music.pitch import ALTER_SIGN, ALTER_TEXT, STEPS, Interval, Spelling

__all__ = ["DOUBLED", "KINDS", "Change", "Chord", "Degrees"]

_MAJOR: Final = {1: 0, 2: 2, 3: 4, 4: 5, 5: 7, 6: 9, 7: 11}
_HARTE: Final = (
    "maj", "min", "dim", "aug", "maj7", "min7", "7", "dim7", "hdim7", "minmaj7", "maj6", "min6", "9", "maj9", "min9",
    "sus2", "sus4",
)  # fmt: skip

_BASE: Final = re.compile(
    r"(?P<third>[Mm]in(?:or)?|MIN|[Mm]i(?!n)|MI|m(?!aj|a(?![d-z]))|-(?!5|b|#)|−)?"
    r"(?P<triad>dim|[°º˚]|o(?![a-z])|aug|\+|ø|Ø)?"
    r"\(?(?P<maj>[Mm]aj(?:or)?|MAJ|[Mm]a(?![a-z])|MA|M(?![A-Za-z])|[Δ△∆]|\^(?=[679]|1[13]))?"
    r"(?:dom(?=\d))?(?P<number>6/9|69|13|11|9|7|6|5)?\)?"
)
_CHANGE: Final = re.compile(
    r"(?P<word>add|omit|no|sus|alt|[Mm]aj|M|[Δ△∆])?(?P<sign>[#♯b♭+\-−]{0,2})(?P<degree>13|12|11|10|[1-9])?"
)
_SUFFIXES: Final = (
    *(suffix for _, suffix, _ in KINDS.values() if len(suffix) > 1),
    "min", "min7", "min9", "major7", "add9", "madd9", "6/9", "7sus4", "9sus4", "7b9", "7#9", "7b5", "7#5", "7#11", "7b13", "13b9", "7alt", "maj7#11",
)  # fmt: skip
_SIGNS: Final = {"#": 1, "♯": 1, "+": 1, "b": -1, "♭": -1, "-": -1, "−": -1}


@dataclass(frozen=True)
class Chord:
    """A chord symbol. ``kind`` is a key of :data:`KINDS`; ``bass`` None means the root.

    Raises
    ------
    MusicError : no such kind.
    """

    root: Spelling
    kind: str = "maj"
    changes: tuple[Change, ...] = ()
    bass: Spelling | None = None

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise MusicError(f"unknown kind of chord {self.kind!r}; known: {', '.join(KINDS)}")
        if self.changes:
            kind, changes = shortest(tuple(degrees_of(self.kind, self.changes).items()))
            object.__setattr__(self, "kind", kind)
            object.__setattr__(self, "changes", changes)
        if self.bass == self.root:
            object.__setattr__(self, "bass", None)

    @classmethod
    def parse(cls, text: str) -> Chord:
        """Read a chord name.

        Raises
        ------
        SpellingError : with the column where reading stopped, and a suggestion if one is near.
        """
        return _Reader(text).chord()

    @cached_property
    def degrees(self) -> Degrees:
        """Degree -> alteration against the major scale of the root.

        Degrees go from 1 to 13; a second form of one that is there (#9 beside b9) stands two
        octaves higher, see :data:`DOUBLED`.
        """
        return degrees_of(self.kind, self.changes)

    def _spell(self, degree: int, alter: int) -> Spelling:
        steps = (degree - 1) % 7
        return self.root.transposed(Interval(steps, _MAJOR[steps + 1] + alter))

    @cached_property
    def tones(self) -> tuple[Spelling, ...]:
        """The chord's notes by name, from the root up; a foreign bass is not among them."""
        return tuple(self._spell(degree, alter) for degree, alter in self.degrees.items())

    @property
    def pitch_classes(self) -> frozenset[int]:
        """Pitch classes of the tones, the bass included."""
        found = {tone.pitch_class for tone in self.tones}
        return frozenset(found | ({self.bass.pitch_class} if self.bass else set()))

    @property
    def lowest(self) -> Spelling:
        """The note the bass plays."""
        return self.bass or self.root

    def transposed(self, interval: Interval) -> Chord:
        bass = self.bass.transposed(interval) if self.bass else None
        return Chord(self.root.transposed(interval), self.kind, self.changes, bass)

    def suffix(self, *, signs: bool = False) -> str:
        """All between root and bass, as plain text or with musical signs."""
        _, plain, signed = KINDS[self.kind]
        base = signed if signs else plain
        table = ALTER_SIGN if signs else ALTER_TEXT
        if self.kind == "7" and self.changes == ALTERED:
            return "7alt"
        texts: list[str] = []
        there = dict(KINDS[self.kind][0])
        for change in self.changes:
            text = change.text(table)
            if change.action == "add" and change.alter and change.degree in there:
                text = f"add{text}"  # beside the other one, not in its place
            texts.append(text)
            if change.action == "alter" or change.alter:
                there.pop(change.degree, None)
            else:
                there[change.degree] = 0
        if self.changes[:1] == (Change("omit", 3),):
            for number in (4, 2):
                if f"add{number}" in texts:
                    texts[texts.index(f"add{number}")] = f"sus{number}"
                    del texts[0]
                    break
        if self.kind in ("maj6", "min6") and "add9" in texts:
            texts.remove("add9")
            base += "/9"
        if len(texts) > 1:
            return f"{base}({','.join(texts)})"
        # a bare alteration behind a bare letter would read as an accidental of the root
        bare = texts and (texts[0] == "maj7" or (not base and texts[0][0] in "b#♭♯"))
        return base + (f"({texts[0]})" if bare else "".join(texts))

    def text(self) -> str:
        """Plain text that :meth:`parse` reads back: ``F#m7b5/C``."""
        return self.root.text() + self.suffix() + (f"/{self.bass.text()}" if self.bass else "")

    def symbol(self) -> str:
        """With musical signs: ``F♯m7♭5/C``."""
        return self.root.symbol() + self.suffix(signs=True) + (f"/{self.bass.symbol()}" if self.bass else "")

    def harte(self) -> str:
        """In the syntax of Harte et al. (2005): ``F#:hdim7/b5``."""
        shorthand = self.kind if self.kind in _HARTE else ""
        base = {1: 0, **KINDS[shorthand][0]} if shorthand else {1: 0}
        mine = self.degrees
        extra = [f"*{ALTER_TEXT[a]}{d}" for d, a in base.items() if d not in mine or mine[d] != a]
        names = {high: low for low, high in DOUBLED.items()}
        extra += [f"{ALTER_TEXT[a]}{names.get(d, d)}" for d, a in mine.items() if base.get(d) != a]
        label = shorthand + (f"({','.join(extra)})" if extra else "")
        return f"{self.root.text()}:{label}" + (f"/{self._bass_degree()}" if self.bass else "")

    def _bass_degree(self) -> str:
        assert self.bass is not None
        steps = (STEPS.index(self.bass.step) - STEPS.index(self.root.step)) % 7
        semitones = (self.bass.pitch_class - self.root.pitch_class) % 12
        alter = (semitones - _MAJOR[steps + 1] + 6) % 12 - 6
        return f"{'#' * alter}{'b' * -alter}{steps + 1}"

    def __str__(self) -> str:
        return self.text()


_ADDED: Final = re.compile(r"[0-9]|[#♯b♭+-](?:5|9|11|13)")
_LONGEST: Final = 200  # characters of a name, with room for every degree
_STACKED: Final = {"9": (9,), "11": (9, 11), "13": (9, 11, 13)}


def _stacked(number: str | None) -> list[Change]:
    """The thirds over a seventh up to this one: a ninth lies under an eleventh (common practice)."""
    return [Change("add", degree) for degree in _STACKED.get(number or "", ())]


class _Reader:
    """Reads one chord name from left to right."""

    def __init__(self, text: str, *, suggesting: bool = True) -> None:
        self.text = text.strip()
        self.suggesting = suggesting

    def fail(self, column: int, why: str) -> SpellingError:
        return SpellingError(
            f"not a chord name: {self.text[:_LONGEST]!r} ({why})",
            text=self.text,
            column=column,
            suggestion=_suggest(self.text) if self.suggesting else None,
        )

    def chord(self) -> Chord:
        if len(self.text) > _LONGEST:
            self.suggesting = False
            raise self.fail(_LONGEST, "it is too long")
        head = re.match(r"[A-G][#♯b♭]*", self.text)
        if head is None:
            raise self.fail(0, "a chord starts with a note name, A to G")
        root_text, rest = head[0], self.text[head.end() :]
        if len(root_text) > 4:
            raise self.fail(1, "too many sharps or flats")
        bass = None
        name, slash, last = rest.rpartition("/")
        added = _ADDED.match(last) is not None or name.count("(") > name.count(")")
        if slash and not added:
            rest = name
            try:
                bass = Spelling.parse(last) if last[:1].isupper() else None
            except SpellingError as error:
                raise self.fail(self.text.rindex("/") + 1, "after / comes a bass note") from error
            if bass is None:
                raise self.fail(self.text.rindex("/") + 1, "after / comes a bass note")
        kind, end, changes = self._base(rest)
        if kind == "maj" and rest[end:].strip("( ").startswith("alt"):
            kind = "7"  # Calt is C7alt: common practice
        changes += self._changes(rest, end, len(root_text), kind)
        return Chord(Spelling.parse(root_text), kind, tuple(changes), bass)

    def _base(self, rest: str) -> tuple[str, int, list[Change]]:
        match = _BASE.match(rest)
        assert match is not None
        third, triad, major, number = match["third"], match["triad"], match["maj"], match["number"]
        end = match.end()
        # parentheses that held no extension belong to the alterations
        opened, closed = "(" in match[0], ")" in match[0]
        if (opened and not (major or number)) or opened != closed:
            end = match.start() + match[0].index("(") if opened else end - 1
            if opened:
                major = number = None
        if triad in ("dim", "°", "º", "˚", "o"):
            if major and number == "7":
                return "dim", end, [Change("add", 7)]
            if number in _STACKED:
                return "dim7", end, _stacked(number)
            return ("dim7", end, []) if number == "7" else ("dim", self._cut(match, number, end), [])
        if triad in ("ø", "Ø"):
            return "hdim7", end, _stacked(number)
        if triad in ("aug", "+"):
            if number == "7" or number in _STACKED:
                kind = ("maj" if major else "") + number
                return kind, end, [Change("alter", 5, 1)]
            return "aug", self._cut(match, number, end), []
        if number in ("6/9", "69"):
            return ("min6" if third else "maj6"), end, [Change("add", 9)]
        if number == "6":
            return ("min6" if third else "maj6"), end, []
        if number == "5":
            return (
                ("5", end, [])
                if not third and not major
                else ("min" if third else "maj", match.start("number"), [])
            )
        if number is None:
            if major in ("Δ", "△", "∆"):
                return ("minmaj7" if third else "maj7"), end, []
            if major and third:
                return "min", match.start("maj"), []
            return ("min" if third else "maj"), end, []
        if third and major:
            if number == "7":
                return "minmaj7", end, []
            return "minmaj7", end, _stacked(number)
        return ("min" if third else "maj" if major else "") + number, end, []

    @staticmethod
    def _cut(match: re.Match[str], number: str | None, end: int) -> int:
        return match.start("number") if number else end

    def _changes(self, rest: str, start: int, offset: int, kind: str) -> list[Change]:
        found: list[Change] = []
        place = start
        while place < len(rest):
            if rest[place] in "(), ":
                place += 1
                continue
            slashed = rest[place] == "/"  # C7/9, C7(b9/#5): additions behind a slash (common practice)
            if slashed and not _ADDED.match(rest, place + 1):
                raise self.fail(offset + place, f"{rest[place:]!r} is not understood")
            place += slashed
            match = _CHANGE.match(rest, place)
            if match is None or match.end() == place:
                raise self.fail(offset + place, f"{rest[place:]!r} is not understood")
            inside = slashed or rest.count("(", 0, place) > rest.count(")", 0, place)
            found += self._change(match, offset + place, kind, inside=inside)
            place = match.end()
        if rest.count("(") != rest.count(")"):
            raise self.fail(offset + len(rest), "a parenthesis is not closed")
        return found

    def _change(self, match: re.Match[str], column: int, kind: str, *, inside: bool) -> list[Change]:
        word, degree = match["word"], match["degree"]
        alter = sum(_SIGNS[sign] for sign in match["sign"])
        if word == "alt":
            # the altered dominant, both fifths and ninths bent: common practice
            return list(ALTERED)
        if word in ("maj", "Maj", "M", "Δ", "△", "∆"):
            if alter or degree not in ("7", None) or (degree is None and word in ("maj", "Maj", "M")):
                raise self.fail(column, f"{match[0]!r} is not understood; an added one is maj7")
            return [Change("add", 7)]
        if word == "sus":
            number = int(degree or 4)
            if str(number) in ("7", *_STACKED):  # Csus7, Csus9 are C7sus4, C9sus4: common practice
                above = [Change("add", n) for n in _STACKED.get(str(number), ()) if n != 11]
                return [Change("omit", 3), Change("add", 4), Change("add", 7, -1), *above]
            if number not in (2, 4):
                raise self.fail(column, "a suspension is sus2 or sus4")
            return [Change("omit", 3), Change("add", number)]
        if degree is None and match["sign"] == "+":
            degree = "5"  # C7+ is an augmented seventh chord: common practice
        if degree is None:
            raise self.fail(column, f"{match[0]!r} lacks its degree")
        number = int(degree)
        if number == 7 and alter == 1:
            alter = 0  # Cm#7 has the major seventh: common practice
        if number == 1 and word not in ("no", "omit"):
            raise self.fail(column, f"{match[0]!r} is not understood")
        if word in ("no", "omit"):
            return [Change("omit", number)]
        if word is None and alter == 0 and not match["sign"]:
            if inside and number in (9, 11, 13):  # C7(13): an addition, common practice
                return [Change("add", number)]
            raise self.fail(column, f"{match[0]!r} is not understood")
        has = number in KINDS[kind][0] or number == 5
        return [Change("alter" if has and word is None else "add", number, alter)]


def _suggest(text: str) -> str | None:
    """A readable name close to a mistyped one, or None."""
    tries = [
        text[:1].upper() + text[1:],
        text.replace("mj", "maj").replace("Maj", "maj").replace("MAJ", "maj"),
        text.replace("Min", "m").replace("MIN", "m").replace("minor", "m").replace("major", ""),
        text.replace("H", "B"),
        re.sub(r"(?:dom|dominant)(?=\d|$)", "", text),
        re.sub(r"(?<=\d)/([b#]?\d+)", r"(\1)", text),  # C7/9
        re.sub(r"sus(7|9|13)$", r"\1sus4", text),
        re.sub(r"2$", "sus2", text),
        re.sub(r"4$", "sus4", text),
        re.sub(r"[^A-Za-z0-9#b♯♭/()+°øΔ-]", "", text),
    ]
    head = re.match(r"[A-G][#b♯♭]*", text)
    if head is not None:
        name, slash, bass = text[head.end() :].partition("/")
        near = difflib.get_close_matches(name, _SUFFIXES, n=1, cutoff=0.6)
        tries += [head[0] + suffix + slash + bass for suffix in near]
        tries += [head[0] + name, head[0]] if slash else []
    tries.append(text[:-1])
    for attempt in tries:
        if attempt != text and re.match(r"[A-G]", attempt):
            try:
                return _Reader(attempt, suggesting=False).chord().text()
            except SpellingError:
                continue
    return None
