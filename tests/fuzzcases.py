"""Files that no reader should stumble over: whole ones of every kind, and what damage makes of them.

A case is told by two numbers, the seed of the run and its own: they name the file it began as
and all that was done to it. The whole ones are the demo's sources, what our writers make of
made-up music, and the files that music21 brings along (MusicXML suite, small corpus pieces,
MIDI).
"""

from __future__ import annotations

import importlib.util
import random
import re
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Final

from hypothesis import HealthCheck, Phase, given, settings

from pipeline.music.tab import Tab
from pipeline.page.midi import write_midi
from pipeline.page.musicxml import write_musicxml
from pipeline.page.texttab import write_text_tab
from tests import fuzzformats as formats
from tests.fuzzmutations import MOST_BYTES, NUMBERS
from tests.page.pieces import PIECES
from tests.samples import lead_spans, lead_tab, waltz_spans, waltz_tab
from tests.strategies import tabs

ROOT: Final = Path(__file__).resolve().parents[1]
KINDS: Final = ("text tab", "chart text", "MusicXML", "MusicXML, compressed", "MIDI", "lesson")
SUFFIXES: Final = {
    "text tab": ".txt", "chart text": ".chart", "MusicXML": ".musicxml", "MusicXML, compressed": ".mxl", "MIDI": ".mid",
    "lesson": ".toml",
}  # fmt: skip
LARGEST_SEED_BYTES: Final = 26_000  # of a whole file: a run is to see many
_SEED_SHARE: Final = {
    "text tab": 6,
    "chart text": 4,
    "MusicXML": 6,
    "MusicXML, compressed": 2,
    "MIDI": 4,
    "lesson": 2,
}

CHARTS: Final = (
    """\
# every sign a chart has
title: Low Tide
key: Am
feel: shuffle

[Intro] | Am | % | Dm E7 | N.C. |
[Verse]
|: Am7 . D9 . | Bbmaj9/D | F#m7b5 B7#9 |1. Em! . . . :|2. E7sus4 / / E7 |
[Chorus] |: C | G/B | Am | F :|x3
| C5 | N.C.! | Ebdim7 D+ | A13(b9) |
""",
    "| C | F | G7 | C |\n",
    "key: F# dorian\n\n[A]\n| F#m7 | B7 | F#m7 | % |\n\n[B]\n|: Emaj7 . . D#m7 | C#m7 F#7 :|\n",
)
TABS: Final = (
    """\
title: Every mark
instrument: electric guitar
key: Am
time: 4/4
tempo: 104
swing: 2/3

[Call]
   q   e e q  q    q     e e h
e|---------------|--------------|
B|-----5h8-5-----|-8b10r8-------|
G|-7b9--------7~-|-------7-5----|
D|---------------|-----------7--|
A|---------------|--------------|
E|---------------|--------------|
PM                       -----

[Answer]
   q q   h
e|-----------|
B|-----------|
G|-----------|
D|-5/7-------|
A|-------7---|
E|-----------|
""",
    "e|--0--1--3--|\nB|--1--1--0--|\nG|--0--2--0--|\nD|--2--3--0--|\nA|--3--3--2--|\nE|-----1--3--|\n",
    "instrument: bass\ntuning: drop D\ntime: 6/8\n\n  q. q.   q. q.\nG|-------|-------|\nD|-------|-----0-|\nA|----3--|-------|\nD|-0-----|-5-----|\n",
)
LESSONS: Final = (
    'title = "Low Tide"\ntab = "tab.txt"\nchart = "chart.txt"\nrights = "own work"\n',
    """\
title = "Low Tide"
tab = "tab.txt"
chart = "chart.txt"
take = "recording.opus"
tempo = 104
start_s = 1.5
end_s = 42
date = 2026-11-18
tags = ["waltz", "nylon strings"]
rights = "own work"

[backing]
source = "chart"
groove = "waltz"
keys = ["Em", "Gm"]
tempos = [60, "96 bpm", 100]

[look]
accent = "#5a1040"

[[phrase]]
name = "Casting off"
bars = "0-4"

[[segment]]
name = "Welcome"
file = "recording.opus"
kind = "talk"
""",
)
RECORDING: Final = "recording.opus"  # stands beside a lesson, and is never opened


