"""The way through a MusicXML part: segno, coda, jumps, as signs, as words and as ``sound``.

Conventions
-----------
Segno and coda stand at the start of a bar. "To Coda", "Fine" and a jump count at the end of the bar
they are written in, wherever in it they stand: so players read them, and so programs place them.

References
----------
MusicXML 4.0: ``sound`` (dacapo, dalsegno, tocoda, fine, segno, coda), ``direction-type``, ``barline``.
A bare "D.C." or "D.S." ends at the Fine, or leaves at "To Coda", where the piece has one:
common practice; "senza" (without) says that it does not.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import Final
from xml.etree.ElementTree import Element

from pipeline.music.errors import MusicError
from pipeline.music.metre import Bar, Form, Jump, Signs
from pipeline.read.musicxml_ledger import Ledger

_JUMP: Final = re.compile(
    r"\b(?:(?P<start>d\.?\s?c\b\.?|da\s?capo)|(?P<segno>d\.?\s?s\b\.?|dal\s?segno))"
    r"(?P<rest>.*)",
    re.IGNORECASE,
)
_AL: Final = re.compile(
    r"\b(?P<senza>senza|no)\b|\b(?:al?|to(?: the)?)\s+(?P<until>fine|coda|ø|end)", re.IGNORECASE
)
_TO_CODA: Final = re.compile(r"\W*(?:to|al)\s+(?:the\s+)?(?:coda|ø)\b.*", re.IGNORECASE)
_FINE: Final = re.compile(r"\W*(?:al )?fine\W*", re.IGNORECASE)
_LONGEST: Final = 60  # characters of words that can be a jump


@dataclass
class _Found:
    segno: bool = False
    coda: bool = False
    to_coda: bool = False
    fine: bool = False
    jump: str | None = None  # "start" or "segno"
    until: str | None = None
    element: Element | None = None
    plain_coda: bool = False  # a coda sign of which nothing says what it is


@dataclass
class SignReader:
    """Gathers the signs measure by measure; :meth:`bars` puts them on the bars."""

    ledger: Ledger
    found: dict[int, _Found] = field(default_factory=dict)

    def _at(self, index: int) -> _Found:
        return self.found.setdefault(index, _Found())

    def words(self, text: str, index: int, element: Element) -> bool:
        """Whether words above the staff are about the way through the piece; then they are taken."""
        if len(text) > _LONGEST:
            return False
        if _FINE.fullmatch(text):
            self._at(index).fine = True
            return True
        if _TO_CODA.fullmatch(text):
            self._at(index).to_coda = True
            return True
        match = _JUMP.fullmatch(text.strip(" ()[]"))
        if match is None:
            return text.strip(" ()[]").lower() in ("coda", "segno", "the coda") and self._named(text, index)
        rest = _AL.search(match["rest"])
        here = self._at(index)
        here.jump, here.element = "segno" if match["segno"] else "start", element
        here.until = None
        if rest is not None:
            word = (rest["until"] or "end").lower()
            here.until = "coda" if word == "ø" else word
        left = re.sub(r"[\W\d]|s\.?$", "", _AL.sub("", match["rest"]))
        if left and here.until is None:
            here.until = "end"
        return True

    def _named(self, text: str, index: int) -> bool:
        if "coda" in text.lower():
            self._at(index).coda = True
        else:
            self._at(index).segno = True
        return True

    def sign(self, tag: str, index: int, offset: Fraction, *, said: bool) -> None:
        """A segno or coda sign ``offset`` quarters into a measure; ``said``: a ``sound`` says which."""
        here = self._at(index)
        if tag == "segno":
            here.segno = True
        elif not said:
            if offset > 0:
                here.to_coda = True
            else:
                here.coda = here.plain_coda = True

    def sound(self, sound: Element, index: int, element: Element) -> None:
        """The attributes of a ``sound`` that lead somewhere."""
        here = self._at(index)
        if sound.get("segno") is not None:
            here.segno = True
        if sound.get("coda") is not None:
            here.coda = True
        if sound.get("tocoda") is not None:
            here.to_coda = True
        if sound.get("fine") is not None:
            here.fine = True
        for name, to in (("dacapo", "start"), ("dalsegno", "segno")):
            if sound.get(name) not in (None, "no") and here.jump is None:
                here.jump, here.element = to, element

    def bars(self, bars: list[Bar], names: list[str]) -> tuple[Bar, ...]:
        """The bars with their signs; a jump that leads nowhere is left out, told."""
        self._settle_codas()
        signs = {index: self._signs(index, len(bars)) for index in self.found if index < len(bars)}
        made = [_with(bar, signs.get(index)) for index, bar in enumerate(bars)]
        for index, sign in signs.items():
            if sign.jump is None:
                continue
            alone = [
                bar if place == index else _with(bar, _without_jump(bar.signs))
                for place, bar in enumerate(made)
            ]
            try:
                Form(tuple(alone))
            except MusicError as error:
                self.ledger.caution(
                    f"{str(error).partition(': ')[2]}: the jump is left out",
                    "Write the sign it leads to in the notation software.",
                    self.found[index].element, names[index],
                )  # fmt: skip
                self.ledger.drop(f"jump ({sign.jump.text()})", self.found[index].element, names[index])
                made[index] = _with(made[index], _without_jump(sign))
        return tuple(made)

    def _settle_codas(self) -> None:
        """Of coda signs alone the first says where to leave, the last where the coda begins."""
        plain = sorted(index for index, here in self.found.items() if here.plain_coda)
        if len(plain) > 1 and not any(here.to_coda for here in self.found.values()):
            here = self.found[plain[0]]
            here.coda = here.plain_coda = False
            self._at(max(0, plain[0] - 1)).to_coda = True

    def _signs(self, index: int, count: int) -> Signs:
        here = self.found[index]
        jump = None
        if here.jump is not None:
            until = here.until
            if until is None:
                until = "end"
                begin = 0
                if here.jump == "segno":
                    begin = max((i for i, f in self.found.items() if f.segno and i <= index), default=0)
                if any(f.fine for i, f in self.found.items() if begin <= i < count):
                    until = "fine"
                elif any(f.to_coda and i >= begin for i, f in self.found.items()) and any(
                    f.coda for f in self.found.values()
                ):
                    until = "coda"
            jump = Jump(here.jump, until)
        return Signs(here.segno, here.coda, here.to_coda, here.fine, jump)


def _with(bar: Bar, signs: Signs | None) -> Bar:
    return bar if signs is None else replace(bar, signs=signs)


def _without_jump(signs: Signs) -> Signs:
    return Signs(signs.segno, signs.coda, signs.to_coda, signs.fine)
