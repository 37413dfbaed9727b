"""The demo week: it reads without a word of complaint, and holds what it is there to show."""

from __future__ import annotations

import csv
import itertools
from collections.abc import Iterable
from fractions import Fraction
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from pipeline.config.load import load_channel, load_week
from pipeline.config.models import LessonConfig
from pipeline.errors import Problems
from pipeline.music.chart import ChordSpan
from pipeline.music.tab import Note, Tab
from pipeline.music.technique import (
    Bend,
    Dead,
    HammerOn,
    Harmonic,
    LetRing,
    PalmMute,
    PullOff,
    Slide,
    SlideKind,
    Vibrato,
)
from pipeline.read.lesson import Lesson, read_lesson

ROOT = Path(__file__).resolve().parents[2]
CONFIGS, ASSETS = ROOT / "configs", ROOT / "assets"
LESSONS = ("breakwater_lamp", "ferry_letter", "net_menders", "gulls_at_supper")
MEGABYTE = 1_000_000


@cache
def lesson(name: str) -> Lesson:
    problems = Problems()
    read = read_lesson(CONFIGS / name / "lesson.toml", problems)
    assert read is not None, "\n".join(problem.text() for problem in problems)
    assert [problem.text() for problem in problems] == [], "neither errors nor cautions"
    return read


@cache
def truth(name: str) -> tuple[tuple[int, Fraction, float], ...]:
    with (ASSETS / name / "truth.csv").open(encoding="utf-8", newline="") as file:
        return tuple(
            (int(row["index"]), Fraction(row["quarter"]), float(row["seconds"]))
            for row in csv.DictReader(file)
        )


def notes_with(tab: Tab, *kinds: type) -> list[Note]:
    return [note for note in tab.notes if note.has(*kinds)]


def together(tab: Tab) -> Iterable[list[Note]]:
    """The notes struck at each moment."""
    for onset in sorted({note.onset for note in tab.notes}):
        yield [note for note in tab.notes if note.onset == onset]


@pytest.mark.parametrize("name", LESSONS)
def test_each_lesson_reads_without_error_or_caution(name: str) -> None:
    read = lesson(name)
    assert read.tab.title == read.config.title
    assert read.take is not None
    assert read.spans
    assert read.channel.name
    assert read.channel.path == CONFIGS / "channel.toml"


def test_the_week_lists_all_four() -> None:
    problems = Problems()
    week = load_week(CONFIGS / "demo_week.toml", problems)
    assert week is not None
    assert not list(problems)
    assert [item.path.name for item in week.config.lessons] == list(LESSONS)


def test_the_channel_look_is_legible() -> None:
    """WCAG 2.2, success criterion 1.4.6 (contrast, enhanced): 7 to 1 for text."""
    channel = load_channel(CONFIGS / "channel.toml", Problems())
    assert channel is not None
    colours = channel.config.look.colours

    def luminance(colour: str) -> float:
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    for text, ground in (("ink", "paper"), ("accent", "paper"), ("plate_ink", "plate")):
        dark, light = sorted((luminance(colours[text]), luminance(colours[ground])))
        assert (light + 0.05) / (dark + 0.05) >= 7, (text, ground)


def test_links_go_to_names_set_aside_for_examples() -> None:
    """RFC 2606: example.org and what lies under it belong to nobody."""
    channel = load_channel(CONFIGS / "channel.toml", Problems())
    assert channel is not None
    assert channel.config.links
    for link in channel.config.links:
        assert link.url.split("/")[2].endswith("example.org")


