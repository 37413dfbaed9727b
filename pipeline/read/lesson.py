"""A lesson as read: its config, its music and its recordings, checked against each other.

Every problem of every file is gathered; a lesson with errors comes back as None and leaves
the others of its week alone.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from pipeline.config.load import LESSON_FILE, Written, find_channel, load_channel, load_lesson
from pipeline.config.models import Channel, LessonConfig, LookConfig
from pipeline.config.toml import Document, Spot
from pipeline.errors import Problems, nearest
from pipeline.music.chart import Chart, ChordSpan
from pipeline.music.errors import MusicError
from pipeline.music.key import Key
from pipeline.music.respell import respelled
from pipeline.music.tab import Phrase, Tab
from pipeline.read.lesson_checks import (
    check_backing,
    check_chart,
    check_take,
    check_tempos,
    mention_gaps,
    proofread_lesson,
)
from pipeline.read.media import MediaError, MediaInfo, SoundCheck, check_audio, probe
from pipeline.read.places import Places
from pipeline.read.proof_fit import first_difference
from pipeline.read.tabfile import SCORES, read_chart, read_tab
from pipeline.read.weeks import LessonSource, clashes, read_paths
from pipeline.read.weeks import slug_at as slug_at

SoundChecker = Callable[[Path], SoundCheck]


@dataclass(frozen=True, slots=True)
class Segment:
    """A stretch of the finished video.

    start_s : where it begins when the segments follow one another
    seconds : its real length
    kind : "performance", "chords", "phrase" or "talk"
    phrase : the phrase it shows, or None
    """

    name: str
    kind: str
    path: Path
    start_s: float
    seconds: float
    phrase: str | None = None


@dataclass(frozen=True)
class Lesson:
    """Everything a build needs to know. ``take`` None: there is none (yet).

    document : the lesson's file with the places of its keys, for complaints that come later
    """

    config: LessonConfig
    channel: Channel
    tab: Tab
    chart: Chart
    spans: tuple[ChordSpan, ...]
    take: MediaInfo | None
    segments: tuple[Segment, ...] = ()
    talk: MediaInfo | None = None
    document: Document | None = field(default=None, compare=False, repr=False)

    def spot(self, *location: str | int) -> Spot:
        """Where a key of the lesson stands (``"backing", "groove"``), in its file or its week's."""
        return self.document.value_spot(location) if self.document else Spot(self.config.path)

    @property
    def slug(self) -> str:
        return self.config.slug

    @property
    def rights(self) -> str:
        return self.config.rights or self.channel.rights

    @property
    def look(self) -> LookConfig:
        """The channel's look with the lesson's on top."""
        return self.config.look.over(self.channel.look)

    @property
    def take_span_s(self) -> tuple[float, float] | None:
        """Which part of the take counts, in seconds of the file; None without a take."""
        if self.take is None:
            return None
        end = self.config.end_s if self.config.end_s is not None else self.take.seconds
        return self.config.start_s or 0.0, min(end, self.take.seconds)


@dataclass(frozen=True)
class ReadLesson:
    """A lesson that was tried: ``lesson`` is None when ``problems`` holds errors."""

    source: LessonSource
    lesson: Lesson | None
    problems: Problems


def read_lessons(paths: Sequence[Path], *, proof: bool = False) -> tuple[tuple[ReadLesson, ...], Problems]:
    """Read every lesson behind ``paths``; the problems apart are those of week files.

    proof : see :func:`read_lesson`

    Raises
    ------
    MisuseError : see :func:`read_paths`.
    """
    problems = Problems()
    found: list[ReadLesson] = []
    sources = read_paths(paths, problems)
    for source, clash in zip(sources, clashes(sources), strict=True):
        own = Problems()
        lesson = read_lesson(source.path, own, overrides=source.overrides, proof=proof)
        if clash is not None:
            own.found.append(clash)
            lesson = None
        found.append(ReadLesson(source, lesson, own))
    return tuple(found), problems


