"""In which keys and tempos a lesson's band plays."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from pipeline.config.tempo import TempoChoice
from pipeline.errors import MisuseError
from pipeline.music.errors import MusicError
from pipeline.music.key import Key

SLOWEST_BPM: Final = 10.0
FASTEST_BPM: Final = 500.0
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
    notes: list[str] = []
    targets: list[tuple[Key, int]] = []
    for wanted in keys or (home,):
        if wanted.mode != home.mode and (
            wanted.mode not in ("major", "minor") or wanted.minorish != home.minorish
        ):
            notes.append(
                f"The key {wanted.symbol()} was asked for, the lesson is in {home.symbol()}: "
                f"the backing keeps the {home.mode} mode, on {wanted.tonic.symbol()}."
            )
        interval = home.interval_to(wanted)
        try:
            target = Key(wanted.tonic, home.mode)
        except MusicError:  # more than seven signs: the same sound by its simpler name
            target = home.transposed(interval)
        targets.append((target, interval.semitones))
    speeds: list[float] = []
    for choice in tempos or (TempoChoice(percent=100.0),):
        bpm = round(choice.bpm_for(home_bpm), 3)
        if not SLOWEST_BPM <= bpm <= FASTEST_BPM:
            raise MisuseError(
                f"a tempo of {choice.text()} is {bpm:g} quarter notes a minute here; "
                f"the band plays from {SLOWEST_BPM:g} to {FASTEST_BPM:g}"
            )
        speeds.append(bpm)
    found = dict.fromkeys(Edition(key, semitones, bpm) for key, semitones in targets for bpm in speeds)
    return tuple(found), tuple(dict.fromkeys(notes))
