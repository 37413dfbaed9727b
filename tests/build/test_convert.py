"""One written form turned into another, by the command a musician types."""

from __future__ import annotations

import json
import zipfile
from dataclasses import replace
from pathlib import Path

import pytest

from pipeline.cli import run
from pipeline.errors import Problems
from pipeline.music.chart import Chart
from pipeline.music.tab import Tab
from pipeline.page.charttext import write_chart_text
from pipeline.page.midi import write_midi
from pipeline.page.texttab import write_text_tab
from pipeline.read.tabfile import holds_tab, read_chart, read_tab
from tests.samples import lead_tab

CONFIGS = Path(__file__).parents[2] / "configs"
TABS = sorted(CONFIGS.glob("*/tab.*"))
CHARTS = sorted(CONFIGS.glob("*/chart.*"))


def tab_at(path: Path) -> Tab:
    problems = Problems()
    tab = read_tab(path, problems)
    assert tab is not None, "\n".join(p.text() for p in problems)
    return tab


def chart_at(path: Path) -> Chart:
    problems = Problems()
    chart = read_chart(path, problems)
    assert chart is not None, "\n".join(p.text() for p in problems)
    return chart


def sounds(tab: Tab) -> list[tuple[object, ...]]:
    """What is struck and when, and where on the neck."""
    return [(s.onset, s.duration, s.note.string, s.note.fret, s.note.pitch.midi) for s in tab.sounding]


def test_there_are_tabs_to_turn() -> None:
    assert len(TABS) >= 4 and len(CHARTS) >= 4


@pytest.mark.parametrize("source", TABS, ids=lambda path: path.parent.name)
@pytest.mark.parametrize("first", [".musicxml", ".mxl", ".mid", ".tab"])
def test_a_tab_comes_back_through_every_form(source: Path, first: str, tmp_path: Path) -> None:
    between, back = tmp_path / f"between{first}", tmp_path / "back.txt"
    assert run(["convert", str(source), str(between)]) == 0
    assert run(["convert", str(between), str(back)]) == 0
    here, there = tab_at(source), tab_at(back)
    assert sounds(there) == sounds(here)
    assert [t.bpm for t in there.tempos] == pytest.approx([t.bpm for t in here.tempos])
    if first in (".musicxml", ".mxl"):
        assert there.form == here.form and there.phrases == here.phrases and there.key == here.key


@pytest.mark.parametrize("source", CHARTS, ids=lambda path: path.parent.name)
@pytest.mark.parametrize("chords", ["names", "roman", "numbers"])
def test_a_chart_comes_back_through_degrees(source: Path, chords: str, tmp_path: Path) -> None:
    between = tmp_path / "between.chart"
    assert run(["convert", str(source), str(between), "--chords", chords]) == 0
    assert chart_at(between) == chart_at(source)


def test_one_chart_in_degrees_serves_every_key(tmp_path: Path) -> None:
    """One, four, five in three keys (common practice)."""
    source = tmp_path / "blues.chart"
    source.write_text("[Blues]\n| 17 | 47 | 17 | 57 |\n")
    for key, names in (("A", "A7 D7 A7 E7"), ("Bb", "Bb7 Eb7 Bb7 F7"), ("F#", "F#7 B7 F#7 C#7")):
        target = tmp_path / f"{key}.chart"
        assert run(["convert", str(source), str(target), "--key", key]) == 0
        chords = [bar.chords[0].chord for bar in chart_at(target).bars]
        assert " ".join(chord.text() for chord in chords if chord) == names


def test_a_chart_is_moved_to_another_key(tmp_path: Path) -> None:
    source, target = tmp_path / "a.chart", tmp_path / "b.chart"
    source.write_text("key: Am\n| Am | F | G | E7 |\n")
    assert run(["convert", str(source), str(target), "--key", "Cm"]) == 0
    assert "| Cm | Ab | Bb | G7 |" in target.read_text().replace("  ", " ")
    assert chart_at(target).key is not None and chart_at(target).key.text() == "Cm"  # type: ignore[union-attr]


def test_a_lesson_is_written_with_its_chords(tmp_path: Path) -> None:
    target = tmp_path / "whole.mxl"
    assert run(["convert", str(CONFIGS / "net_menders"), str(target)]) == 0
    with zipfile.ZipFile(target) as archive:
        assert archive.namelist()[0] == "mimetype"
        assert archive.getinfo("mimetype").compress_type == zipfile.ZIP_STORED
    here, there = chart_at(CONFIGS / "net_menders" / "chart.txt"), chart_at(target)
    chords = [[c.chord for c in bar.chords] for bar in there.bars]
    assert [c[0] for c in chords if c][:3] == [
        here.bars[0].chords[0].chord,
        *(here.bars[n].chords[0].chord for n in (2, 3)),
    ]
    assert run(["convert", str(target), str(tmp_path / "chords.chart")]) == 0


def test_what_is_lost_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    source = tmp_path / "tab.txt"
    source.write_text("# mine alone\n" + write_text_tab(replace(lead_tab(), a4_hz=432.0)))
    assert run(["convert", str(source), str(tmp_path / "tab.mid"), "--json"]) == 0
    said = capsys.readouterr()
    found = json.loads(said.out)
    assert found["lost"] and any("omment" in line for line in found["lost"])
    assert all(f"not in the MIDI: {line}" in said.err for line in found["lost"])