def read_lesson(
    path: Path,
    problems: Problems,
    *,
    channel: Channel | None = None,
    overrides: Document | None = None,
    recordings: bool = True,
    sound_check: SoundChecker = check_audio,
    proof: bool = False,
) -> Lesson | None:
    """Read a lesson from its file or folder.

    Parameters
    ----------
    channel : None finds the channel file that the lesson names or that lies nearest
    overrides : what a week file says over the lesson
    recordings : False leaves them closed, for who wants to know the music only, and quickly
    sound_check : listens through a recording, or remembers what that found
    proof : True also has the proofreader look at the music (:mod:`pipeline.read.proof`), whose
        cautions and remarks are for the teacher and for no record of a release

    Returns None when there are errors; all of them, and cautions, are in ``problems``.
    """
    errors_before = len(problems.errors)
    path = path / LESSON_FILE if path.is_dir() else path
    written = load_lesson(path, problems, overrides=overrides)
    if written is None:
        return None
    config = written.config
    if channel is None:
        channel = _channel(config, problems)
    tab_places = Places(config.tab)
    chart_places = Places(config.chart or config.tab)
    tab = _tab(written, tab_places, problems)
    chart = _chart(written, tab, chart_places, problems)
    spans = _spans(written, tab, chart, chart_places, problems)
    if tab is not None:
        tab = _with_phrases(written, tab, problems)
        # notation programs say how a note is spelled; a text tab leaves it to the chords
        if spans is not None and config.tab.suffix.lower() not in SCORES:
            tab = respelled(tab, spans)
    probed = _Probed(sound_check)
    take = _media(written, ("take",), config.take, probed, problems) if recordings else None
    talk = _media(written, ("talk",), config.talk, probed, problems) if recordings else None
    segments = _segments(written, tab, probed, problems) if recordings else ()
    if take is not None:
        check_take(written, take, tab, problems)
    if tab is not None:
        check_tempos(written, tab, problems)
    check_backing(written, problems)
    if tab is not None and chart is not None:
        check_chart(written, tab, chart, problems)
    mention_gaps(written, channel, tab, chart, problems)
    if proof and tab is not None:
        proofread_lesson(written, tab, chart, spans or (), tab_places, chart_places, problems)
    if len(problems.errors) > errors_before or tab is None or chart is None or spans is None:
        return None
    return Lesson(config, channel, tab, chart, spans, take, segments, talk, written.document)


def _channel(config: LessonConfig, problems: Problems) -> Channel:
    path = config.channel or find_channel(config.folder)
    if path is None or not path.is_file():
        return Channel()  # a named one that is missing has been told
    written = load_channel(path, problems)
    return written.config if written else Channel()


def _tab(written: Written[LessonConfig], places: Places, problems: Problems) -> Tab | None:
    config = written.config
    if not config.tab.is_file():
        return None  # told when the config was loaded
    tab = read_tab(
        config.tab, problems, tempo_bpm=config.tempo, title=config.title, part=config.part, places=places
    )
    if tab is None:
        return None
    if config.tempo is not None and config.tempo != tab.tempo_bpm:
        try:
            tab = tab.with_tempo(config.tempo)
        except MusicError as error:
            written.error(problems, ("tempo",), f"the tab's tempo marks, moved with it: {error}")
            return None
    # what the writer notes for himself goes into nothing that is released
    return replace(tab, title=config.title, comments=())


def _chart(
    written: Written[LessonConfig], tab: Tab | None, places: Places, problems: Problems
) -> Chart | None:
    path = written.config.chart
    if path is None and "chart" not in written.document.data:
        if written.config.tab.suffix.lower() in SCORES:
            path = written.config.tab  # its chord symbols are the chart
        else:
            problems.error(
                "`chart` is missing: the lesson has no chords",
                path=written.config.path,
                line=1,
                remedy='Add chart = "chart.txt" and write the chords there, as in | Am | Dm E7 |.',
            )
    if path is None or not path.is_file():
        return None
    # degrees count in the tab's key; when the tab is damaged, any key shows what else is wrong
    key = tab.key if tab is not None else Key.parse("C")
    return read_chart(path, problems, key=key, places=places)


