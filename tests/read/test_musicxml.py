"""Reading MusicXML: scores built here element by element, damaged files, and our own writer's."""

from __future__ import annotations

import random
import re
import zipfile
from fractions import Fraction as F
from pathlib import Path
from xml.etree import ElementTree

import pytest
from hypothesis import HealthCheck, Phase, assume, given, settings

from pipeline.errors import Problems
from pipeline.music.chart import Chart
from pipeline.music.tab import Tab
from pipeline.music.technique import (
    Bend,
    Dead,
    Ghost,
    Grace,
    HammerOn,
    Harmonic,
    HarmonicKind,
    LetRing,
    PalmMute,
    PullOff,
    Slide,
    SlideKind,
    Tap,
    Technique,
    TremoloPicking,
    Trill,
    Vibrato,
)
from pipeline.page.engrave import engrave
from pipeline.page.musicxml import write_musicxml
from pipeline.read.musicxml import read_musicxml
from pipeline.read.musicxml_chart import read_musicxml_chart
from tests.samples import lead_spans, lead_tab, waltz_tab
from tests.strategies import tabs

TUNING = "".join(
    f'<staff-tuning line="{line}"><tuning-step>{step}</tuning-step><tuning-octave>{octave}</tuning-octave></staff-tuning>'
    for line, (step, octave) in enumerate([("E", 2), ("A", 2), ("D", 3), ("G", 3), ("B", 3), ("E", 4)], 1)
)
ATTRIBUTES = (
    "<attributes><divisions>12</divisions><key><fifths>0</fifths><mode>minor</mode></key>"
    "<time><beats>4</beats><beat-type>4</beat-type></time><clef><sign>TAB</sign><line>5</line></clef>"
    f"<staff-details><staff-lines>6</staff-lines>{TUNING}</staff-details></attributes>"
    '<direction><direction-type><words>go</words></direction-type><sound tempo="96"/></direction>'
)
MIDI = {1: 64, 2: 59, 3: 55, 4: 50, 5: 45, 6: 40}
NAMES = ["C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B"]


def note(string: int, fret: int, quarters: F | int, *, technical: str = "", notations: str = "", more: str = "",
         chord: bool = False, tie: str = "", grace: bool = False) -> str:  # fmt: skip
    midi = MIDI[string] + fret
    name = NAMES[midi % 12]
    alter = "<alter>1</alter>" if "#" in name else ""
    pitch = f"<pitch><step>{name[0]}</step>{alter}<octave>{midi // 12 - 1}</octave></pitch>"
    return (
        "<note>" + ("<grace/>" if grace else "") + ("<chord/>" if chord else "") + pitch
        + ("" if grace else f"<duration>{F(quarters) * 12}</duration>") + tie + "<voice>1</voice>" + more
        + f"<notations>{notations}<technical><string>{string}</string><fret>{fret}</fret>{technical}</technical></notations></note>"
    )  # fmt: skip


def rest(quarters: int) -> str:
    return f"<note><rest/><duration>{quarters * 12}</duration><voice>1</voice></note>"


def score(*measures: str, names: str = "Guitar", head: str = "") -> str:
    inside = "".join(f'<measure number="{n}">{m}</measure>' for n, m in enumerate(measures, 1))
    return (
        f'<?xml version="1.0" encoding="UTF-8"?><score-partwise version="4.0">{head}<part-list><score-part id="P1">'
        f'<part-name>{names}</part-name></score-part></part-list><part id="P1">{inside}</part></score-partwise>'
    )


def read(tmp_path: Path, text: str | bytes, name: str = "a.musicxml") -> tuple[Tab | None, Problems]:
    path = tmp_path / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    problems = Problems()
    return read_musicxml(path, problems), problems


def good(tmp_path: Path, text: str) -> Tab:
    tab, problems = read(tmp_path, text)
    assert not problems.errors, "\n".join(p.text() for p in problems)
    assert tab is not None
    return tab


def chart_of(tmp_path: Path, text: str) -> Chart:
    path = tmp_path / "a.musicxml"
    path.write_text(text)
    problems = Problems()
    chart = read_musicxml_chart(path, problems)
    assert chart is not None, [p.text() for p in problems]
    return chart


