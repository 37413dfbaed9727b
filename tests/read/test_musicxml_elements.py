"""Every element that the W3C schema lets stand in a note, a direction, a barline ... is read or listed.

Source: musicxml_4_0.xsd (W3C Music Notation Community Group, 2021), as the wheel ``musicxml`` carries
it: the names are taken from there, so that none can be forgotten. Each one is put into a small score;
then either the tab is another one, or a caution names it, or it is only about the look of the page.
"""

from __future__ import annotations

import re
from functools import lru_cache
from pathlib import Path
from xml.etree import ElementTree

import musicxml
import pytest

from pipeline.errors import Problems
from pipeline.music.chart import Chart
from pipeline.music.tab import Tab
from pipeline.read.musicxml import read_musicxml
from pipeline.read.musicxml_chart import read_musicxml_chart
from tests.read.test_musicxml import ATTRIBUTES, note, score

XSD = Path(musicxml.__file__).parent / "generate_classes" / "musicxml_4_0.xsd"
NAME = "{http://www.w3.org/2001/XMLSchema}"

# only about the look of the page, or said in another way by what every score holds
LOOK = {
    "note": {"accidental", "stem", "beam", "instrument", "voice", "type", "dot", "staff", "duration", "rest",
             "notations", "time-modification"},
    "notations": {"tuplet", "ornaments", "technical", "articulations", "tied"},
    "ornaments": set(),
    "technical": {"string", "fret"},
    "direction": {"offset", "voice", "staff", "direction-type"},
    "attributes": {"divisions", "staves", "part-symbol", "instruments", "clef", "time", "staff-details"},
    "barline": {"bar-style"},
    "lyric": {"syllabic", "extend", "end-line", "end-paragraph"},
    "sound": {"offset"},
    "measure": {"attributes", "backup", "barline", "direction", "forward", "note", "print", "sound", "link", "bookmark",
                "grouping", "harmony"},  # chord symbols are the chart's: see below
    "harmony": {"root", "offset", "staff"},
    "measure-style": {"multiple-rest", "measure-repeat"},  # an empty measure under it: test_musicxml_form
    "dynamics": {"mf"},  # is what is not said
}  # fmt: skip

CONTENT = {
    "pitch": "<step>G</step><octave>4</octave>", "fingering": "2", "pluck": "m", "tremolo": "3", "tied": "",
    "bend": "<bend-alter>2</bend-alter>", "rehearsal": "B", "words": "softly", "other-direction": "louder", "dynamics": "<ff/>",
    "metronome": "<beat-unit>quarter</beat-unit><per-minute>77</per-minute>", "notehead": "x", "key": "<fifths>2</fifths>",
    "time": "<beats>3</beats><beat-type>4</beat-type>", "text": "la", "play": "<mute>palm</mute>", "kind": "minor",
    "transpose": "<chromatic>-2</chromatic>", "swing": "<first>2</first><second>1</second>", "lyric": "<text>la</text>",
    "numeral": "<numeral-root>4</numeral-root>", "function": "V", "bass": "<bass-step>E</bass-step>",
    "degree": "<degree-value>9</degree-value><degree-alter>0</degree-alter><degree-type>add</degree-type>",
    "measure-style": "<slash/>", "elision": "-",
}  # fmt: skip
ATTRIBUTE = {
    "tie": ' type="let-ring"', "hammer-on": ' type="stop"', "pull-off": ' type="stop"', "slide": ' type="start"',
    "glissando": ' type="start"', "slur": ' type="start"', "wavy-line": ' type="start"', "repeat": ' direction="backward"',
    "sound": ' tempo="55"', "ending": ' type="start" number="1"', "bracket": ' type="start"', "dashes": ' type="start"',
}  # fmt: skip


@lru_cache(maxsize=1)
def tree() -> ElementTree.Element:
    return ElementTree.parse(XSD).getroot()


def children(kind: str) -> list[str]:
    """Names of the elements that the schema lets stand in a complex type or a group."""
    groups = {group.get("name", ""): group for group in tree().findall(f"{NAME}group")}

    def walk(node: ElementTree.Element) -> list[str]:
        found: list[str] = []
        for child in node.iter():
            if child.tag == f"{NAME}element" and child.get("name"):
                found.append(child.get("name", ""))
            elif child.tag == f"{NAME}group" and child.get("ref"):
                found += walk(groups[child.get("ref", "")])
        return found

    if kind in groups:
        return list(dict.fromkeys(walk(groups[kind])))
    types = {item.get("name"): item for item in tree().iter(f"{NAME}complexType")}
    return list(dict.fromkeys(walk(types[kind])))


def element(name: str) -> str:
    return f"<{name}{ATTRIBUTE.get(name, '')}>{CONTENT.get(name, '')}</{name}>"


def tab_of(tmp_path: Path, text: str) -> tuple[Tab | None, list[str]]:
    path = tmp_path / "a.musicxml"
    path.write_text(text)
    problems = Problems()
    return read_musicxml(path, problems), [problem.what for problem in problems]


def chart_of(tmp_path: Path, text: str) -> tuple[Chart | None, list[str]]:
    path = tmp_path / "a.musicxml"
    path.write_text(text)
    problems = Problems()
    return read_musicxml_chart(path, problems), [problem.what for problem in problems]


PLAIN = note(3, 7, 4)


