"""How a take fits its tab: the result of listening, as plain data.

Conventions
-----------
- Seconds count from the start of the recording; quarters, bars and beats are those of the
  *played* form (bar 0 is a pickup, beats count from 1).
- ``confidence`` is 0..1 and ranks notes by how plainly they start and how evenly they lie among
  their neighbours. On made takes, clean to distorted: from 0.9 up, 99 in 100 lie within 25 ms of
  where they were played; from 0.8, 96; between 0.4 and 0.8, four in five. At most 0.2: not heard.
- ``status`` of a note: ``played``; ``wrong`` (something was played there, at another pitch);
  ``missing`` (nothing was heard there; its second is where it would have been).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from pipeline.listen.errors import ListenError
from pipeline.music.timemap import TimeMap


@dataclass(frozen=True, slots=True)
class HeardNote:
    """One struck note of the played form as found in the take.

    index : place in ``Tab.sounding``
    bar, beat, quarter : where it stands, played form
    seconds : when it starts in the recording
    """

    index: int
    bar: int
    beat: float
    quarter: float
    seconds: float
    confidence: float
    status: str


@dataclass(frozen=True, slots=True)
class HeardBar:
    """When a played bar starts in the recording; ``confidence`` 0: it is not in it, the recording begins
    later (a repeat was left out, perhaps)."""

    bar: int
    seconds: float
    confidence: float


@dataclass(frozen=True)
class Alignment:
    """Where a take is, note by note and bar by bar.

    time_map : played quarters -> seconds in the recording
    lead_in_s : when played quarter 0 sounds, or would sound if the tab begins with a rest
    end_s : when the last note has ended (released, or died away)
    tuning_cents : how far the take is tuned above the tab's reference (negative: below)
    median_ms_residual : median distance, in ms, between each heard onset and where its
        neighbours (the notes within two beats before and after) put it: the smoothness of the
        playing and the uncertainty of listening together; an upper bound for the latter
    match : share (0..1) of the tab's notes that were heard, see ``pipeline.listen.align``
    """

    time_map: TimeMap
    lead_in_s: float
    end_s: float
    tuning_cents: float
    notes: tuple[HeardNote, ...]
    bars: tuple[HeardBar, ...]
    median_ms_residual: float
    match: float = 1.0

    def to_json(self) -> dict[str, Any]:
        """Plain numbers, strings, lists and dicts; :meth:`from_json` is the inverse."""
        return {
            "lead_in_s": self.lead_in_s,
            "end_s": self.end_s,
            "tuning_cents": self.tuning_cents,
            "median_ms_residual": self.median_ms_residual,
            "match": self.match,
            "notes": [asdict(note) for note in self.notes],
            "bars": [asdict(bar) for bar in self.bars],
            "time_map": {"quarters": list(self.time_map.quarters), "seconds": list(self.time_map.seconds)},
        }

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Alignment:
        """Inverse of :meth:`to_json`.

        Raises
        ------
        ListenError : a part is missing or of the wrong kind.
        """
        try:
            return cls(
                time_map=TimeMap(
                    tuple(float(q) for q in data["time_map"]["quarters"]),
                    tuple(float(s) for s in data["time_map"]["seconds"]),
                ),
                lead_in_s=float(data["lead_in_s"]),
                end_s=float(data["end_s"]),
                tuning_cents=float(data["tuning_cents"]),
                notes=tuple(HeardNote(**note) for note in data["notes"]),
                bars=tuple(HeardBar(**bar) for bar in data["bars"]),
                median_ms_residual=float(data["median_ms_residual"]),
                match=float(data.get("match", 1.0)),
            )
        except (KeyError, TypeError, ValueError) as error:
            raise ListenError(
                f"this is not a stored alignment: {error!r}", "Listen to the take again to replace it."
            ) from error
