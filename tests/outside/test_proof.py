"""The proofreader over music that nobody wrote for it: the corpus bundled with music21.

A list is read only when it is short, and is believed only when it is right: published scores
hold few slips. The two lead sheets there have chords; both stand in F (their first tonic,
their dominants and their cadences: common practice), and both files leave the signature empty.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from pathlib import Path

import music21
import pytest

from pipeline.errors import Problems
from pipeline.music.chart import Chart
from pipeline.music.key import Key
from pipeline.music.tab import Tab
from pipeline.read.musicxml import read_musicxml
from pipeline.read.musicxml_chart import read_musicxml_chart
from pipeline.read.places import Places
from pipeline.read.proof import Music, findings
from pipeline.read.proof_finding import told
from pipeline.read.proof_harmony import ANOTHER_KEY, HOME_ELSEWHERE, KEYS, key_doubts

CORPUS = Path(music21.__file__).parent / "corpus"
LEADSHEETS = sorted((CORPUS / "leadSheet").glob("*.mxl"))
CHORALES = sorted((CORPUS / "bach").glob("*.mxl"))


def tab_of(path: Path) -> Tab | None:
    return read_musicxml(path, Problems())


def song(path: Path) -> tuple[Tab, Chart]:
    tab, chart = read_musicxml(path, Problems()), read_musicxml_chart(path, Problems())
    assert tab is not None and chart is not None
    return tab, chart


def remarks_of(paths: list[Path]) -> Counter[int]:
    """How many tunes have how many problems told."""
    counts: Counter[int] = Counter()
    for path in paths:
        tab = tab_of(path)
        if tab is not None:
            counts[len(told(findings(Music(tab, Places(path)))))] += 1
    return counts


def test_the_corpus_is_there() -> None:
    assert len(LEADSHEETS) >= 2 and len(CHORALES) > 200


def test_published_chorales_get_short_lists() -> None:
    counts = remarks_of(CHORALES[::40])
    assert sum(counts.values()) >= 8
    assert max(counts) <= 3 and counts[0] >= sum(counts.values()) / 3


@pytest.mark.slow
def test_every_published_chorale_gets_a_short_list() -> None:
    counts = remarks_of(CHORALES)
    assert sum(counts.values()) > 150
    assert max(counts) <= 4 and counts[0] + counts[1] >= 0.8 * sum(counts.values())


@pytest.mark.parametrize("path", LEADSHEETS, ids=lambda p: p.stem)
def test_the_key_that_a_song_is_in_is_not_doubted_and_every_far_one_is(path: Path) -> None:
    tab, chart = song(path)
    home = Key.parse("F")
    for key in (k for k in KEYS if k.mode == "major"):
        spans = chart.spans(tab.form)
        found = list(key_doubts(replace(tab, key=key, key_changes=()), spans, Places(path)))
        away = (key.fifths - home.fifths + 6) % 12 - 6
        if away == 0:
            assert not found
        elif abs(away) > 1:
            assert [f.rule for f in found] == [ANOTHER_KEY]
            assert "belong to F major" in found[0].detail


def test_an_empty_signature_is_noticed_where_the_chords_begin_and_end_at_home() -> None:
    tab, chart = song(next(p for p in LEADSHEETS if "Hair" in p.stem))
    assert tab.key == Key.parse("C")
    found = list(key_doubts(tab, chart.spans(tab.form), Places(Path("score"))))
    assert [f.rule for f in found] == [HOME_ELSEWHERE]
    assert "belong to F major" in found[0].detail
