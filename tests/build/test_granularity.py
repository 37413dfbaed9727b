"""What a change makes again, on a lesson that has everything: exactly that, and nothing else.

The table is the promise. It is checked twice: by what each step is given (at once), and by
building for real (``--all``, with a sample of two always).
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pipeline.build.lesson_steps import plan_lesson
from pipeline.build.report import SilentReporter
from pipeline.build.week import build
from pipeline.errors import Problems
from pipeline.music.tab import Tab
from pipeline.page.look import default_look
from pipeline.read.lesson import read_lesson
from tests.listen.players import drifting, render

FPS = 8
TAB = """\
title: Ebb
instrument: guitar
key: Am
time: 4/4
tempo: 120

  q q q q   |  q q h   |  q q q q   | q q h   |
e|-0--------|----------|------------|---------|
B|---3-1----|-0-3-1----|------------|---------|
G|-------1--|----------|-2-0--------|---------|
D|----------|----------|-----2-0----|-2---2---|
A|----------|----------|------------|---3-----|
E|----------|----------|------------|---------|
"""
CHART = """\
key: Am

[Out]
| Am E7 | Am | Dm G | Am |
"""
LESSON = """\
title = "Ebb"
slug = "ebb"
tab = "tab.txt"
chart = "chart.txt"
take = "take.mov"
artist = "Ottoline Marsh"
rights = "own work"
credit = "Words and music by a teacher"
blurb = "Four bars."
level = "First steps"
tags = ["slow"]

[backing]
keys = ["Am", "Cm"]
groove = "straight eighths"

[[phrase]]
name = "The call"
bars = "1-2"
note = "Softly."

[[phrase]]
name = "The reply"
bars = "3-4"
"""
CHANNEL = """\
name = "A Room by the Sea"
tagline = "Slowly"
terms = "Yours to play."
templates = "texts"
loudness_lufs = -14.0

[look]
accent = "#7a2e1d"
ink = "#22303c"
paper = "#f7f3ea"
plate = "#12303a"
plate_ink = "#f6ead0"
font_regular = "regular.ttf"
font_bold = "bold.ttf"

[[link]]
label = "Lessons"
url = "https://example.org/lessons"

[[tier]]
id = "pages"
title = "Pages"
includes = ["tab", "texttab", "musicxml", "midi"]