def test_notes_key_tempo_title_phrases(tmp_path: Path) -> None:
    mark = "<direction><direction-type><rehearsal>Call</rehearsal></direction-type></direction>"
    text = score(
        ATTRIBUTES
        + mark
        + note(3, 7, 1)
        + note(2, 5, F(1, 2))
        + note(2, 8, F(1, 2))
        + note(1, 5, 2)
        + note(2, 5, 2, chord=True),
        note(3, 7, F(1, 3)) * 3 + rest(3),
        head="<movement-title>Low  Tide</movement-title>",
    )
    tab = good(tmp_path, text)
    assert tab.title == "Low Tide"
    assert str(tab.key) == "Am"
    assert tab.tempo_bpm == 96
    assert [(p.name, p.first, p.last) for p in tab.phrases] == [("Call", 1, 2)]
    assert tab.instrument.strings[0].midi == 64
    assert [(n.onset, n.duration, n.string, n.fret) for n in tab.notes] == [
        (0, 1, 3, 7), (1, F(1, 2), 2, 5), (F(3, 2), F(1, 2), 2, 8), (2, 2, 1, 5), (2, 2, 2, 5),
        (4, F(1, 3), 3, 7), (F(13, 3), F(1, 3), 3, 7), (F(14, 3), F(1, 3), 3, 7),
    ]  # fmt: skip


def bend(alter: str, child: str = "") -> str:
    return f"<bend><bend-alter>{alter}</bend-alter>{child}</bend>"


@pytest.mark.parametrize(
    ("more", "techniques"),
    [
        ({"technical": bend("2")}, (Bend.up(2),)),
        ({"technical": bend("0.5")}, (Bend.up(F(1, 2)),)),
        ({"technical": bend("2") + bend("-2", "<release/>")}, (Bend.up_release(2),)),
        ({"technical": bend("2") + bend("0", "<release/>")}, (Bend.up_release(2),)),
        ({"technical": bend("2", "<pre-bend/>")}, (Bend.pre(2),)),
        ({"technical": bend("-2", "<pre-bend/>") + bend("-2", "<release/>")}, (Bend.pre_release(2),)),
        ({"technical": "<tap/>"}, (Tap(),)),
        ({"technical": "<harmonic><artificial/></harmonic>"}, (Harmonic(HarmonicKind.ARTIFICIAL, 12),)),
        ({"technical": "<harmonic><natural/></harmonic>"}, (Harmonic(HarmonicKind.NATURAL, 19),)),
        ({"more": "<notehead>x</notehead>"}, (Dead(),)),
        ({"more": '<notehead parentheses="yes">normal</notehead>'}, (Ghost(),)),
        (
            {"notations": '<ornaments><wavy-line type="start"/><wavy-line type="stop"/></ornaments>'},
            (Vibrato(),),
        ),
        ({"notations": '<ornaments><trill-mark trill-step="whole"/></ornaments>'}, (Trill(9),)),
        ({"notations": "<ornaments><tremolo type='single'>3</tremolo></ornaments>"}, (TremoloPicking(3),)),
        ({"notations": "<articulations><scoop/></articulations>"}, (Slide(SlideKind.IN_BELOW),)),
        ({"notations": "<articulations><falloff/></articulations>"}, (Slide(SlideKind.OUT_DOWN),)),
        ({"notations": '<tied type="let-ring"/>'}, (LetRing(),)),
        ({"more": "<play><mute>palm</mute></play>"}, (PalmMute(),)),
    ],
)
def test_techniques_of_one_note(
    tmp_path: Path, more: dict[str, str], techniques: tuple[Technique, ...]
) -> None:
    tab = good(tmp_path, score(ATTRIBUTES + note(3, 7, 4, **more)))
    assert tab.notes[0].techniques == techniques