REFUSED = {
    "target is there": (["tab.txt", "there.txt"], "is there already"),
    "no ending": (["tab.txt", "plain"], "tells no form to write"),
    "unknown ending": (["tab.txt", "tab.doc"], "tells no form to write"),
    "chart to score": (["chart.txt", "chart.musicxml"], "is a chord chart"),
    "key of a tab": (["tab.txt", "new.txt", "--key", "D"], "--key moves chord charts"),
    "key of another kind": (["chart.txt", "new.chart", "--key", "C"], "the same kind, major or minor"),
    "no such key": (["chart.txt", "new.chart", "--key", "H"], "--key H"),
    "key from nowhere": (["plain.chart", "new.chart", "--key", "D"], "does not state its key"),
    "degrees from nowhere": (["plain.chart", "new.chart", "--chords", "numbers"], "does not state its key"),
    "no such instrument": (["tune.mid", "new.txt", "--instrument", "guitr"], "Did you mean guitar?"),
    "instrument of a tab": (["tab.txt", "new.mid", "--instrument", "bass"], "--instrument is for MIDI files"),
    "part of a tab": (["tab.txt", "new.mid", "--part", "Lead"], "--part names a part of a score"),
    "chord names of a tab": (
        ["tab.txt", "new.mid", "--chords", "roman"],
        "--chords roman is for chord charts",
    ),
    "chart from a tab": (["tab.txt", "new.chart"], "holds no chords to write"),
    "other names": (["chart.txt", "new.chart", "--chords", "letters"], "letters"),
}


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "tab.txt").write_text(write_text_tab(lead_tab()))
    (tmp_path / "there.txt").write_text("kept")
    (tmp_path / "tune.mid").write_bytes(write_midi(lead_tab()))
    (tmp_path / "chart.txt").write_text("key: Am\n| Am | E7 |\n")
    (tmp_path / "plain.chart").write_text("| Am | E7 |\n")
    return tmp_path


@pytest.mark.parametrize("name", REFUSED)
def test_what_cannot_be_written_is_refused(
    name: str, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    arguments, says = REFUSED[name]
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    assert run(["convert", *arguments]) == 2
    assert says in capsys.readouterr().err
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before


def test_a_source_with_errors_writes_nothing(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (folder / "bad.txt").write_text("tempo: fast\n" + write_text_tab(lead_tab()))
    assert run(["convert", "bad.txt", "new.musicxml"]) == 1
    assert "bad.txt:1:" in capsys.readouterr().err
    assert not (folder / "new.musicxml").exists()
    assert run(["convert", "missing.txt", "new.musicxml"]) == 1


def test_a_file_is_written_over_only_when_asked(folder: Path) -> None:
    assert run(["convert", "tab.txt", "there.txt", "--replace"]) == 0
    assert tab_at(folder / "there.txt").notes
    first = (folder / "there.txt").read_bytes()
    assert run(["convert", "there.txt", "again.txt"]) == 0
    assert (folder / "again.txt").read_bytes() == first


def test_a_damaged_degree_chart_is_told_once(folder: Path) -> None:
    assert run(["convert", "chart.txt", "roman.txt", "--chords", "roman"]) == 0
    assert "| i" in (folder / "roman.txt").read_text()
    assert write_chart_text(chart_at(folder / "roman.txt")) == write_chart_text(
        chart_at(folder / "chart.txt")
    )


def test_a_lesson_tells_what_of_its_chart_is_lost(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Chords alone go into a score; what the band does with them does not."""
    chart = "key: Am\nfeel: shuffle\n# mine\n[Verse]\n| Am! | Dm or F | <E7 | <Am> |\n"
    (folder / "chart.txt").write_text(chart)
    (folder / "lesson.toml").write_text('title = "T"\ntab = "tab.txt"\nchart = "chart.txt"\n')
    told = {}
    for target in ("l.mid", "l.musicxml", "l.tab", "l.chart"):
        assert run(["convert", "lesson.toml", target, "--json"]) == 0
        told[target] = " ".join(json.loads(capsys.readouterr().out)["lost"])
    assert "the chords" in told["l.mid"] and "the chords" in told["l.tab"] and "the notes" in told["l.chart"]
    for word in ("sections", "feel", "stops", "pushes", "other ways", "comments"):
        assert word in told["l.musicxml"], word


TEXTS = {
    "one column": ("\n".join(f"{s}|-0-|" for s in "eBGDAE") + "\n", True),
    "a bass": ("G|--2--|\nD|-----|\nA|-0---|\nE|-----|\n", True),
    "one string": ("instrument: guitar\n\n| - | - |\n", True),
    "chords held by dashes": ("| C - - G |\n| Am - - - |\n| F - G - |\n", False),
    "numbers held by dashes": ("| 1 - - 4 |\n| 1 - - - |\n| 5 - 1 - |\n", False),
    "minor by a dash": ("| A-7 | D-7 |\n| E-7 | A-7 |\n| A-7 | D-7 |\n", False),
    "a chart": ("key: Am\n| Am | E7 |\n", False),
}


@pytest.mark.parametrize("name", TEXTS)
def test_a_text_is_told_to_be_a_tab_or_a_chart(name: str, tmp_path: Path) -> None:
    text, tab = TEXTS[name]
    (tmp_path / "music.txt").write_text(text)
    assert holds_tab(tmp_path / "music.txt") is tab
