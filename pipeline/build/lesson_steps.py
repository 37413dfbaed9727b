"""The steps of one lesson, from the lesson as read.

Each step gets only what it needs: a change of colours reaches no sound, a change of one chord
does not listen to the take again.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Final

from pipeline.build import costs, make_pages, make_pictures, make_take
from pipeline.build.declare_sound import as_it_swings, groove_of, sound_steps
from pipeline.build.declare_words import words_steps
from pipeline.build.declaring import REVIEW, Declaring, template_files
from pipeline.build.editions import editions_with
from pipeline.build.looks import CARD_COLOURS, PAGE_COLOURS, PLOT_COLOURS, colours_of, font_files
from pipeline.build.step import Output, Step
from pipeline.config.complaints import tell
from pipeline.config.tempo import TempoChoice
from pipeline.config.toml import Spot, read_toml
from pipeline.errors import Problems, SourceError
from pipeline.music.chart import ChordSpan
from pipeline.music.key import Key
from pipeline.page.look import Look, look_from
from pipeline.picture.scenes import NamedStretch, scenes
from pipeline.read.lesson import Lesson
from pipeline.words.checking import check_templates

# as the channel names it: (as the picture room does, file ending)
_OVERLAY: Final = {"qtrle": ("rle", ".mov"), "prores": ("prores", ".mov"), "vp9": ("vp9", ".webm")}
_USUAL_SIZE: Final = (1920, 1080)
_USUAL_FPS: Final = Fraction(30)
_TAKE_READ_BY: Final = ("pipeline.read.media", "pipeline.framerate")
# the rooms whose code decides what a picture looks like
_DRAWN_BY: Final = (
    "pipeline.picture", "pipeline.page.look", "pipeline.page.faces", "pipeline.page.fonts",
    "pipeline.build.looks",
)  # fmt: skip
_TOO_SMALL: Final = 360  # a picture lower than this carries no readable chords


@dataclass(frozen=True)
class Plan:
    """What is to be made of a lesson, and from what.

    inputs : every file that is read
    cautions : what reading and planning found, one sentence each
    """

    lesson: Lesson
    look: Look
    steps: tuple[Step, ...]
    inputs: tuple[Path, ...]
    cautions: tuple[str, ...]

    @property
    def slug(self) -> str:
        return self.lesson.slug


def plan_lesson(lesson: Lesson, *, keys: Sequence[Key] = (), tempos: Sequence[TempoChoice] = ()) -> Plan:
    """Declare the steps.

    keys, tempos : beside those the lesson asks for

    Raises
    ------
    MisuseError : a tempo that cannot be played.
    SourceError : the look, the groove or a template cannot be used; all told at once.
    """
    backing = lesson.config.backing
    editions, notes = editions_with(
        lesson.tab.key,
        lesson.tab.tempo_bpm,
        keys=backing.keys,
        tempos=backing.tempos,
        more_keys=keys,
        more_tempos=tempos,
        file=lesson.config.path.name,
    )
    templates = lesson.channel.templates
    problems = check_templates(templates) if templates and templates.is_dir() else Problems()
    look: Look | None = None
    groove = ""
    try:
        look = look_of(lesson)
    except SourceError as error:
        problems.found += error.problems
    try:
        groove = groove_of(lesson)
        lesson = as_it_swings(lesson)
    except SourceError as error:
        problems.found += error.problems
    if look is None or problems.errors:
        raise SourceError(problems.errors)
    declare = _Declaration(lesson, look, editions)
    steps = [*declare.take(), *declare.pages(), *declare.pictures(), *sound_steps(declare, groove)]
    steps += words_steps(declare, steps)
    told = [f"{p.path.name if p.path else ''}: {p.what}. {p.remedy}" for p in problems.cautions]
    told += declare.notes
    return Plan(lesson, look, tuple(steps), tuple(_inputs(lesson)), (*notes, *look.cautions, *told))


def look_of(lesson: Lesson) -> Look:
    """The lesson's look, over its channel's.

    Raises
    ------
    SourceError : it cannot be used; told at the key that says so.
    """
    written, own = lesson.look, lesson.config.look
    try:
        return look_from(written.colours, font_regular=written.font_regular, font_bold=written.font_bold)
    except SourceError as error:
        placed = Problems()
        channel_file = lesson.channel.path
        channel = read_toml(channel_file, Problems()) if channel_file else None
        for problem in error.problems:
            name = next(
                (n for n in ("font_regular", "font_bold") if getattr(written, n) == problem.path), None
            )
            if name is None:
                placed.found.append(problem)
                continue
            here = lesson.document if getattr(own, name) is not None else channel
            spot = here.value_spot(("look", name)) if here else Spot(lesson.config.path)
            tell(placed, spot, problem.what, problem.remedy)
        raise SourceError(placed) from error


def _inputs(lesson: Lesson) -> Iterable[Path]:
    config, channel = lesson.config, lesson.channel
    found = [
        config.path, channel.path, config.tab, config.chart, config.take, config.talk,
        *(segment.path for segment in lesson.segments),
        lesson.look.font_regular, lesson.look.font_bold,
        *template_files(lesson).values(),
    ]  # fmt: skip
    return dict.fromkeys(path for path in found if path is not None)


class _Declaration(Declaring):
    """Declares the steps of the take, the pages and the pictures."""

    # -- the take ---------------------------------------------------------------------------

    def take(self) -> list[Step]:
        take, span = self.lesson.take, self.lesson.take_span_s
        if take is None or span is None:
            return []
        config = self.lesson.config
        files = (("take", take.path),)
        return [
            self.step(
                "align",
                "align",
                make_take.align,
                make_take.AlignParams(self.struck_tab, config.start_s, config.end_s),
                [Output(make_take.ALIGNMENT_FILE, REVIEW, "Where each note of the tab is in the take")],
                files=files,
                rooms=("pipeline.listen", *_TAKE_READ_BY),
                libraries=("numpy", "scipy", "soxr", "av"),
                cost=costs.align(take),
            ),
            self.step(
                "alignment picture",
                "review",
                make_take.draw_alignment,
                make_take.PictureParams(colours_of(self.look, PLOT_COLOURS)),
                [Output(make_take.PICTURE_FILE, REVIEW, "The take with its bars")],
                files=(*files, *font_files(self.look)),
                needs=("align",),
                rooms=(*_DRAWN_BY, "pipeline.listen.alignment", *_TAKE_READ_BY),
                libraries=("numpy", "pillow", "fonttools", "av"),
                cost=costs.alignment_picture(take),
            ),
        ]

    # -- paper and interchange --------------------------------------------------------------

    def pages(self) -> list[Step]:
        tab, spans, config = self.lesson.tab, self.played_spans, self.lesson.config
        footer = " · ".join(part for part in (self.lesson.channel.name, self.lesson.rights) if part)
        pdf, xml, mid, txt = (
            f"{self.slug} - {end}" for end in ("tab.pdf", "notation.musicxml", "tab.mid", "tab.txt")
        )
        rooms, notes = ("pipeline.page",), len(tab.notes)
        slight = costs.interchange(notes)
        interchange = make_pages.InterchangeParams
        return [
            self.step(
                "page", "page", make_pages.page,
                make_pages.PageParams(
                    pdf, tab, spans, colours_of(self.look, PAGE_COLOURS), self.lesson.channel.sheet,
                    config.credit, footer,
                ),
                [Output(pdf, "tab", "The tab with notation and chords, to print"),
                 Output("page-*.svg", REVIEW, "A page of the tab")],
                files=font_files(self.look), rooms=(*rooms, "pipeline.build.looks"),
                libraries=("verovio", "typst", "fonttools"), cost=costs.page(notes),
            ),
            self.step(
                "musicxml", "musicxml", make_pages.musicxml,
                interchange(xml, tab, spans, config.credit, self.lesson.rights),
                [Output(xml, "musicxml", "The tab for notation programs (MusicXML)")],
                rooms=rooms, cost=slight,
            ),
            self.step(
                "midi", "midi", make_pages.midi, interchange(mid, self.plain_tab),
                [Output(mid, "midi", "The notes for sequencers and practice programs (MIDI)")],
                rooms=rooms, libraries=("mido",), cost=slight,
            ),
            self.step(
                "texttab", "texttab", make_pages.texttab, interchange(txt, self.plain_tab),
                [Output(txt, "texttab", "The tab as plain text, to read anywhere")],
                rooms=rooms, cost=slight,
            ),
        ]  # fmt: skip

    # -- pictures ---------------------------------------------------------------------------

    def pictures(self) -> list[Step]:
        colours, fonts = colours_of(self.look, CARD_COLOURS), font_files(self.look)
        rooms, libraries = _DRAWN_BY, ("numpy", "pillow", "fonttools", "av", "imageio-ffmpeg")
        still = make_pictures.StillParams(
            "still.png", self.title, self.artist, colours, len(self.lesson.tab.instrument.strings)
        )
        cover = replace(still, name=f"{self.slug} - cover.jpg")
        steps = [
            self.step("still", "still", make_pictures.still, still,
                       [Output(still.name, "still", "The picture a viewer sees before playing")],
                       files=fonts, rooms=rooms, libraries=libraries, cost=costs.TITLE),
            self.step("cover", "cover", make_pictures.cover, cover,
                       [Output(cover.name, "cover", "The cover picture")],
                       files=fonts, rooms=rooms, libraries=libraries, cost=costs.TITLE),
        ]  # fmt: skip
        take = self.lesson.take
        if take is None:
            return steps
        seen = take.video is not None and min(take.video.width, take.video.height) >= _TOO_SMALL
        if take.video and not seen:
            self.notes.append(
                f"The take's picture is {take.video.width} × {take.video.height}, too small for chords that"
                f" can be read: the overlay is made for {_USUAL_SIZE[0]} × {_USUAL_SIZE[1]}."
            )
        codec, suffix = _OVERLAY[self.lesson.channel.overlay]
        tab = self.lesson.tab
        stretches = sorted((*span, p.name) for p in tab.phrases for span in tab.phrase_spans(p))
        spans, title = self._shown(stretches)
        overlay = make_pictures.OverlayParams(
            "overlay" + suffix,
            spans,
            tab.form,
            take.seconds,
            (take.video.width, take.video.height) if take.video and seen else _USUAL_SIZE,
            take.video.fps if take.video else _USUAL_FPS,
            colours,
            title,
            codec,
            tuple(stretches),
        )
        size = (take.video.width, take.video.height) if take.video else _USUAL_SIZE
        clip = replace(
            overlay,
            name="clip.mp4",
            codec="h264",
            size=size,
            title=overlay.title if take.video else self.title,
        )
        frames, beats = take.seconds * float(overlay.fps), float(tab.form.played.length)
        timed = (*rooms, "pipeline.listen.alignment", "pipeline.framerate")
        return [
            *steps,
            self.step("overlay", "overlay", make_pictures.overlay, overlay,
                       [Output(overlay.name, "overlay", "The chords with a transparent ground, for the take")],
                       files=fonts, needs=("align",), rooms=timed, libraries=libraries,
                       cost=costs.overlay(codec, overlay.size, frames=frames, beats=beats)),
            self.step("clip", "clip", make_pictures.clip, clip,
                       [Output(clip.name, "clip", "The take with the chords shown")],
                       files=(("take", take.path), *fonts), needs=("align",), rooms=timed,
                       libraries=libraries, cost=costs.clip(clip.size, frames=frames)),
        ]  # fmt: skip

    def _shown(
        self, stretches: Iterable[tuple[Fraction, Fraction, str]]
    ) -> tuple[tuple[ChordSpan, ...], str]:
        """The chords, and the lesson's title, for an overlay that names these phrases: sections
        and title only if they are seen, for want of a phrase or a section there."""
        named, form = [NamedStretch(*stretch) for stretch in stretches], self.lesson.tab.form
        shown = scenes(self.lesson.spans, form, stretches=named)
        title = self.title if any(scene is not None and not scene.place for _, scene in shown) else ""
        if scenes(self.played_spans, form, stretches=named) == shown:
            return self.played_spans, title
        return self.lesson.spans, title
