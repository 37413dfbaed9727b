"""What the parts of a lesson say against each other: take and tab, tempos, backing, gaps."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import Final

from pipeline.config.load import Written
from pipeline.config.models import Channel, LessonConfig
from pipeline.errors import Problems
from pipeline.music.chart import Chart, ChordSpan
from pipeline.music.tab import Tab
from pipeline.music.timemap import TimeMap
from pipeline.read.media import MediaInfo
from pipeline.read.places import Place, Places
from pipeline.read.proof import Music, proofread
from pipeline.read.proof_fit import disagreements
from pipeline.read.tabfile import SCORES

FASTEST: Final = 1.5  # a take over half as fast again as the tab says is another take


def check_take(written: Written[LessonConfig], take: MediaInfo, tab: Tab | None, problems: Problems) -> None:
    """A take that is there must be long enough to hold the tab."""
    config = written.config
    start = config.start_s or 0.0
    length = min(take.seconds, take.sound_end_s or take.seconds)  # half of a file may say it is whole
    end = min(config.end_s if config.end_s is not None else length, length)
    if start >= take.seconds:
        what = f"start_s is {start:g} s, but the take lasts {take.seconds:.1f} s"
        written.error(problems, ("start_s",), what, remedy="Count from the start of the file.")
        return
    if config.end_s is not None and config.end_s > take.seconds + 0.5:
        what = f"end_s is {config.end_s:g} s, but the take lasts {take.seconds:.1f} s"
        written.caution(problems, ("end_s",), what, remedy="The end of the file is used.")
    if tab is None or end <= start:
        return
    written_s = TimeMap.of_tab(tab).seconds_at(tab.form.played.length)
    if end - start < written_s / FASTEST:
        written.error(
            problems,
            ("take",),
            f"the take holds {end - start:.1f} s, the tab lasts {written_s:.1f} s as played"
            f" at {tab.tempo_bpm:g} quarter notes a minute",
            remedy="Name the whole take, or correct the tempo or the repeats.",
        )


def check_tempos(written: Written[LessonConfig], tab: Tab, problems: Problems) -> None:
    """Every practice tempo must be playable at every tempo mark of the tab."""
    for number, choice in enumerate(written.config.backing.tempos):
        bpm = choice.bpm_for(tab.tempo_bpm)
        for later in tab.tempos:
            if not 10 <= later.bpm * bpm / tab.tempo_bpm <= 500:
                what = f"{choice.text()} of this lesson would be {later.bpm * bpm / tab.tempo_bpm:g} quarter"
                written.error(
                    problems, ("backing", "tempos", number), f"{what} notes a minute; 10 to 500 are possible"
                )
                break


def check_backing(written: Written[LessonConfig], problems: Problems) -> None:
    """The band's source must be one that can be built."""
    backing = written.config.backing
    source = backing.source or "chart"
    if source in ("mix", "stems") or (source == "auto" and backing.mix is not None):
        written.error(
            problems,
            ("backing", "source"),
            f"a band taken from a recording (source = {source!r}) cannot be built in this version",
            remedy='Set source = "chart": the band is then synthesized from the chord chart.',
        )
    elif backing.mix is not None:
        what = "the recording in `backing.mix` is not used: the band is synthesized from the chart"
        written.caution(problems, ("backing", "mix"), what)


def check_chart(written: Written[LessonConfig], tab: Tab, chart: Chart, problems: Problems) -> None:
    """What a chart says of metre, key and tempo against the tab, which is the one that counts."""
    if "chart" not in written.document.data:
        return  # one score holds both
    for what in disagreements(tab, chart):
        written.caution(problems, ("chart",), what, remedy="Write the same in both.")


def _one_says_the_other(one: str, two: str) -> bool:
    words, others = (set(name.casefold().replace("-", " ").split()) for name in (one, two))
    return words <= others or others <= words


def proofread_lesson(
    written: Written[LessonConfig],
    tab: Tab,
    chart: Chart | None,
    spans: Sequence[ChordSpan],
    tab_places: Places,
    chart_places: Places,
    problems: Problems,
) -> None:
    """Have the proofreader look at the music; the lesson's own phrases stand in its file."""
    phrases = {}
    for number, phrase in enumerate(written.config.phrases):
        spot = written.document.value_spot(("phrase", number, "bars"))
        phrases[phrase.name] = Place(spot.path, spot.line, spot.column, spot.offending)
    groove, feel = written.config.backing.groove, chart.feel if chart is not None else None
    # "funk" and "funk sixteenths" are one thing, said less and more closely
    if groove and feel and not _one_says_the_other(groove, feel):
        spot = written.document.value_spot(("backing", "groove"))
        problems.remark(
            f"the lesson's groove is “{groove}”, the chart's feel “{feel}”; the lesson's is played",
            remedy="Write one of them only.",
            path=spot.path, line=spot.line, column=spot.column, offending=spot.offending,
        )  # fmt: skip
    proofread(Music(tab, tab_places, chart, chart_places, spans, phrases), problems)


def mention_gaps(
    written: Written[LessonConfig],
    channel: Channel,
    tab: Tab | None,
    chart: Chart | None,
    problems: Problems,
) -> None:
    """What a careful colleague would mention."""
    config = written.config
    data = written.document.data

    def mention(what: str, remedy: str) -> None:
        problems.caution(what, remedy=remedy, path=config.path)

    if "take" not in data:
        mention("there is no take: no overlay, no clip", 'Add take = "..." when it is recorded.')
    if not config.rights and not channel.rights and "rights" not in data:
        mention("nothing is said about rights", 'Add rights = "own work", or who permitted what.')
    if tab is not None and not tab.phrases:
        mention("there are no phrases", 'Name spans of bars: [[phrase]] name = "Opening call", bars = "1-4".')
    if tab is not None and not config.phrases and config.tab.suffix.lower() in SCORES:
        names = [phrase.name for phrase in tab.phrases]  # the readers of what is typed tell it there
        for name in dict.fromkeys(name for name in names if names.count(name) > 1):
            what = f"the tab has {names.count(name)} phrases called {name!r}"
            written.caution(
                problems, ("tab",), what, remedy="Give each rehearsal mark its own name; chapters bear it."
            )
    if tab is not None and not tab.notes:
        mention("the tab has no notes", "Check that the right file is named.")
    if tab is not None and chart is not None and chart.key is not None and chart.key != tab.key:
        what = f"the chart is in {chart.key.symbol()}, the tab in {tab.key.symbol()}; the tab's is used"
        if "chart" in data:
            written.caution(problems, ("chart",), what, remedy="Write one key in both.")
    for first, second in itertools.pairwise(config.segments):
        if first.file == second.file and first.name == second.name:
            mention(f"segment {first.name!r} follows itself", "Fine if it is meant.")
