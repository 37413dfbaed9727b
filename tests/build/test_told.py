"""Reasons from the creator's files to the sentence: what is edited is what is blamed."""

from __future__ import annotations

import re
from fractions import Fraction
from pathlib import Path

import pytest

from pipeline.build.lesson_steps import plan_lesson
from pipeline.build.meanings import head_of
from pipeline.build.portrait import Portrait, portraits
from pipeline.build.reasons import because
from pipeline.build.step import Step
from pipeline.config.models import Channel, LessonConfig
from pipeline.errors import Problems
from pipeline.read.lesson import Lesson, Segment, read_lesson
from pipeline.read.media import MediaInfo, VideoInfo
from tests.samples import chart_of, lead_tab

NAMES = {"tab": "tab.txt", "chart": "chart.txt", "lesson": "lesson.toml", "channel": "channel.toml"}
FILES = {
    "tab.txt": """\
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
""",
    "chart.txt": """\
key: Am

[Out]
| Am E7 | Am | Dm G | Am |
""",
    "lesson.toml": """\
title = "Ebb"
slug = "ebb"
tab = "tab.txt"
chart = "chart.txt"
artist = "Ottoline Marsh"
rights = "own work"
credit = "By a teacher"
blurb = "Four bars."
level = "First steps"

[backing]
groove = "straight eighths"
count_in = true

[[phrase]]
name = "Out"
bars = "1-2"
""",
    "channel.toml": """\
name = "A small channel"
tagline = "Slowly"
contact = "hello@example.org"
terms = "To play."
loudness_lufs = -14.0
true_peak_dbtp = -1.0
sheet = "A4"
templates = "texts"

[look]
accent = "#7a2e1d"
plate = "#12303a"

[[link]]
label = "All"
url = "https://example.org/all"

[[tier]]
id = "deck"
title = "Deck"
includes = ["tab", "backing", "guide", "cover"]
""",
    "texts/description.txt.j2": "{{ lesson.title }}\n{{ lesson.blurb }}\n{{ facts.chords }} {{ facts.tempo }}\n"
    "{% for link in links %}{{ link.label }}{% endfor %}{% for tier in tiers %}{{ tier.title }}{% endfor %}\n",
}


@pytest.fixture
def home(tmp_path: Path) -> Path:
    for name, text in FILES.items():
        path = tmp_path / name
        path.parent.mkdir(exist_ok=True)
        path.write_text(text, "utf-8")
    return tmp_path


def _steps(home: Path) -> tuple[Step, ...]:
    problems = Problems()
    lesson = read_lesson(home / "lesson.toml", problems)
    assert lesson is not None, [problem.text() for problem in problems]
    return plan_lesson(lesson).steps


def _edited(home: Path, edits: list[tuple[str, str, str]]) -> dict[str, tuple[str, ...]]:
    """Why each step runs after the edits, the quiet ones left out."""
    before = {step.name: (step.own_digest, paint) for step, paint in _painted(_steps(home))}
    for name, old, new in edits:
        text = (home / name).read_text("utf-8")
        assert text.count(old) == 1
        (home / name).write_text(text.replace(old, new), "utf-8")
    told = {}
    for step, paint in _painted(_steps(home)):
        digest, was = before.get(step.name, ("", None))
        why = because(was, paint, names=NAMES)
        assert (digest != step.own_digest) == bool(why), (step.name, why)
        if why:
            told[step.name] = why
    return told


def _painted(steps: tuple[Step, ...]) -> list[tuple[Step, Portrait]]:
    painted = portraits(steps)
    return [(step, painted[step.name]) for step in steps]