def _spans(
    written: Written[LessonConfig], tab: Tab | None, chart: Chart | None, places: Places, problems: Problems
) -> tuple[ChordSpan, ...] | None:
    if tab is None or chart is None:
        return None
    try:
        return chart.spans(tab.form)
    except MusicError as error:
        key = "chart" if "chart" in written.document.data else "tab"
        apart, bar = first_difference(tab, chart)
        what = f"{error}; {apart}" if apart else str(error)
        remedy = "Give both the same bars; in the chart, % repeats the bar before and |: :| a passage."
        place = places.bar(bar) if bar is not None else None
        if place is None or place.line is None:
            written.error(problems, (key,), what, remedy=remedy)
        else:
            problems.error(
                what, remedy=remedy,
                path=place.path, line=place.line, column=place.column, offending=place.offending,
            )  # fmt: skip
        return None


def _with_phrases(written: Written[LessonConfig], tab: Tab, problems: Problems) -> Tab:
    """The tab with the lesson's own phrases instead of those written in the tab, if it has any."""
    kept: list[Phrase] = []
    for number, given in enumerate(written.config.phrases):
        try:
            tab.form.bar_span(given.first, given.last)
        except MusicError as error:
            what = f"phrase {given.name!r}: {error}"
            written.error(
                problems, ("phrase", number, "bars"), what, remedy="Use the numbers of the tab's bars."
            )
            continue
        for before in kept:
            if before.first <= given.last and given.first <= before.last:
                both = f"{max(before.first, given.first)}-{min(before.last, given.last)}"
                what = f"phrases {before.name!r} and {given.name!r} share bars {both}"
                written.caution(problems, ("phrase", number, "bars"), what, remedy="Fine if it is meant.")
        kept.append(Phrase(given.name, given.first, given.last))
    return replace(tab, phrases=tuple(kept)) if written.config.phrases else tab


@dataclass
class _Probed:
    """Recordings that were looked at, None for those that cannot be used: each is opened once."""

    sound_check: SoundChecker
    found: dict[Path, MediaInfo | None] = field(default_factory=dict)


def _media(
    written: Written[LessonConfig],
    location: tuple[str | int, ...],
    path: Path | None,
    probed: _Probed,
    problems: Problems,
) -> MediaInfo | None:
    """Probe a recording and decode its sound once, telling what is wrong at its key."""
    if path is None or not path.is_file():
        return None
    if path not in probed.found:
        probed.found[path] = None
        try:
            info = probe(path)
            sound = probed.sound_check(path)
        except MediaError as error:
            written.error(problems, location, error.what, remedy=error.remedy)
            return None
        if sound.end_s < info.seconds - 1.0:
            what = f"{path} says it lasts {info.seconds:.1f} s, but its sound ends at {sound.end_s:.1f} s"
            written.caution(problems, location, what, remedy="If it was cut off, copy or export it again.")
        if sound.gaps_s:
            places = ", ".join(f"{start:.2f}-{end:.2f} s" for start, end in sound.gaps_s[:5])
            more = f" and {len(sound.gaps_s) - 5} more" if len(sound.gaps_s) > 5 else ""
            what = f"the sound of {path} has gaps, heard as silence: {places}{more}"
            written.caution(problems, location, what, remedy="Export it again if it should not have them.")
        probed.found[path] = replace(info, sound_end_s=sound.end_s)
    return probed.found[path]


def _segments(
    written: Written[LessonConfig],
    tab: Tab | None,
    probed: _Probed,
    problems: Problems,
) -> tuple[Segment, ...]:
    found: list[Segment] = []
    start_s = 0.0
    names = [phrase.name for phrase in tab.phrases] if tab else []
    for number, given in enumerate(written.config.segments):
        if tab is not None and given.phrase is not None and given.phrase not in names:
            near = nearest(given.phrase, names)
            remedy = f"Did you mean {near!r}?" if near else f"The phrases are: {', '.join(names) or 'none'}."
            what = f"segment {given.name!r}: there is no phrase {given.phrase!r}"
            written.error(problems, ("segment", number, "phrase"), what, remedy=remedy)
        info = _media(written, ("segment", number, "file"), given.file, probed, problems)
        if info is not None:
            found.append(Segment(given.name, given.kind, given.file, start_s, info.seconds, given.phrase))
            start_s += info.seconds
    return tuple(found)
