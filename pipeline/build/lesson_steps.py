"""The steps of one lesson, from the lesson as read.

Each step gets only what it needs: a change of colours reaches no sound, a change of one chord
does not listen to the take again.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Any, Final

from pipeline.build import make_pages, make_pictures, make_sound, make_take, make_words
from pipeline.build.digest import value_digest
from pipeline.build.editions import Edition, editions_of, tempo_words
from pipeline.build.step import Output, Step
from pipeline.config.tempo import TempoChoice
from pipeline.errors import Problem, SourceError
from pipeline.music.instrument import INSTRUMENTS
from pipeline.music.key import Key
from pipeline.music.tab import Tab
from pipeline.pack.archive import CHECKSUMS, README
from pipeline.page.look import Look, look_from
from pipeline.read.lesson import Lesson
from pipeline.study.facts import lesson_facts

# what goes to everybody; a tier's `includes` decides about the rest
PUBLIC: Final = frozenset({"description", "chapters", "overlay", "clip", "still"})
# what `--step` can name
PRODUCTS: Final = (
    "align", "backing", "clip", "cover", "midi", "musicxml", "overlay", "packs", "page", "review", "still",
    "texttab", "words",
)  # fmt: skip
REVIEW: Final = "review"  # made for the creator's eyes only
PART: Final = "part"  # goes into something else, stays in the store
ARCHIVE: Final = "archive"
PACK_MEMBER: Final = "pack member"  # read-me and checksums, made with each pack
# as the channel names it: (as the picture room does, file ending)
_OVERLAY: Final = {"qtrle": ("rle", ".mov"), "prores": ("prores", ".mov"), "vp9": ("vp9", ".webm")}
_USUAL_SIZE: Final = (1920, 1080)
_USUAL_FPS: Final = Fraction(30)
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

    keys, tempos : instead of those the lesson asks for

    Raises
    ------
    MisuseError : a tempo that cannot be played.
    SourceError : the look cannot be used.
    """
    written = lesson.look
    look = look_from(written.colours, font_regular=written.font_regular, font_bold=written.font_bold)
    backing = lesson.config.backing
    editions, notes = editions_of(
        lesson.tab.key, lesson.tab.tempo_bpm, keys or backing.keys, tempos or backing.tempos
    )
    declare = _Declaration(lesson, look, editions)
    steps = [*declare.take(), *declare.pages(), *declare.pictures(), *declare.sound()]
    steps += declare.words_and_packs(steps)
    return Plan(lesson, look, tuple(steps), tuple(_inputs(lesson)), (*notes, *look.cautions))


def _inputs(lesson: Lesson) -> Iterable[Path]:
    config, channel = lesson.config, lesson.channel
    found = [
        config.path, channel.path, config.tab, config.chart, config.take, config.talk,
        *(segment.path for segment in lesson.segments),
        lesson.look.font_regular, lesson.look.font_bold,
        *(path for _, path in _template_files(lesson)),
    ]  # fmt: skip
    return dict.fromkeys(path for path in found if path is not None)


def _template_files(lesson: Lesson) -> tuple[tuple[str, Path], ...]:
    folder = lesson.channel.templates
    if folder is None or not folder.is_dir():
        return ()
    return tuple((make_words.template_role(p.name), p) for p in sorted(folder.glob("*.j2")))


def _groove(lesson: Lesson) -> str:
    """The groove's name, as the lesson, its chart or its metre say.

    Raises
    ------
    SourceError : there is no groove of that name.
    """
    from pipeline.sound.errors import SoundError
    from pipeline.sound.groove import choose_groove

    wanted = lesson.config.backing.groove
    try:
        return choose_groove(wanted or lesson.chart.feel, lesson.tab)
    except SoundError as error:
        path = lesson.config.path if wanted else lesson.config.chart
        raise SourceError([Problem(error.what, error.remedy, path=path)]) from error


