"""What stands above and below the staves of a MusicXML part: tempo, dynamics, names, words, mutes.

References
----------
MusicXML 4.0: ``direction``, ``direction-type``, ``metronome``, ``sound``, ``swing``, ``octave-shift``
(the pitch of a note under an octave line is already the sounding one, so nothing is lost with it).
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Final
from xml.etree.ElementTree import Element

from pipeline.music.tab import DYNAMICS
from pipeline.music.technique import LetRing, PalmMute, Technique
from pipeline.music.words import tidy
from pipeline.read.musicxml_ledger import DIRECTION, Ledger
from pipeline.read.musicxml_measures import Item, Measure, number_of, timed
from pipeline.read.musicxml_signs import SignReader

_UNITS: Final[dict[str, Fraction]] = {
    "breve": Fraction(8), "whole": Fraction(4), "half": Fraction(2), "quarter": Fraction(1), "eighth": Fraction(1, 2),
    "16th": Fraction(1, 4), "32nd": Fraction(1, 8),
}  # fmt: skip
_SPANS: Final = (
    (re.compile(r"\bP\.?\s?M\b\.?|palm[ -]?mut", re.IGNORECASE), PalmMute()),
    (re.compile(r"\blet ring\b|\bL\.\s?R\.", re.IGNORECASE), LetRing()),
)
# a note value in words or signs, "=", a number: the usual ways to type a tempo (common practice)
_TEMPO: Final = re.compile(
    r"(?P<before>.*?)[(\[]?\s*(?P<unit>♩|𝅘𝅥|𝅗𝅥|♪|\b(?:quarter|half|eighth|[qhe])\b)\s*(?P<dot>\.?)\s*=\s*"
    r"(?:c(?:a|irca)?\.?\s*)?(?P<bpm>\d{1,3}(?:[.,]\d{1,3})?)\s*(?:bpm)?\s*[)\]]?\s*(?P<after>.*)",
    re.IGNORECASE,
)
_TYPED_UNITS: Final = {
    "♩": Fraction(1), "𝅘𝅥": Fraction(1), "q": Fraction(1), "quarter": Fraction(1), "𝅗𝅥": Fraction(2), "h": Fraction(2),
    "half": Fraction(2), "♪": Fraction(1, 2), "e": Fraction(1, 2), "eighth": Fraction(1, 2),
}  # fmt: skip
_SWUNG: Final = re.compile(r"swing (\d{1,3}):(\d{1,3})", re.IGNORECASE)
_SWING: Final = re.compile(r"\W*(?:medium |slow |fast |up |easy )?(?:swing|swung|shuffle)\b.*", re.IGNORECASE)
_REMARK_ID: Final = re.compile(r"r\d+")  # on a direction of our own that is nothing but words
_SHUFFLE: Final = Fraction(2, 3)  # two eighths as a triplet's quarter and eighth: common practice
_SOUND: Final = frozenset(
    {"tempo", "dacapo", "dalsegno", "segno", "coda", "tocoda", "fine", "forward-repeat", "id"}
)


@dataclass
class Marks:
    """What the directions say: from when on, and for how long."""

    tempos: dict[Fraction, float] = field(default_factory=dict)
    dynamics: list[tuple[Fraction, str]] = field(default_factory=list)
    names: list[tuple[Fraction, str]] = field(default_factory=list)
    words: list[tuple[Fraction, str]] = field(default_factory=list)
    spans: list[tuple[Fraction, Fraction, Technique]] = field(default_factory=list)  # from, until
    swing: Fraction = Fraction(1, 2)


class MarkReader:
    """Reads the directions of a part.

    ours : the score is one that we wrote
    staves : whose words and dynamics count, None: all; tempo, names and jumps are everybody's
    """

    def __init__(
        self, ledger: Ledger, signs: SignReader, staves: frozenset[str] | None = None, *, ours: bool = False
    ) -> None:
        self.ours = ours
        self.ledger, self.signs, self.staves = ledger, signs, staves
        self.found = Marks()
        self._waiting: dict[str, tuple[Fraction, Technique]] = {}
        self._swing_said = False

    def read(self, measures: tuple[Measure, ...]) -> Marks:
        last = measures[-1]
        for measure, quarter, item in timed(measures, "direction", "sound", "figured-bass"):
            element = item.element
            if quarter >= measure.end and measure is not last:
                quarter = measure.end
            if element.tag == "figured-bass":
                self.ledger.drop("figured-bass", element, measure.name)
            elif element.tag == "sound":
                self._sound(element, element, measure, quarter, loud=False)
            else:
                self._direction(element, measure, quarter, item)
        for measure, quarter, item in timed(measures, "note"):
            for child in (c for group in item.element.findall("notations/dynamics") for c in group):
                self._dynamic(child, quarter, measure)
        end = last.end
        self.found.spans += [(start, end, mark) for start, mark in self._waiting.values()]
        return self.found

    def _direction(self, element: Element, measure: Measure, quarter: Fraction, item: Item) -> None:
        self.ledger.drop_unknown(element, DIRECTION, measure.name)
        sound = element.find("sound")
        kinds = element.findall("direction-type")
        loud = any(kind.find("dynamics") is not None for kind in kinds)
        if sound is not None:
            self._sound(sound, element, measure, quarter, loud=loud)
        led = sound is not None and any(sound.get(name) for name in ("coda", "tocoda", "segno"))
        typed = tidy(" ".join(w.text or "" for kind in kinds for w in kind.findall("words")))
        ours = self.staves is None or (element.findtext("staff") or "1").strip() in self.staves
        for kind in kinds:
            words: list[str] = []
            for child in kind:
                tag = child.tag
                if tag in ("words", "other-direction"):
                    words.append(child.text or "")
                elif tag in ("segno", "coda"):
                    told = led or "coda" in typed.lower()
                    self.signs.sign(tag, measure.index, item.offset, said=told)
                elif tag == "rehearsal":
                    name = tidy(child.text or "")
                    if name:
                        self.found.names.append((measure.start, name))
                elif tag == "metronome":
                    self._metronome(child, sound, measure, quarter)
                elif not ours:
                    continue
                elif tag == "dynamics":
                    for level in child:
                        self._dynamic(level, quarter, measure)
                elif tag in ("dashes", "bracket"):
                    self._line(child, quarter, measure)
                else:
                    self.ledger.drop(tag, child, measure.name)
            text = tidy("".join(w if w[:1].isspace() or w[-1:].isspace() else f" {w} " for w in words))
            if text and self.ours and _REMARK_ID.fullmatch(element.get("id") or ""):
                self.found.words.append((quarter, text))
            elif text:
                self._words(text, element, measure, quarter, sound, ours=ours)
        if "" in self._waiting:  # words without a line are for the notes right there
            start, mark = self._waiting.pop("")
            self.found.spans.append((start, start, mark))

    def _words(
        self,
        text: str,
        element: Element,
        measure: Measure,
        quarter: Fraction,
        sound: Element | None,
        *,
        ours: bool,
    ) -> None:
        technique = next((t for pattern, t in _SPANS if pattern.search(text)), None)
        if technique is not None:
            if ours:
                self._waiting.setdefault("", (quarter, technique))
            return
        if self.signs.words(text, measure.index, element) or not text.strip("/ "):
            return
        swung = _SWUNG.fullmatch(text)
        if swung is not None and int(swung[1]) >= int(swung[2]) > 0:
            self._swing(Fraction(int(swung[1]), int(swung[1]) + int(swung[2])), element, measure)
            return
        tempo = _TEMPO.fullmatch(text)
        if tempo is not None:
            if sound is None or sound.get("tempo") is None:
                unit = _TYPED_UNITS[tempo["unit"].lower()] * (Fraction(3, 2) if tempo["dot"] else 1)
                self.found.tempos[quarter] = float(Fraction(tempo["bpm"].replace(",", ".")) * unit)
            if not (tempo["before"] + tempo["after"]).strip(" ()[]"):
                return
        elif (
            _SWING.fullmatch(text) and not self._swing_said and (sound is None or sound.find("swing") is None)
        ):
            self._swing(_SHUFFLE, element, measure)
            self.ledger.caution(f"{text!r} is read as swing 2:1", "", element, measure.name)
        if ours and (quarter, text) not in self.found.words:
            self.found.words.append((quarter, text))

    def _swing(self, swing: Fraction, element: Element, measure: Measure) -> None:
        """The piece has one swing: the first that is stated."""
        if self._swing_said and swing != self.found.swing:
            self.ledger.drop("change of swing", element, measure.name)
        elif not self._swing_said:
            self.found.swing, self._swing_said = swing, True

    def _line(self, child: Element, quarter: Fraction, measure: Measure) -> None:
        number = child.get("number", "1")
        if child.get("type") == "start" and "" in self._waiting:
            self._waiting[number] = self._waiting.pop("")
        elif child.get("type") == "stop" and number in self._waiting:
            start, mark = self._waiting.pop(number)
            self.found.spans.append((start, quarter, mark))
        elif child.get("type") == "start":
            self.ledger.drop(child.tag, child, measure.name)

    def _dynamic(self, child: Element, quarter: Fraction, measure: Measure) -> None:
        if child.tag in DYNAMICS:
            self.found.dynamics.append((quarter, child.tag))
            return
        name = (child.text or "").strip() if child.tag == "other-dynamics" else child.tag
        louder = {
            "pppp": "ppp",
            "ppppp": "ppp",
            "pppppp": "ppp",
            "ffff": "fff",
            "fffff": "fff",
            "ffffff": "fff",
        }
        if name in louder:
            self.found.dynamics.append((quarter, louder[name]))
        self.ledger.drop(f"dynamic {name}"[:40], child, measure.name)

    def _sound(
        self, sound: Element, element: Element, measure: Measure, quarter: Fraction, *, loud: bool
    ) -> None:
        self.signs.sound(sound, measure.index, element)
        try:
            bpm = float(sound.get("tempo") or 0)
        except ValueError:
            bpm = 0.0
        if 0 < bpm < 1e6:
            self.found.tempos[quarter] = bpm
        for name in list(sound.attrib):
            if name not in _SOUND and not (name == "dynamics" and loud):
                self.ledger.drop(f"playback {name}", sound, measure.name)
        for child in sound:
            if child.tag == "swing":
                first, second = number_of(child, "first"), number_of(child, "second")
                if (child.findtext("swing-type") or "eighth").strip() != "eighth":
                    self.ledger.drop("swing of sixteenths", child, measure.name)
                elif child.find("straight") is not None:
                    self._swing(Fraction(1, 2), child, measure)
                elif first and second and first >= second > 0:
                    self._swing(first / (first + second), child, measure)
                else:
                    self.ledger.drop("swing with a long second note", child, measure.name)
            elif child.tag != "offset":
                self.ledger.drop(child.tag, child, measure.name)

    def _metronome(
        self, element: Element, sound: Element | None, measure: Measure, quarter: Fraction
    ) -> None:
        if element.find("metronome-note") is not None:
            # two eighths, "=", a triplet: swing as an equation of notes
            if element.find("metronome-note/metronome-tuplet") is not None:
                self._swing(_SHUFFLE, element, measure)
            else:
                self.ledger.drop("metronome", element, measure.name)
            return
        if sound is not None and sound.get("tempo") is not None:
            return
        units: list[Fraction] = []
        for child in element:
            if child.tag == "beat-unit":
                units.append(_UNITS.get((child.text or "").strip(), Fraction(0)))
            elif child.tag == "beat-unit-dot" and units:
                units[-1] *= Fraction(3, 2)
        typed = re.search(r"\d{1,4}(?:[.,]\d{1,6})?", element.findtext("per-minute") or "")
        if not units or not all(units):
            self.ledger.drop("metronome", element, measure.name)
        elif typed is not None:
            self.found.tempos[quarter] = float(Fraction(typed[0].replace(",", ".")) * units[0])
        elif len(units) == 2 and self.found.tempos:  # the note before lasts as long as the one now
            before = self.found.tempos[max(self.found.tempos)]
            self.found.tempos[quarter] = before * float(units[1] / units[0])
        else:
            self.ledger.drop("metronome", element, measure.name)
