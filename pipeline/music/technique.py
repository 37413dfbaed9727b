"""The closed set of techniques a note can carry, each with its data.

A technique that joins two notes (hammer-on, pull-off, slide between notes) stands on the
note that is *reached*; it starts from the nearest earlier note on the same string.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from enum import Enum
from fractions import Fraction
from typing import Final

from pipeline.music.errors import MusicError


@dataclass(frozen=True, slots=True)
class Bend:
    """A bend: ``points`` of (fraction of the note's duration 0..1, semitones above the fret).

    The first point is at 0, the last at 1; between points the pitch moves in a straight
    line. A bend that starts above 0 is a pre-bend; one that comes down is a release. A unison
    bend is one up to the pitch of a note that is struck with it on another string.
    """

    points: tuple[tuple[Fraction, Fraction], ...]

    def __post_init__(self) -> None:
        times = [time for time, _ in self.points]
        if len(times) < 2 or times[0] != 0 or times[-1] != 1:
            raise MusicError("a bend runs from the start of its note (0) to the end (1)")
        if any(b <= a for a, b in itertools.pairwise(times)):
            raise MusicError("the points of a bend go forward in time")
        if not all(0 <= semitones <= 12 for _, semitones in self.points):
            raise MusicError("a bend rises by at most twelve semitones, and never below its fret")
        if self.peak == 0:
            raise MusicError("a bend without a target")

    @classmethod
    def up(cls, semitones: Fraction | int) -> Bend:
        """The plain bend: up over the first third of the note, then held."""
        amount = Fraction(semitones)
        return cls(((Fraction(0), Fraction(0)), (Fraction(1, 3), amount), (Fraction(1), amount)))

    @classmethod
    def up_release(cls, semitones: Fraction | int) -> Bend:
        """Up over the first quarter, held to the half, back down at three quarters."""
        amount, zero = Fraction(semitones), Fraction(0)
        quarter = Fraction(1, 4)
        return cls(
            ((zero, zero), (quarter, amount), (2 * quarter, amount), (3 * quarter, zero), (Fraction(1), zero))
        )

    @classmethod
    def pre(cls, semitones: Fraction | int) -> Bend:
        """Bent before it is struck, then held."""
        amount = Fraction(semitones)
        return cls(((Fraction(0), amount), (Fraction(1), amount)))

    @classmethod
    def pre_release(cls, semitones: Fraction | int) -> Bend:
        """Bent before it is struck, then let down."""
        amount, zero = Fraction(semitones), Fraction(0)
        return cls(((zero, amount), (Fraction(1, 3), amount), (Fraction(2, 3), zero), (Fraction(1), zero)))

    @property
    def peak(self) -> Fraction:
        return max(semitones for _, semitones in self.points)

    @property
    def prebent(self) -> bool:
        return self.points[0][1] > 0

    @property
    def released(self) -> bool:
        return self.points[-1][1] < self.peak

    def semitones_at(self, fraction: float) -> float:
        """Height of the bend at a fraction (0..1) of the note."""
        for (t0, s0), (t1, s1) in zip(self.points, self.points[1:], strict=False):
            if fraction <= t1:
                return float(s0) + (float(s1) - float(s0)) * (fraction - float(t0)) / float(t1 - t0)
        return float(self.points[-1][1])


class SlideKind(Enum):
    """How a slide goes."""

    LEGATO = "legato"  # from the note before, not struck again
    SHIFT = "shift"  # from the note before, struck again
    IN_BELOW = "in from below"
    IN_ABOVE = "in from above"
    OUT_DOWN = "out downwards"
    OUT_UP = "out upwards"


@dataclass(frozen=True, slots=True)
class Slide:
    kind: SlideKind


@dataclass(frozen=True, slots=True)
class HammerOn:
    """Sounded by the fretting hand, from a lower fret."""


@dataclass(frozen=True, slots=True)
class PullOff:
    """Sounded by the fretting hand leaving a higher fret."""


@dataclass(frozen=True, slots=True)
class Tap:
    """Sounded by a finger of the picking hand on the fret."""


@dataclass(frozen=True, slots=True)
class Vibrato:
    """``wide`` is about a semitone, otherwise about a third of one."""

    wide: bool = False


@dataclass(frozen=True, slots=True)
class PalmMute:
    pass


@dataclass(frozen=True, slots=True)
class Dead:
    """Struck on damped strings: a click of no pitch; the fret says where the hand lies."""


@dataclass(frozen=True, slots=True)
class LetRing:
    pass


class HarmonicKind(Enum):
    NATURAL = "natural"
    ARTIFICIAL = "artificial"
    PINCH = "pinch"


@dataclass(frozen=True, slots=True)
class Harmonic:
    """``sounds`` is how many semitones above the *fretted* pitch (for a natural harmonic:
    above the open string) the harmonic sounds: 12 at the octave node, 19, 24, 28..."""

    kind: HarmonicKind
    sounds: int = 12


@dataclass(frozen=True, slots=True)
class Trill:
    """Fast alternation with ``fret`` on the same string."""

    fret: int


@dataclass(frozen=True, slots=True)
class TremoloPicking:
    """``strokes``: 1 eighths, 2 sixteenths, 3 thirty-seconds (the strokes through a stem)."""

    strokes: int = 3

    def __post_init__(self) -> None:
        if not 1 <= self.strokes <= 3:
            raise MusicError("tremolo picking is written with one to three strokes")


@dataclass(frozen=True, slots=True)
class Grace:
    """A grace note: its duration is 0 and its onset that of the note it leads into.

    on_beat : takes its time from that note, otherwise from the one before
    together : struck with the grace note before it, on another string; otherwise after it
    """

    on_beat: bool = False
    together: bool = False


@dataclass(frozen=True, slots=True)
class Accent:
    strong: bool = False


@dataclass(frozen=True, slots=True)
class Staccato:
    pass


@dataclass(frozen=True, slots=True)
class Ghost:
    """Played so softly that it is felt more than heard; printed in parentheses."""


@dataclass(frozen=True, slots=True)
class Stroke:
    """Pick or strum direction, towards the floor or up."""

    down: bool = True


Technique = (
    Bend | Slide | HammerOn | PullOff | Tap | Vibrato | PalmMute | Dead | LetRing | Harmonic
    | Trill | TremoloPicking | Grace | Accent | Staccato | Ghost | Stroke
)  # fmt: skip

_ORDER: Final = (
    HammerOn, PullOff, Slide, Tap, Grace, Dead, Ghost, Harmonic, Bend, Vibrato, Trill, TremoloPicking, Staccato,
    Accent, PalmMute, LetRing, Stroke,
)  # fmt: skip
_RANK: Final = {kind: 2 * place for place, kind in enumerate(_ORDER)}
LEAVING: Final = (SlideKind.OUT_DOWN, SlideKind.OUT_UP)
_LAST_RANK: Final = _RANK[Trill] + 1  # a slide out comes behind what happens to the note


def reaches(technique: Technique) -> bool:
    """Whether it says how a note is reached: hammer-on, pull-off, any slide but one out."""
    return isinstance(technique, HammerOn | PullOff) or (
        isinstance(technique, Slide) and technique.kind not in LEAVING
    )


def _rank(technique: Technique) -> int:
    if isinstance(technique, Slide) and technique.kind in LEAVING:
        return _LAST_RANK
    return _RANK[type(technique)]


def in_order(techniques: Iterable[Technique]) -> tuple[Technique, ...]:
    """In the one order that a note keeps them: how it is reached, what it is, what happens to it."""
    return tuple(sorted(techniques, key=_rank))


def conflicts(techniques: Sequence[Technique]) -> Iterator[str]:
    """What cannot be together on one note, one sentence each."""
    seen: set[int] = set()
    for technique in techniques:
        rank = _rank(technique)
        if rank in seen:
            yield f"two marks of one kind ({type(technique).__name__})"
        seen.add(rank)
    if sum(map(reaches, techniques)) > 1:
        yield "a note is reached in one way only: hammer-on, pull-off or slide"
    kinds = {type(technique) for technique in techniques}
    if Dead in kinds and Harmonic in kinds:
        yield "a dead note does not ring as a harmonic"
