"""A lesson as read: what is gathered, what is checked against what, what is told."""

from __future__ import annotations

import pickle
import re
from pathlib import Path

import numpy as np
import pytest
import soundfile

from pipeline.config.models import Channel
from pipeline.config.starter import write_starter
from pipeline.errors import Problems
from pipeline.music.key import Key
from pipeline.read.lesson import Lesson, read_lesson, read_lessons

TAB = """\
title: In the tab
instrument: guitar
key: Am
tempo: 120

[From the tab]
   q q q q   h   h
e|---------|-------|
B|---------|-------|
G|-5-7-5-7-|-5---7-|
D|---------|-------|
A|---------|-------|
E|---------|-------|
"""
CHART = "key: Am\n| Am | Dm E7 |\n"
LESSON = """\
title = "Low Tide"
tab = "tab.txt"
chart = "chart.txt"
take = "take.wav"
rights = "own work"
"""


def tone(path: Path, seconds: float, *, level: float = 0.3) -> None:
    rate = 8000
    samples = level * np.sin(2 * np.pi * 220 * np.arange(round(seconds * rate)) / rate)
    soundfile.write(path, samples, rate, subtype="PCM_16")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    home = tmp_path / "low_tide"
    home.mkdir()
    (home / "tab.txt").write_text(TAB)
    (home / "chart.txt").write_text(CHART)
    (home / "lesson.toml").write_text(LESSON)
    tone(home / "take.wav", 6.0)
    return home


def read(folder: Path, extra: str = "", **changed: str) -> tuple[Lesson | None, Problems]:
    text = LESSON
    for key, value in changed.items():
        rows = [row for row in text.splitlines() if not row.startswith(f"{key} =")]
        text = "\n".join([*rows, f"{key} = {value}"] if value else rows) + "\n"
    (folder / "lesson.toml").write_text(text + extra)
    problems = Problems()
    return read_lesson(folder, problems), problems


def told(problems: Problems) -> str:
    return "\n".join(problem.text() for problem in problems)


def test_a_good_lesson(folder: Path) -> None:
    lesson, problems = read(folder)
    assert lesson is not None and not problems.found, told(problems)
    assert lesson.slug == "low-tide" and lesson.tab.title == "Low Tide"
    assert lesson.tab.tempo_bpm == 120.0 and lesson.tab.key == Key.parse("Am")
    assert [span.chord.text() for span in lesson.spans if span.chord] == ["Am", "Dm", "E7"]
    assert [phrase.name for phrase in lesson.tab.phrases] == ["From the tab"]
    assert lesson.take is not None and lesson.take.seconds == pytest.approx(6.0)
    assert lesson.take_span_s == (0.0, pytest.approx(6.0))
    assert pickle.loads(pickle.dumps(lesson)) == lesson
    spot = lesson.spot("tab")
    assert (spot.path, spot.line, spot.column) == (folder / "lesson.toml", 2, 7)


def test_tempo_of_the_lesson_wins_and_keeps_the_marks_in_proportion(folder: Path) -> None:
    (folder / "tab.txt").write_text(TAB + "\ntempo: 60\n" + "\n".join(TAB.split("\n")[6:]))
    (folder / "chart.txt").write_text("| Am | % | Dm | % |\n")
    tone(folder / "take.wav", 16.0)
    lesson, problems = read(folder, tempo="90")
    assert lesson is not None, told(problems)
    assert [mark.bpm for mark in lesson.tab.tempos] == [90.0, 45.0]


def test_phrases_of_the_lesson_replace_those_of_the_tab(folder: Path) -> None:
    lesson, problems = read(
        folder, '[[phrase]]\nname = "One"\nbars = 1\n[[phrase]]\nname = "Both"\nbars = "1-2"\n'
    )
    assert lesson is not None
    assert [(p.name, p.first, p.last) for p in lesson.tab.phrases] == [("One", 1, 1), ("Both", 1, 2)]
    (caution,) = problems.cautions
    assert "phrases 'One' and 'Both' share bars 1-1" in caution.what and caution.line == 11