def with_element(kind: str, name: str) -> str:
    """A score with this element in its place."""
    inside = element(name)
    before = after = ""
    first = PLAIN
    if kind == "note":
        first = PLAIN.replace("<voice>", inside + "<voice>")
        if name == "grace":
            first = (
                "<note><grace/>" + PLAIN.replace("<note>", "").replace("<duration>48</duration>", "") + PLAIN
            )
        elif name == "chord":
            first = PLAIN + note(2, 8, 4, chord=True)
        elif name in ("pitch", "unpitched"):
            first = re.sub(r"<pitch>.*?</pitch>|<notations>.*?</notations>", "", PLAIN).replace(
                "<voice>", inside + "<voice>"
            )
    elif kind == "notations":
        first = note(3, 7, 4, notations=inside)
    elif kind == "technical":
        first = note(3, 7, 4, technical=inside)
    elif kind in ("articulations", "ornaments", "dynamics"):
        first = note(3, 7, 4, notations=f"<{kind}>{inside}</{kind}>")
    elif kind == "lyric":
        text = (
            inside
            if name == "text"
            else "<text>la</text>" + inside + ("<text>li</text>" if name == "elision" else "")
        )
        first = note(3, 7, 4, more=f"<lyric>{text}</lyric>")
    elif kind == "direction":
        before = f"<direction><direction-type><words>x</words></direction-type>{inside}</direction>"
    elif kind == "direction-type":
        before = f"<direction><direction-type>{inside}</direction-type></direction>"
    elif kind == "sound":
        before = f"<sound>{inside}</sound>"
    elif kind == "sound attribute":
        before = f'<sound {name}="yes"/>' if name != "tempo" else '<sound tempo="55"/>'
    elif kind == "attributes":
        after = f"<attributes>{inside}</attributes>"
    elif kind == "measure-style":
        after = f"<attributes><measure-style>{inside}</measure-style></attributes>"
    elif kind == "barline":
        after = f"<barline>{inside}</barline>"
    else:
        before = inside
    return score(ATTRIBUTES + PLAIN, after + before + first, PLAIN)


KINDS = [
    "note", "notations", "technical", "articulations", "ornaments", "dynamics", "direction", "direction-type", "attributes",
    "barline", "sound", "lyric", "measure-style",
]  # fmt: skip
CASES = [(kind, name) for kind in KINDS for name in children(kind)]
CASES += [("measure", name) for name in children("music-data")]


def test_the_schema_was_found() -> None:
    assert len(CASES) > 200
    assert {"golpe", "handbell"} <= set(children("technical"))


@pytest.mark.parametrize(("kind", "name"), CASES, ids=[f"{kind}-{name}" for kind, name in CASES])
def test_each_element_is_read_or_listed(tmp_path: Path, kind: str, name: str) -> None:
    plain, before = tab_of(tmp_path, score(ATTRIBUTES + PLAIN, PLAIN, PLAIN))
    tab, told = tab_of(tmp_path, with_element(kind, name))
    assert plain is not None
    changed = tab != plain
    listed = set(told) - set(before)
    if kind in ("direction", "lyric"):  # these scores hold words of their own
        bare, _ = tab_of(
            tmp_path, with_element(kind, name).replace(element(name), "") if name != "text" else score(PLAIN)
        )
        changed = tab != bare
    if name in LOOK.get(kind, ()):
        return
    assert changed or listed, f"{name} went missing in silence"


@pytest.mark.parametrize(
    "name", ["tempo", "dacapo", "dalsegno", "segno", "coda", "tocoda", "fine", "dynamics", "divisions", "time-only",
             "forward-repeat", "pizzicato", "pan", "elevation", "damper-pedal", "soft-pedal", "sostenuto-pedal"],
)  # fmt: skip
def test_each_attribute_of_sound_is_read_or_listed(tmp_path: Path, name: str) -> None:
    plain, before = tab_of(tmp_path, score(ATTRIBUTES + PLAIN, PLAIN, PLAIN))
    tab, told = tab_of(tmp_path, with_element("sound attribute", name))
    assert tab != plain or set(told) - set(before)


@pytest.mark.parametrize("name", ["dynamics", "end-dynamics", "attack", "release", "time-only", "pizzicato"])
def test_each_attribute_of_a_note_about_its_sound(tmp_path: Path, name: str) -> None:
    _, told = tab_of(tmp_path, score(ATTRIBUTES + PLAIN.replace("<note>", f'<note {name}="12">')))
    assert any(f"playback {name}" in what for what in told)


@pytest.mark.parametrize("name", children("harmony"))
def test_each_part_of_a_chord_symbol_is_read_or_listed(tmp_path: Path, name: str) -> None:
    def symbol(inside: str, root: str = "<root><root-step>A</root-step></root>") -> str:
        kind = "" if name == "kind" and inside else "<kind>major</kind>"
        return score(ATTRIBUTES + f"<harmony>{root}{kind}{inside}</harmony>" + PLAIN)

    plain, before = chart_of(tmp_path, symbol(""))
    root = "" if name in ("numeral", "function") else "<root><root-step>A</root-step></root>"
    chart, told = chart_of(tmp_path, symbol(element(name), root))
    assert plain is not None
    assert name in LOOK["harmony"] or chart != plain or set(told) - set(before)
