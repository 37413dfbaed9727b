"""From the marks on a typed note to techniques."""

from __future__ import annotations

import math
import re
from fractions import Fraction
from typing import Final

from pipeline.music.instrument import Instrument
from pipeline.music.technique import (
    Accent,
    Bend,
    Dead,
    Ghost,
    Grace,
    HammerOn,
    Harmonic,
    HarmonicKind,
    PullOff,
    Slide,
    SlideKind,
    Staccato,
    Tap,
    Technique,
    TremoloPicking,
    Trill,
    Vibrato,
)
from pipeline.read.source import SourceText
from pipeline.read.texttab_strings import TabNote

_MARK: Final = re.compile(
    r"(?P<bend>p?b)(?P<to>\d+(?:\.\d+)?)?|(?P<release>r)(?P<down>\d+(?:\.\d+)?)?|tr(?P<trill>\d+)"
    r"|<(?P<touch>\d+)>|(?P<pinch>\*)(?P<sounds>\d*)|(?P<shake>~+)|(?P<strokes>=+)|(?P<sign>['>^])"
)
_JOINTS: Final[dict[str, Technique]] = {
    "h": HammerOn(), "p": PullOff(), "s": Slide(SlideKind.SHIFT), "/": Slide(SlideKind.LEGATO),
    "\\": Slide(SlideKind.LEGATO),
}  # fmt: skip
_SIGNS: Final[dict[str, Technique]] = {"'": Staccato(), ">": Accent(), "^": Accent(strong=True)}
_NODE_REACH: Final = 0.35  # how far from the true node, in frets, a fret may be named for it


def harmonic_sounds(frets: int) -> int | None:
    """Semitones above the open string of the harmonic touched ``frets`` up it, or None.

    The n-th partial has nodes at k/n of the string, fret -12 log2(1 - k/n); the lowest
    partial up to the eighth with a node near the fret sounds (physics of the ideal string).
    """
    for partial in range(2, 9):
        for k in range(1, partial):
            if math.gcd(k, partial) == 1 and abs(-12 * math.log2(1 - k / partial) - frets) <= _NODE_REACH:
                return round(12 * math.log2(partial))
    return None


def bend_through(heights: tuple[Fraction, ...], *, prebent: bool) -> Bend:
    """A bend that moves through ``heights`` (semitones) one after another, starting at the first."""
    moves = len(heights) - 1
    if prebent:
        if moves == 0:
            return Bend.pre(heights[0])
        if moves == 1 and heights[1] == 0:
            return Bend.pre_release(heights[0])
    elif moves == 1:
        return Bend.up(heights[1])
    points = [(Fraction(0), heights[0])]
    for move in range(moves):
        # each move fills the first half of its share of the note, then holds
        points.append((Fraction(2 * move + 1, 2 * moves), heights[move + 1]))
        points.append((Fraction(move + 1, moves), heights[move + 1]))
    return Bend(tuple(points))


