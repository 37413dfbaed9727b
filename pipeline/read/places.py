"""Where in its file each bar, note and chord was read, for what is said about them later."""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path


@dataclass(frozen=True, slots=True)
class Place:
    """A place in a file; line and column count from 1, None where the format has none.

    offending : the line in question, as it is shown with a problem
    """

    path: Path
    line: int | None = None
    column: int | None = None
    offending: str = ""


@dataclass
class Places:
    """Filled by a reader, asked by who judges the music.

    bars : by index of the written bar
    notes : by written onset (quarters) and string
    chords : by index of the chart's bar and share of it, see :class:`pipeline.music.chart.ChartChord`
    """

    path: Path
    bars: dict[int, Place] = field(default_factory=dict)
    notes: dict[tuple[Fraction, int], Place] = field(default_factory=dict)
    chords: dict[tuple[int, Fraction], Place] = field(default_factory=dict)

    def bar(self, index: int) -> Place:
        """Where a bar stands; the file alone when nobody knows."""
        return self.bars.get(index, Place(self.path))

    def note(self, onset: Fraction, string: int, bar: int) -> Place:
        """Where a note stands, or else its bar."""
        return self.notes.get((onset, string), self.bar(bar))

    def chord(self, bar: int, at: Fraction) -> Place:
        """Where a chord of the chart stands, or else its bar."""
        return self.chords.get((bar, at), self.bar(bar))