[[tier]]
id = "band"
title = "Band"
includes = ["tab", "texttab", "musicxml", "midi", "backing", "guide", "clip", "cover"]
"""
TEXTS = {
    "description.txt.j2": '{% extends "standard/description.txt.j2" %}{% block closing %}'
    '{% include "foot.j2" %}{{ lesson.credit }} {{ lesson.rights }}{% endblock %}',
    "readme.txt.j2": '{% import "marks.j2" as marks %}{{ marks.line }} {{ lesson.title }} {{ lesson.credit }}'
    "{{ lesson.rights }} {{ channel.terms }} {{ facts.key }} {{ facts.tempo }} {{ version }}"
    "{% for file in pack.files %}\n{{ file.name }}: {{ file.what }}{% endfor %}",
    "foot.j2": 'See you at sea.{% include "parts/more.txt" ignore missing %}',
    "marks.j2": "{% set line = '---' %}",
}
FONTS = {"regular": default_look().font_regular, "bold": default_look().font_bold}

AM, CM = "Am 120 bpm", "Cm 120 bpm"
PACKS = {"pack pages", "pack band"}
PAPER = {"page", "musicxml", "midi", "texttab"}
SHOWN = {"overlay", "clip"}
TITLES = {"still", "cover"}
DRAWN = {"page", "alignment picture"} | SHOWN | TITLES
TAGS = {f"tags {AM}", f"tags {CM}"}
MP3S = {f"mp3 {AM}", f"mp3 {CM}"}
BANDS = {f"backing {AM}", f"backing {CM}"}
SOUND = BANDS | MP3S | TAGS
EVERY = {"align", "words"} | PAPER | DRAWN | SOUND | PACKS


@dataclass(frozen=True)
class Change:
    """``text`` in ``file`` becomes ``new``; then ``given`` are the steps given something else,
    and ``follow`` those made again because of what the others made."""

    name: str
    file: str
    text: str
    new: str
    given: set[str]
    follow: set[str]


CHANGES = (
    # the music
    Change(
        # not the take, nor what shows no chord; E7 named a note of the first bar, E5 does not
        "one chord", "chart.txt", "Am E7", "Am E5",
        {"page", "musicxml", "words"} | SHOWN | BANDS, PACKS | MP3S | TAGS,
    ),
    Change(
        # the description lists each chord once
        "one chord that comes anyway", "chart.txt", "E7 | Am", "E7 | Dm",
        {"page", "musicxml"} | SHOWN | BANDS, PACKS | MP3S | TAGS,
    ),
    # the overlay names phrases, and here they leave no room for sections
    Change("a section's name", "chart.txt", "[Out]", "[Away]", set(), set()),
    Change(
        "another section", "chart.txt", "| Dm G", "\n[Home]\n| Dm G",
        {"page", "musicxml"} | SHOWN | BANDS, MP3S | TAGS | {"pack band"},
    ),
    Change(
        "one note", "tab.txt", "-0-3-1----", "-0-3-0----",
        {"align"} | PAPER | BANDS, {"alignment picture", "words"} | SHOWN | PACKS | MP3S | TAGS,
    ),
    Change(
        # the same sound on another string: the hand moves, nothing is heard otherwise
        "one fingering", "tab.txt", "|-----2-0----|-2---2---|\nA|----------|----------|------------|",
        "|-----2------|-2---2---|\nA|----------|----------|-------5----|",
        {"align", "words"} | PAPER | BANDS, PACKS | MP3S | TAGS,
    ),
    Change("a comment in the tab", "tab.txt", "title: Ebb", "# mine\ntitle: Ebb", set(), set()),
    # names
    Change(
        "a phrase's name", "lesson.toml", "The call", "The first call",
        {"page", "musicxml", "midi", "texttab", "words"} | SHOWN | TAGS, PACKS,
    ),
    Change(
        "the title", "lesson.toml", '"Ebb"', '"Ebb and Flow"',
        {"words"} | PAPER | TITLES | TAGS | PACKS, set(),
    ),
    Change(
        "the artist", "lesson.toml", "Ottoline Marsh", "Ottoline Fen",
        {"words"} | TITLES | TAGS, {"pack band"},
    ),
    Change(
        "the credit", "lesson.toml", "by a teacher", "by another",
        {"page", "musicxml", "words"} | TAGS | PACKS, set(),
    ),
    Change(
        "the rights", "lesson.toml", "own work", "with leave",
        {"page", "musicxml", "words"} | TAGS | PACKS, set(),
    ),
    Change("the blurb", "lesson.toml", "Four bars.", "Four short bars.", {"words"}, set()),
    Change("the level", "lesson.toml", "First steps", "Beginners", {"words"}, set()),
    Change("a tag", "lesson.toml", '["slow"]', '["fast"]', set(), set()),
    Change("what to say of a phrase", "lesson.toml", "Softly.", "Loudly.", set(), set()),
    Change("the channel's name", "channel.toml", "A Room by the Sea", "A Room", {"page", "words"}, PACKS),
    # ours tells it, in a block that the creator's template replaces: that much is not looked into
    Change("the tagline", "channel.toml", "Slowly", "Quickly", {"words"}, set()),
    Change("the terms", "channel.toml", "Yours to play.", "Yours to keep.", PACKS, set()),
    Change("a link", "channel.toml", "/lessons", "/all", {"words"}, set()),
    # the band
    Change("the groove", "lesson.toml", "straight eighths", "bossa", BANDS, MP3S | TAGS | {"pack band"}),
    Change("the loudness", "channel.toml", "-14.0", "-16.0", BANDS, MP3S | TAGS | {"pack band"}),
    Change(
        "a key more", "lesson.toml", '["Am", "Cm"]', '["Am", "Bm", "Cm"]',
        {"backing Bm 120 bpm", "mp3 Bm 120 bpm", "tags Bm 120 bpm", "words", "pack band"}, set(),
    ),
    Change(
        "a tempo more", "lesson.toml", 'groove =', 'tempos = [80, 100]\ngroove =',
        {f"{kind} {key} 96 bpm" for kind in ("backing", "mp3", "tags") for key in ("Am", "Cm")}
        | {"words", "pack band"}, set(),
    ),
    Change("a key less", "lesson.toml", '["Am", "Cm"]', '["Am"]', {"words", "pack band"}, set()),
    Change(
        "no guide", "lesson.toml", "groove =", "guide = false\ngroove =",
        SOUND | {"words", "pack band"}, set(),
    ),
    # tiers
    Change("a tier's title", "channel.toml", '"Pages"', '"Sheets"', {"words", "pack pages"}, set()),
    Change(
        "a tier gets more", "channel.toml", '"musicxml", "midi"]', '"musicxml", "midi", "guide"]',
        {"words", "pack pages"}, set(),
    ),
    # texts
    Change(
        "the description's template", "texts/description.txt.j2", "lesson.rights", "lesson.level",
        {"words"}, set(),
    ),
    Change("what it includes", "texts/foot.j2", "at sea", "on land", {"words"}, set()),
    Change("the read-me's template", "texts/readme.txt.j2", "channel.terms", "channel.name", PACKS, set()),
    Change("what it imports", "texts/marks.j2", "---", "***", PACKS, set()),
    # the look
    Change("ink", "channel.toml", "#22303c", "#102030", {"page", "alignment picture"}, PACKS),
    Change("paper", "channel.toml", "#f7f3ea", "#fffff0", {"alignment picture"}, set()),
    Change("plate", "channel.toml", "#12303a", "#301020", SHOWN | TITLES, TAGS | {"pack band"}),
    Change("plate_ink", "channel.toml", "#f6ead0", "#ffffff", SHOWN | TITLES, TAGS | {"pack band"}),
    Change("accent", "channel.toml", "#7a2e1d", "#204080", DRAWN, TAGS | PACKS),
    Change("a font", "channel.toml", '"regular.ttf"', '"bold.ttf"', DRAWN, TAGS | PACKS),
    Change("the paper's size", "channel.toml", "tagline", 'sheet = "Letter"\ntagline', {"page"}, PACKS),
    Change("the kind of overlay", "channel.toml", "tagline", 'overlay = "vp9"\ntagline', {"overlay"}, set()),
    # the take
    Change(
        "where the take begins", "lesson.toml", "artist", "start_s = 0.1\nartist", {"align"},
        {"alignment picture", "words", "pack band"} | SHOWN,
    ),
)  # fmt: skip


def write_take(path: Path, tab: Tab) -> None:
    """The tab as played by a plucked string, with a moving picture."""
    import av

    take = render(tab, drifting(tab, drift=0.02))
    with av.open(str(path), "w") as container:
        picture: Any = container.add_stream("mpeg4", rate=FPS)
        picture.width, picture.height, picture.pix_fmt = 640, 360, "yuv420p"
        sound: Any = container.add_stream("pcm_s16le", rate=take.rate, layout="mono")
        for number in range(int(len(take.audio) / take.rate * FPS)):
            pixels = np.full((360, 640, 3), 40 + number % 100, dtype=np.uint8)
            container.mux(picture.encode(av.VideoFrame.from_ndarray(pixels)))
        container.mux(picture.encode(None))
        samples = (np.clip(take.audio, -1, 1) * 32767).astype(np.int16)[None, :]
        frame = av.AudioFrame.from_ndarray(samples, format="s16", layout="mono")
        frame.sample_rate = take.rate
        container.mux(sound.encode(frame))
        container.mux(sound.encode(None))


class Desk:
    """The lesson, which can be changed, planned and built."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.out = folder / "ebb", folder / "out"
        (self.folder / "texts").mkdir(parents=True)
        texts = {f"texts/{name}": text for name, text in TEXTS.items()}
        files = {"tab.txt": TAB, "chart.txt": CHART, "lesson.toml": LESSON, "channel.toml": CHANNEL, **texts}
        for name, text in files.items():
            (self.folder / name).write_text(text)
        for name, font in FONTS.items():
            (self.folder / f"{name}.ttf").write_bytes(font.read_bytes())
        (self.folder / "lesson.toml").write_text(LESSON.replace("take =", "# take ="))
        write_take(self.folder / "take.mov", self._read().tab)
        (self.folder / "lesson.toml").write_text(LESSON)

    def _read(self) -> Any:
        problems = Problems()
        lesson = read_lesson(self.folder, problems)
        assert lesson is not None, problems.errors
        return lesson

    def change(self, change: Change, *, back: bool = False) -> None:
        path = self.folder / change.file
        old, new = (change.new, change.text) if back else (change.text, change.new)
        text = path.read_text()
        assert old in text
        path.write_text(text.replace(old, new, 1))

    def given(self) -> Mapping[str, object]:
        """Each step by name, and a digest of all it is given but other steps' outputs."""
        return {step.name: (step.own_digest, step.needs) for step in plan_lesson(self._read()).steps}

    def build(self) -> set[str]:
        """Build; which steps ran."""
        summary = build([self.folder], out=self.out, jobs=2, report=SilentReporter())
        assert summary.exit_code == 0, summary.to_json()
        record = json.loads((self.out / "ebb" / "release.json").read_text("utf-8"))
        return {step["name"] for step in record["steps"] if not step["reused"]}


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Desk:
    return Desk(tmp_path_factory.mktemp("granularity"))