def test_segments_follow_one_another_with_their_real_lengths(folder: Path) -> None:
    tone(folder / "talk.flac", 2.5)
    lesson, problems = read(
        folder,
        '[[segment]]\nname = "Hello"\nfile = "talk.flac"\n'
        '[[segment]]\nname = "All"\nfile = "take.wav"\nkind = "performance"\n'
        '[[segment]]\nname = "Slow"\nfile = "talk.flac"\nkind = "phrase"\nphrase = "From the tab"\n',
    )
    assert lesson is not None, told(problems)
    assert [s.kind for s in lesson.segments] == ["talk", "performance", "phrase"]
    assert [round(s.start_s, 2) for s in lesson.segments] == [0.0, 2.5, 8.5]
    assert [round(s.seconds, 2) for s in lesson.segments] == [2.5, 6.0, 2.5]


# (extra text, changed keys, line of the error or None, what it says)
WRONG = [
    ("", {"chart": ""}, 1, "`chart` is missing"),
    ("", {"take": '"none.wav"'}, 5, "there is no file 'none.wav'"),
    ("", {"take": '"tab.txt"'}, 5, "damaged or not a recording"),
    ("", {"take": '"short.wav"'}, 5, r"the take holds 2.5 s, the tab lasts 4.0 s as played at 120"),
    ("", {"take": '"silent.wav"'}, 5, "is silent"),
    ("start_s = 9\n", {}, 6, "start_s is 9 s, but the take lasts 6.0 s"),
    ("start_s = 4\n", {}, 4, "the take holds 2.0 s, the tab lasts 4.0 s"),
    ("end_s = 2\n", {}, 4, "the take holds 2.0 s, the tab lasts 4.0 s"),
    ("", {"tab": '"tab.doc"'}, None, "a tab cannot be read from a .doc file"),
    ("", {"chart": '"long.txt"'}, 5, "the chart has 3 bars, the tab has 2"),
    ('[[phrase]]\nname = "X"\nbars = "2-9"\n', {}, 8, "phrase 'X': there is no bar 9; bars go 1 to 2"),
    (
        '[[segment]]\nname = "S"\nfile = "take.wav"\nkind = "phrase"\nphrase = "From teh tab"\n', {}, 10,
        "there is no phrase 'From teh tab'\n.*\n.*\n  Did you mean 'From the tab'",
    ),
    ('[[segment]]\nname = "S"\nfile = "silent.wav"\n', {}, 8, "is silent"),
    ('[backing]\nsource = "mix"\nmix = "take.wav"\n', {}, 7, "cannot be built in this version"),
    ('[backing]\nsource = "auto"\nmix = "take.wav"\n', {}, 7, "cannot be built in this version"),
    ('[backing]\ntempos = [5000]\n', {}, 7, "10 to 400 percent"),
    ('[backing]\ntempos = [100, 400]\n', {"tempo": "200"}, 8, "would be 800 quarter notes a minute; 10 to 500"),
    ('channel = "mine.toml"\n', {}, 6, "there is no file 'mine.toml'"),
    ('channel = "bad.toml"\n', {}, 1, "unknown key `nme`"),
]  # fmt: skip


@pytest.mark.parametrize(("extra", "changed", "line", "said"), WRONG, ids=[str(w[3])[:40] for w in WRONG])
def test_one_thing_wrong(
    folder: Path, extra: str, changed: dict[str, str], line: int | None, said: str
) -> None:
    tone(folder / "short.wav", 2.5)
    tone(folder / "silent.wav", 6.0, level=0.0)
    (folder / "tab.doc").write_text("x")
    (folder / "long.txt").write_text("| Am | Dm | E7 |\n")
    (folder / "bad.toml").write_text('nme = "x"\n')
    lesson, problems = read(folder, extra, **changed)
    assert lesson is None
    assert len(problems.errors) == 1, told(problems)
    assert re.search(said, problems.errors[0].text()), problems.errors[0].text()
    assert line is None or problems.errors[0].line == line, problems.errors[0].text()


