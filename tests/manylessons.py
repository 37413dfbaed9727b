"""A catalogue of short lessons, no two alike, for benchmarks and tests of many lessons at once.

Each has four to eight bars of text tab, a chart that goes with it, and a take: the tab played
by plucked strings that are synthesized here, filmed small. The same number gives the same
lesson, byte for byte, whatever the others are.

``python -m tests.manylessons FOLDER COUNT`` writes them.
"""

from __future__ import annotations

import random
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import av
import numpy as np
import soundfile

RATE: Final = 24_000
LEAD_IN_S: Final = 0.8
TAIL_S: Final = 1.0
FRAME_SIZE: Final = (480, 360)  # the smallest picture that chords are laid over
FRAMES_A_SECOND: Final = 10
WEEK_FILE: Final = "week.toml"

_FIRST_WORDS: Final = (
    "Tarred", "Brackish", "Crooked", "Lantern", "Salted", "Mended", "Windward", "Drowsy", "Copper", "Hempen",
    "Foggy", "Patient", "Barnacled", "Leaning", "Quiet", "Painted", "Northerly", "Borrowed", "Whistling",
    "Knotted", "Rusty", "Winter", "Half-tide", "Slanting", "Shingle", "Pewter", "Gravel",
)  # fmt: skip
_SECOND_WORDS: Final = (
    "Bollard", "Capstan", "Halyard", "Slipway", "Tideline", "Oarlock", "Sandbar", "Herring", "Towpath",
    "Gangplank", "Cormorant", "Ballast", "Trawler", "Weathercock", "Boathook", "Estuary", "Mooring",
    "Puffin", "Sailcloth", "Groyne", "Fogbell", "Rigging", "Lobster Pot", "Ferryman", "Breakwater", "Dinghy",
)  # fmt: skip
# seven degrees of each key; the last number of semitones is the octave's
_KEYS: Final = {
    "C": "C D E F G A B", "G": "G A B C D E F#", "D": "D E F# G A B C#", "A": "A B C# D E F# G#",
    "F": "F G A Bb C D E", "Bb": "Bb C D Eb F G A",
    "Am": "A B C D E F G", "Em": "E F# G A B C D", "Dm": "D E F G A Bb C", "Bm": "B C# D E F# G A",
    "Gm": "G A Bb C D Eb F",
}  # fmt: skip
_PITCH_CLASS: Final = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
_CHORDS: Final = {  # degree → quality: the triads on the degrees of the scale (common practice)
    "major": {0: "", 1: "m", 2: "m", 3: "", 4: "", 5: "m"},
    "minor": {0: "m", 2: "", 3: "m", 4: "m", 5: "", 6: ""},
}
_QUARTERS: Final = {"w": 4.0, "h.": 3.0, "h": 2.0, "q.": 1.5, "q": 1.0, "e": 0.5}
_RHYTHMS: Final = {
    4: ("q q q q", "e e q e e q", "q. e q q", "h q q", "e e e e q q", "q e e h", "q q e e q"),
    3: ("q q q", "h q", "e e q q", "q. e q", "q e e q"),
    2: ("q q", "e e q", "q e e", "q. e"),
}
_LAST: Final = {4: ("q q h", "e e q h", "w"), 3: ("q h", "h."), 2: ("h", "q q")}
_BARS: Final = {4: (4, 4, 5), 3: (5, 6), 2: (7, 8)}


@dataclass(frozen=True, slots=True)
class _Neck:
    """strings : open pitches as MIDI numbers, the tab's top line first"""

    name: str
    labels: tuple[str, ...]
    strings: tuple[int, ...]


_NECKS: Final = (
    _Neck("guitar", ("e", "B", "G", "D", "A", "E"), (64, 59, 55, 50, 45, 40)),
    _Neck("guitar", ("e", "B", "G", "D", "A", "E"), (64, 59, 55, 50, 45, 40)),
    _Neck("bass", ("G", "D", "A", "E"), (43, 38, 33, 28)),
    _Neck("ukulele", ("A", "E", "C", "G"), (69, 64, 60, 67)),
)


@dataclass(frozen=True, slots=True)
class _Struck:
    """A column of the tab; ``place`` (line from the top, fret) is None for a rest."""

    mark: str
    place: tuple[int, int] | None
    midi: int = 0


@dataclass(frozen=True, slots=True)
class Piece:
    """The music of one lesson, as it is written down and as it is played."""

    title: str
    key: str
    neck: _Neck
    beats: int
    bpm: int
    bars: tuple[tuple[_Struck, ...], ...]
    chords: tuple[tuple[str, ...], ...]


