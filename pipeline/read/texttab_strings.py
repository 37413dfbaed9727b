"""The string lines of a text tab: barlines, and the notes with what joins them.

Grammar of a string line (EBNF; what follows the label)
-------------------------------------------------------
::

    line    = { "-" | " " | barline | joint | note | "~" | "v" } , [ tail ] ;
    barline = [ ":" ] "|" { "|" } [ "x" digits ] [ ":" ] ;      the count only behind ":|"
    joint   = "h" | "p" | "s" | slash ;                         hammer-on, pull-off, shift slide
    slash   = ( "/" | "\\" ) { "/" | "\\" } ;
    note    = see texttab_notes ;
    tail    = " " , text ;                                      behind the last barline; "x3": the count

A joint belongs to the fret directly behind it, which may stand behind a barline too (5h|7,
5h|-7); one that stands free (5-h-7) to the next fret of its bar. A slash is a
legato slide when it touches a fret on both sides (also over a barline that it touches on
both sides), a slide in when it only touches the fret behind it, a slide out when it only
touches the note before it.

Two bars ``||`` are a double barline behind their bar (with repeat dots three, ``:|||``, for
``:||`` is how many type a repeat); at the start of a system they are an ornament.
"""

from __future__ import annotations

import itertools
import re
from collections import Counter
from dataclasses import dataclass, field
from typing import Final

from pipeline.read.source import SourceText
from pipeline.read.texttab_notes import NOTE, TabNote
from pipeline.read.texttab_sheet import StringLine, System

_TOKEN: Final = re.compile(
    r"(?P<fill>[- ]+)"
    r"|(?P<bar>:+\|+(?:x(?P<times>\d+))?:*|\|+:*)"
    rf"|(?P<note>{NOTE})"
    r"|(?P<joint>[hps])"
    r"|(?P<slash>[/\\]+)"
    r"|(?P<shake>~+|v+)"
)
_TAIL: Final = re.compile(
    r"\s+\(?(?:(?P<times>(?:x ?\d+|\d+ ?x)|(?:play )?\d+ times)|(?P<words>[^-|]*[^-|\s0-9][^-|]*))\)?$"
)
_JOINTS: Final = {"h": "hammer-on", "p": "pull-off", "s": "shift slide"}
_TARGETS: Final = {"h": "is hammered on", "p": "rings when the finger leaves", "s": "the slide goes to"}


@dataclass(slots=True)
class BarLine:
    """A barline: 0-based columns of its sign, and what the dots and bars say."""

    start: int
    end: int
    repeat_start: bool = False
    repeat_times: int = 0
    double: bool = False


@dataclass(frozen=True, slots=True)
class Joint:
    """A mark that waits for its target: the 1-based line, the 0-based column of the mark.

    fret : that of the note it touches, or None where it stands free
    """

    mark: str
    line: int
    column: int
    fret: int | None = None


@dataclass(slots=True)
class StringState:
    """What reaches from one system into the next on one string."""

    last: TabNote | None = None
    joint: Joint | None = None
    slide: str = ""  # a slash that touches the barline, begun at ``last``


@dataclass(slots=True)
class ScannedSystem:
    """A system's bars as column ranges [start, end), with the notes in each, by place."""

    system: System
    bars: list[tuple[int, int]] = field(default_factory=list)
    lines: list[BarLine] = field(default_factory=list)
    notes: list[list[TabNote]] = field(default_factory=list)
    repeat_start: list[bool] = field(default_factory=list)
    repeat_times: list[int] = field(default_factory=list)
    double: list[bool] = field(default_factory=list)
    short: set[int] = field(default_factory=set)  # bars that end early on purpose
    unread: set[int] = field(default_factory=set)  # bars whose durations could not all be read
    sound: bool = True  # barlines agree: what stands in it can be trusted


