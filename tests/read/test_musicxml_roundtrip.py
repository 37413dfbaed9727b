"""A tab written as MusicXML and read again is the same tab.

Not in MusicXML, and so left out of the comparison: the comments of a text tab.
"""

from __future__ import annotations

from dataclasses import fields, replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, given, settings

from pipeline.errors import Problems
from pipeline.music.instrument import INSTRUMENTS
from pipeline.music.tab import Tab
from pipeline.music.technique import Grace, Slide, SlideKind
from pipeline.music.words import tidy
from pipeline.page.musicxml import lost_in_musicxml, write_musicxml
from pipeline.read.musicxml import read_musicxml
from tests.page.dressed import dressed_tabs
from tests.samples import lead_tab, tab_of, waltz_tab
from tests.strategies import tabs
from tests.wholetabs import whole_tabs

QUIET = list(HealthCheck)
PHASES = [Phase.explicit, Phase.generate]  # shrinking a whole tab takes minutes


def again(tab: Tab, folder: Path) -> tuple[Tab, Problems]:
    path = folder / "a.musicxml"
    path.write_bytes(write_musicxml(tab))
    problems = Problems()
    found = read_musicxml(path, problems)
    assert found is not None, "\n".join(p.text() for p in problems)
    return found, problems


def differences(one: Tab, two: Tab) -> list[str]:
    found = []
    for field in fields(Tab):
        mine, theirs = getattr(one, field.name), getattr(two, field.name)
        if mine == theirs:
            continue
        if isinstance(mine, tuple) and len(mine) == len(theirs):
            mine, theirs = next((a, b) for a, b in zip(mine, theirs, strict=True) if a != b)
        found.append(f"{field.name}:\n  {mine}\n  {theirs}")
    return found


def check(tab: Tab, folder: Path) -> None:
    """The same tab, unless the writer tells that something of it gets lost."""
    found, problems = again(tab, folder)
    lost = [what for what in lost_in_musicxml(tab) if "comment" not in what]
    if not lost:
        named = replace(tab.instrument, name=tidy(tab.instrument.name))  # names are kept on one line
        assert differences(replace(tab, comments=(), instrument=named), found) == []
        assert not [p.what for p in problems if p.what.startswith("not kept")]


@pytest.mark.parametrize("tab", [lead_tab(), waltz_tab()], ids=["lead", "waltz"])
def test_samples_come_back(tab: Tab, tmp_path: Path) -> None:
    assert not lost_in_musicxml(tab)
    check(tab, tmp_path)


@settings(max_examples=40, deadline=None, derandomize=True, suppress_health_check=QUIET, phases=PHASES)
@given(tab=tabs() | dressed_tabs())
def test_any_tab_comes_back(tab: Tab, tmp_path_factory: pytest.TempPathFactory) -> None:
    check(tab, tmp_path_factory.mktemp("score"))


@settings(max_examples=25, deadline=None, derandomize=True, suppress_health_check=QUIET, phases=PHASES)
@given(tab=whole_tabs())
def test_any_whole_tab_comes_back(tab: Tab, tmp_path_factory: pytest.TempPathFactory) -> None:
    """Tabs of one to twelve strings, of any tuning, with everything that the music can hold."""
    check(tab, tmp_path_factory.mktemp("score"))


@pytest.mark.slow
@settings(max_examples=1000, deadline=None, suppress_health_check=QUIET, phases=PHASES)
@given(tab=tabs(odd=True) | tabs() | dressed_tabs(odd=True) | whole_tabs())
def test_many_tabs_come_back(tab: Tab, tmp_path_factory: pytest.TempPathFactory) -> None:
    check(tab, tmp_path_factory.mktemp("score"))


@pytest.mark.parametrize("kinds", [("LEGATO", "SHIFT"), ("SHIFT", "LEGATO"), ("LEGATO", "LEGATO")])
def test_slides_between_grace_notes_keep_their_kind(tmp_path: Path, kinds: tuple[str, str]) -> None:
    """Grace notes stand at one moment, and a slur over the first ones covered the slide to the next."""
    first, second = (Slide(SlideKind[kind]) for kind in kinds)
    tab = tab_of([
        (0, 1, 3, 2, ()), (2, 0, 3, 3, (Grace(), first)), (2, 0, 3, 5, (Grace(), second)), (2, 1, 3, 7, (first,)),
        (3, 1, 3, 2, (second,)),
    ])  # fmt: skip
    path = tmp_path / "a.musicxml"
    path.write_bytes(write_musicxml(tab))
    assert read_musicxml(path, Problems()) == tab
    assert not lost_in_musicxml(tab)


def test_a_slide_from_a_note_that_is_tied_on_is_told(tmp_path: Path) -> None:
    """A line leaves the last head of a tie, here behind the grace note: it came back as one from nowhere."""
    tab = tab_of([(0, 2, 3, 5, ()), (2, 0, 3, 7, (Grace(), Slide(SlideKind.SHIFT))), (2, 1, 3, 5, ())])
    tied = replace(tab, notes=tuple(replace(n, tied=n.onset == 2 and not n.grace) for n in tab.notes))
    assert lost_in_musicxml(tied) == ("bar 1, beat 3: a slide from a note that is tied on",)
    assert not lost_in_musicxml(tab) and again(tab, tmp_path)[0] == tab


def test_the_frets_of_an_instrument_that_only_has_the_name_of_ours_come_back(tmp_path: Path) -> None:
    """A "bass" of one string was read with the frets of a guitar."""
    tab = tab_of([(0, 1, 1, 3, ())])
    neck = replace(INSTRUMENTS["bass"], strings=(tab.instrument.strings[0],), clef="G")
    tab = replace(tab, instrument=neck)
    path = tmp_path / "a.musicxml"
    path.write_bytes(write_musicxml(tab))
    assert read_musicxml(path, Problems()) == tab
