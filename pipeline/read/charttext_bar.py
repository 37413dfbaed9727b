"""What stands between two barlines of a chart: chords in their slots, signs, alternates.

The grammar is in :mod:`pipeline.read.charttext`.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Final

from pipeline.music.chart import LONGEST_PUSH, ChartChord, Play
from pipeline.music.chord import Chord
from pipeline.music.degree import is_degree, parse_degree
from pipeline.music.errors import SpellingError
from pipeline.music.key import Key
from pipeline.music.metre import NO_SIGNS, Jump, Signs
from pipeline.read.proof_harmony import belongs
from pipeline.read.source import SourceText
from pipeline.read.texttab_values import read_duration

UNSAID: Final = "..."  # the chart says nothing here yet
HOLDS: Final = (".", "/", "-")
_NO_CHORD: Final = re.compile(r"N\.?\s?C\.?", re.IGNORECASE)
_COMMENT: Final = re.compile(r"(?:^\s*|(?<=\s\s))#")
_WORD: Final = re.compile(r"\S{1,40}")
_SIGN: Final = re.compile(
    r"(?<!\S)(?:(?P<to_coda>to\s+coda|to\s*𝄌)|(?P<segno>segno|𝄋)|(?P<coda>coda|𝄌)|(?P<fine>fine)"
    r"|(?P<jump>(?:d\.\s?[cs]\.?|d[cs]|da\s+capo|dal\s+segno)(?:\s+al\s+(?:fine|coda))?))(?!\S)",
    re.IGNORECASE,
)
_AT: Final = re.compile(r"@(?P<above>\d{1,200})(?:/(?P<below>\d{1,200}))?$")
_PUSH: Final = re.compile(r"[whqest]\.{0,2}(?:[35679](?=[A-GNIVivn#b♯♭]))?")
_PLAYS: Final = {"!": Play.STOP, "^": Play.HIT}
MOST_WORDS: Final = 500  # in a bar
EIGHTH: Final = Fraction(1, 2)


@dataclass(frozen=True, slots=True)
class Word:
    """A word of a bar and its 0-based column."""

    text: str
    column: int


@dataclass(slots=True)
class BarText:
    """A bar as read. ``again``: it repeats the bar that many before it; ``blank``: no word in it."""

    chords: tuple[ChartChord, ...] = ()
    alternates: tuple[tuple[ChartChord, ...], ...] = ()
    again: int = 0
    again_column: int = 0
    unsaid: bool = False
    blank: bool = False


def take_signs(
    source: SourceText, number: int, text: str, column: int
) -> tuple[Signs, str, dict[str, tuple[int, int]]]:
    """The signs in a stretch of a line, the stretch with blanks in their place, and where each was
    read (1-based line and column)."""
    found = NO_SIGNS
    places: dict[str, tuple[int, int]] = {}
    for match in _SIGN.finditer(text):
        name = str(match.lastgroup)
        place = (number, column + match.start() + 1)
        places[name] = place
        if name != "jump":
            found = replace(
                found,
                segno=found.segno or name == "segno", coda=found.coda or name == "coda",
                to_coda=found.to_coda or name == "to_coda", fine=found.fine or name == "fine",
            )  # fmt: skip
            continue
        if found.jump is not None:
            source.error(*place, "two jumps from one bar", "Keep one of them.")
        words = " ".join(match[0].split())
        found = replace(found, jump=Jump.parse(re.sub(r"^(d)([cs])\b", r"\1.\2.", words, flags=re.I)))
    return found, _SIGN.sub(lambda match: " " * len(match[0]), text) if places else text, places


def without_comment(text: str) -> tuple[str, str | None]:
    """A line without its comment, and the comment."""
    last_bar = text.rfind("|")
    for match in _COMMENT.finditer(text):
        begin = match.start()
        while begin and text[begin - 1].isspace():
            begin -= 1
        word = _WORD.match(text, match.end() - 1)
        # | I  #IV°7 | holds a raised degree, no comment
        sharp = begin > 0 and word is not None and is_degree(word[0])
        if not (sharp and (last_bar > match.start() or text[begin - 1] != "|")):
            return text[:begin], text[match.end() :]
    return text, None


class BarReader:
    """Reads the chords of bars; told problems go to ``source``."""

    def __init__(self, source: SourceText) -> None:
        self.source = source
        self.key: Key | None = None
        self.key_tried = False  # a key was written, but could not be read
        self._keyless = False  # told already
        # line, column, text, meaning and key of each chord written as a number
        self.numbers: list[tuple[int, int, str, Chord, Key]] = []
        self._before = ""  # the word before the one that is read

    def read(
        self, number: int, inside: str, place: int, *, sounding: bool
    ) -> tuple[BarText, dict[Fraction, int]]:
        """One bar (its signs taken out) and the column of each chord.

        number : line, from 1
        place : 0-based column of ``inside``
        sounding : whether a chord goes on from the bar before
        """
        words = [Word(m[0], place + m.start()) for m in re.finditer(r"\S+", inside)]
        if len(words) > MOST_WORDS:
            self.source.error(
                number, words[MOST_WORDS].column + 1, f"a bar of more than {MOST_WORDS} words",
                "Write chords between bars: | Am | Dm E7 |.",
            )  # fmt: skip
            del words[MOST_WORDS:]
        groups: list[list[Word]] = [[]]
        for word in words:
            if word.text.lower() == "or":
                if not groups[-1]:
                    self.source.error(
                        number, word.column + 1, "'or' with nothing before it", "Write | Dm7 G7 or Dm7 Db7 |."
                    )
                groups.append([])
            else:
                groups[-1].append(word)
        if len(groups) > 1 and not groups[-1]:
            self.source.error(
                number, words[-1].column + 1, "'or' with nothing behind it", "Write | Dm7 G7 or Dm7 Db7 |."
            )
            groups.pop()
        found = BarText(blank=not words)
        first, *others = groups
        columns: dict[Fraction, int] = {}
        if [word.text for word in first] in (["%"], ["%%"]):
            found.again, found.again_column = len(first[0].text), first[0].column
        else:
            found.chords = self._slots(number, first, columns, sounding=sounding)
            found.unsaid = any(word.text in (UNSAID, "…") for word in first)
        alternates = []
        for group in others:
            chords = self._slots(number, group, {}, sounding=sounding)
            if chords:
                alternates.append(chords)
            elif group and not self.source.failed:
                self.source.error(number, group[0].column + 1, "this alternate names no chord", "Write one.")
        found.alternates = tuple(alternates)
        return found, columns

    def _slots(
        self, number: int, words: list[Word], columns: dict[Fraction, int], *, sounding: bool
    ) -> tuple[ChartChord, ...]:
        slots = sum(_AT.search(word.text) is None for word in words)
        found: dict[Fraction, ChartChord] = {}
        slot = -1
        for word in words:
            placed = _AT.search(word.text)
            if placed is None:
                slot += 1
                at = Fraction(slot, slots)
            else:
                below = int(placed["below"] or 1)
                at = Fraction(int(placed["above"]), below) if below else Fraction(1)
                if at >= 1:
                    self.source.error(
                        number, word.column + placed.start() + 1,
                        f"{placed[0]!r} is not within the bar", "Write a share of the bar, from @0 up to below @1: Dm@3/8.",
                    )  # fmt: skip
                    continue
            text = word.text[: placed.start()] if placed else word.text
            if not text:
                self.source.error(
                    number, word.column + 1, f"{word.text!r} places no chord", "Write it behind one: Dm@3/8."
                )
                continue
            if text in HOLDS:
                if not sounding and not found and not self.source.failed:
                    self.source.error(
                        number, word.column + 1, f"{text!r} has no chord to hold", "Write a chord before it."
                    )
                continue
            if text in (UNSAID, "…"):
                continue
            place = words.index(word)
            self._before = words[place - 1].text if place else ""
            chord = self._chord(number, Word(text, word.column), at)
            if chord is None:
                continue
            if at in found:
                self.source.error(
                    number, word.column + 1, "two chords at one place of the bar", "Give one another place."
                )
            found[at] = chord
            columns[at] = word.column
        return tuple(chord for _, chord in sorted(found.items()))

    def _chord(self, number: int, word: Word, at: Fraction) -> ChartChord | None:
        """One chord with its push and what is played on it; None when told."""
        text, start, push, play = word.text, 0, Fraction(0), Play.ON
        if text in ("%", "%%"):
            self.source.error(
                number, word.column + 1,
                f"{text} among chords", "It repeats a whole bar, so it must be alone in its bar.",
            )  # fmt: skip
            return None
        if text.endswith(">") and "<" in text:
            play, start, end = Play.HOLD, text.rindex("<") + 1, len(text) - 1
            if start > 1:
                early = self._push(number, word, text[: start - 1].removesuffix(":"))
                if early is None:
                    return None
                push = early
        else:
            end = len(text)
            if text[-1] in _PLAYS and len(text) > 1:
                play, end = _PLAYS[text[-1]], end - 1
            if text[0] == "<":
                colon = text.find(":", 0, end)
                token = _PUSH.match(text, 1, end)
                start = colon + 1 if colon > 0 else token.end() if token else 1
                early = self._push(number, word, text[: colon if colon > 0 else start])
                if early is None:
                    return None
                push = early
        name = text[start:end]
        if not name:
            self.source.error(
                number,
                word.column + 1,
                f"{text!r} stands on no chord",
                "Write it with one: <Am7, Am7! or <Am7>.",
            )
            return None
        if _NO_CHORD.fullmatch(name):
            return ChartChord(at, None, play, push)
        try:
            chord = self._degree(number, word.column + start, name) if is_degree(name) else Chord.parse(name)
        except SpellingError as error:
            remedy = "Write it as Am7, F#m7b5, Bbmaj9/D or N.C."
            if name[0] == "[":
                remedy = "A section's name stands at the start of its line."
            elif error.suggestion:
                remedy = f"Did you mean {error.suggestion}?"
            if name.endswith("/"):
                remedy = f"Write the bass right behind the slash, with no blank: {name}E."
            elif _is_chord(self._before + text):
                remedy = f"Write a chord without blanks: {self._before}{text}."
            self.source.error(number, word.column + start + error.column + 1, str(error), remedy)
            return None
        return None if chord is None else ChartChord(at, chord, play, push)

    def _push(self, number: int, word: Word, text: str) -> Fraction | None:
        """How many quarters early ``<``, ``<s`` or ``<e3`` means."""
        mark = read_duration(text[1:]) if len(text) > 1 else None
        length = EIGHTH if len(text) == 1 else None if mark is None or mark.held or mark.tied else mark.step
        if length is None or length > LONGEST_PUSH:
            self.source.error(
                number, word.column + 1, f"{text!r} is no push",
                f"Write <Am7 for an eighth early, <sAm7 for a sixteenth, <qAm7 for a quarter; up to "
                f"{LONGEST_PUSH} quarters.",
            )  # fmt: skip
            return None
        return length

    def _degree(self, number: int, column: int, name: str) -> Chord | None:
        if self.key is not None:
            chord = parse_degree(name, self.key)
            if name.lstrip("#b♯♭")[0].isdecimal():
                self.numbers.append((number, column + 1, name, chord, self.key))
            return chord
        if not self._keyless and not self.key_tried:
            self.source.error(
                number,
                column + 1,
                f"{name!r} is a degree, but no key is given",
                "Write key: C above the bars.",
            )
            self._keyless = True
        self.source.failed = True
        return None

    def doubt_numbers(self) -> None:
        """Tell of numbers that were written as if they counted in a minor scale."""
        # a major chord on five belongs to minor too, and shows nothing
        telling = [
            (line, column, name, chord, key)
            for line, column, name, chord, key in self.numbers
            if key.minorish and not name.startswith("5")
        ]
        if not telling or any(belongs(chord, key) for *_, chord, key in telling):
            return
        line, column, _, _, key = telling[0]
        pairs = {name: chord.text() for _, _, name, chord, _ in telling[:50]}
        names = list(pairs)[:3]
        read = ", ".join(f"{name} as {pairs[name]}" for name in names)
        tonic, third = key.tonic, parse_degree("b3", key).text()
        self.source.caution(
            line, column, f"numbers count from the major scale, and the key is {key.symbol()}: {read}",
            f"For minor write 1- ({tonic}m) and 4-, and a flat before what minor lowers: b3 ({third}), b6, b7.",
        )  # fmt: skip


def _is_chord(text: str) -> bool:
    try:
        Chord.parse(text)
    except SpellingError:
        return False
    return True