class _LineScanner:
    """Reads one string line from left to right."""

    def __init__(self, source: SourceText, line: StringLine, string: int, state: StringState) -> None:
        self.source, self.line, self.string, self.state = source, line, string, state
        self.notes: list[TabNote] = []
        self.bars: list[BarLine] = []
        self.slash: tuple[str, int, int, bool] | None = None  # sign, start, end, begun at a note
        self.times = 0  # how often the last bar's section is played, where that stands apart
        self.touched = -1  # where something ended that a slash may be attached to

    def scan(self) -> None:
        text = _lower(self.line.text)
        place, end = self.line.start, self._end(text)
        while place < end:
            match = _TOKEN.match(text, place)
            if match is None:
                self._stray(place)
                place += 1
                continue
            kind = match.lastgroup or "fill"
            joint = self.state.joint
            if joint is not None and kind not in ("note", "joint"):
                self._await(joint, match, kind)
            if kind != "fill" or self.slash or self.state.slide:
                self._take(match)
            place = match.end()
        if self.slash:
            self._end_slash()

    def _error(self, column: int, what: str, remedy: str) -> None:
        self.source.error(self.line.number, column + 1, what, remedy)

    def _end(self, text: str) -> int:
        """Where the music of the line ends: words behind its last barline are told apart."""
        last = text.rfind("|")
        tail = _TAIL.fullmatch(text, last + 1) if 0 <= self.line.start < last else None
        if tail is None:
            return len(text)
        if tail["times"]:
            self.times = int(re.sub(r"\D", "", tail["times"]))
            if text[last - 1] != ":" or self.times < 2:
                self._error(
                    last + 1, f"{tail['times']!r} behind a bar that has no repeat sign",
                    "Write |: before the first bar that is played again, and :|x3 behind the last one.",
                )  # fmt: skip
                self.times = 0
        else:
            self.source.caution(
                self.line.number, last + 2, "the words behind this string are not read",
                'Write them in quotes above the strings, "slowly", or behind a # in a line of their own.',
            )  # fmt: skip
        return last + 1

    def _stray(self, place: int) -> None:
        sign = self.line.text[place]
        if sign == "\t":
            return  # told when the lines were sorted
        remedy = (
            "Strings hold - | frets and the marks h p s / \\ b r ~ x ( ) < >; see the text tab's description."
        )
        if sign in "bB":
            remedy = "A bend is written directly after its fret: 7b9, or 7b(full)."
        elif sign == "r":
            remedy = "A release is written directly after its bend: 7b9r7."
        elif sign in "(<[":
            remedy = "Write a soft or tied note as (5), a natural harmonic as <12>."
        elif sign == "{":
            remedy = "Braces stand directly behind a note, such as 5{mf}; see the text tab's description."
        self._error(place, f"{sign!r} is not understood here", remedy)

    def _take(self, match: re.Match[str]) -> None:
        start, end = match.span()
        if match["note"]:
            self._note(match)
            return
        if match["slash"]:
            self._slash(match["slash"], start, end)
            return
        if match["bar"]:
            self._bar(match, start, end)
            return
        if self.slash:
            self._end_slash()
        if self.state.slide and self.state.last:
            self.state.last.slide_out, self.state.slide = self.state.slide, ""
        if match["joint"]:
            if self.state.joint:
                self._error(
                    start, f"{match['joint']!r} follows another mark that joins", "One mark joins two notes."
                )
            elif self.state.last is None and match["joint"] != "h":  # a hammer-on may come from nowhere
                self._error(
                    start,
                    f"a {_JOINTS[match['joint']]} with no note before it on this string",
                    "It joins two notes of one string: 7p5.",
                )
            else:
                touched = self.notes[-1] if self.notes and self.notes[-1].end == start else None
                self.state.joint = Joint(
                    match["joint"], self.line.number, start, touched.fret if touched else None
                )
        elif match["shake"]:
            if self.state.last is None:
                self._error(start, "a vibrato with no note before it", "Write it after its note: 7~.")
            else:
                self.state.last.shake = max(self.state.last.shake, len(match["shake"]))

    def _await(self, joint: Joint, match: re.Match[str], kind: str) -> None:
        """Whether what follows a joint may stand between it and its target; told when not."""
        start, end = match.span()
        behind = joint.line == self.line.number and joint.column + 1 == start
        if kind == "bar":
            lost = joint.line == self.line.number and not behind and start != self.touched
        elif kind == "fill" and not behind:
            lost = start == self.touched and end - start > 1
        else:
            lost = joint.fret is not None
        if lost:
            tell_joint(self.source, joint)
            self.state.joint = None

    @property
    def notes_or_bars(self) -> bool:
        """Whether anything of the system stands before this place of the line."""
        return bool(self.notes or self.bars)

    def _bar(self, match: re.Match[str], start: int, end: int) -> None:
        sign = match["bar"]
        times = int(match["times"] or 2) if sign[0] == ":" else 0
        if match["times"] and times < 2:
            self._error(start, f"a repeat played {times} times", "Write :|x2 or more, or no repeat sign.")
            times = 2
        first = start + len(sign) - len(sign.lstrip(":"))
        count, dots = sign.count("|"), ":" in sign
        double = count > (2 if dots else 1) and self.notes_or_bars
        self.bars.append(BarLine(first, end, sign[-1] == ":", times, double))
        if self.slash:
            mark, at, until, begun = self.slash
            if until == start and begun:
                self.state.slide, self.slash = mark, None
            else:
                self.slash = (mark, at, until, begun)
                self._end_slash()
        self.touched = end

    def _slash(self, marks: str, start: int, end: int) -> None:
        begun = bool(self.state.last) and (
            (start == self.touched and bool(self.state.slide))
            or (bool(self.notes) and self.notes[-1].end == start)
        )
        if self.state.slide and not begun and self.state.last:
            self.state.last.slide_out = self.state.slide
        self.state.slide = ""
        if len(set(marks)) > 1:
            self._error(start, f"{marks!r} slides up and down at once", "Write / up or \\ down.")
        self.slash = (marks[0], start, end, begun)

    def _end_slash(self) -> None:
        """A slash that no fret follows."""
        assert self.slash is not None
        mark, start, _, begun = self.slash
        self.slash = None
        if begun and self.state.last is not None:
            self.state.last.slide_out = mark
        else:
            self._error(
                start, "a slide that touches no fret", "Write 5/7, /5 (into) or 5/ (out of), without a gap."
            )

    def _note(self, match: re.Match[str]) -> None:
        start = match.start()
        note = TabNote.of(match, self.line, self.string, self.state.last)
        if self.state.joint:
            note.joint = self.state.joint.mark
            self.state.joint = None
        if self.slash:
            mark, at, until, begun = self.slash
            self.slash = None
            if until != start:
                self.slash = (mark, at, until, begun)
                self._end_slash()
            elif begun:
                note.joint = mark
            else:
                note.slide_in, note.lead = mark, at
        elif self.state.slide and self.state.last:
            self.state.last.slide_out = self.state.slide
        self.state.slide = ""
        self.state.last = note
        self.notes.append(note)


