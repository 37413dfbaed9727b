"""What a MusicXML part holds that a tab or a chart has no place for: counted, with its measures.

Conventions
-----------
Every element of a part is read by somebody, or is about the look of the page, or is listed here.
An element nobody knows is listed under its own name, so nothing goes missing in silence.

References
----------
MusicXML 4.0: the content of ``note``, ``direction``, ``attributes``, ``barline`` and ``measure``.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Final
from xml.etree.ElementTree import Element

from pipeline.errors import Problems
from pipeline.read.musicxml_tree import place_of

_FEW: Final = 4  # measures that are named one by one

# read by somebody, or only about how the page looks
NOTE: Final = frozenset(
    {
        "grace", "chord", "pitch", "rest", "duration", "tie", "time-modification", "notehead", "lyric", "notations",
        "play", "type", "dot", "voice", "staff", "accidental", "stem", "beam", "instrument", "cue", "unpitched",
    }
)  # fmt: skip
NOTATIONS: Final = frozenset(
    {
        "tied", "tuplet", "slur", "slide", "glissando", "technical", "articulations", "ornaments", "dynamics",
    }
)  # fmt: skip
TECHNICAL: Final = frozenset(
    {
        "string", "fret", "hammer-on", "pull-off", "bend", "harmonic", "tap", "down-bow", "up-bow", "fingering",
        "pluck", "other-technical", "open-string",
    }
)  # fmt: skip
ARTICULATIONS: Final = frozenset(
    {"accent", "strong-accent", "staccato", "staccatissimo", "scoop", "plop", "doit", "falloff"}
)
ORNAMENTS: Final = frozenset({"trill-mark", "wavy-line", "tremolo", "accidental-mark"})
ATTRIBUTES: Final = frozenset(
    {
        "divisions", "key", "time", "staves", "clef", "staff-details", "transpose", "measure-style", "part-symbol",
        "instruments",
    }
)  # fmt: skip
BARLINE: Final = frozenset({"bar-style", "ending", "repeat", "segno", "coda"})
DIRECTION: Final = frozenset({"direction-type", "offset", "voice", "staff", "sound"})
LYRIC: Final = frozenset({"syllabic", "text", "elision", "extend", "end-line", "end-paragraph"})
HARMONY: Final = frozenset(
    {"root", "numeral", "function", "kind", "bass", "degree", "offset", "staff"}
)  # fmt: skip
# elements by the names musicians have for them, where these differ
_SAID: Final = {
    "figured-bass": "figured bass", "wedge": "hairpin", "octave-shift": "octave line",
    "harp-pedals": "harp pedals", "measure-repeat": "measure repeat", "beat-repeat": "beat repeat",
    "slash": "slash notation", "slur": "slur", "snap-pizzicato": "snap pizzicato", "breath-mark": "breath mark",
    "detached-legato": "detached legato", "arpeggiate": "arpeggio", "non-arpeggiate": "bracketed chord",
    "turn": "turn", "inverted-turn": "inverted turn", "inverted-mordent": "inverted mordent",
    "string-mute": "mute", "damp-all": "damp all", "for-part": "transposition for printing",
    "notehead-text": "text in a note head", "measure-numbering": "measure numbering", "key-octave": "octaves of a key signature",
    "with-bar": "tremolo arm", "other-notation": "other notation", "other-ornament": "other ornament",
    "other-articulation": "other articulation", "midi-device": "playback device", "midi-instrument": "playback sound",
}  # fmt: skip


class Ledger:
    """Keeps the list for one file, and tells problems at the line of their element."""

    def __init__(self, path: Path, problems: Problems) -> None:
        self.path, self.problems = path, problems
        self._found: dict[str, list[tuple[str, int]]] = {}

    def drop(self, name: str, element: Element | None = None, measure: str = "") -> None:
        """``name`` is not kept; ``measure`` is where, as the file numbers it."""
        name = _SAID.get(name, name)
        self._found.setdefault(name, []).append((measure, place_of(element)[0]))

    def drop_unknown(self, parent: Element, known: frozenset[str], measure: str) -> None:
        """List the children that nobody reads."""
        for child in parent:
            if child.tag not in known:
                self.drop(child.tag, child, measure)

    @property
    def names(self) -> frozenset[str]:
        return frozenset(self._found)

    def tell(self) -> None:
        """One caution for all that is not kept."""
        if not self._found:
            return
        said = ", ".join(_said(name, places) for name, places in sorted(self._found.items()))
        lines = [line for places in self._found.values() for _, line in places if line]
        self.problems.caution(
            f"not kept from the score: {said}", path=self.path, line=min(lines, default=None)
        )

    def error(self, what: str, remedy: str, element: Element | None = None, measure: str = "") -> None:
        line, column = place_of(element)
        self.problems.error(
            f"measure {measure}: {what}" if measure else what,
            path=self.path, line=line or None, column=column or None, remedy=remedy,
        )  # fmt: skip

    def caution(self, what: str, remedy: str = "", element: Element | None = None, measure: str = "") -> None:
        line, column = place_of(element)
        self.problems.caution(
            f"measure {measure}: {what}" if measure else what,
            path=self.path, line=line or None, column=column or None, remedy=remedy,
        )  # fmt: skip


def _said(name: str, places: list[tuple[str, int]]) -> str:
    measures = list(dict.fromkeys(measure for measure, _ in places if measure))
    count = f"{len(places)} × " if len(places) > 1 else ""
    return f"{count}{name}{in_measures(measures)}"


def in_measures(measures: Iterable[str]) -> str:
    """`` (measures 3, 5)``; of many only the first ones."""
    names = list(dict.fromkeys(measures))
    if not names:
        return ""
    if len(names) == 1:
        return f" (measure {names[0]})"
    if len(names) <= _FEW:
        return f" (measures {', '.join(names)})"
    return f" (measures {', '.join(names[: _FEW - 1])} and {len(names) - _FEW + 1} more)"
