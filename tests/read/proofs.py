"""What the tests of the proofreader share: the rules that a piece of music breaks."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from pipeline.errors import Problem
from pipeline.music.chart import Chart
from pipeline.music.tab import Tab
from pipeline.read.places import Place, Places
from pipeline.read.proof import Music, findings
from pipeline.read.proof_finding import Finding, Rule, told

TAB, CHART = Path("tab.txt"), Path("chart.txt")


def found_in(
    tab: Tab, chart: Chart | None = None, phrases: Mapping[str, Place] | None = None
) -> list[Finding]:
    spans = chart.spans(tab.form) if chart is not None else ()
    places = Places(CHART) if chart is not None else None
    return list(findings(Music(tab, Places(TAB), chart, places, spans, phrases or {})))


def broken(tab: Tab, chart: Chart | None = None) -> set[Rule]:
    return {finding.rule for finding in found_in(tab, chart)}


def problems_of(tab: Tab, chart: Chart | None = None) -> list[Problem]:
    return told(found_in(tab, chart))