@pytest.mark.parametrize(
    ("first", "second", "technique"),
    [
        ({"technical": '<hammer-on type="start"/>'}, {"technical": '<hammer-on type="stop"/>'}, HammerOn()),
        ({"technical": '<pull-off type="start"/>'}, {"technical": '<pull-off type="stop"/>'}, PullOff()),
        (
            {"notations": '<slide type="start"/>'},
            {"notations": '<slide type="stop"/>'},
            Slide(SlideKind.LEGATO),
        ),
        (
            {"notations": '<slide type="start"/>'},
            {"notations": '<slide type="stop"/>'},
            Slide(SlideKind.SHIFT),
        ),
    ],
)
def test_techniques_that_join(
    tmp_path: Path, first: dict[str, str], second: dict[str, str], technique: Technique
) -> None:
    slurred = note(3, 5, 2, notations='<slur type="start"/>') + note(3, 7, 2, notations='<slur type="stop"/>')
    after = [slurred] if technique == Slide(SlideKind.SHIFT) else []
    tab = good(tmp_path, score(ATTRIBUTES + note(3, 5, 2, **first) + note(3, 7, 2, **second), *after))
    assert tab.notes[0].techniques == ()
    assert tab.notes[1].techniques == (technique,)


def test_ties_grace_and_voices(tmp_path: Path) -> None:
    text = score(
        ATTRIBUTES + note(3, 5, 0, grace=True) + note(3, 7, 4, tie='<tie type="start"/>')
        + "<backup><duration>48</duration></backup>" + note(6, 0, 4).replace("<voice>1", "<voice>2"),
        note(3, 7, 4, tie='<tie type="stop"/>'),
    )  # fmt: skip
    tab = good(tmp_path, text)
    assert [(n.string, n.duration, n.tied, n.voice) for n in tab.notes] == [
        (3, 0, False, 1), (3, 4, False, 1), (6, 4, False, 2), (3, 4, True, 1),
    ]  # fmt: skip
    assert tab.notes[0].techniques == (Grace(),)
    assert [s.duration for s in tab.sounding] == [0, 8, 4]


def test_pickup_repeat_and_endings(tmp_path: Path) -> None:
    def ending(number: str, kind: str, repeat: str = "") -> str:
        return f'<barline><ending number="{number}" type="{kind}"/>{repeat}</barline>'

    text = score(
        ATTRIBUTES + note(1, 0, 1),
        '<barline location="left"><repeat direction="forward"/></barline>' + note(1, 1, 4),
        ending("1", "start") + note(1, 2, 4) + ending("1", "stop", '<repeat direction="backward"/>'),
        ending("2", "start") + note(1, 3, 4) + ending("2", "discontinue"),
        note(1, 5, 4),
    )
    tab = good(tmp_path, text)
    assert [b.number for b in tab.form.bars] == [0, 1, 2, 3, 4]
    assert tab.form.pickup
    assert [n.note.fret for n in tab.sounding] == [0, 1, 2, 1, 3, 5]


def test_a_bar_in_two_halves(tmp_path: Path) -> None:
    """Hymns split a bar at the end of a line; the first half was filled with silence, and all that
    followed came late."""
    whole, halves = note(3, 7, 4), (note(3, 7, 3), note(3, 7, 1))
    text = score(ATTRIBUTES + whole, halves[0], halves[1], whole, whole)
    text = text.replace('number="3"', 'number="X1" implicit="yes"').replace('number="4"', 'number="3"')
    for version in (text, text.replace(' implicit="yes"', "")):
        tab, problems = read(tmp_path, version)
        assert tab is not None
        assert [bar.length for bar in tab.form.bars] == [4, 3, 1, 4, 4]
        assert [n.onset for n in tab.notes] == [0, 4, 7, 8, 12]
        told = [p.what for p in problems.cautions]
        assert "measure 3: it is bar 4 here, where every measure counts" in told
        assert not any("silence" in what for what in told)


def test_palm_mute_and_dynamics_by_directions(tmp_path: Path) -> None:
    def direction(inside: str) -> str:
        return f"<direction><direction-type>{inside}</direction-type></direction>"

    text = score(
        ATTRIBUTES
        + direction("<words>P.M.</words>").replace("</direction>", '<direction-type><dashes type="start"/></direction-type></direction>')
        + direction("<dynamics><p/></dynamics>") + note(6, 0, 1) + note(6, 0, 1) + direction('<dashes type="stop"/>')
        + note(6, 0, 1) + direction("<dynamics><ff/></dynamics>") + note(6, 3, 1)
    )  # fmt: skip
    tab = good(tmp_path, text)
    assert [n.has(PalmMute) for n in tab.notes] == [True, True, False, False]
    assert [n.dynamic for n in tab.notes] == ["p", "p", "p", "ff"]