class _Declaration:
    """Declares the steps of one lesson, room by room."""

    def __init__(self, lesson: Lesson, look: Look, editions: Sequence[Edition]) -> None:
        self.lesson, self.look, self.editions = lesson, look, editions
        self.slug, self.title = lesson.slug, lesson.config.title
        self.artist = lesson.config.artist or lesson.channel.name
        # what is heard does not depend on names
        self.plain_tab: Tab = replace(lesson.tab, title="", phrases=())
        self.groove = _groove(lesson)
        self.synthesizer = make_sound.synthesizer_here()

    def _step(self, name: str, product: str, function: Any, params: Any, outputs: Sequence[Output],
              **more: Any) -> Step:  # fmt: skip
        rooms = ("pipeline.music", *more.pop("rooms", ()))
        return Step(name, product, self.slug, function, params, tuple(outputs), rooms=rooms, **more)

    # -- the take ---------------------------------------------------------------------------

    def take(self) -> list[Step]:
        take, span = self.lesson.take, self.lesson.take_span_s
        if take is None or span is None:
            return []
        config = self.lesson.config
        files = (("take", take.path),)
        return [
            self._step(
                "align",
                "align",
                make_take.align,
                make_take.AlignParams(self.plain_tab, config.start_s, config.end_s),
                [Output(make_take.ALIGNMENT_FILE, REVIEW, "Where each note of the tab is in the take")],
                files=files,
                rooms=("pipeline.listen", "pipeline.read.media"),
                libraries=("numpy", "scipy", "librosa", "soxr", "av"),
                weight=8.0,
            ),
            self._step(
                "alignment picture",
                "review",
                make_take.draw_alignment,
                make_take.PictureParams(self.look),
                [Output(make_take.PICTURE_FILE, REVIEW, "The take with its bars")],
                files=files,
                needs=("align",),
                rooms=("pipeline.picture", "pipeline.page.look"),
                libraries=("numpy", "pillow", "av"),
                weight=2.0,
            ),
        ]

    # -- paper and interchange --------------------------------------------------------------

    def pages(self) -> list[Step]:
        tab, spans, config = self.lesson.tab, self.lesson.spans, self.lesson.config
        footer = " · ".join(part for part in (self.lesson.channel.name, self.lesson.rights) if part)
        pdf, xml, mid, txt = (
            f"{self.slug} - {end}" for end in ("tab.pdf", "notation.musicxml", "tab.mid", "tab.txt")
        )
        rooms = ("pipeline.page",)
        interchange = make_pages.InterchangeParams
        return [
            self._step(
                "page", "page", make_pages.page,
                make_pages.PageParams(
                    pdf, tab, spans, self.look, self.lesson.channel.sheet, config.credit, footer
                ),
                [Output(pdf, "tab", "The tab with notation and chords, to print"),
                 Output("page-*.svg", REVIEW, "A page of the tab")],
                rooms=rooms, libraries=("verovio", "typst"), weight=3.0,
            ),
            self._step(
                "musicxml", "musicxml", make_pages.musicxml,
                interchange(xml, tab, spans, config.credit, self.lesson.rights),
                [Output(xml, "musicxml", "The tab for notation programs (MusicXML)")],
                rooms=rooms,
            ),
            self._step(
                "midi", "midi", make_pages.midi, interchange(mid, tab),
                [Output(mid, "midi", "The notes for sequencers and practice programs (MIDI)")],
                rooms=rooms, libraries=("mido",),
            ),
            self._step(
                "texttab", "texttab", make_pages.texttab, interchange(txt, tab),
                [Output(txt, "texttab", "The tab as plain text, to read anywhere")],
                rooms=rooms,
            ),
        ]  # fmt: skip

    # -- pictures ---------------------------------------------------------------------------

    def pictures(self) -> list[Step]:
        rooms, libraries = ("pipeline.picture", "pipeline.page.look"), ("pillow", "imageio-ffmpeg")
        still = make_pictures.StillParams(
            "still.png", self.title, self.artist, self.look, len(self.lesson.tab.instrument.strings)
        )
        cover = replace(still, name=f"{self.slug} - cover.jpg")
        steps = [
            self._step("still", "still", make_pictures.still, still,
                       [Output(still.name, "still", "The picture a viewer sees before playing")],
                       rooms=rooms, libraries=libraries),
            self._step("cover", "cover", make_pictures.cover, cover,
                       [Output(cover.name, "cover", "The cover picture")],
                       rooms=rooms, libraries=libraries),
        ]  # fmt: skip
        take = self.lesson.take
        if take is None:
            return steps
        seen = take.video is not None and min(take.video.width, take.video.height) >= _TOO_SMALL
        codec, suffix = _OVERLAY[self.lesson.channel.overlay]
        tab = self.lesson.tab
        stretches = sorted((*span, p.name) for p in tab.phrases for span in tab.phrase_spans(p))
        overlay = make_pictures.OverlayParams(
            "overlay" + suffix,
            self.lesson.spans,
            tab.form,
            take.seconds,
            (take.video.width, take.video.height) if take.video and seen else _USUAL_SIZE,
            take.video.fps if take.video else _USUAL_FPS,
            self.look,
            self.title,
            codec,
            tuple(stretches),
        )
        size = (take.video.width, take.video.height) if take.video else _USUAL_SIZE
        clip = replace(overlay, name="clip.mp4", codec="h264", size=size)
        return [
            *steps,
            self._step("overlay", "overlay", make_pictures.overlay, overlay,
                       [Output(overlay.name, "overlay", "The chords with a transparent ground, for the take")],
                       needs=("align",), rooms=rooms, libraries=libraries, weight=6.0),
            self._step("clip", "clip", make_pictures.clip, clip,
                       [Output(clip.name, "clip", "The take with the chords shown")],
                       files=(("take", take.path),), needs=("align",), rooms=rooms, libraries=libraries,
                       weight=10.0),
        ]  # fmt: skip

    # -- sound ------------------------------------------------------------------------------

    def sound(self) -> list[Step]:
        leads: tuple[make_sound.Lead, ...] = (
            ("none", "guide") if self.lesson.config.backing.guide else ("none",)
        )
        total = len(self.editions) * len(leads)
        steps: list[Step] = []
        for place, edition in enumerate(self.editions):
            steps += self._edition(edition, leads, 1 + place * len(leads), total)
        return steps

    def _edition(
        self, edition: Edition, leads: Sequence[make_sound.Lead], track: int, tracks: int
    ) -> list[Step]:
        channel, backing = self.lesson.channel, self.lesson.config.backing
        label = f"{edition.key.text()} {tempo_words(edition.tempo_bpm)}"
        told = {
            "none": ("backing", "Backing track"),
            "guide": ("backing with lead", "Backing track with the lead"),
        }
        stems = {lead: f"{self.slug} - {told[lead][0]} - {edition.name}" for lead in leads}
        where = f"{edition.key.symbol()}, {tempo_words(edition.tempo_bpm)}"
        product = {"none": "backing", "guide": "guide"}
        seconds = 60.0 * float(self.lesson.tab.form.played.length) / edition.tempo_bpm
        band = self._step(
            f"backing {label}",
            "backing",
            make_sound.backing,
            make_sound.BackingParams(
                # phrase names are kept: they become chapters of the sound file
                tab=replace(self.lesson.tab, title=""),
                spans=self.lesson.spans,
                groove=self.groove,
                tempo_bpm=edition.tempo_bpm,
                semitones=edition.semitones,
                key=edition.key.text(),
                count_in=backing.count_in,
                target_lufs=channel.loudness_lufs,
                ceiling_dbtp=channel.true_peak_dbtp,
                seed=int(value_digest(self.slug)[:8], 16),
                synthesizer=self.synthesizer,
                names=tuple((lead, f"{stems[lead]}.wav") for lead in leads),
            ),
            [Output(f"{stems[lead]}.wav", product[lead], f"{told[lead][1]} in {where}, studio quality (WAV)")
             for lead in leads],
            rooms=("pipeline.sound",),
            libraries=("numpy", "scipy", "pedalboard", "pyloudnorm", "pyfluidsynth", "midirenderer", "pretty_midi",
                       "soundfile"),
            weight=2.0 + seconds / 20,
        )  # fmt: skip
        coded = self._step(
            f"mp3 {label}",
            "backing",
            make_sound.mp3,
            make_sound.Mp3Params(
                tuple((f"{stems[lead]}.wav", f"{stems[lead]}.mp3") for lead in leads),
                band.name,
                channel.true_peak_dbtp,
            ),
            [Output(f"{stems[lead]}.mp3", PART) for lead in leads],
            needs=(band.name,),
            rooms=("pipeline.sound",),
            libraries=("numpy", "soundfile", "pyloudnorm", "imageio-ffmpeg"),
            weight=1.0 + seconds / 30,
        )
        tagged = self._step(
            f"tags {label}",
            "backing",
            make_sound.tag,
            make_sound.TagParams(
                names=tuple(
                    (f"{stems[lead]}.mp3", f"{self.title} - {told[lead][0]} - {where}") for lead in leads
                ),
                mp3=coded.name,
                key_tag=edition.key.tonic.text() + ("m" if edition.key.minorish else ""),
                tempo_bpm=edition.tempo_bpm,
                album=self.title,
                artist=self.artist,
                composer=self.lesson.config.credit,
                rights=self.lesson.rights,
                track=track,
                tracks=tracks,
            ),
            [
                Output(f"{stems[lead]}.mp3", product[lead], f"{told[lead][1]} in {where} (MP3)")
                for lead in leads
            ],
            needs=(coded.name, "cover"),
            rooms=("pipeline.pack.tags",),
            libraries=("mutagen",),
            weight=0.2,
        )
        return [band, coded, tagged]

    # -- words and packs --------------------------------------------------------------------

    def words_and_packs(self, before: Sequence[Step]) -> list[Step]:
        facts = self._facts()
        templates = _template_files(self.lesson)
        packs: list[Step] = []
        offers: list[make_words.Offer] = []
        for tier in self.lesson.channel.tiers:
            members = [
                (step.name, output.name, output.what)
                for product in tier.includes
                for step in before
                for output in step.outputs
                if output.product == product
            ]
            if not members:
                continue
            offers.append(make_words.Offer(tier.name, tuple(self._offer(tier.includes, before))))
            archive = f"{self.slug}-{tier.id}.zip"
            packs.append(
                self._step(
                    f"pack {tier.id}", "packs", make_words.pack,
                    make_words.PackParams(archive, tier.name, tuple(members), facts),
                    [Output(archive, ARCHIVE, f"Everything for {tier.name}"),
                     Output(README, PACK_MEMBER, "What is in the pack"),
                     Output(CHECKSUMS, PACK_MEMBER, "Checksums of the files")],
                    files=templates,
                    needs=tuple(dict.fromkeys(step for step, _, _ in members)),
                    rooms=("pipeline.words", "pipeline.pack"), libraries=("jinja2",),
                )
            )  # fmt: skip
        return [self._words(facts, offers, templates), *packs]

    def _words(
        self,
        facts: dict[str, Any],
        offers: Sequence[make_words.Offer],
        templates: tuple[tuple[str, Path], ...],
    ) -> Step:
        lesson = self.lesson
        segments = lesson.segments
        total_s = (
            sum(s.seconds for s in segments) if segments else lesson.take.seconds if lesson.take else None
        )
        outputs = [Output(make_words.DESCRIPTION_FILE, "description", "The text under the video")]
        if total_s is not None:
            outputs.append(Output(make_words.CHAPTERS_FILE, "chapters", "The chapters of the video"))
        phrases = tuple(
            (phrase.name, tuple(float(start) for start, _ in lesson.tab.phrase_spans(phrase)))
            for phrase in lesson.tab.phrases
        )
        params = make_words.WordsParams(
            facts,
            tuple(offers),
            tuple((s.start_s, s.name) for s in segments) if segments else None,
            phrases if not segments else (),
            total_s,
        )
        return self._step(
            "words", "words", make_words.words, params, outputs,
            files=templates,
            needs=("align",) if not segments and lesson.take else (),
            rooms=("pipeline.words",), libraries=("jinja2",),
        )  # fmt: skip

    def _offer(self, includes: Sequence[str], before: Sequence[Step]) -> Iterable[make_words.Named]:
        """One line for each kind of thing in a tier, as a viewer wants to read it."""
        for product in includes:
            outputs = [o for step in before for o in step.outputs if o.product == product]
            if not outputs:
                continue
            what = outputs[0].what
            if product in ("backing", "guide"):
                keys = _listed(dict.fromkeys(e.key.symbol() for e in self.editions))
                tempos = _listed(dict.fromkeys(tempo_words(e.tempo_bpm)[:-4] for e in self.editions))
                what = f"{what.split(' in ')[0]} in {keys}, at {tempos} bpm"
            yield make_words.Named(product, what)

    def _facts(self) -> dict[str, Any]:
        """The variables of the templates, as `pipeline.words.templates` documents them."""
        lesson, config, channel = self.lesson, self.lesson.config, self.lesson.channel
        known = lesson_facts(lesson.tab, lesson.spans)
        return {
            "lesson": {
                "title": config.title,
                "credit": config.credit,
                "artist": config.artist,
                "blurb": config.blurb,
                "level": config.level,
                "rights": lesson.rights,
            },
            "facts": {
                "key": known.key.symbol(),
                "tempo_bpm": known.tempo_bpm,
                "tuning": config.tuning or ("" if _usual_tuning(lesson.tab) else known.tuning),
                "techniques": list(known.techniques),
                "chords": list(known.chords),
                "fret_lo": known.fret_lo,
                "fret_hi": known.fret_hi,
                "bars": known.bars,
            },
            "links": [{"label": link.label, "url": link.url} for link in channel.links],
            "channel": {
                "name": channel.name,
                "tagline": channel.tagline,
                "contact": channel.contact,
                "terms": channel.terms,
            },
        }


def _usual_tuning(tab: Tab) -> bool:
    """Whether the tuning goes without saying: the one the instrument is named without."""
    instrument = tab.instrument
    built_in = INSTRUMENTS.get(instrument.name)
    named_for_tuning = instrument.name.startswith("guitar ")
    return (
        built_in is not None
        and built_in.strings == instrument.strings
        and not (instrument.capo or named_for_tuning)
    )


def _listed(names: Iterable[str]) -> str:
    words = list(names)
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