def test_problems_of_all_files_come_together(folder: Path) -> None:
    (folder / "tab.txt").write_text(TAB.replace("key: Am", "key: Hm").replace("q q q q", "q q q e"))
    (folder / "chart.txt").write_text("| Am | Dm E7x |\n")
    lesson, problems = read(
        folder, 'colour = "x"\n[[segment]]\nname = "S"\nfile = "none.ogg"\n', take='"tab.txt"'
    )
    assert lesson is None
    names = [problem.path.name for problem in problems.errors if problem.path]
    assert {"tab.txt", "chart.txt", "lesson.toml"} <= set(names)
    assert names.count("lesson.toml") >= 3, told(problems)


CAUTIONS = [
    ("", {"take": ""}, "there is no take: no overlay, no clip"),
    ("", {"rights": ""}, "nothing is said about rights"),
    ("end_s = 99\n", {}, "end_s is 99 s, but the take lasts 6.0 s"),
    ('[backing]\nmix = "take.wav"\n', {}, "the recording in `backing.mix` is not used"),
    ('[backing]\nsource = "auto"\n', {}, None),
    ("", {"chart": '"other.txt"'}, "the chart is in C major, the tab in A minor"),
    ("", {"tab": '"bare.txt"'}, "there are no phrases"),
]


@pytest.mark.parametrize(("extra", "changed", "said"), CAUTIONS)
def test_cautions_do_not_stop_a_lesson(
    folder: Path, extra: str, changed: dict[str, str], said: str | None
) -> None:
    (folder / "other.txt").write_text(CHART.replace("Am\n", "C\n"))
    (folder / "bare.txt").write_text(TAB.replace("[From the tab]\n", ""))
    lesson, problems = read(folder, extra, **changed)
    assert lesson is not None, told(problems)
    assert [said in problem.what for problem in problems.cautions] == ([True] if said else []), told(problems)


def test_rights_of_the_channel_are_enough(folder: Path) -> None:
    (folder / "channel.toml").write_text('rights = "mine"\n[look]\naccent = "#123456"\n')
    lesson, problems = read(folder, '[look]\nink = "#654321"\n', rights="")
    assert lesson is not None and not problems.found
    assert lesson.rights == "mine"
    assert lesson.look.colours == {"accent": "#123456", "ink": "#654321"}


def test_a_channel_handed_in_is_used(folder: Path) -> None:
    (folder / "channel.toml").write_text("broken")
    problems = Problems()
    lesson = read_lesson(folder / "lesson.toml", problems, channel=Channel(name="Given"))
    assert lesson is not None and lesson.channel.name == "Given"


def test_the_starter_reads_with_one_caution_only(tmp_path: Path) -> None:
    write_starter(tmp_path / "x")
    problems = Problems()
    lesson = read_lesson(tmp_path / "x", problems)
    assert lesson is not None and [p.what for p in problems] == ["there is no take: no overlay, no clip"]
    assert [phrase.name for phrase in lesson.tab.phrases] == ["The question", "The reply"]


def test_a_week_survives_a_broken_lesson(folder: Path) -> None:
    home = folder.parent
    write_starter(home / "second")
    write_starter(home / "third")
    (home / "third" / "tab.txt").write_text("nothing")
    (home / "week.toml").write_text(
        'lessons = ["low_tide", {path = "second", tempo = 70, title = "Other"}, "third", "secnd"]\n'
    )
    reads, week = read_lessons([home / "week.toml"])
    assert [item.lesson.slug if item.lesson else None for item in reads] == ["low-tide", "other", None]
    assert reads[1].lesson is not None and reads[1].lesson.tab.tempo_bpm == 70.0
    assert "there is no lesson at" in week.errors[0].what and "'second'" in week.errors[0].remedy
    assert (week.errors[0].line, week.errors[0].column) == (1, 81)
    assert reads[2].problems.errors


def test_a_chart_of_another_length_is_shown_where_it_goes_apart(folder: Path) -> None:
    (folder / "chart.txt").write_text("key: Am\n[From the tab]\n| Am | Dm E7 | Am |\n")
    lesson, problems = read(folder)
    assert lesson is None
    (error,) = problems.errors
    assert (error.path, error.line, error.column) == (folder / "chart.txt", 3, 3)
    assert "“From the tab” has 3 bars in the chart" in error.what