def test_notes_without_places_are_laid_on_the_neck_and_said_so(tmp_path: Path) -> None:
    text = re.sub(
        r"<notations>.*?</notations>",
        "",
        score(ATTRIBUTES + note(3, 9, 2) + note(1, 0, 2) + note(2, 1, 2, chord=True)),
    )
    tab, problems = read(tmp_path, text)
    assert tab is not None
    # E4 goes to the open first string, alone and in the chord with C4 below it
    assert [(n.string, n.fret) for n in tab.notes] == [(1, 0), (1, 0), (2, 1)]
    assert any("all notes lack string and fret" in p.what for p in problems.cautions)


def test_short_strings_are_not_fretted(tmp_path: Path) -> None:
    """A banjo's fifth string begins at the fifth fret; tunes were laid on its first ones."""
    text = re.sub(r"<notations>.*?</notations>|<staff-details>.*?</staff-details>", "",
                  score(ATTRIBUTES + note(1, 5, 1) + note(1, 3, 1) + note(1, 10, 2), names="Banjo"))  # fmt: skip
    tab, _ = read(tmp_path, text)
    assert tab is not None
    assert tab.instrument.name == "banjo"
    assert [n.pitch.midi for n in tab.notes] == [69, 67, 74]
    assert all(n.string != 5 or n.fret == 0 for n in tab.notes)


def test_grace_notes_after_the_last_note_lead_nowhere(tmp_path: Path) -> None:
    after = note(1, 12, 0, grace=True)
    tab, problems = read(tmp_path, score(ATTRIBUTES + note(1, 8, 4) + after, note(1, 7, 4) + after))
    assert tab is not None
    assert [(n.onset, n.fret, n.grace) for n in tab.notes] == [(0, 8, False), (4, 12, True), (4, 7, False)]
    assert any("grace note after the last note (measure 2)" in p.what for p in problems.cautions)
    assert engrave(tab).pages


def test_triplets_rounded_to_divisions(tmp_path: Path) -> None:
    """With 8 divisions to a quarter a triplet eighth is written as 3 or 2; it is a third all the same."""
    third = "<type>eighth</type><time-modification><actual-notes>3</actual-notes><normal-notes>2</normal-notes></time-modification>"
    text = score(
        ATTRIBUTES + "".join(note(1, fret, F(1, 3), more=third) for fret in (3, 5, 7)) + note(1, 8, 3)
    )
    text = text.replace("<divisions>12<", "<divisions>8<").replace("<duration>36<", "<duration>24<")
    text = text.replace("<duration>4<", "<duration>3<", 2).replace("<duration>4<", "<duration>2<")
    tab, _ = read(tmp_path, text)
    assert tab is not None
    assert [n.onset for n in tab.notes] == [0, F(1, 3), F(2, 3), 1]
    assert tab.form.written.length == 4


def test_a_tie_to_another_pitch_is_a_slur(tmp_path: Path) -> None:
    """Some programs mix up the two, and the second note was never heard."""
    start, stop = '<tie type="start"/>', '<tie type="stop"/>'
    text = score(
        ATTRIBUTES + note(1, 3, 1, tie=start) + note(1, 5, 1, tie=stop + start) + note(1, 5, 2, tie=stop)
    )
    tab, problems = read(tmp_path, text)
    assert tab is not None
    assert [(n.onset, n.duration, n.note.fret) for n in tab.sounding] == [(0, 1, 3), (1, 3, 5)]
    assert any("ties that lead to another pitch (1)" in p.what for p in problems.cautions)


def test_grace_notes_in_a_row_are_no_chord(tmp_path: Path) -> None:
    """Two of them were laid on two strings, as if struck together."""
    graces = note(1, 12, 0, grace=True) + note(1, 10, 0, grace=True)
    tab, _ = read(tmp_path, bare(score(ATTRIBUTES + graces + note(1, 8, 4))))
    assert tab is not None
    assert [n.pitch.midi for n in tab.notes] == [76, 74, 72]
    assert [n.get(Grace) for n in tab.notes] == [Grace(), Grace(), None]
    stacked = note(1, 12, 0, grace=True) + note(2, 13, 0, grace=True, chord=True)
    tab, _ = read(tmp_path, bare(score(ATTRIBUTES + stacked + note(1, 8, 4))))
    assert tab is not None
    assert [n.pitch.midi for n in tab.notes] == [76, 72, 72]
    assert [n.get(Grace) for n in tab.notes] == [Grace(), Grace(together=True), None]
    assert tab.notes[0].string != tab.notes[1].string


