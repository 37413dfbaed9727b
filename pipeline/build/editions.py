"""In which keys and tempos a lesson's band plays."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from pipeline.config.tempo import TempoChoice
from pipeline.errors import MisuseError
from pipeline.music.errors import MusicError
from pipeline.music.key import Key
from pipeline.music.metre import Metre

SLOWEST_BPM: Final = 10.0
FASTEST_BPM: Final = 500.0
AS_PLAYED: Final = TempoChoice(percent=100.0)
_SIGNS: Final = {-3: "-triple-flat", -2: "-double-flat", -1: "-flat", 0: "", 1: "-sharp", 2: "-double-sharp",
                 3: "-triple-sharp"}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Edition:
    """One key and tempo. ``semitones`` from the lesson's own key, -6..+5."""

    key: Key
    semitones: int
    tempo_bpm: float

    @property
    def name(self) -> str:
        """``A minor - 104 bpm``: for file names, letters and digits only."""
        return f"{key_words(self.key)} - {tempo_words(self.tempo_bpm)}"


def key_words(key: Key) -> str:
    """``F-sharp minor``, in ASCII."""
    return f"{key.tonic.step}{_SIGNS[key.tonic.alter]} {key.mode}"


def tempo_words(bpm: float) -> str:
    """``104 bpm``, ``83.2 bpm``."""
    return f"{bpm:.2f}".rstrip("0").rstrip(".") + " bpm"


def counted_words(bpm: float, metre: Metre) -> str:
    """A tempo as players set it on a metronome: ``104 bpm``, and ``♩. = 72`` in 6/8.

    bpm : quarter notes a minute
    """
    return f"♩. = {round(bpm / 1.5, 1):g}" if metre.compound else tempo_words(bpm)


def parse_keys(texts: Sequence[str]) -> tuple[Key, ...]:
    """Keys from the command line.

    Raises
    ------
    MisuseError : one that is no key.
    """
    found = []
    for text in texts:
        try:
            found.append(Key.parse(text))
        except MusicError as error:
            raise MisuseError(f"--key {text}: {error}") from error
    return tuple(found)


def parse_tempos(texts: Sequence[str | float]) -> tuple[TempoChoice, ...]:
    """Tempos from the command line: ``80%``, ``96 bpm``, ``96``; a bare number is percent.

    Raises
    ------
    MisuseError : one that is no tempo.
    """
    found = []
    for text in texts:
        try:
            found.append(TempoChoice.parse(text))
        except ValueError as error:
            raise MisuseError(f"--tempo {text}: {error}") from error
    return tuple(found)


def editions_of(
    home: Key, home_bpm: float, keys: Sequence[Key], tempos: Sequence[TempoChoice]
) -> tuple[tuple[Edition, ...], tuple[str, ...]]:
    """Every key in every tempo, none twice, and what the creator should know about them.

    home, home_bpm : the lesson's own, which stand in for an empty list

    A key of another mode moves the lesson to its tonic; the lesson's mode stays, as its notes do.

    Raises
    ------
    MisuseError : a share of the lesson's tempo that is too slow or too fast to play.
    """
    return _editions(home, home_bpm, keys or (home,), tempos or (AS_PLAYED,))


def editions_with(
    home: Key,
    home_bpm: float,
    *,
    keys: Sequence[Key],
    tempos: Sequence[TempoChoice],
    more_keys: Sequence[Key],
    more_tempos: Sequence[TempoChoice],
    file: str,
) -> tuple[tuple[Edition, ...], tuple[str, ...]]:
    """The editions that the lesson's file asks for and those that the command line adds.

    keys, tempos : as the lesson has them; more_keys, more_tempos : from the command line
    file : name of the lesson's file, to which the notes tell to add what is to stay

    Every key is played in every tempo. Raises as :func:`editions_of`.
    """
    own, _ = editions_of(home, home_bpm, keys, tempos)
    all_keys, all_tempos = (*(keys or (home,)), *more_keys), (*(tempos or (AS_PLAYED,)), *more_tempos)
    found, notes = _editions(home, home_bpm, all_keys, all_tempos)
    new_keys = [k.text() for k in more_keys if _target(home, k) not in {(e.key, e.semitones) for e in own}]
    new_tempos = [t.text() for t in more_tempos if _speed(home_bpm, t) not in {e.tempo_bpm for e in own}]
    asked = _to_keep("keys", keys, [home.text()], new_keys, file)
    asked += _to_keep("tempos", tempos, [AS_PLAYED.text()], new_tempos, file)
    return found, (*notes, *asked)


def _to_keep(
    name: str, written: Sequence[object], usual: list[str], asked: list[str], file: str
) -> list[str]:
    """What to tell about keys or tempos that only the command line asked for."""
    asked = list(dict.fromkeys(asked))
    if not asked:
        return []
    them = "it" if len(asked) == 1 else "them"
    # a list that is not there stands for the lesson's own, which has to go in with the others
    how = (
        f"add {them} to {name}" if written else f"write {name} = {json.dumps(usual + asked)} under [backing]"
    )
    was = "was" if len(asked) == 1 else "were"
    listed = " and ".join(filter(None, (", ".join(asked[:-1]), asked[-1])))
    return [
        f"{listed} {was} asked for on the command line; {how} in {file} to keep {them} in the next build."
    ]


def _target(home: Key, wanted: Key) -> tuple[Key, int]:
    """The key to play in, and how many semitones it is away."""
    interval = home.interval_to(wanted)
    try:
        return Key(wanted.tonic, home.mode), interval.semitones
    except MusicError:  # more than seven signs: the same sound by its simpler name
        return home.transposed(interval), interval.semitones


def _speed(home_bpm: float, choice: TempoChoice) -> float:
    return round(choice.bpm_for(home_bpm), 3)


def _editions(
    home: Key, home_bpm: float, keys: Sequence[Key], tempos: Sequence[TempoChoice]
) -> tuple[tuple[Edition, ...], tuple[str, ...]]:
    notes: list[str] = []
    targets: list[tuple[Key, int]] = []
    for wanted in keys:
        if wanted.mode != home.mode and (
            wanted.mode not in ("major", "minor") or wanted.minorish != home.minorish
        ):
            notes.append(
                f"The key {wanted.symbol()} was asked for, the lesson is in {home.symbol()}: "
                f"the backing keeps the {home.mode} mode, on {wanted.tonic.symbol()}."
            )
        targets.append(_target(home, wanted))
    speeds: list[float] = []
    for choice in tempos:
        bpm = _speed(home_bpm, choice)
        if not SLOWEST_BPM <= bpm <= FASTEST_BPM:
            raise MisuseError(
                f"a tempo of {choice.text()} is {bpm:g} quarter notes a minute here; "
                f"the band plays from {SLOWEST_BPM:g} to {FASTEST_BPM:g}"
            )
        speeds.append(bpm)
    found = dict.fromkeys(Edition(key, semitones, bpm) for key, semitones in targets for bpm in speeds)
    return tuple(found), tuple(dict.fromkeys(notes))