def piece(number: int) -> Piece:
    """Lesson ``number``: a melody over the triads of a key, which keeps to one place on the neck."""
    chance = random.Random(f"lesson {number}")  # seeded by text: the same on every Python
    first, second = _FIRST_WORDS[number % len(_FIRST_WORDS)], _SECOND_WORDS[number % len(_SECOND_WORDS)]
    key, neck, beats = chance.choice(list(_KEYS)), chance.choice(_NECKS), chance.choice((4, 4, 3, 2))
    count = chance.choice(_BARS[beats])
    degrees = [_pitch_class(name) for name in _KEYS[key].split()]
    chords = _progression(chance, key, count)
    rows = _places(neck, degrees, lowest_fret=chance.choice((0, 0, 2, 3, 5)))
    at = len(rows) // 2
    bars = []
    for number_of_bar in range(count):
        last = number_of_bar == count - 1
        marks = chance.choice((_LAST if last else _RHYTHMS)[beats]).split()
        triads = [_triad(chord, key) for chord in chords[number_of_bar]]
        struck, now = [], 0.0
        for place, mark in enumerate(marks):
            triad = triads[int(now / beats * len(triads))]
            at = max(0, min(len(rows) - 1, at + chance.choice((-2, -1, -1, 1, 1, 2))))
            if now % 1 == 0:  # on a beat: a note of the chord
                at = min(range(len(rows)), key=lambda i: (rows[i][0] % 12 not in triad, abs(i - at)))
            rest = 0 < place < len(marks) - 1 and chance.random() < 0.08
            struck.append(_Struck(mark, None if rest else rows[at][1:], rows[at][0]))
            now += _QUARTERS[mark]
        bars.append(tuple(struck))
    bpm = round(count * beats * 60 / chance.uniform(6.6, 9.4))
    return Piece(f"{first} {second} {number}", key, neck, beats, bpm, tuple(bars), chords)


def _pitch_class(name: str) -> int:
    return (_PITCH_CLASS[name[0]] + name.count("#") - name.count("b")) % 12


def _progression(chance: random.Random, key: str, bars: int) -> tuple[tuple[str, ...], ...]:
    """One chord a bar, seldom two; home at both ends."""
    names, triads = _KEYS[key].split(), _CHORDS["minor" if key.endswith("m") else "major"]

    def named(degree: int) -> str:
        return names[degree] + triads[degree]

    middle = []
    for _ in range(bars - 2):
        many = 2 if chance.random() < 0.2 else 1
        middle.append(tuple(named(degree) for degree in chance.sample(sorted(triads), many)))
    return ((named(0),), *middle, (named(0),))


def _triad(chord: str, key: str) -> set[int]:
    names = _KEYS[key].split()
    root = names.index(chord.removesuffix("m"))
    return {_pitch_class(names[(root + step) % 7]) for step in (0, 2, 4)}


def _places(neck: _Neck, degrees: Sequence[int], *, lowest_fret: int) -> list[tuple[int, int, int]]:
    """(MIDI number, line, fret) of the key's pitches under five frets, from low to high."""
    found: dict[int, tuple[int, int, int]] = {}
    for line, open_midi in enumerate(neck.strings):
        for fret in range(lowest_fret, lowest_fret + 5):
            if (open_midi + fret) % 12 in degrees:
                found.setdefault(open_midi + fret, (open_midi + fret, line, fret))
    return [found[midi] for midi in sorted(found)]


def tab_text(music: Piece) -> str:
    """The tab: two systems, each a phrase with a name."""
    head = (
        f"title: {music.title}\ninstrument: {music.neck.name}\nkey: {music.key}\n"
        f"time: {music.beats}/4\ntempo: {music.bpm}\n"
    )
    half = (len(music.bars) + 1) // 2
    systems = [("Out", music.bars[:half]), ("Home", music.bars[half:])]
    return head + "".join(f"\n[{name}]\n{_system(music.neck, bars)}" for name, bars in systems)


def _system(neck: _Neck, bars: Sequence[Sequence[_Struck]]) -> str:
    above, lines = "  ", [f"{label}|" for label in neck.labels]
    for bar in bars:
        above += " "
        lines = [line + "-" for line in lines]
        for struck in bar:
            above += struck.mark.ljust(4)
            for i in range(len(lines)):
                here = struck.place is not None and struck.place[0] == i
                lines[i] += (str(struck.place[1]) if here and struck.place else "").ljust(4, "-")
        above += "|"
        lines = [line + "|" for line in lines]
    return "\n".join([above, *lines, ""])


def chart_text(music: Piece) -> str:
    bars = " | ".join(" ".join(bar) for bar in music.chords)
    return f"key: {music.key}\n\n| {bars} |\n"


def sound(music: Piece, number: int) -> np.ndarray:
    """(n,) the take at ``RATE``, peak 0.6: each note a few partials that die away, the high ones
    sooner, with a little noise of the plectrum and of the room."""
    chance = np.random.default_rng(number)
    quarter_s = 60 / music.bpm
    seconds = LEAD_IN_S + len(music.bars) * music.beats * quarter_s + TAIL_S
    heard = 3e-4 * chance.standard_normal(int(seconds * RATE))
    now, plucked_at = 0.0, chance.uniform(0.14, 0.3)
    for bar in music.bars:
        for struck in bar:
            length = _QUARTERS[struck.mark]
            if struck.place is not None:
                start = int((LEAD_IN_S + now * quarter_s + chance.normal(0, 0.006)) * RATE)
                note = _pluck(struck.midi, length * quarter_s * 0.97, plucked_at, chance)
                heard[start : start + len(note)] += note
            now += length
    return np.asarray(0.6 * heard / np.abs(heard).max())