def bare(text: str) -> str:
    """The score without strings, frets and tuning."""
    return re.sub(r"<(string|fret|staff-details)>.*?</\1>", "", text)


def test_a_part_beyond_the_neck_is_read_an_octave_lower(tmp_path: Path) -> None:
    """Fiddle tunes end above a guitar's neck; each such note was an error."""
    text = bare(score(ATTRIBUTES + note(1, 24, 2) + note(3, 9, 2)))
    tab, problems = read(tmp_path, text)
    assert tab is not None
    assert [n.pitch.midi for n in tab.notes] == [76, 52]
    assert any("all of them are read an octave lower" in p.what for p in problems.cautions)
    wide, problems = read(tmp_path, bare(score(ATTRIBUTES + note(1, 24, 2) + note(6, 0, 2))))
    assert wide is None
    assert "E6 is beyond the guitar" in problems.errors[0].what


def test_harmonics_without_a_place(tmp_path: Path) -> None:
    """Ours was the fret, and so were the harmonics that it made: C5 sounded two octaves too high."""
    mark = "<harmonic><natural/></harmonic>"
    text = bare(score(ATTRIBUTES + note(1, 12, 2, technical=mark) + note(2, 13, 2, technical=mark)))
    tab, problems = read(tmp_path, text)
    assert tab is not None
    assert [n.sounding_midi(tab.instrument) for n in tab.notes] == [76, 72]
    assert tab.notes[0].get(Harmonic) == Harmonic(HarmonicKind.NATURAL, 12)
    assert (tab.notes[0].string, tab.notes[0].fret) == (1, 12)
    assert not tab.notes[1].has(Harmonic)
    assert any("harmonic without string and fret (measure 1)" in p.what for p in problems.cautions)


def test_notes_told_by_string_fret_and_type_alone(tmp_path: Path) -> None:
    """Some exports leave out pitch and duration: such notes lasted nothing, on a bass."""
    text = score(
        "<attributes><time><beats>4</beats><beat-type>4</beat-type></time></attributes>"
        + note(4, 7, 1) + note(4, 4, 1) + note(2, 3, 1)
    )  # fmt: skip
    text = re.sub(r"<(pitch|duration)>.*?</\1>", "", text)
    text = text.replace("</note>", "<type>quarter</type></note>")
    tab, _ = read(tmp_path, text)
    assert tab is not None
    assert tab.instrument.name == "guitar"
    assert [(n.duration, n.string, n.fret) for n in tab.notes] == [(1, 4, 7), (1, 4, 4), (1, 2, 3)]


def test_what_is_not_kept_is_named(tmp_path: Path) -> None:
    tab, problems = read(
        tmp_path, score(ATTRIBUTES + note(3, 7, 4, notations="<fermata/><ornaments><turn/></ornaments>"))
    )
    assert tab is not None
    assert "not kept from the score: fermata (measure 1), turn (measure 1)" in [
        p.what for p in problems.cautions
    ]


BAD = [
    ("<score-partwise>", "not well-formed"),
    ("<html></html>", "the file holds <html>"),
    ("<score-partwise><part-list/></score-partwise>", "no measures"),
    ("", "empty"),
    (score(ATTRIBUTES + note(3, 7, 5)), "measure 1: it holds 5 quarters, its metre 4/4 holds 4"),
    (
        score(ATTRIBUTES + note(3, 7, 4).replace("<string>3", "<string>8")),
        "measure 1: string 8, but the guitar has 6",
    ),
    (
        score(ATTRIBUTES + note(3, 7, 4).replace("<fret>7", "<fret>77")),
        "measure 1: fret 77 is beyond any neck",
    ),
    (score(ATTRIBUTES.replace("<beat-type>4", "<beat-type>5") + rest(4)), "not a metre"),
    (score("<attributes><divisions>1</divisions></attributes>"), "no notes"),
    ('<!DOCTYPE a [<!ENTITY b "c">]><score-partwise>&b;</score-partwise>', "entities"),
    ("<?xml version='1.0' encoding='nonsense'?><a/>", "encoding"),
]


