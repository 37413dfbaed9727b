"""The steps of a lesson that sound."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from pipeline.build import costs, make_sound
from pipeline.build.declaring import PART, Declaring
from pipeline.build.digest import value_digest
from pipeline.build.editions import Edition, counted_words, tempo_words
from pipeline.build.step import Output, Step
from pipeline.config.complaints import tell
from pipeline.config.toml import Spot
from pipeline.errors import Problems, SourceError
from pipeline.read.lesson import Lesson


def sound_steps(of: Declaring, groove: str) -> list[Step]:
    """The band in every key and tempo, as WAV and as tagged MP3."""
    synthesizer = make_sound.synthesizer_here()
    leads: tuple[make_sound.Lead, ...] = ("none", "guide") if of.lesson.config.backing.guide else ("none",)
    steps: list[Step] = []
    for edition in of.editions:
        steps += _edition_steps(of, edition, leads, groove, synthesizer)
    return steps


def _edition_steps(
    of: Declaring,
    edition: Edition,
    leads: Sequence[make_sound.Lead],
    groove: str,
    synthesizer: str,
) -> list[Step]:
    channel, backing = of.lesson.channel, of.lesson.config.backing
    label = f"{edition.key.text()} {tempo_words(edition.tempo_bpm)}"
    told = {
        "none": ("backing", "Backing track"),
        "guide": ("backing with lead", "Backing track with the lead"),
    }
    stems = {lead: f"{of.slug} - {told[lead][0]} - {edition.name}" for lead in leads}
    where = f"{edition.key.symbol()}, {tempo_words(edition.tempo_bpm)}"
    metre = of.lesson.tab.form.bars[0].metre
    counted = f"{edition.key.symbol()}, {counted_words(edition.tempo_bpm, metre)}"
    product = {"none": "backing", "guide": "guide"}
    seconds = 60.0 * float(of.lesson.tab.form.played.length) / edition.tempo_bpm
    band = of.step(
        f"backing {label}",
        "backing",
        make_sound.backing,
        make_sound.BackingParams(
            tab=of.played_tab,
            spans=of.played_spans,
            groove=groove,
            tempo_bpm=edition.tempo_bpm,
            semitones=edition.semitones,
            key=edition.key.text(),
            count_in=backing.count_in,
            target_lufs=channel.loudness_lufs,
            ceiling_dbtp=channel.true_peak_dbtp,
            seed=int(value_digest(of.slug)[:8], 16),
            synthesizer=synthesizer,
            names=tuple((lead, f"{stems[lead]}.wav") for lead in leads),
        ),
        [Output(f"{stems[lead]}.wav", product[lead], f"{told[lead][1]} in {counted}, studio quality (WAV)")
         for lead in leads],
        rooms=("pipeline.sound",),
        libraries=("numpy", "scipy", "pedalboard", "pyloudnorm", "pyfluidsynth", "midirenderer", "pretty_midi",
                   "soundfile"),
        cost=costs.backing(seconds),
    )  # fmt: skip
    coded = of.step(
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
        cost=costs.mp3(seconds),
    )
    tagged = of.step(
        f"tags {label}",
        "backing",
        make_sound.tag,
        make_sound.TagParams(
            tracks=tuple(
                make_sound.Track(
                    f"{stems[lead]}.mp3",
                    f"{of.title} - {told[lead][0]} - {where}",
                    f"{of.title} - {_place(edition)} - {place}",
                )
                for place, lead in enumerate(leads)
            ),
            phrases=tuple(phrase.name for phrase in of.lesson.tab.phrases),
            mp3=coded.name,
            key_tag=edition.key.tonic.text() + ("m" if edition.key.minorish else ""),
            tempo_bpm=edition.tempo_bpm,
            album=of.title,
            artist=of.artist,
            composer=of.lesson.config.credit,
            rights=of.lesson.rights,
        ),
        [
            Output(f"{stems[lead]}.mp3", product[lead], f"{told[lead][1]} in {counted} (MP3)")
            for lead in leads
        ],
        needs=(coded.name, "cover"),
        rooms=("pipeline.pack.tags",),
        libraries=("mutagen",),
        cost=costs.tags(seconds),
    )
    return [band, coded, tagged]


def _place(edition: Edition) -> str:
    """Sorts an edition among all there could be: the lesson's own key first, then upwards by
    semitones; slow before fast. It does not depend on which others there are."""
    return f"{edition.semitones % 12:02} {edition.tempo_bpm:07.2f}"


def groove_of(lesson: Lesson) -> str:
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
        problems = Problems()
        spot = lesson.spot("backing", "groove") if wanted else _feel_spot(lesson)
        tell(problems, spot, error.what, error.remedy)
        raise SourceError(problems) from error


def as_it_swings(lesson: Lesson) -> Lesson:
    """The lesson with the swing that is heard written into its tab, so that it is also read.

    A feel named only by the chart or by ``groove`` swings the band: pages and words say so too.

    Raises
    ------
    SourceError : see :func:`groove_of`.
    """
    from pipeline.sound.groove import load_groove
    from pipeline.sound.stage import swing_of

    swing = swing_of(lesson.tab, load_groove(groove_of(lesson)))
    return replace(lesson, tab=replace(lesson.tab, swing=swing))


def _feel_spot(lesson: Lesson) -> Spot:
    """Where the chart says its feel."""
    path = lesson.config.chart or lesson.config.tab
    if path.suffix.lower() == ".txt":
        for number, line in enumerate(path.read_text("utf-8-sig").splitlines(), 1):
            name, colon, value = line.partition(":")
            if colon and name.strip().lower() == "feel":
                return Spot(path, number, len(line) - len(value.lstrip()) + 1, line)
    return Spot(path)
