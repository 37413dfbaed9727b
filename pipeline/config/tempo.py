"""A practice tempo as the creator writes it: a share of the lesson's own, or beats a minute."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

_TEXT = re.compile(r"\s*(\d+(?:\.\d+)?)\s*(%|percent|bpm)?\s*", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class TempoChoice:
    """Exactly one of the two is set.

    percent : share of the lesson's tempo, 100 is as played
    bpm : quarter notes a minute
    """

    percent: float | None = None
    bpm: float | None = None

    @classmethod
    def parse(cls, value: object) -> TempoChoice:
        """Read ``80`` (a bare number is percent), ``"80%"``, ``"96 bpm"``, ``"96"`` (text: bpm).

        Raises
        ------
        ValueError : not a tempo, or outside 10 to 400 percent or 10 to 500 quarter notes a minute.
        """
        if isinstance(value, TempoChoice):
            return value
        if isinstance(value, int | float) and not isinstance(value, bool):
            # a whole number of hundreds of digits is no float
            many = isinstance(value, int) and abs(value) > 10**9
            said = "a number of many digits" if many else f"{value:g}"
            return cls._checked(math.inf if many else float(value), share=True, said=said)
        match = _TEXT.fullmatch(value) if isinstance(value, str) else None
        if match is None:
            raise ValueError(
                f'not a tempo: {value!r} (such as 80 or "80%" of the lesson\'s own, or "96 bpm")'
            )
        unit = (match[2] or "bpm").lower()
        return cls._checked(float(match[1]), share=unit != "bpm", said=str(value))

    @classmethod
    def _checked(cls, number: float, *, share: bool, said: str) -> TempoChoice:
        high = 400 if share else 500
        if not 10 <= number <= high:
            unit = "percent" if share else "quarter notes a minute"
            raise ValueError(f"a tempo is 10 to {high} {unit}, got {said}")
        return cls(percent=number) if share else cls(bpm=number)

    def bpm_for(self, lesson_bpm: float) -> float:
        """Quarter notes a minute for a lesson at ``lesson_bpm``."""
        return self.bpm if self.bpm is not None else lesson_bpm * (self.percent or 100.0) / 100.0

    def text(self) -> str:
        """``80%`` or ``96 bpm``; :meth:`parse` reads it back."""
        return f"{self.percent:g}%" if self.percent is not None else f"{self.bpm:g} bpm"