def test_the_lead_guitar_shows_what_a_lead_does() -> None:
    tab = lesson("breakwater_lamp").tab
    assert tab.key.mode == "dorian"
    assert tab.swing == Fraction(2, 3)
    assert len(tab.form.bars) == 16
    bends = [note.get(Bend) for note in notes_with(tab, Bend)]
    assert any(bend and not bend.released and not bend.prebent for bend in bends)
    assert any(bend and bend.released and not bend.prebent for bend in bends)
    assert any(bend and bend.prebent for bend in bends)
    slides = {slide.kind for note in tab.notes if (slide := note.get(Slide))}
    assert {SlideKind.LEGATO, SlideKind.IN_BELOW} <= slides
    for kind in (HammerOn, PullOff, PalmMute, Harmonic):
        assert notes_with(tab, kind), kind
    assert {note.get(Vibrato).wide for note in notes_with(tab, Vibrato)} == {False, True}  # type: ignore[union-attr]
    assert sum(len(struck) == 2 for struck in together(tab)) >= 4, "double stops"


def test_the_waltz_has_pickup_repeat_and_two_endings() -> None:
    tab = lesson("ferry_letter").tab
    assert str(tab.form.bars[0].metre) == "3/4"
    assert tab.form.pickup
    assert {bar.endings for bar in tab.form.bars} == {(), (1,), (2,)}
    assert [bar.bar.number for bar in tab.form.played.bars] == [0, *range(1, 9), *range(1, 7), *range(9, 15)]
    assert notes_with(tab, LetRing)
    assert any(len({n.string for n in struck}) >= 2 for struck in together(tab))


def test_the_bass_line_is_in_sixteenths_with_dead_notes() -> None:
    tab = lesson("net_menders").tab
    assert tab.instrument.name == "bass"
    dead = notes_with(tab, Dead)
    assert 0.2 < len(dead) / len(tab.notes) < 0.5
    assert any(note.onset % Fraction(1, 2) == Fraction(1, 4) for note in tab.notes if note not in dead)
    # every bar but the fourth-beat turns begins with its chord's lowest note
    for span in lesson("net_menders").spans:
        if span.start == span.bar.start and span.chord:
            first = next(n for n in tab.sounding if n.onset == span.start)
            assert first.note.pitch.spelling.pitch_class == span.chord.lowest.pitch_class


def test_the_ukulele_is_re_entrant_and_uses_it() -> None:
    tab = lesson("gulls_at_supper").tab
    assert tab.instrument.reentrant
    assert str(tab.form.bars[0].metre) == "6/8"
    assert sum(note.string == 4 for note in tab.notes) >= 10
    assert any(len(struck) == 4 for struck in together(tab))


def _chord_at(spans: tuple[ChordSpan, ...], quarter: Fraction) -> ChordSpan:
    return next(span for span in spans if span.start <= quarter < span.end)


@pytest.mark.parametrize("name", LESSONS)
def test_the_tune_leans_on_the_chords(name: str) -> None:
    """On the first beat of a bar a chord tone sounds, or a ninth or thirteenth of it that is being
    bent or led into one: at least nine bars in ten (a rule of thumb of good melody: common practice)."""
    read = lesson(name)
    starts = {bar.start for bar in read.tab.form.played.bars if bar.ordinal}
    good = total = 0
    for onset in starts:
        struck = [n for n in read.tab.sounding if n.onset == onset and not n.note.has(Dead)]
        chord = _chord_at(read.spans, onset).chord
        if not struck or chord is None:
            continue
        total += 1
        heard = set()
        for item in struck:
            bend = item.note.get(Bend)
            rise = int(bend.peak) if bend else 0
            heard.add((item.note.sounding_midi(read.tab.instrument) + rise) % 12)
        good += heard <= chord.pitch_classes
    assert total >= 10
    assert good / total >= 0.9


@pytest.mark.parametrize("name", LESSONS)
def test_a_hand_can_reach_what_is_struck_together(name: str) -> None:
    """Fretted notes of one stroke lie within four frets (five from the seventh fret up): common practice."""
    for struck in together(lesson(name).tab):
        frets = [n.fret for n in struck if n.fret and not n.has(Harmonic)]
        if frets:
            assert max(frets) - min(frets) <= (4 if min(frets) >= 7 else 3)


@pytest.mark.parametrize("name", LESSONS)
def test_phrases_cover_every_bar_once(name: str) -> None:
    tab = lesson(name).tab
    covered = [n for phrase in tab.phrases for n in range(phrase.first, phrase.last + 1)]
    assert covered == [bar.number for bar in tab.form.bars]


