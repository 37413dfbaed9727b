"""The map from musical time to seconds: strictly increasing, piecewise linear, both ways.

Conventions
-----------
Musical time is quarters on the *played* timeline. Beyond its first and last points the
map goes on at the slope of its first and last segments.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from pipeline.music.errors import MusicError

if TYPE_CHECKING:
    from pipeline.music.tab import Tab

Floats = npt.NDArray[np.float64]


def _interpolate(x: Floats, known_x: Floats, known_y: Floats) -> Floats:
    slopes = np.diff(known_y) / np.diff(known_x)
    segment = np.clip(np.searchsorted(known_x, x, side="right") - 1, 0, len(slopes) - 1)
    return np.asarray(known_y[segment] + slopes[segment] * (x - known_x[segment]), dtype=np.float64)


@dataclass(frozen=True)
class TimeMap:
    """Points ``quarters[i]`` -> ``seconds[i]``, at least two.

    Raises
    ------
    MusicError : fewer than two points, unequal lengths, not finite, or not strictly increasing.
    """

    quarters: tuple[float, ...]
    seconds: tuple[float, ...]

    def __post_init__(self) -> None:
        q, s = np.asarray(self.quarters, dtype=np.float64), np.asarray(self.seconds, dtype=np.float64)
        if len(q) != len(s) or len(q) < 2:
            raise MusicError(f"a time map has two or more points, got {len(q)} and {len(s)}")
        if not (np.isfinite(q).all() and np.isfinite(s).all()):
            raise MusicError("a time map holds finite numbers only")
        if not ((np.diff(q) > 0).all() and (np.diff(s) > 0).all()):
            raise MusicError("a time map goes forward in quarters and in seconds at every point")
        object.__setattr__(self, "_q", q)
        object.__setattr__(self, "_s", s)

    @classmethod
    def from_points(cls, points: Iterable[tuple[float | Fraction, float]]) -> TimeMap:
        pairs = [(float(q), float(s)) for q, s in points]
        return cls(tuple(q for q, _ in pairs), tuple(s for _, s in pairs))

    @classmethod
    def steady(cls, bpm: float, *, start_s: float = 0.0) -> TimeMap:
        """One tempo, quarter 0 at ``start_s``."""
        if not bpm > 0:
            raise MusicError(f"a tempo is greater than nothing, got {bpm}")
        return cls((0.0, 1.0), (start_s, start_s + 60.0 / bpm))

    @classmethod
    def of_tab(cls, tab: Tab, *, start_s: float = 0.0) -> TimeMap:
        """As the tab's own tempo marks say, over its played form."""
        points = [(0.0, start_s)]
        now = start_s
        for bar in tab.form.played.bars:
            home = tab.form.written.bars[bar.written]
            cuts = sorted(
                {home.start, *(t.quarter for t in tab.tempos if home.start < t.quarter < home.end), home.end}
            )
            for begin, end in itertools.pairwise(cuts):
                bpm = [t.bpm for t in tab.tempos if t.quarter <= begin][-1]
                now += float(end - begin) * 60.0 / bpm
                points.append((float(bar.start + end - home.start), now))
        return cls.from_points(points)

    def seconds_at(self, quarter: float | Fraction) -> float:
        return float(self.to_seconds([float(quarter)])[0])

    def quarter_at(self, second: float) -> float:
        return float(self.to_quarters([second])[0])

    def to_seconds(self, quarters: Sequence[float] | Floats) -> Floats:
        """Vectorised: shape (n,) quarters -> (n,) seconds."""
        data: Any = self.__dict__
        return _interpolate(np.asarray(quarters, dtype=np.float64), data["_q"], data["_s"])

    def to_quarters(self, seconds: Sequence[float] | Floats) -> Floats:
        """Vectorised: shape (n,) seconds -> (n,) quarters; inverse of :meth:`to_seconds`."""
        data: Any = self.__dict__
        return _interpolate(np.asarray(seconds, dtype=np.float64), data["_s"], data["_q"])

    def bpm_at(self, quarter: float | Fraction) -> float:
        """Local tempo, quarter notes a minute."""
        data: Any = self.__dict__
        q, s = data["_q"], data["_s"]
        i = int(np.clip(np.searchsorted(q, float(quarter), side="right") - 1, 0, len(q) - 2))
        return float(60.0 * (q[i + 1] - q[i]) / (s[i + 1] - s[i]))

    def shifted(self, seconds: float) -> TimeMap:
        return TimeMap(self.quarters, tuple(s + seconds for s in self.seconds))


def swung(quarters: Sequence[float] | Floats, swing: Fraction | float) -> Floats:
    """Where straight-written times fall when eighths swing, in quarters.

    The first half of each quarter is stretched to the share ``swing`` of it (1/2 leaves all
    as it is, 2/3 is a shuffle); whole quarters stay. Vectorised, strictly increasing.
    Meant for straight-written eighths and sixteenths: a written triplet is played as written,
    so its onsets do not belong in here.
    """
    q = np.asarray(quarters, dtype=np.float64)
    share = float(swing)
    whole = np.floor(q)
    part = q - whole
    bent = np.where(part < 0.5, part * 2.0 * share, share + (part - 0.5) * 2.0 * (1.0 - share))
    return np.asarray(whole + bent, dtype=np.float64)
