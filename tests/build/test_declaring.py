"""What each step is given, and what therefore does not reach it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest

from pipeline.build.declaring import PRODUCTS, PUBLIC, _named_by_key, _without_names
from pipeline.build.digest import value_digest
from pipeline.build.graph import Graph
from pipeline.build.lesson_steps import plan_lesson
from pipeline.config.models import PRODUCTS as TIER_PRODUCTS
from pipeline.config.models import Channel, LessonConfig
from pipeline.errors import SourceError
from pipeline.music.key import Key
from pipeline.music.metre import Form, Metre
from pipeline.music.pitch import Pitch
from pipeline.music.tab import Comment, Remark
from pipeline.read.lesson import Lesson, Segment
from pipeline.read.media import MediaInfo, VideoInfo
from tests.samples import chart_of, lead_tab


@pytest.fixture
def lesson(tmp_path: Path) -> Lesson:
    take = tmp_path / "take.mp4"
    take.write_bytes(b"a take")
    for name in ("lesson.toml", "tab.txt", "chart.txt"):
        (tmp_path / name).write_text(name)
    config = LessonConfig.model_validate(
        {"title": "Low Tide", "tab": "tab.txt", "chart": "chart.txt", "take": "take.mp4"},
        context={"folder": tmp_path, "allow_outside": False},
    ).model_copy(update={"path": tmp_path / "lesson.toml"})
    chart, tab = chart_of("Am7", "D9", "Am7 Em7", "Am7"), lead_tab()
    video = VideoInfo(1280, 720, Fraction(25), 0, "h264")
    media = MediaInfo(take, "video", 14.5, 48000, 2, "aac", video)
    return Lesson(config, Channel(), tab, chart, chart.spans(tab.form), media)


def changed_steps(lesson: Lesson, change: Callable[[Lesson], Lesson]) -> set[str]:
    """Names of the steps whose own parameters a change reaches (not what follows from others)."""

    def params(of: Lesson) -> dict[str, str]:
        return {step.name: value_digest(step.params) for step in plan_lesson(of).steps}

    before, after = params(lesson), params(change(lesson))
    assert set(before) == set(after)
    return {name for name in before if before[name] != after[name]}


def new_note_names(lesson: Lesson) -> Lesson:
    key = Key.parse("Gb")
    notes = tuple(replace(note, pitch=key.spell_midi(note.pitch.midi)) for note in lesson.tab.notes)
    return replace(lesson, tab=replace(lesson.tab, notes=notes))


def new_note(lesson: Lesson) -> Lesson:
    return replace(lesson, tab=replace(lesson.tab, notes=lesson.tab.notes[:-1]))


def test_names_of_notes_are_not_heard(lesson: Lesson) -> None:
    """What a note is called can depend on the chord under it: only where names are read."""
    assert changed_steps(lesson, new_note_names) == {"page", "musicxml"}
    assert {"align", "midi", "texttab", "backing Am 104 bpm"} <= changed_steps(lesson, new_note)


def test_every_step_can_be_asked_for(lesson: Lesson) -> None:
    steps = plan_lesson(lesson).steps
    assert {step.product for step in steps} == set(PRODUCTS)
    made = {output.product for step in steps for output in step.outputs}
    assert set(TIER_PRODUCTS) | PUBLIC <= made
    graph = Graph(steps)
    assert {name for _, name in graph.chosen(["overlay"]).steps} == {"align", "overlay"}
    assert {name for _, name in graph.chosen(["backing"]).steps} == {
        "backing Am 104 bpm", "mp3 Am 104 bpm", "cover", "tags Am 104 bpm",
    }  # fmt: skip


def test_the_overlay_has_the_takes_own_measures(lesson: Lesson) -> None:
    overlay = next(step for step in plan_lesson(lesson).steps if step.name == "overlay")
    assert (overlay.params.size, overlay.params.fps, overlay.params.seconds) == ((1280, 720), 25, 14.5)
    assert lesson.take is not None
    heard = replace(lesson, take=replace(lesson.take, kind="audio", video=None))
    overlay = next(step for step in plan_lesson(heard).steps if step.name == "overlay")
    assert (overlay.params.size, overlay.params.fps) == ((1920, 1080), 30)


def test_segments_give_the_chapters_their_real_times(lesson: Lesson, tmp_path: Path) -> None:
    segments = (
        Segment("Hello", "talk", tmp_path / "a.wav", 0.0, 12.5),
        Segment("At full speed", "performance", tmp_path / "b.wav", 12.5, 30.0),
    )
    for segment in segments:
        segment.path.write_bytes(b"sound")
    words = next(s for s in plan_lesson(replace(lesson, segments=segments)).steps if s.name == "words")
    assert words.params.chapters == ((0.0, "Hello"), (12.5, "At full speed"))
    assert words.params.total_s == 42.5
    assert words.needs == ()
    alone = next(step for step in plan_lesson(lesson).steps if step.name == "words")
    assert (alone.params.chapters, alone.needs) == (None, ("align",))


def test_a_groove_that_is_not_there(lesson: Lesson) -> None:
    backing = lesson.config.backing.model_copy(update={"groove": "polka of doom"})
    config = lesson.config.model_copy(update={"backing": backing})
    with pytest.raises(SourceError, match=r"lesson\.toml:\d+:\d+: error: .*polka of doom"):
        plan_lesson(replace(lesson, config=config))


def test_a_feel_of_the_chart_alone_is_also_read(lesson: Lesson) -> None:
    """The band once swung by the chart's `feel: shuffle` while the page said nothing of it."""
    swinging = replace(lesson, chart=replace(lesson.chart, feel="shuffle"))
    plan = plan_lesson(swinging)
    tabs = [tab for step in plan.steps if (tab := getattr(step.params, "tab", None)) is not None]
    assert {tab.swing for tab in (*tabs, plan.lesson.tab)} == {Fraction(2, 3)} and len(tabs) >= 5
    assert {"page", "musicxml", "midi", "texttab", "align"} <= changed_steps(
        lesson, lambda of: replace(of, chart=replace(of.chart, feel="shuffle"))
    )


