"""Tab files of every kind, read to the same rules."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction as F
from pathlib import Path

import pytest

from pipeline.errors import Problems
from pipeline.music.tab import Tab, TempoMark
from pipeline.page.midi import write_midi
from pipeline.page.musicxml import write_musicxml
from pipeline.page.texttab import write_text_tab
from pipeline.read.tabfile import read_tab
from tests.samples import lead_tab

WRITERS: dict[str, Callable[[Tab], bytes]] = {
    "tab": lambda tab: write_text_tab(tab).encode(),
    "musicxml": write_musicxml,
    "mid": write_midi,
}


@pytest.mark.parametrize("ending", WRITERS)
def test_a_tempo_that_the_lesson_makes_too_fast_is_an_error(tmp_path: Path, ending: str) -> None:
    """A tab refused it, scores and MIDI files were played slower than their proportion without a word."""
    tab = replace(lead_tab(), tempos=(TempoMark(F(0), 50), TempoMark(F(4), 300)))
    path = tmp_path / f"a.{ending}"
    path.write_bytes(WRITERS[ending](tab))
    problems = Problems()
    assert read_tab(path, problems, tempo_bpm=100) is None
    assert [("600" in p.what, bool(p.remedy)) for p in problems.errors] == [(True, True)]
    slower = read_tab(path, Problems(), tempo_bpm=80)
    assert slower is not None
    assert [t.bpm for t in slower.tempos] == [80, 480]
