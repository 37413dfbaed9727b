"""Key finding and the facts of a lesson."""

from __future__ import annotations

import pytest

from pipeline.music.instrument import INSTRUMENTS
from pipeline.study.facts import lesson_facts
from pipeline.study.key import find_key, key_guesses, pitch_class_quarters
from pipeline.study.report import chord_tone_share, study_report
from tests.samples import lead_spans, lead_tab, tab_of, waltz_spans, waltz_tab


def test_a_scale_is_found_in_its_own_key() -> None:
    neck = INSTRUMENTS["guitar"]
    scale = [(40, 2), (42, 1), (44, 1), (45, 1), (47, 1), (49, 1), (51, 1), (52, 2)]  # E major
    rows, onset = [], 0
    for midi, length in scale:
        string, fret = neck.places(midi)[-1]
        rows.append((onset, length, string, fret, ()))
        onset += length
    assert find_key(tab_of(rows, instrument="guitar", key="E")).key.text() == "E"


def test_a_bend_counts_where_it_arrives() -> None:
    quarters = pitch_class_quarters(lead_tab())
    # third string seventh fret is D; bent a whole tone for the whole first quarter it is E
    assert quarters[4] >= 1


def test_silence_has_no_key_that_fits() -> None:
    import numpy as np

    assert all(guess.fit == 0 for guess in key_guesses(np.zeros(12)))


def test_facts_of_the_lead() -> None:
    facts = lesson_facts(lead_tab(), lead_spans())
    assert facts.chords == ("Am7", "D9", "Em7")
    assert (facts.fret_lo, facts.fret_hi) == (5, 8)
    assert "bends" in facts.techniques and "double stops" in facts.techniques
    assert facts.tuning == "E A D G B E"
    assert facts.bars == 4


def test_facts_count_bars_without_the_pickup() -> None:
    facts = lesson_facts(waltz_tab(), waltz_spans())
    assert (facts.bars, facts.bars_played) == (4, 6)
    assert lesson_facts(waltz_tab(), waltz_spans()).metre == "3/4"


def test_share_of_chord_tones() -> None:
    spans = lead_spans()
    # bar 3 beats 1-2 over Am7: fifth string 7 (E) two eighths, sixth string 5 (A) one eighth and a dead note
    assert chord_tone_share(lead_tab(), spans[2]) == pytest.approx(1.0)


def test_the_report_covers_every_played_bar() -> None:
    report = study_report(waltz_tab(), waltz_spans())
    assert [row["bar"] for row in report["bars"]] == list(range(7))
    assert report["phrases"][0]["frets"] == [2, 3]
