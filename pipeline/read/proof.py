"""The proofreader: what a careful teacher would see in a lesson's music before pupils do.

It holds nothing against the sources that stops a build; the readers tell that. Each of its
rules stands in the module of its subject: notes, hands, form, harmony.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from pipeline.errors import Problems
from pipeline.music.chart import Chart, ChordSpan
from pipeline.music.tab import Tab
from pipeline.read.places import Place, Places
from pipeline.read.proof_chart import uneven
from pipeline.read.proof_finding import Finding, told
from pipeline.read.proof_form import proof_form, sections, sections_against_phrases
from pipeline.read.proof_hands import proof_hands
from pipeline.read.proof_harmony import key_doubts, odd_chords
from pipeline.read.proof_notes import proof_notes

_MATTER: Final = re.compile(
    r"\b(?:hammer-on|pull-off|slide|tied?|bend|harmonic|vibrato|tap|trill|dead|finger|phrase|pickup|rhythm|chord)"
)


@dataclass(frozen=True)
class Music:
    """A lesson's music with the places it was read from.

    spans : the chart's chords over the played form; empty when the two do not fit
    phrase_places : where phrases of these names stand, if not in the tab
    """

    tab: Tab
    tab_places: Places
    chart: Chart | None = None
    chart_places: Places | None = None
    spans: Sequence[ChordSpan] = ()
    phrase_places: Mapping[str, Place] = field(default_factory=dict)


def findings(music: Music) -> Iterator[Finding]:
    """Everything found, place by place, rule after rule."""
    yield from proof_notes(music.tab, music.tab_places)
    yield from proof_hands(music.tab, music.tab_places)
    yield from proof_form(music.tab, music.tab_places, music.phrase_places)
    if music.spans:
        yield from key_doubts(music.tab, music.spans, music.tab_places)
    if music.chart is not None and music.chart_places is not None:
        yield from uneven(music.chart, music.chart_places, music.tab)
        yield from sections(music.chart, music.chart_places)
        yield from sections_against_phrases(music.tab, music.chart, music.chart_places)
        yield from odd_chords(music.chart, music.tab.key, music.chart_places)


def chart_findings(chart: Chart, places: Places) -> Iterator[Finding]:
    """Everything found in a chart that stands alone."""
    yield from uneven(chart, places)
    yield from sections(chart, places)
    if chart.key is not None:
        yield from odd_chords(chart, chart.key, places)


def proofread(music: Music, problems: Problems) -> None:
    """Add what is found to ``problems``, as cautions and remarks, once for each rule.

    What a reader has said already of the same place and the same matter is left to the reader.
    """
    tell(findings(music), problems)


def tell(found: Iterable[Finding], problems: Problems) -> None:
    """As :func:`proofread`, of what was found already."""
    known: dict[tuple[object, ...], set[str]] = {}
    for problem in problems:
        if problem.column is not None:
            place = (problem.path, problem.line, problem.column)
            known.setdefault(place, set()).update(_matters(problem.what))

    def is_new(finding: Finding) -> bool:
        place = finding.place
        return not _matters(finding.rule.what) & known.get((place.path, place.line, place.column), set())

    problems.found.extend(told(filter(is_new, found)))


def _matters(what: str) -> set[str]:
    """What a sentence is about, of the things that both readers and rules speak of."""
    return set(_MATTER.findall(what.casefold()))
