"""Note values: how an exact duration is written down.

A duration in quarters is spelled as one note value (type, dots, tuplet) or as several
tied ones. Tuplets divide by the usual rule: n notes in the time of the next lower
power of two (3 in 2, 5 in 4, 7 in 4; 9 in 8): common practice.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Final

from pipeline.music.errors import MusicError

# MusicXML 4.0 note-type-value: quarters
TYPES: Final[dict[str, Fraction]] = {
    "breve": Fraction(8),
    "whole": Fraction(4),
    "half": Fraction(2),
    "quarter": Fraction(1),
    "eighth": Fraction(1, 2),
    "16th": Fraction(1, 4),
    "32nd": Fraction(1, 8),
    "64th": Fraction(1, 16),
    "128th": Fraction(1, 32),
    "256th": Fraction(1, 64),
}
_DOTS: Final = (Fraction(1), Fraction(3, 2), Fraction(7, 4))

# the letters that text tabs and charts write durations with: quarters
LETTERS: Final[dict[str, Fraction]] = {
    "w": Fraction(4), "h": Fraction(2), "q": Fraction(1), "e": Fraction(1, 2), "s": Fraction(1, 4),
    "t": Fraction(1, 8),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class NoteValue:
    """A written value: ``kind`` of :data:`TYPES`, dots 0-2, and ``actual`` in the time of ``normal``."""

    kind: str
    dots: int = 0
    actual: int = 1
    normal: int = 1

    @property
    def quarters(self) -> Fraction:
        return TYPES[self.kind] * _DOTS[self.dots] * Fraction(self.normal, self.actual)


def tuplet_ratio(actual: int) -> tuple[int, int]:
    """(actual, normal): ``actual`` notes in the time of the next lower power of two."""
    normal = 1
    while normal * 2 < actual:
        normal *= 2
    return actual, normal


def odd_part(quarters: Fraction) -> int:
    """The part of the denominator that is no power of two: 3 for triplets."""
    odd = quarters.denominator
    while odd % 2 == 0:
        odd //= 2
    return odd


def spell_duration(quarters: Fraction) -> tuple[NoteValue, ...]:
    """The fewest note values, longest first, that add up to ``quarters``.

    Raises
    ------
    MusicError : not positive, or finer than a 256th note.
    """
    if quarters <= 0:
        raise MusicError(f"a note lasts longer than nothing, got {quarters} quarters")
    odd = odd_part(quarters)
    actual, normal = (1, 1) if odd == 1 else tuplet_ratio(odd)
    left = quarters * actual / normal
    values: list[NoteValue] = []
    while left > 0:
        for kind, length in TYPES.items():
            dots = next((d for d in (2, 1, 0) if length * _DOTS[d] == left), None)
            if dots is not None or length <= left:
                dots = dots or 0
                values.append(NoteValue(kind, dots, actual, normal))
                left -= length * _DOTS[dots]
                break
        else:
            raise MusicError(f"{quarters} quarters is finer than a 256th note")
    return tuple(values)