# file, what is replaced, by what; a step; what it says
EDITS = [
    ("tab.txt", "|---3-1----|-0-3-1----|", "|---3-1----|-0-3-3----|", "page", "tab.txt changed: bar 2"),
    ("tab.txt", "|-2---2---|", "|-2---4---|", "backing Am 120 bpm", "tab.txt changed: bar 4"),
    ("tab.txt", "instrument: guitar", "instrument: guitar\ncapo: 2", "page", "tab.txt changed: the capo (0 → 2)"),
    ("tab.txt", "tempo: 120", "tempo: 90", "page", "the tempo changed (120 → 90)"),
    ("chart.txt", "| Am E7 |", "| C7 E7 |", "page", "chart.txt changed: bar 1 (Am E7 → C7 E7)"),
    ("chart.txt", "| Am E7 |", "| C7 E7 |", "words", "the list of chords changed"),
    ("chart.txt", "| Dm G | Am |", "| Dm | G |", "midi", ""),
    ("chart.txt", "| Dm G | Am |", "| Dm | G |", "backing Am 120 bpm",
     "chart.txt changed: bar 3 (Dm G → Dm), bar 4 (Am → G)"),
    ("lesson.toml", 'title = "Ebb"', 'title = "Flood"', "still", "lesson.toml changed: the title (Ebb → Flood)"),
    ("lesson.toml", 'title = "Ebb"', 'title = "Flood"', "words", "lesson.toml changed: the title (Ebb → Flood)"),
    ("lesson.toml", 'title = "Ebb"', 'title = "Flood"', "tags Am 120 bpm",
     "lesson.toml changed: the title (Ebb → Flood)"),
    ("lesson.toml", "Four bars.", "Four slow bars.", "words",
     "lesson.toml changed: the blurb (Four bars. → Four slow bars.)"),
    ("lesson.toml", 'credit = "By a teacher"', 'credit = "By two"', "musicxml",
     "lesson.toml changed: the credit (By a teacher → By two)"),
    ("lesson.toml", '"straight eighths"', '"shuffle"', "backing Am 120 bpm",
     "the groove (straight eighths → shuffle) and the swing (1/2 → 2/3) changed"),
    ("lesson.toml", "count_in = true", "count_in = false", "backing Am 120 bpm",
     "lesson.toml changed: the count-in (yes → no)"),
    ("lesson.toml", '"1-2"', '"1-3"', "page", "the phrases changed (Out: bars 1–2 → Out: bars 1–3)"),
    ("lesson.toml", "own work", "with leave", "musicxml", "the rights line changed (own work → with leave)"),
    ("channel.toml", "#7a2e1d", "#5a1040", "page", "the accent colour changed (#7a2e1d → #5a1040)"),
    ("channel.toml", "#12303a", "#123000", "still", "the plate colour changed (#12303a → #123000)"),
    ("channel.toml", "#12303a", "#123000", "page", ""),
    ("channel.toml", "-14.0", "-16.0", "backing Am 120 bpm", "channel.toml changed: the loudness (−14 → −16)"),
    ("channel.toml", '"A4"', '"Letter"', "page", "channel.toml changed: the paper size (A4 → Letter)"),
    ("channel.toml", '"All"', '"Everything"', "words", "channel.toml changed: the links"),
    ("channel.toml", 'title = "Deck"', 'title = "Deckhand"', "pack deck",
     "channel.toml changed: the name of the tier (Deck → Deckhand)"),
    ("channel.toml", '"guide", "cover"', '"guide"', "pack deck", "what the pack holds changed"),
    ("texts/description.txt.j2", "{{ lesson.blurb }}", "{{ lesson.level }}", "words",
     "the template description.txt.j2 changed"),
]  # fmt: skip


@pytest.mark.parametrize(("file", "old", "new", "step", "said"), EDITS)
def test_what_is_edited_is_what_is_told(
    home: Path, file: str, old: str, new: str, step: str, said: str
) -> None:
    told = _edited(home, [(file, old, new)])
    if step in told or not said:
        assert told.get(step, ("",)) == (said,)
    else:  # the tempo is in the names of steps
        raise AssertionError(f"{step} says nothing; there are {sorted(told)}")
    for name, sentences in told.items():
        for sentence in sentences:
            blamed = re.match(r"(\S+) changed: ", sentence)
            assert blamed is None or blamed[1] == file, (name, sentence)


def test_two_edits_are_both_told(home: Path) -> None:
    told = _edited(home, [("tab.txt", "|-2---2---|", "|-2---4---|"), ("chart.txt", "| Am |\n", "| A7 |\n")])
    assert told["page"] == ("tab.txt changed: bar 4", "chart.txt changed: bar 4 (Am → A7)")


def test_a_saved_file_that_says_the_same_is_no_reason(home: Path) -> None:
    assert _edited(home, [("tab.txt", "title: Ebb", "# a remark\ntitle: Ebb")]) == {}


def test_everything_a_lesson_is_made_from_has_words(tmp_path: Path) -> None:
    """A parameter that is renamed, or a new one, gets its words in the table of meanings."""
    take = tmp_path / "take.mp4"
    take.write_bytes(b"a take")
    config = LessonConfig.model_validate(
        {"title": "Low Tide", "tab": "tab.txt", "chart": "chart.txt", "take": "take.mp4"},
        context={"folder": tmp_path, "allow_outside": False},
    )
    chart, tab = chart_of("Am7", "D9", "Am7 Em7", "Am7"), lead_tab()
    media = MediaInfo(take, "video", 14.5, 48000, 2, "aac", VideoInfo(1280, 720, Fraction(25), 0, "h264"))
    segments = (Segment("Hello", "talk", take, 0.0, 14.5),)
    for parts in ((), segments):
        lesson = Lesson(config, Channel(), tab, chart, chart.spans(tab.form), media, parts)
        for name, paint in portraits(plan_lesson(lesson).steps).items():
            # names of other steps, which say themselves what changed
            tools = {
                "function",
                "version",
                "params",
                "rooms",
                "code",
                "library",
                "file",
                "backing",
                "mp3",
                "spans",
            }
            strange = [
                label
                for label in paint
                if label.split(" ")[0] not in tools and head_of(label, paint.get("params", "")) is None
            ]
            assert strange == [], name