def test_the_lesson_has_everything(desk: Desk) -> None:
    assert set(desk.given()) == EVERY


@pytest.mark.parametrize("change", CHANGES, ids=lambda change: change.name)
def test_a_change_reaches_these_steps(desk: Desk, change: Change) -> None:
    before = desk.given()
    desk.change(change)
    try:
        after = desk.given()
    finally:
        desk.change(change, back=True)
    assert {name for name in after if after[name] != before.get(name)} == change.given


@pytest.fixture(scope="module")
def built(desk: Desk) -> Desk:
    assert desk.build() == EVERY
    return desk


SAMPLE = {"one chord", "what it imports"}


@pytest.mark.parametrize(
    "change",
    [pytest.param(c, marks=() if c.name in SAMPLE else pytest.mark.slow, id=c.name) for c in CHANGES],
)
def test_a_change_makes_again(built: Desk, change: Change) -> None:
    built.change(change)
    try:
        made = built.build()
    finally:
        built.change(change, back=True)
    assert made == change.given | change.follow
    assert built.build() == set()


def test_a_file_that_a_template_looked_for(built: Desk) -> None:
    """It was not there, it comes, it changes, it goes: in a folder of its own, with any ending."""
    more = built.folder / "texts" / "parts" / "more.txt"
    more.parent.mkdir()
    description = built.out / "ebb" / "public" / "description.txt"
    before = description.read_text("utf-8")
    for text in ("Bring a coat.", "Bring two."):
        more.write_text(text)
        assert built.build() == {"words"}
        assert text in description.read_text("utf-8")
    more.unlink()
    more.parent.rmdir()
    assert built.build() == set()
    assert description.read_text("utf-8") == before