def _lower(text: str) -> str:
    """In small letters, each character in its place."""
    return text.lower() if text.isascii() else "".join(c.lower() if c.isascii() else c for c in text)


def tell_joint(source: SourceText, joint: Joint) -> None:
    """Tell a joint whose target is not written."""
    mark, fret = joint.mark, joint.fret if joint.fret is not None else 5
    target = max(0, fret - 2) if mark == "p" else fret + 2
    source.error(
        joint.line, joint.column + 1, f"a {_JOINTS[mark]} without its target",
        f"Directly after {mark} comes the fret that {_TARGETS[mark]}, such as {fret}{mark}{target}; or delete the {mark}.",
    )  # fmt: skip


def _agree(source: SourceText, scanned: list[_LineScanner]) -> tuple[tuple[int, ...], bool]:
    """The columns of the barlines that most string lines share, and whether all do; told when not."""
    places = [tuple(bar.start for bar in line.bars) for line in scanned]
    common, _ = Counter(places).most_common(1)[0]
    good = True
    for line, mine in zip(scanned, places, strict=True):
        if mine == common:
            continue
        good = False
        number = line.line.number
        if len(mine) != len(common):
            stray = next((p for p in mine if p not in common), None)
            lacking = next((p for p in common if p not in mine), None)
            column = stray if stray is not None and len(mine) > len(common) else lacking
            remedy = "Give every string of the system the same barlines, one above the other."
            if column is not None and len(set(mine) ^ set(common)) == 1:  # all the others are in place
                way = "Delete the | in" if column == stray else "Write a | in"
                remedy = f"{way} column {column + 1}, to match the other strings."
            source.error(
                number, (column or 0) + 1,
                f"this string has {len(mine)} barlines, the others of its system have {len(common)}", remedy,
            )  # fmt: skip
        else:
            at = next(i for i, (a, b) in enumerate(zip(mine, common, strict=True)) if a != b)
            source.error(
                number, mine[at] + 1,
                f"the barline is in column {mine[at] + 1}, on the other strings in column {common[at] + 1}",
                "Line the barlines up: a string has too many or too few dashes before it.",
            )  # fmt: skip
    return common, good


def scan_system(source: SourceText, system: System, states: list[StringState]) -> ScannedSystem:
    """Read the strings of a system; ``states`` (one a string) go on from the system before."""
    found = ScannedSystem(system)
    scanned = [
        _LineScanner(source, line, number, state)
        for number, (line, state) in enumerate(zip(system.strings, states, strict=True), 1)
    ]
    for line in scanned:
        line.scan()
    places, found.sound = _agree(source, scanned)
    lines = [BarLine(place, place + 1) for place in places]
    for one in scanned:
        for mine, shared in zip(one.bars, lines, strict=False):
            shared.end = max(shared.end, mine.end)
            shared.repeat_start |= mine.repeat_start
            shared.repeat_times = max(shared.repeat_times, mine.repeat_times)
            shared.double |= mine.double
    if lines and any(one.times for one in scanned):
        lines[-1].repeat_times = max(one.times for one in scanned)
    begin = min(line.start for line in system.strings)
    if not lines or any(line.text[line.start] != "|" for line in system.strings):
        lines.insert(0, BarLine(begin, begin))
    notes = sorted((n for one in scanned for n in one.notes), key=lambda n: (n.start, n.string))
    if any(n.start >= lines[-1].end for n in notes) or len(lines) == 1:
        width = max(len(line.text) for line in system.strings)
        lines.append(BarLine(width, width))
    found.lines = lines
    place = 0
    for left, right in itertools.pairwise(lines):
        found.bars.append((left.end, right.start))
        found.repeat_start.append(left.repeat_start)
        found.repeat_times.append(right.repeat_times)
        found.double.append(right.double)
        inside: list[TabNote] = []
        while place < len(notes) and notes[place].start < right.start:
            inside.append(notes[place])
            place += 1
        found.notes.append(inside)
    return found
