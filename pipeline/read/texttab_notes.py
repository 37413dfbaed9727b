"""One note of a text tab as it is typed: its head, and the marks behind it.

Grammar (EBNF; letters may be small or capital)
-----------------------------------------------
::

    note    = [ "g" [ "g" ] ] , [ "t" ] , head , { mark } ;     grace (on the beat), tapped
    head    = core | "(" core ")" ;                             in brackets: soft, or tied into
    core    = fret | "x" [ fret ]                               dead, at the fret where the hand lies
            | "<" fret [ ":" semitones ] ">" | "[" fret "]" ;   natural harmonic, what it sounds
    mark    = "b" pitch | "pb" pitch | "r" [ pitch ]            bend, pre-bend, release
            | "b{" time ":" semitones { "," time ":" semitones } "}"      its exact curve
            | "~" { "~" } | "v" { "v" }                         vibrato; twice: wide
            | "tr" fret                                         trill
            | "<" fret ">" | "<:" semitones ">"                 harmonic touched at a fret, or by its sound
            | "*" [ digits ] | "*{" semitones "}"               pinch harmonic, semitones above the fret
            | "=" { "=" }                                       tremolo picking, strokes through the stem
            | "'" | ">" | "^"                                   staccato, accent, strong accent
            | "{" word { "," word } "}" ;                       what no line can say for this note alone
    pitch   = fret [ "." digits ] | steps ;                     the fret whose pitch is reached, or
    steps   = "full" | "half" | [ digits ] "½"                  by how many whole steps: 7b½, 7bfull
            | "(" ( "full" | "half" | digits [ "." digits ] | [ digits ] "½" | [ digits " " ] "1/2" ) ")" ;
    word    = "ppp" ... "fff"                                   its dynamic
            | "pm" | "lr"                                       palm mute, let ring
            | "hammer" | "pull" | "slide" | "shift"             how it is reached, where no sign can stand
            | "tie" | "ghost"                                   goes on without a _ ; soft, and not tied
            | "with"                                            a grace note struck with the one before it
            | name ;                                            its spelling: F#, Gb (a capital letter)

Times of a curve run from 0 to 1 (the note's end), as fractions; ``7b{0:0,1/3:2,1:2}`` is ``7b9``.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from pipeline.read.texttab_sheet import StringLine

TARGET: Final = r"\d*½|\d+(?:\.\d+)?|full|half|\([^()|-]{1,12}\)|\{[^{}|]*\}"
MARKS: Final = (
    rf"(?:p?b(?:{TARGET})?|r(?:\d+(?:\.\d+)?|\([^()|-]{{1,12}}\))?|tr\d+|<(?:\d+|:-?\d+)>"
    r"|\*(?:\d+|\{-?\d+\})?|~+|v+|=+|['>^]|\{[^{}|]*\})*"
)
NOTE: Final = (
    r"(?P<grace>gg?)?(?P<tap>t)?(?P<soft>\()?"
    r"(?:(?P<dead>x)(?P<hand>\d{1,2})?|<(?P<node>\d+)(?::(?P<rings>-?\d+))?>|\[(?P<boxed>\d+)\]|(?P<fret>\d+))"
    rf"(?(soft)\))(?P<marks>{MARKS})"
)


@dataclass(slots=True)
class TabNote:
    """One note as typed; places are 0-based columns, ``line`` is 1-based.

    lead : where a slide in begins, otherwise ``start``, the first character of the head
    head_end : behind the fret and its brackets; ``end`` behind the marks too
    head : "fret", "dead" or "node"; ``soft`` when it stands in brackets
    rings : semitones of a natural harmonic, where they are typed
    hand : the fret a dead note is damped at, where it is typed
    marks : what is behind the head, in small letters; ``typed`` the same as typed
    joint : "h", "p", "s", or "/" "\\" for a legato slide from the note before; "" for none
    slide_in, slide_out : "/" or "\\" or ""
    """

    string: int
    line: int
    lead: int
    start: int
    head_end: int
    end: int
    fret: int
    head: str = "fret"
    soft: bool = False
    rings: int | None = None
    hand: int | None = None
    grace: str = ""
    tap: bool = False
    marks: str = ""
    typed: str = ""
    joint: str = ""
    slide_in: str = ""
    slide_out: str = ""
    shake: int = 0
    before: TabNote | None = None

    @classmethod
    def of(cls, match: re.Match[str], line: StringLine, string: int, before: TabNote | None) -> TabNote:
        """The note of a match of :data:`NOTE` in a line; ``before`` is that before it on its string."""
        start, end = match.span()
        marks = match["marks"]
        head, digits = "fret", match["fret"]
        if digits is None:
            if match["dead"]:
                head, digits = "dead", match["hand"]
            else:
                head, digits = "node", match["node"] or match["boxed"]
        return cls(
            string, line.number, start, start, end - len(marks), end, int(digits or 0), head, bool(match["soft"]),
            int(match["rings"]) if match["rings"] else None,
            int(digits) if head == "dead" and digits else None,
            match["grace"] or "", bool(match["tap"]), marks, line.text[end - len(marks) : end] if marks else "",
            before=before,
        )  # fmt: skip
