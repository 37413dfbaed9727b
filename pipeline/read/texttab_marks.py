"""From the marks on a typed note to techniques."""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

from pipeline.music.bend import bend_through
from pipeline.music.errors import MusicError, SpellingError
from pipeline.music.harmonic import harmonic_sounds
from pipeline.music.instrument import Instrument
from pipeline.music.pitch import Spelling
from pipeline.music.tab import DYNAMICS
from pipeline.music.technique import (
    Accent,
    Bend,
    Dead,
    Ghost,
    Grace,
    HammerOn,
    Harmonic,
    HarmonicKind,
    LetRing,
    PalmMute,
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
from pipeline.read.texttab_notes import TARGET, TabNote

__all__ = ["MarkReader", "Said", "bend_through", "harmonic_sounds"]

_MARK: Final = re.compile(
    rf"(?P<bend>p?b)(?P<to>{TARGET})?|(?P<release>r)(?P<down>\d+(?:\.\d+)?|\([^()]*\))?|tr(?P<trill>\d+)"
    r"|<(?P<touch>\d+)>|<:(?P<rings>-?\d+)>|(?P<pinch>\*)(?:(?P<sounds>\d+)|\{(?P<exact>-?\d+)\})?"
    r"|(?P<shake>~+|v+)|(?P<strokes>=+)|(?P<sign>['>^])|\{(?P<said>[^{}]*)\}"
)
_BRACES: Final = re.compile(r"(?<![bB])(?<!\*(?=\{-?\d))\{([^{}]*)\}")
_JOINTS: Final[dict[str, Technique]] = {
    "h": HammerOn(), "p": PullOff(), "s": Slide(SlideKind.SHIFT), "/": Slide(SlideKind.LEGATO),
    "\\": Slide(SlideKind.LEGATO),
}  # fmt: skip
_SIGNS: Final[dict[str, Technique]] = {"'": Staccato(), ">": Accent(), "^": Accent(strong=True)}
_WAYS: Final[dict[str, Technique]] = {
    "hammer": HammerOn(), "pull": PullOff(), "slide": Slide(SlideKind.LEGATO), "shift": Slide(SlideKind.SHIFT),
}  # fmt: skip
_SAID: Final[dict[str, Technique]] = {**_WAYS, "pm": PalmMute(), "lr": LetRing()}
_STEPS: Final = {"full": Fraction(1), "half": Fraction(1, 2), "½": Fraction(1, 2), "1/2": Fraction(1, 2)}


@dataclass(frozen=True, slots=True)
class Said:
    """What stands in braces behind a note, techniques apart.

    tied : True with "tie", False with "ghost", None when nothing is said
    together : a grace note struck with the one before it
    """

    techniques: tuple[Technique, ...] = ()
    dynamic: str | None = None
    spelling: Spelling | None = None
    tied: bool | None = None
    together: bool = False


_NOTHING: Final = Said()


def _steps(text: str) -> Fraction | None:
    """Whole steps as musicians say them: ``full``, ``½``, ``1 1/2``, ``1.5``; None when it is none."""
    text = " ".join(text.split())
    if text in _STEPS:
        return _STEPS[text]
    match = re.fullmatch(r"(?P<whole>\d{1,2})?(?P<part> ?(?:½|1/2)|\.\d{1,6})?", text)
    if match is None or not text:
        return None
    part = match["part"] or ""
    if part.startswith("."):
        return Fraction((match["whole"] or "0") + part)
    return Fraction(int(match["whole"] or 0)) + (Fraction(1, 2) if part else 0)


class MarkReader:
    """Turns the marks of one note after another into techniques, telling what cannot be."""

    def __init__(self, source: SourceText, instrument: Instrument) -> None:
        self.source, self.instrument = source, instrument

    def said(self, note: TabNote) -> Said:
        """What the braces behind the note say; what is not understood is told."""
        if "{" not in note.typed:
            return _NOTHING
        techniques: list[Technique] = []
        dynamic: str | None = None
        spelling: Spelling | None = None
        tied: bool | None = None
        together = False
        for match in _BRACES.finditer(note.typed):
            for word in re.split(r"[,\s]+", match[1].strip()):
                low = word.lower()
                if low in _SAID:
                    techniques.append(_SAID[low])
                elif low in ("tie", "ghost"):
                    tied = low == "tie"
                elif low == "with":
                    together = True
                elif re.fullmatch(r"[A-G][#b♯♭x]{0,3}", word):
                    spelling = self._spelling(note, word)
                elif low in DYNAMICS:
                    dynamic = low
                else:
                    self._error(
                        note, f"{word!r} is not understood in the braces behind a note",
                        f"They hold {', '.join(DYNAMICS)}, {', '.join(_SAID)}, tie, ghost, with, or the name of the"
                        " note, such as Gb.",
                    )  # fmt: skip
        return Said(tuple(techniques), dynamic, spelling, tied, together)

    def _spelling(self, note: TabNote, word: str) -> Spelling | None:
        try:
            name = Spelling.parse(word)
        except SpellingError:
            name = None
        sounds = (self.instrument.open_midi(note.string) + note.fret) % 12
        if name is not None and name.pitch_class == sounds:
            return name
        remedy = f"Delete {{{word}}}, or correct it."
        if word.lower() in DYNAMICS:
            remedy += f" For the dynamic write a small letter: {{{word.lower()}}}."
        self._error(note, f"string {note.string} fret {note.fret} does not sound {word}", remedy)
        return None

    def techniques(self, note: TabNote, *, tied: bool, said: Said = _NOTHING) -> tuple[Technique, ...]:
        """How the note is reached, what it is, what happens to it."""
        if note.head == "fret" and not (
            note.marks
            or note.joint
            or note.slide_in
            or note.slide_out
            or note.grace
            or note.tap
            or note.shake
            or note.soft
        ):
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
            found.append(Grace(on_beat=note.grace == "gg", together=said.together))
        elif said.together:
            self._error(note, "{with} on a note that is no grace note", "Write it as g5, or delete {with}.")
        if note.head == "dead":
            found.append(Dead())
        if said.tied is False or (note.soft and not tied):
            found.append(Ghost())
        found += self._marks(note)
        found += said.techniques
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
        harmonic = bend = None
        if note.head == "node":
            if note.rings is None:
                harmonic = self._harmonic(note, HarmonicKind.NATURAL, note.fret)
            else:
                harmonic = Harmonic(HarmonicKind.NATURAL, note.rings)
        shake = note.shake
        trill = tremolo = None
        signs: list[Technique] = []
        for match in _MARK.finditer(note.marks):
            if match["bend"] and (match["to"] or "").startswith("{"):
                bend = self._curve(note, match["to"])
            elif match["bend"] or match["release"]:
                prebent |= match["bend"] == "pb"
                self._height(note, match, heights)
            elif match["trill"]:
                trill = self._trill(note, int(match["trill"]))
            elif match["touch"]:
                harmonic = self._harmonic(note, HarmonicKind.ARTIFICIAL, int(match["touch"]) - note.fret)
            elif match["rings"]:
                harmonic = Harmonic(HarmonicKind.ARTIFICIAL, int(match["rings"]))
            elif match["pinch"]:
                harmonic = Harmonic(HarmonicKind.PINCH, int(match["sounds"] or match["exact"] or 12))
            elif match["shake"]:
                shake = max(shake, len(match["shake"]))
            elif match["strokes"]:
                tremolo = TremoloPicking(min(3, len(match["strokes"])))
            elif match["sign"] and _SIGNS[match["sign"]] not in signs:
                signs.append(_SIGNS[match["sign"]])
        if bend is None and len(heights) > (0 if prebent else 1):
            bend = bend_through(heights, prebent=prebent)
        found: list[Technique | None] = [harmonic, bend]
        found.append(Vibrato(wide=shake > 1) if shake else None)
        found.append(trill)
        if note.slide_out:
            found.append(Slide(SlideKind.OUT_UP if note.slide_out == "/" else SlideKind.OUT_DOWN))
        found.append(tremolo)
        return [t for t in found if t is not None] + signs

    def _curve(self, note: TabNote, text: str) -> Bend | None:
        """An exact bend: ``{0:0,1/3:2,1:2}``."""
        try:
            points = [point.split(":") for point in text[1:-1].split(",")]
            return Bend(tuple((Fraction(time), Fraction(semitones)) for time, semitones in points))
        except MusicError as error:
            what = str(error)
        except (ValueError, ZeroDivisionError):
            what = f"not the curve of a bend: {text}"
        self._error(note, what, "Write time:semitones from 0 to 1, such as 7b{0:0,1/3:2,1:2}, or 7b9.")
        return None

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
            reached = self._reached(note, match["to"])
            if reached is None:
                return
            height = reached
            if match["bend"] == "pb":
                if heights:
                    self._error(note, "a pre-bend after another bend", "A pre-bend comes first: 7pb9r7.")
                    return
            elif not heights:
                heights.append(Fraction(0))
            if not (heights[-1] if heights else 0) < height <= 12:
                self._error(
                    note, f"a bend from fret {note.fret} to {match['to']}",
                    "The target is a higher fret, by at most twelve, or steps: 7b9, 7b(full), 7b(1/2).",
                )  # fmt: skip
                if heights == [0]:
                    heights.clear()
                return
            heights.append(height)
            return
        down = match["down"]
        target = self._reached(note, down) if down else Fraction(0)
        if target is None:
            return
        if not heights:
            self._error(note, "a release without a bend before it", "Write 7b9r7.")
        elif not 0 <= target < heights[-1]:
            self._error(
                note, f"a release to {match['down']}", f"It comes down, at most to fret {note.fret}: 7b9r7."
            )
        else:
            heights.append(target)

    def _reached(self, note: TabNote, text: str) -> Fraction | None:
        """Semitones above the fret that a bend's target means; None, told, when it means none."""
        if re.fullmatch(r"\d+(?:\.\d+)?", text):
            return Fraction(text) - note.fret
        inner = text.strip("()").strip()
        steps = _steps(inner)
        if steps is None:
            self._error(
                note, f"not the target of a bend: {text}", "Write 7b9, 7b(full), 7b(1/2) or 7b(1 1/2)."
            )
            return None
        if text[0] == "(" and inner.isdecimal() and int(inner) > note.fret:
            # 7b(9) names the fret; 1b(2) could be either
            if int(inner) > 6 or int(inner) - note.fret == 2 * steps:
                return Fraction(inner) - note.fret
            self._error(
                note, f"{note.fret}b{text} may mean the pitch of fret {inner}, or {inner} whole steps",
                f"Write {note.fret}b{inner} for the fret, {note.fret}b{note.fret + 2 * int(inner)} for the steps.",
            )  # fmt: skip
            return None
        return 2 * steps