@pytest.mark.parametrize(
    ("feel", "own", "metre", "swing"),
    [
        ("shuffle", Fraction(3, 5), Metre(4, 4), Fraction(3, 5)),  # the tab's own goes first
        ("straight eighths", Fraction(2, 3), Metre(4, 4), Fraction(2, 3)),
        ("shuffle", Fraction(1, 2), Metre(6, 8), Fraction(1, 2)),  # no quarter beats to swing over
        (None, Fraction(1, 2), Metre(4, 4), Fraction(1, 2)),
    ],
)
def test_the_swing_that_is_heard(
    lesson: Lesson, feel: str | None, own: Fraction, metre: Metre, swing: Fraction
) -> None:
    form = Form.plain(6 if metre.unit == 8 else 4, metre)
    tab = replace(lesson.tab, form=form, swing=own, phrases=())
    chart = replace(chart_of(*["Am7"] * len(form.bars)), feel=feel)
    plan = plan_lesson(replace(lesson, tab=tab, chart=chart, spans=chart.spans(form)))
    assert plan.lesson.tab.swing == swing


def test_an_overlay_of_another_size_than_the_take_is_told(lesson: Lesson) -> None:
    """A take of 320 by 240 got an overlay of 1920 by 1080 without a word."""
    assert not any("too small" in caution for caution in plan_lesson(lesson).cautions)
    assert lesson.take is not None and lesson.take.video is not None
    small = replace(lesson.take, video=replace(lesson.take.video, width=320, height=240))
    cautions = plan_lesson(replace(lesson, take=small)).cautions
    assert any("320 × 240" in caution and "1920 × 1080" in caution for caution in cautions)


def test_words_and_fingers_are_kept_where_they_are_read_and_left_out_where_nobody_hears_them() -> None:
    """The text tab of a pack once lost the picking fingers, and named D sharp in E minor E flat."""
    tab = lead_tab()
    key = Key.parse("Em")
    named = replace(tab.note(Fraction(0), Fraction(1), 2, 4), pitch=Pitch.parse("Eb4"), pluck="a", finger=1)
    tab = replace(
        tab, key=key, notes=(named,), remarks=(Remark(Fraction(0), "softly"),), comments=(Comment(0, "x"),)
    )
    plain, played = _named_by_key(tab), _without_names(tab)
    assert (str(plain.notes[0].pitch), plain.notes[0].pluck, plain.notes[0].finger) == ("D#4", "a", 1)
    assert plain.remarks == tab.remarks
    assert (played.notes[0].pluck, played.notes[0].finger, played.remarks, played.comments) == (
        None,
        None,
        (),
        (),
    )