class MarkReader:
    """Turns the marks of one note after another into techniques, telling what cannot be."""

    def __init__(self, source: SourceText, instrument: Instrument) -> None:
        self.source, self.instrument = source, instrument

    def techniques(self, note: TabNote, *, tied: bool) -> tuple[Technique, ...]:
        """In a fixed order: how the note is reached, what it is, what happens to it, accents."""
        if not (
            note.marks
            or note.joint
            or note.slide_in
            or note.slide_out
            or note.grace
            or note.tap
            or note.shake
        ) and (note.head == "fret"):
            return ()
        found: list[Technique] = []
        if note.joint:
            found.append(_JOINTS[note.joint])
            self._check_joint(note)
        if note.slide_in:
            found.append(Slide(SlideKind.IN_BELOW if note.slide_in == "/" else SlideKind.IN_ABOVE))
        if note.tap:
            found.append(Tap())
        if note.grace:
            found.append(Grace(on_beat=note.grace == "gg"))
        if note.head in ("dead", "softdead"):
            found.append(Dead())
        if note.head in ("soft", "softdead") and not tied:
            found.append(Ghost())
        found += self._marks(note)
        return tuple(found)

    def _error(self, note: TabNote, what: str, remedy: str) -> None:
        self.source.error(note.line, note.start + 1, what, remedy)

    def _check_joint(self, note: TabNote) -> None:
        before = note.before
        if before is None or "dead" in before.head or "dead" in note.head:
            return
        low, high = before.fret, note.fret
        if note.joint == "h" and high <= low:
            what, remedy = f"a hammer-on from fret {low} to {high}", "A hammer-on goes up; is p meant?"
        elif note.joint == "p" and high >= low:
            what, remedy = f"a pull-off from fret {low} to {high}", "A pull-off goes down; is h meant?"
        elif note.joint == "/" and high <= low:
            what, remedy = f"a slide up from fret {low} to {high}", "Write \\ for a slide down."
        elif note.joint == "\\" and high >= low:
            what, remedy = f"a slide down from fret {low} to {high}", "Write / for a slide up."
        else:
            return
        self.source.caution(note.line, note.start + 1, what, remedy)

    def _harmonic(self, note: TabNote, kind: HarmonicKind, frets: int) -> Harmonic | None:
        sounds = harmonic_sounds(frets)
        if sounds is None:
            self._error(
                note, f"there is no harmonic {frets} fret{'' if frets == 1 else 's'} up the string",
                "Harmonics are at 12, 7, 5, 4, 9, 16, 19, 24 and near 3.",
            )  # fmt: skip
            return None
        return Harmonic(kind, sounds)

    def _marks(self, note: TabNote) -> list[Technique]:
        heights: list[Fraction] = []
        prebent = False
        harmonic = self._harmonic(note, HarmonicKind.NATURAL, note.fret) if note.head == "node" else None
        shake = note.shake
        trill = tremolo = None
        signs: list[Technique] = []
        for match in _MARK.finditer(note.marks):
            if match["bend"] or match["release"]:
                prebent |= match["bend"] == "pb"
                self._height(note, match, heights)
            elif match["trill"]:
                trill = self._trill(note, int(match["trill"]))
            elif match["touch"]:
                harmonic = self._harmonic(note, HarmonicKind.ARTIFICIAL, int(match["touch"]) - note.fret)
            elif match["pinch"]:
                harmonic = Harmonic(HarmonicKind.PINCH, int(match["sounds"] or 12))
            elif match["shake"]:
                shake = len(match["shake"])
            elif match["strokes"]:
                tremolo = TremoloPicking(min(3, len(match["strokes"])))
            else:
                signs.append(_SIGNS[match["sign"]])
        found: list[Technique | None] = [harmonic]
        if len(heights) > (0 if prebent else 1):
            found.append(bend_through(tuple(heights), prebent=prebent))
        found.append(Vibrato(wide=shake > 1) if shake else None)
        found.append(trill)
        if note.slide_out:
            found.append(Slide(SlideKind.OUT_UP if note.slide_out == "/" else SlideKind.OUT_DOWN))
        found.append(tremolo)
        return [t for t in found if t is not None] + sorted(signs, key=lambda t: isinstance(t, Accent))

    def _trill(self, note: TabNote, fret: int) -> Trill | None:
        if fret > self.instrument.highest_fret or fret == note.fret:
            self._error(note, f"no trill between frets {note.fret} and {fret}", "Write 5tr7.")
            return None
        return Trill(fret)

    def _height(self, note: TabNote, match: re.Match[str], heights: list[Fraction]) -> None:
        """Add where a bend or release goes to ``heights``, in semitones above the fret."""
        if match["bend"]:
            if match["to"] is None:
                self._error(
                    note, "a bend without a target",
                    f"Name the fret whose pitch it reaches: {note.fret}b{note.fret + 2} for a whole step.",
                )  # fmt: skip
                return
            height = Fraction(match["to"]) - note.fret
            if match["bend"] == "pb":
                if heights:
                    self._error(note, "a pre-bend after another bend", "A pre-bend comes first: 7pb9r7.")
                    return
            elif not heights:
                heights.append(Fraction(0))
            if not (heights[-1] if heights else 0) < height <= 12:
                self._error(
                    note, f"a bend from fret {note.fret} to {match['to']}",
                    "The target is a higher fret, by at most twelve: 7b9.",
                )  # fmt: skip
                if heights == [0]:
                    heights.clear()
                return
            heights.append(height)
            return
        target = Fraction(match["down"]) - note.fret if match["down"] else Fraction(0)
        if not heights:
            self._error(note, "a release without a bend before it", "Write 7b9r7.")
        elif not 0 <= target < heights[-1]:
            self._error(
                note, f"a release to {match['down']}", f"It comes down, at most to fret {note.fret}: 7b9r7."
            )
        else:
            heights.append(target)
