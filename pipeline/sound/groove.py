"""Grooves: how a band plays a chord chart, read from the files in ``grooves/``.

Conventions
-----------
A pattern is a line of steps, ``steps`` to the felt beat; it is laid on the beats of each
bar from its first beat, started again when the bar is longer, cut when it is shorter.

- Drum lines: one character a step, ``1`` to ``9`` how hard, ``.`` silence; spaces only
  part the beats.
- Bass lines: one word a step. ``R`` the chord's lowest note, ``3 5 6 7`` its third, fifth,
  sixth or seventh, ``8`` the root an octave away, ``w`` a step of a walk, ``a`` a step
  towards the next chord, ``=`` the note goes on, ``.`` silence. ``!`` harder, ``'`` softer.
- Chord lines: ``x`` the chord, and ``= . ! '`` likewise.

Drum numbers: General MIDI level 1 percussion key map. Programs: General MIDI level 1
sound set, 0-based.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, field
from fractions import Fraction
from functools import cache
from importlib import resources
from typing import Any, Final

from pipeline.errors import nearest
from pipeline.music.metre import Metre
from pipeline.music.tab import Tab
from pipeline.sound.errors import SoundError

DRUM_KEYS: Final[dict[str, int]] = {
    "kick": 36,
    "side_stick": 37,
    "snare": 38,
    "closed_hat": 42,
    "pedal_hat": 44,
    "open_hat": 46,
    "low_tom": 45,
    "mid_tom": 47,
    "high_tom": 50,
    "crash": 49,
    "ride": 51,
    "ride_bell": 53,
    "tambourine": 54,
    "cowbell": 56,
    "maracas": 70,
    "claves": 75,
    "high_block": 76,
    "low_block": 77,
}
BASS_WORDS: Final = frozenset("R35678wa")
FALLBACK: Final = "straight eighths"
TRIPLE: Final = "shuffle"
SIX: Final = "rolling six"  # takes any compound bar that another groove has no pattern for


@dataclass(frozen=True, slots=True)
class Step:
    """One sounding step of a line: ``at`` and ``length`` in beats, ``word`` what, ``force`` 1-9."""

    at: Fraction
    length: Fraction
    word: str
    force: int


@dataclass(frozen=True, slots=True)
class Line:
    """A cycle of steps, ``beats`` long."""

    beats: Fraction
    steps: tuple[Step, ...]


@dataclass(frozen=True, slots=True)
class DrumPattern:
    """Lines by drum name, all of one length."""

    beats: Fraction
    lines: dict[str, tuple[Step, ...]]


@dataclass(frozen=True, slots=True)
class BassPlayer:
    """``approach`` is how likely the last note before a new chord leads into it, 0..1;
    ``level_lu`` is loudness against the drums."""

    program: int
    level_lu: float
    approach: float
    patterns: tuple[Line, ...]


@dataclass(frozen=True, slots=True)
class ChordPlayer:
    """``pan`` -1 left .. 1 right; ``register`` lowest and highest MIDI number; ``spread_s``
    how long a strum takes from its first string to its last."""

    program: int
    level_lu: float
    pan: float
    register: tuple[int, int]
    voices: int
    spread_s: float
    patterns: tuple[Line, ...]


@dataclass(frozen=True)
class Groove:
    """A groove; ``swing`` as in :class:`~pipeline.music.tab.Tab`, ``elsewhere`` the groove
    that takes the bars of metres which this one does not fit (None: patterns are cut)."""

    name: str
    about: str
    also: tuple[str, ...]
    metres: tuple[str, ...]
    steps: int
    swing: Fraction
    drums: tuple[DrumPattern, ...]
    fills: tuple[DrumPattern, ...]
    bass: BassPlayer
    chords: tuple[ChordPlayer, ...]
    elsewhere: str | None = None
    names: frozenset[str] = field(default_factory=frozenset)

    def fits(self, metre: Metre) -> bool:
        return str(metre) in self.metres


def felt_beat(metre: Metre) -> Fraction:
    """Quarters of the beat that patterns are laid on: dotted in 3/8, 6/8, 9/8 ..., else a quarter.

    Odd eighth-note metres (5/8, 7/8) are laid on quarters and end with the half beat left over.
    """
    triple = metre.unit >= 8 and metre.beats % 3 == 0
    return Fraction(12, metre.unit) if triple else Fraction(1)


def _plain(name: str) -> str:
    return " ".join(name.lower().replace("-", " ").replace("_", " ").split())


def _words(text: str, steps: int, known: frozenset[str], where: str) -> Line:
    found: list[Step] = []
    words = text.split()
    open_note = False
    for place, word in enumerate(words):
        if word == "=":
            if not open_note:
                raise SoundError(f"{where}: '=' at step {place + 1} follows no note")
            last = found[-1]
            found[-1] = Step(last.at, last.length + Fraction(1, steps), last.word, last.force)
            continue
        open_note = word != "."
        if not open_note:
            continue
        head, mark = word[0], word[1:]
        if head not in known or mark not in ("", "!", "'"):
            raise SoundError(f"{where}: step {place + 1} is {word!r}, known are {' '.join(sorted(known))}")
        force = {"": 6, "!": 8, "'": 4}[mark]
        found.append(Step(Fraction(place, steps), Fraction(1, steps), head, force))
    return Line(Fraction(len(words), steps), tuple(found))


def _drums(table: dict[str, str], steps: int, where: str) -> DrumPattern:
    lines: dict[str, tuple[Step, ...]] = {}
    lengths: set[int] = set()
    for drum, text in table.items():
        marks = text.replace(" ", "")
        if drum not in DRUM_KEYS:
            raise SoundError(f"{where}: no drum is called {drum!r}", f"known: {', '.join(DRUM_KEYS)}")
        if not marks or set(marks) - set(".123456789"):
            raise SoundError(f"{where}: {drum} is a line of 1-9 and dots, got {text!r}")
        lengths.add(len(marks))
        lines[drum] = tuple(
            Step(Fraction(i, steps), Fraction(1, steps), drum, int(mark))
            for i, mark in enumerate(marks)
            if mark != "."
        )
    if len(lengths) != 1:
        raise SoundError(f"{where}: the drum lines are of different lengths {sorted(lengths)}")
    return DrumPattern(Fraction(lengths.pop(), steps), lines)


def parse_groove(text: str, *, where: str) -> Groove:
    """A groove from the text of its file; ``where`` names it in complaints.

    Raises
    ------
    SoundError : the file does not say what a groove needs.
    """
    try:
        data: dict[str, Any] = tomllib.loads(text)
        steps = int(data["steps"])
        bass = data["bass"]
        chords = tuple(
            ChordPlayer(
                program=int(part["program"]),
                level_lu=float(part["level_lu"]),
                pan=float(part["pan"]),
                register=(int(part["register"][0]), int(part["register"][1])),
                voices=int(part["voices"]),
                spread_s=float(part.get("spread_s", 0.0)),
                patterns=tuple(_words(line, steps, frozenset("x"), where) for line in part["patterns"]),
            )
            for part in data["chords"]
        )
        return Groove(
            name=data["name"],
            about=data["about"],
            also=tuple(data["also"]),
            metres=tuple(data["metres"]),
            steps=steps,
            swing=Fraction(data["swing"]),
            drums=tuple(_drums(p, steps, where) for p in data["drums"]["patterns"]),
            fills=tuple(_drums(p, steps, where) for p in data["drums"]["fills"]),
            bass=BassPlayer(
                int(bass["program"]),
                float(bass["level_lu"]),
                float(bass["approach"]),
                tuple(_words(line, steps, BASS_WORDS, where) for line in bass["patterns"]),
            ),
            chords=chords,
            elsewhere=data.get("elsewhere"),
            names=frozenset(_plain(n) for n in (data["name"], *data["also"])),
        )
    except (tomllib.TOMLDecodeError, KeyError, TypeError) as error:
        raise SoundError(f"{where} is not a groove ({type(error).__name__}: {error})") from error


@cache
def _all() -> dict[str, Groove]:
    folder = resources.files("pipeline.sound") / "grooves"
    files = sorted((f for f in folder.iterdir() if f.name.endswith(".toml")), key=lambda f: f.name)
    grooves = [parse_groove(f.read_text(encoding="utf-8"), where=f.name) for f in files]
    return {groove.name: groove for groove in grooves}


def groove_names() -> tuple[str, ...]:
    """The names of all grooves, in alphabetical order."""
    return tuple(sorted(_all()))


def load_groove(name: str) -> Groove:
    """The groove of this name, or also known by it; case and hyphens do not matter.

    Raises
    ------
    SoundError : there is no such groove.
    """
    wanted = _plain(name)
    for groove in _all().values():
        if wanted in groove.names:
            return groove
    spoken = sorted(n for groove in _all().values() for n in groove.names)
    near = nearest(wanted, spoken)
    hint = f"Did you mean {near!r}? " if near else ""
    raise SoundError(f"there is no groove {name!r}", f"{hint}The grooves are {', '.join(groove_names())}.")


def choose_groove(feel: str | None, tab: Tab) -> str:
    """The groove's name for a feel as written in a chart, or by the tab's metre and swing.

    Raises
    ------
    SoundError : the feel names no groove.
    """
    if feel is not None and feel.strip():
        return load_groove(feel).name
    metre = next((bar.metre for bar in tab.form.bars if not bar.pickup), tab.form.bars[0].metre)
    if felt_beat(metre) != 1:
        return TRIPLE if metre.quarters / felt_beat(metre) == 4 else SIX
    if load_groove("waltz").fits(metre):
        return "waltz"
    return TRIPLE if tab.swing > Fraction(11, 20) else FALLBACK
