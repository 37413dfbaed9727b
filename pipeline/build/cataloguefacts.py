"""What the catalogue says about the music of a lesson, from a record that may be of any age."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final, TypeVar

from pipeline.build.editions import counted_words
from pipeline.music.chord import Chord
from pipeline.music.errors import MusicError
from pipeline.music.key import Key
from pipeline.music.metre import Metre
from pipeline.study.position import roman

Item = TypeVar("Item")
_SIGNS: Final = str.maketrans({"♭": "b", "♯": "#", "𝄫": "bb", "𝄪": "##", "♮": ""})
_DAY: Final = re.compile(r"\d{4}-\d\d-\d\d")


@dataclass(frozen=True, slots=True)
class PhraseFacts:
    """A phrase: bars by printed number, frets lowest and highest, hand positions."""

    name: str
    bars: tuple[int, ...]
    frets: tuple[int, ...]
    positions: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Facts:
    """What a lesson holds; empty or None where it is not known.

    key, chords, tuning : as the record has them; see the methods for readers and for programs
    date : ``2026-11-25``
    positions : frets under the first finger
    """

    key: str = ""
    tempo_bpm: float | None = None
    metre: str = ""
    instrument: str = ""
    tuning: str = ""
    level: str = ""
    date: str = ""
    bars: int | None = None
    techniques: tuple[str, ...] = ()
    chords: tuple[str, ...] = ()
    positions: tuple[int, ...] = ()
    phrases: tuple[PhraseFacts, ...] = ()

    @classmethod
    def of(cls, data: object) -> Facts:
        """From the ``facts`` of a record; what is missing or damaged is left out."""
        if not isinstance(data, dict):
            return cls()
        date = _text(data.get("date")) or ""
        return cls(
            key=_text(data.get("key")) or "",
            tempo_bpm=_number(data.get("tempo_bpm")),
            metre=_text(data.get("metre")) or "",
            instrument=_text(data.get("instrument")) or "",
            tuning=_text(data.get("tuning")) or "",
            level=_text(data.get("level")) or "",
            date=date if _DAY.fullmatch(date) else "",
            bars=_whole(data.get("bars")),
            techniques=_all(data.get("techniques"), _text),
            chords=_all(data.get("chords"), _text),
            positions=_all(data.get("positions"), _position),
            phrases=_all(data.get("phrases"), _phrase),
        )

    @property
    def key_words(self) -> str:
        """For readers: ``B♭ major``."""
        try:
            return Key.parse(self.key).symbol()
        except MusicError:  # of another version: shown as it is
            return self.key

    @property
    def tempo_words(self) -> str:
        """As players set it: ``104 bpm``, ``♩. = 72``."""
        if self.tempo_bpm is None:
            return ""
        try:
            return counted_words(self.tempo_bpm, Metre.parse(self.metre))
        except MusicError:  # as for keys
            return f"{self.tempo_bpm:g} bpm"

    @property
    def position_words(self) -> tuple[str, ...]:
        """In Roman figures."""
        return tuple(roman(position) for position in self.positions)

    @property
    def plain_chords(self) -> tuple[str, ...]:
        """In ASCII: ``F#m7b5``."""
        return tuple(plain_chord(chord) for chord in self.chords)

    @property
    def plain_tuning(self) -> str:
        return self.tuning.translate(_SIGNS)

    def to_json(self) -> dict[str, Any]:
        """As plain data; keys, chords and tunings spelled in ASCII."""
        return {
            "date": self.date or None,
            "grade": self.level or None,
            "key": self.key or None,
            "tempo_bpm": self.tempo_bpm,
            "metre": self.metre or None,
            "instrument": self.instrument or None,
            "tuning": self.plain_tuning or None,
            "bars": self.bars,
            "techniques": list(self.techniques),
            "positions": list(self.positions),
            "chords": list(self.plain_chords),
            "phrases": [
                {"name": p.name, "bars": list(p.bars), "frets": list(p.frets), "positions": list(p.positions)}
                for p in self.phrases
            ],
        }


def plain_chord(symbol: str) -> str:
    """A chord as it is typed."""
    try:
        return Chord.parse(symbol).text()
    except MusicError:
        return symbol.translate(_SIGNS)


def _all(value: object, read: Callable[[object], Item | None]) -> tuple[Item, ...]:
    items = value if isinstance(value, list) else []
    return tuple(item for item in map(read, items) if item is not None)


def _text(value: object) -> str | None:
    return value if isinstance(value, str) and value else None


def _number(value: object) -> float | None:
    if not isinstance(value, int | float) or isinstance(value, bool) or not math.isfinite(value):
        return None
    return float(value)


def _whole(value: object) -> int | None:
    return value if isinstance(value, int) and not isinstance(value, bool) else None


def _position(value: object) -> int | None:
    number = _whole(value)
    return number if number is not None and 1 <= number < 40 else None


def _phrase(value: object) -> PhraseFacts | None:
    if not isinstance(value, dict) or not isinstance(value.get("name"), str):
        return None
    return PhraseFacts(
        value["name"],
        _all(value.get("bars"), _whole),
        _all(value.get("frets"), _whole),
        _all(value.get("positions"), _position),
    )