@pytest.mark.parametrize(("text", "what"), BAD, ids=[b[1][:30] for b in BAD])
def test_damaged_scores_are_told(tmp_path: Path, text: str, what: str) -> None:
    tab, problems = read(tmp_path, text)
    assert tab is None
    assert any(what in p.what for p in problems.errors), "\n".join(p.text() for p in problems)
    assert all(p.remedy for p in problems.errors)


def packed(path: Path, members: dict[str, str]) -> Path:
    with zipfile.ZipFile(path, "w") as archive:
        for name, text in members.items():
            archive.writestr(name, text)
    return path


def container(name: str) -> str:
    return f'<container><rootfiles><rootfile full-path="{name}"/></rootfiles></container>'


@pytest.mark.parametrize(
    ("members", "what"),
    [
        ({"META-INF/container.xml": container("a.xml"), "a.xml": score(ATTRIBUTES + note(3, 7, 4))}, None),
        ({"a.musicxml": score(ATTRIBUTES + note(3, 7, 4))}, None),
        ({"META-INF/container.xml": container("../a.xml")}, "a file outside of it"),
        ({"META-INF/container.xml": container("b.xml"), "a.xml": "<a/>"}, "lacks the score it names: b.xml"),
        ({"readme.txt": "nothing"}, "holds no score"),
    ],
)
def test_compressed_scores(tmp_path: Path, members: dict[str, str], what: str | None) -> None:
    problems = Problems()
    tab = read_musicxml(packed(tmp_path / "a.mxl", members), problems)
    if what is None:
        assert tab is not None
    else:
        assert tab is None
        assert what in problems.errors[0].what


def test_a_compressed_score_that_is_none(tmp_path: Path) -> None:
    assert "this one is not" in read(tmp_path, "<score-partwise/>", "a.mxl")[1].errors[0].what
    assert "damaged" in read(tmp_path, b"PK\x03\x04 and no more", "a.mxl")[1].errors[0].what


def test_chords_of_a_score(tmp_path: Path) -> None:
    def harmony(root: str, kind: str, more: str = "", text: str = "") -> str:
        return f'<harmony><root><root-step>{root}</root-step></root><kind text="{text}">{kind}</kind>{more}</harmony>'

    ninth = "<degree><degree-value>9</degree-value><degree-alter>1</degree-alter><degree-type>add</degree-type></degree>"
    text = score(
        ATTRIBUTES + harmony("A", "minor") + note(3, 7, 2) + harmony("E", "dominant", ninth) + note(3, 7, 2),
        harmony("C", "none") + note(3, 7, 4),
        harmony("F", "half-diminished", "<bass><bass-step>C</bass-step></bass>") + note(3, 7, 4),
        harmony("D", "other", text="m7b5") + note(3, 7, 4),
    )
    chart = chart_of(tmp_path, text)
    assert [[(c.at, str(c.chord) if c.chord else "N.C.") for c in b.chords] for b in chart.bars] == [
        [(0, "Am"), (F(1, 2), "E7#9")], [(0, "N.C.")], [(0, "Fm7b5/C")], [(0, "Dm7b5")],
    ]  # fmt: skip
    assert str(chart.key) == "Am"


def test_a_transposing_part_is_read_as_it_sounds(tmp_path: Path) -> None:
    """A part for an instrument in B flat, written a whole step above its sound."""
    shift = "<transpose><diatonic>-1</diatonic><chromatic>-2</chromatic></transpose>"
    chord = "<harmony><root><root-step>D</root-step></root><kind>minor</kind></harmony>"
    written = re.sub(r"<notations>.*?</notations>", "", chord + note(2, 3, 4))
    attributes = re.sub(r"<staff-details>.*?</staff-details>|<clef>.*?</clef>", "", ATTRIBUTES)
    text = score(attributes.replace("</attributes>", shift + "</attributes>") + written)
    tab = good(tmp_path, text)
    assert [str(n.pitch) for n in tab.notes] == ["C4"]
    assert str(tab.key) == "Gm"
    chart = chart_of(tmp_path, text)
    assert str(chart.bars[0].chords[0].chord) == "Cm"