@dataclass(frozen=True, slots=True)
class Whole:
    """A file as it should be."""

    name: str
    data: bytes


@dataclass(frozen=True, slots=True)
class Case:
    """A file to be read, ``story``: what it was and what was done to it."""

    number: int
    kind: str
    data: bytes
    story: str

    @property
    def file_name(self) -> str:
        return f"case-{self.number}{SUFFIXES[self.kind]}"


def made_up_tabs(count: int) -> list[Tab]:
    """So many of the tabs that hypothesis makes up, the same ones every time."""
    found: list[Tab] = []

    @settings(
        max_examples=count, derandomize=True, database=None, deadline=None, phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    @given(tabs())
    def keep(tab: Tab) -> None:
        found.append(tab)

    keep()
    return found


def music21_files(*suffixes: str, most_bytes: int = LARGEST_SEED_BYTES) -> Iterator[Path]:
    """The files of these endings that the library brings along, without loading it."""
    found = importlib.util.find_spec("music21")
    assert found is not None
    assert found.origin is not None
    for path in sorted(Path(found.origin).parent.rglob("*")):
        if path.suffix in suffixes and 0 < path.stat().st_size <= most_bytes:
            yield path


@lru_cache(maxsize=2)
def corpus(*, small: bool = False) -> dict[str, tuple[Whole, ...]]:
    """Whole files of every kind; ``small``: some of each, for the tests."""
    written = [("lead", lead_tab()), ("waltz", waltz_tab())] + [
        (name, make()) for name, make in PIECES.items()
    ]
    written += [(f"made up {n}", tab) for n, tab in enumerate(made_up_tabs(10 if small else 80))]
    spans = {"lead": lead_spans(), "waltz": waltz_spans()}
    found: dict[str, list[Whole]] = {kind: [] for kind in KINDS}

    def files(kind: str, paths: Iterator[Path] | list[Path]) -> None:
        found[kind] += [Whole("/".join(path.parts[-2:]), path.read_bytes()) for path in paths]

    files("text tab", sorted((ROOT / "configs").glob("*/tab.txt")))
    files("chart text", sorted((ROOT / "configs").glob("*/chart.txt")))
    for path in sorted((ROOT / "configs").glob("*/lesson.toml")):
        text = re.sub(r"\.\./\.\./assets/\w+/\w+\.\w+", RECORDING, path.read_text("utf-8"))
        text = text.replace("allow_outside = true", "").replace('"tab.txt"', f'"{path.parent.name}-tab.txt"')
        text = text.replace('"chart.txt"', f'"{path.parent.name}-chart.txt"')
        found["lesson"].append(Whole(path.parent.name, re.sub(r"(?m)^(#.*|\s*)\n", "", text).encode()))
    found["lesson"] += [Whole(f"lesson {n}", text.encode()) for n, text in enumerate(LESSONS)]
    found["text tab"] += [Whole(f"tab {n}", text.encode()) for n, text in enumerate(TABS)]
    found["chart text"] += [Whole(f"chart {n}", text.encode()) for n, text in enumerate(CHARTS)]
    for name, tab in written:
        found["text tab"].append(Whole(name, write_text_tab(tab).encode()))
        found["MusicXML"].append(Whole(name, write_musicxml(tab, spans.get(name, ()))))
        found["MIDI"].append(Whole(name, write_midi(tab)))
    scores = [
        p for p in music21_files(".xml", ".musicxml") if "<score-" in p.read_text("utf-8", errors="replace")
    ]
    compressed, played = list(music21_files(".mxl")), list(music21_files(".mid"))
    files("MusicXML", scores[:: max(1, len(scores) // 12)] if small else scores)
    files("MusicXML, compressed", compressed[:: max(1, len(compressed) // (6 if small else 60))])
    files("MIDI", played[:: max(1, len(played) // 6)] if small else played)
    assert all(found.values())
    return {kind: tuple(whole for whole in wholes if whole.data) for kind, wholes in found.items()}


def case(number: int, *, seed: int, small: bool = False) -> Case:
    """Case ``number`` of a run: a whole file of some kind, damaged once or several times."""
    chance = random.Random(f"{seed}:{number}")
    kind = chance.choices(KINDS, [_SEED_SHARE[k] for k in KINDS])[0]
    wholes = corpus(small=small)
    if kind == "MusicXML, compressed" and chance.randrange(2):
        data, story = _damaged(
            chance.choice(wholes["MusicXML"]), wholes, "MusicXML", chance, chance.choice((0, 1, 2))
        )
        data, story = formats.zipped(data, chance), f"{story}, zipped"
        return Case(
            number, kind, *_damaged(Whole(story, data), wholes, kind, chance, chance.choice((0, 0, 1, 2)))
        )
    if kind in ("text tab", "chart text") and chance.randrange(12) == 0:
        return Case(number, kind, babble(kind, chance), "babble")
    return Case(
        number,
        kind,
        *_damaged(chance.choice(wholes[kind]), wholes, kind, chance, chance.choice((1, 1, 1, 2, 4))),
    )


def _damaged(
    whole: Whole, wholes: dict[str, tuple[Whole, ...]], kind: str, chance: random.Random, times: int
) -> tuple[bytes, str]:
    data, story = whole.data, [whole.name]
    for _ in range(times):
        if chance.randrange(10) == 0:
            other = chance.choice(wholes[kind])
            # where a splice is to lead on, both must be cut at the end of a line or element
            sign = b"\n" if chance.randrange(3) else b""
            head = data[: _cut(data, sign, chance)]
            data, told = head + other.data[_cut(other.data, sign, chance) :], f"spliced with {other.name}"
            if kind == "MIDI" and chance.randrange(2):
                data = formats.with_true_lengths(data)
        else:
            mutator = chance.choice(formats.MUTATORS[kind])
            data, told = mutator(data, chance), mutator.__name__
        data = data[:MOST_BYTES]
        story.append(told)
    return data, ", ".join(story)


def _cut(data: bytes, sign: bytes, chance: random.Random) -> int:
    at = chance.randrange(len(data) + 1)
    return data.find(sign, at) + 1 if sign and sign in data[at:] else at


def babble(kind: str, chance: random.Random) -> bytes:
    """A text of the format's own signs and lines in no order at all."""
    tokens, lines = {
        "text tab": (formats.TAB_TOKENS, formats.TAB_LINES), "chart text": (formats.CHART_TOKENS, formats.CHART_LINES)
    }[kind]  # fmt: skip
    made: list[str] = []
    for _ in range(chance.choice((1, 3, 12, 60))):
        if chance.randrange(3) == 0:
            made.append(chance.choice(lines).replace("{}", chance.choice(NUMBERS)))
            continue
        row = "".join(chance.choice((*tokens, *"--------0123579|")) for _ in range(chance.choice((1, 8, 40))))
        made += [chance.choice(("", "e|", "B|", "G|", "|", "  ", "E|")) + row] * chance.choice((1, 1, 4, 6))
    return "\n".join(made).encode()


def lay_out(folder: Path, case: Case) -> Path:
    """Write the case's file, a lesson's with the sources it names beside it; its path."""
    path = folder / ("lesson.toml" if case.kind == "lesson" else case.file_name)
    path.write_bytes(case.data)
    if case.kind == "lesson" and not (folder / RECORDING).exists():
        for source in (ROOT / "configs").glob("*/*.txt"):
            shutil.copyfile(source, folder / f"{source.parent.name}-{source.name}")
        for name in ("tab.txt", "chart.txt"):
            shutil.copyfile(ROOT / "configs" / "ferry_letter" / name, folder / name)
        (folder / RECORDING).touch()
    return path