def _pluck(midi: int, seconds: float, plucked_at: float, chance: np.random.Generator) -> np.ndarray:
    hz = 440 * 2 ** ((midi - 69) / 12)
    moments = np.arange(int(seconds * RATE)) / RATE
    note = np.zeros(len(moments))
    for partial in range(1, min(10, int(0.45 * RATE / hz)) + 1):
        # a string plucked at a share p of its length: sin(n pi p) / n^2 (Fletcher & Rossing 1998, ch. 2)
        loud = np.sin(partial * np.pi * plucked_at) / partial**1.5
        note += loud * np.exp(-moments * (0.9 + 0.8 * partial)) * np.sin(2 * np.pi * hz * partial * moments)
    scrape = int(0.006 * RATE)
    note[:scrape] += 0.15 * chance.standard_normal(scrape) * np.linspace(1, 0, scrape)
    fade = int(0.01 * RATE)
    note[-fade:] *= np.linspace(1, 0, fade)
    return note * chance.uniform(0.8, 1.0)


def write_video(path: Path, heard: np.ndarray, number: int) -> None:
    """The take as a film: a light that goes across a plain ground while the sound plays."""
    width, height = FRAME_SIZE
    chance = np.random.default_rng(number)
    ground = np.empty((height, width, 3), np.uint8)
    ground[:] = chance.integers(30, 120, 3)
    with av.open(str(path), "w") as film:
        picture = film.add_stream("libx264", rate=FRAMES_A_SECOND)
        picture.width, picture.height, picture.pix_fmt = width, height, "yuv420p"
        picture.options = {"preset": "ultrafast", "crf": "30"}
        picture.codec_context.thread_count = 1
        voice = film.add_stream("aac", rate=RATE, layout="mono")
        for i in range(int(len(heard) / RATE * FRAMES_A_SECOND)):
            shown = ground.copy()
            left = 4 + (9 * i) % (width - 64)
            shown[150:210, left : left + 60] = (250, 220, 150)
            film.mux(picture.encode(av.VideoFrame.from_ndarray(shown, format="rgb24")))
        film.mux(picture.encode())
        for start in range(0, len(heard), 1024):
            block = heard[start : start + 1024].astype(np.float32)[np.newaxis]
            frame = av.AudioFrame.from_ndarray(block, format="fltp", layout="mono")
            frame.sample_rate, frame.pts = RATE, start
            film.mux(voice.encode(frame))
        film.mux(voice.encode())


CHANNEL: Final = """\
name = "The Many Lessons Room"
rights = "Own work."

[[tier]]
id = "deckhand"
title = "Deckhand"
includes = ["tab", "texttab", "midi"]

[[tier]]
id = "skipper"
title = "Skipper"
includes = ["tab", "texttab", "musicxml", "midi", "backing", "clip", "cover"]
"""


def write_lesson(folder: Path, number: int, *, video: bool = True) -> Path:
    """Write lesson ``number`` into ``folder`` and return its ``lesson.toml``."""
    folder.mkdir(parents=True, exist_ok=True)
    music = piece(number)
    (folder / "tab.txt").write_text(tab_text(music), "utf-8", newline="\n")
    (folder / "chart.txt").write_text(chart_text(music), "utf-8", newline="\n")
    heard = sound(music, number)
    take = "take.mp4" if video else "take.flac"
    if video:
        write_video(folder / take, heard, number)
    else:
        soundfile.write(folder / take, heard, RATE, subtype="PCM_16")
    path = folder / "lesson.toml"
    path.write_text(
        f'title = "{music.title}"\ntab = "tab.txt"\nchart = "chart.txt"\ntake = "{take}"\n'
        f'credit = "A Teacher"\nrights = "own work"\nlevel = "{("Beginner", "Intermediate")[number % 2]}"\n'
        f'tags = ["{music.neck.name}", "{music.beats}/4"]\n\n'
        "[backing]\nguide = false\n",
        "utf-8",
        newline="\n",
    )
    return path


def write_lessons(folder: Path, count: int, *, video: bool = True, first: int = 0) -> Path:
    """Write ``count`` lessons from number ``first`` on, one folder each, with their channel.

    video : a film as the take; otherwise sound alone

    Returns the file of the week that lists them.
    """
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "channel.toml").write_text(CHANNEL, "utf-8", newline="\n")
    names = [f"lesson_{number:04d}" for number in range(first, first + count)]
    for number, name in enumerate(names, first):
        write_lesson(folder / name, number, video=video)
    listed = "".join(f'    "{name}",\n' for name in names)
    path = folder / WEEK_FILE
    path.write_text(f'title = "Many lessons"\nlessons = [\n{listed}]\n', "utf-8", newline="\n")
    return path


if __name__ == "__main__":
    if len(sys.argv) != 3 or not sys.argv[2].isdecimal():
        raise SystemExit("usage: python -m tests.manylessons FOLDER COUNT")
    print(write_lessons(Path(sys.argv[1]), int(sys.argv[2])))