def test_chord_symbols_are_not_told_as_lost_by_who_reads_the_tab(tmp_path: Path) -> None:
    """They are kept in the chart: the tab reader once said that they were not."""
    chord = "<harmony><root><root-step>D</root-step></root><kind>minor</kind></harmony>"
    path = tmp_path / "a.musicxml"
    path.write_text(score(ATTRIBUTES + chord + note(3, 7, 4)))
    problems = Problems()
    assert read_musicxml(path, problems) is not None
    assert not any("chord" in problem.what for problem in problems.cautions)


def test_a_score_without_chords_is_no_chart(tmp_path: Path) -> None:
    path = tmp_path / "a.musicxml"
    path.write_text(score(ATTRIBUTES + note(3, 7, 4)))
    problems = Problems()
    assert read_musicxml_chart(path, problems) is None
    assert "names no chords" in problems.errors[0].what


def heard(tab: Tab) -> list[tuple[object, ...]]:
    return [
        (
            s.onset,
            s.duration,
            s.note.string,
            s.note.fret,
            s.note.pitch,
            s.note.dynamic,
            frozenset(s.note.techniques),
        )
        for s in tab.sounding
    ]


@pytest.mark.parametrize("tab", [lead_tab(), waltz_tab()], ids=["lead", "waltz"])
def test_what_we_write_reads_back(tmp_path: Path, tab: Tab) -> None:
    path = tmp_path / "a.musicxml"
    path.write_bytes(write_musicxml(tab, ()))
    again = read_musicxml(path, Problems())
    assert again is not None
    assert heard(again) == heard(tab)
    assert (again.form, again.key, again.tempos, again.phrases, again.swing) == (
        tab.form, tab.key, tab.tempos, tab.phrases, tab.swing,
    )  # fmt: skip


def test_the_chords_we_write_read_back(tmp_path: Path) -> None:
    path = tmp_path / "a.musicxml"
    path.write_bytes(write_musicxml(lead_tab(), lead_spans()))
    chart = read_musicxml_chart(path, Problems())
    assert chart is not None
    assert [s.chord for s in chart.spans(lead_tab().form)] == [s.chord for s in lead_spans()]


@settings(
    max_examples=25,
    deadline=None,
    derandomize=True,
    suppress_health_check=list(HealthCheck),
    phases=[Phase.explicit, Phase.generate],  # shrinking a whole tab takes minutes
)
@given(tabs())
def test_any_tab_we_write_is_heard_alike(tmp_path_factory: pytest.TempPathFactory, tab: Tab) -> None:
    # a note held over a bar where passes part goes on in the first one only, once it is written as a tie
    assume(not any(bar.repeat_times for bar in tab.form.bars))
    path = tmp_path_factory.mktemp("scores") / "a.musicxml"
    path.write_bytes(write_musicxml(tab, ()))
    problems = Problems()
    again = read_musicxml(path, problems)
    assert again is not None, "\n".join(p.text() for p in problems)
    assert [row[:6] for row in heard(again)] == [row[:6] for row in heard(tab)]
    assert (again.form, again.instrument, again.tempos) == (tab.form, tab.instrument, tab.tempos)


def test_no_damage_to_a_score_ends_in_a_traceback(tmp_path: Path) -> None:
    """200 seeded damages to our own score: a tab, or errors that say why not, never an exception."""
    rng = random.Random(7)
    whole = write_musicxml(lead_tab(), lead_spans())
    path = tmp_path / "a.musicxml"
    values = ["", "-1", "0", "x", "99999", "1/0", "nan", "3.5", "1e999", "7", "A", "TAB", "stop"]
    for _ in range(200):
        root = ElementTree.fromstring(whole)
        for _ in range(rng.randint(1, 4)):
            element = rng.choice(list(root.iter()))
            if len(element) and rng.random() < 0.5:
                element.remove(rng.choice(list(element)))
            elif element.attrib and rng.random() < 0.5:
                element.attrib[rng.choice(list(element.attrib))] = rng.choice(values)
            elif not len(element):
                element.text = rng.choice(values)
        path.write_bytes(ElementTree.tostring(root))
        for reader in (read_musicxml, read_musicxml_chart):
            problems = Problems()
            found = reader(path, problems)
            assert (found is None) == bool(problems.errors)