def test_one_lesson_has_every_kind_of_segment() -> None:
    read = lesson("breakwater_lamp")
    assert {segment.kind for segment in read.segments} == {"performance", "chords", "phrase", "talk"}
    assert [s.phrase for s in read.segments if s.kind == "phrase"] == [p.name for p in read.tab.phrases]


@pytest.mark.parametrize("name", LESSONS)
def test_every_lesson_has_chapters_that_hosts_show(name: str) -> None:
    """Three or more, ten seconds or longer each: the common rule of large video hosts."""
    read = lesson(name)
    assert len(read.segments) >= 3
    assert all(segment.seconds >= 10 for segment in read.segments)
    names = {phrase.name for phrase in read.tab.phrases}
    assert all(segment.phrase in names for segment in read.segments if segment.kind == "phrase")


@pytest.mark.parametrize("name", LESSONS)
def test_few_editions_so_that_the_week_builds_soon(name: str) -> None:
    config: LessonConfig = lesson(name).config
    assert max(1, len(config.backing.keys)) * max(1, len(config.backing.tempos)) <= 4


def test_recordings_stay_small() -> None:
    files = [path for path in ASSETS.rglob("*") if path.is_file() and "__pycache__" not in path.parts]
    assert sum(path.stat().st_size for path in files) < 12 * MEGABYTE


def test_two_takes_are_films() -> None:
    films = [lesson(name).take for name in LESSONS if lesson(name).take.kind == "video"]  # type: ignore[union-attr]
    assert len(films) == 2
    assert {film.video.fps for film in films} == {25, 30}  # type: ignore[union-attr]


@pytest.mark.parametrize("name", LESSONS)
def test_the_truth_belongs_to_the_tab(name: str) -> None:
    """Each struck note of the played form has its row; close to the written rhythm, never before the count."""
    read, rows = lesson(name), truth(name)
    assert [(row[0], row[1]) for row in rows] == [(n.index, n.onset) for n in read.tab.sounding]
    seconds = np.array([row[2] for row in rows])
    assert read.take is not None
    assert seconds.min() > 2.0
    assert seconds.max() < read.take.seconds - 1.0
    moments = np.array([seconds[[r[1] == q for r in rows]].mean() for q in sorted({r[1] for r in rows})])
    assert (np.diff(moments) > 0).all()


def test_the_waltz_is_played_freely_and_the_bass_is_not() -> None:
    """Tempo from bar to bar, as the truth has it: sways by more than 5 percent, and by less than 3."""

    def sway(name: str) -> float:
        tab = lesson(name).tab
        at = {row[1]: row[2] for row in reversed(truth(name))}
        bars = [bar for bar in tab.form.played.bars if bar.start in at]
        tempos = [
            float(b.start - a.start) * 60 / (at[b.start] - at[a.start])
            for a, b in itertools.pairwise(bars)
        ]  # fmt: skip
        return max(abs(tempo / tab.tempo_bpm - 1) for tempo in tempos)

    assert 0.05 < sway("ferry_letter") < 0.12
    assert sway("net_menders") < 0.03


@pytest.mark.slow
@pytest.mark.parametrize("name", LESSONS)
def test_alignment_finds_the_notes_where_they_are(name: str) -> None:
    """Against the true onsets: half of the notes within 20 ms, nine in ten within 50 ms (the window
    of onset evaluation, mir_eval.onset), and the lead-in seen."""
    from pipeline.listen.align import align_take
    from pipeline.read.media import decode_audio

    read = lesson(name)
    assert read.config.take is not None
    audio, rate = decode_audio(read.config.take, mono=True)
    found = align_take(read.tab, audio, rate)
    true = np.array([row[2] for row in truth(name)])
    off = np.abs(np.array([note.seconds for note in found.notes]) - true)
    assert np.median(off) <= 0.020
    assert np.percentile(off, 90) <= 0.050
    assert abs(found.lead_in_s - true.min()) <= 0.05
