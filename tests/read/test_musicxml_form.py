"""The way through a MusicXML score, its words, keys and places; and which part of it is read."""

from __future__ import annotations

from fractions import Fraction as F
from pathlib import Path

import pytest

from pipeline.errors import Problems
from pipeline.music.metre import Jump
from pipeline.music.tab import Lyric, Tab
from pipeline.music.technique import Bend, Grace, LetRing, PalmMute, Trill
from pipeline.read.musicxml import read_musicxml
from pipeline.read.musicxml_chart import read_musicxml_chart
from pipeline.read.places import Places
from tests.read.test_musicxml import ATTRIBUTES, chart_of, good, note, read, rest, score

BAR = note(3, 7, 4)


def words(text: str, sound: str = "") -> str:
    inside = f"<sound {sound}/>" if sound else ""
    return f"<direction><direction-type><words>{text}</words></direction-type>{inside}</direction>"


def sign(tag: str, sound: str = "") -> str:
    inside = f"<sound {sound}/>" if sound else ""
    return f"<direction><direction-type><{tag}/></direction-type>{inside}</direction>"


def played(tab: Tab) -> list[int]:
    return [bar.written + 1 for bar in tab.form.played.bars]


def told(problems: Problems) -> str:
    return "\n".join(problem.text() for problem in problems)


WAYS = {
    "da capo al fine": (["", "F", "", "D.C. al Fine"], [1, 2, 3, 4, 1, 2]),
    "in words": (["", "F", "", "Da Capo al Fine"], [1, 2, 3, 4, 1, 2]),
    "bare with a Fine": (["", "F", "", "D.C."], [1, 2, 3, 4, 1, 2]),
    "bare without": (["", "", "D.C."], [1, 2, 3, 1, 2, 3]),
    "senza Fine": (["", "F", "", "D.C. senza Fine"], [1, 2, 3, 4, 1, 2, 3, 4]),
    "dal segno": (["", "S", "F", "D.S. al Fine"], [1, 2, 3, 4, 2, 3]),
    "coda": (["", "S", "To Coda", "D.S. al Coda", "C", ""], [1, 2, 3, 4, 2, 3, 5, 6]),
    "da capo al coda": (["", "To Coda", "D.C. al Coda", "C"], [1, 2, 3, 1, 2, 4]),
    "coda in full": (["S", "to Coda", "Dal Segno al Coda", "C"], [1, 2, 3, 1, 2, 4]),
}


def bar_of(mark: str) -> str:
    if mark == "S":
        return sign("segno") + BAR
    if mark == "C":
        return sign("coda") + BAR
    return BAR + (words("Fine" if mark == "F" else mark) if mark else "")


@pytest.mark.parametrize("name", WAYS)
def test_jumps_in_words(tmp_path: Path, name: str) -> None:
    marks, order = WAYS[name]
    first, *others = map(bar_of, marks)
    tab, problems = read(tmp_path, score(ATTRIBUTES + first, *others))
    assert tab is not None, told(problems)
    assert played(tab) == order
    assert [r.text for r in tab.remarks] == ["go"]  # of the signs none is left as a word


def test_jumps_by_sound_alone(tmp_path: Path) -> None:
    text = score(
        ATTRIBUTES + BAR, '<sound segno="1"/>' + BAR, BAR + '<sound tocoda="1"/>', BAR + '<sound dalsegno="1"/>',
        '<sound coda="1"/>' + BAR,
    )  # fmt: skip
    assert played(good(tmp_path, text)) == [1, 2, 3, 4, 2, 3, 5]


def test_two_coda_signs_without_words(tmp_path: Path) -> None:
    text = score(ATTRIBUTES + BAR, BAR + sign("coda"), BAR + words("D.C. al Coda"), sign("coda") + BAR)
    assert played(good(tmp_path, text)) == [1, 2, 3, 1, 2, 4]


@pytest.mark.parametrize(
    ("jump", "what"),
    [("D.S. al Fine", "no segno before it"), ("D.C. al Coda", "no To Coda"), ("D.C. al Fine", "no Fine")],
)
def test_a_jump_that_leads_nowhere_is_left_out_and_told(tmp_path: Path, jump: str, what: str) -> None:
    tab, problems = read(tmp_path, score(ATTRIBUTES + BAR, BAR + words(jump)))
    assert tab is not None
    assert played(tab) == [1, 2]
    assert f"{what}: the jump is left out" in told(problems)
    assert f"jump ({jump})" in told(problems)


def test_signs_stand_on_their_bars(tmp_path: Path) -> None:
    text = score(
        ATTRIBUTES + BAR, '<barline location="left"><segno/></barline>' + BAR,
        BAR + '<barline location="right"><bar-style>light-light</bar-style></barline>', BAR + words("D.S."),
    )  # fmt: skip
    bars = good(tmp_path, text).form.bars
    assert [bar.signs.segno for bar in bars] == [False, True, False, False]
    assert [bar.double for bar in bars] == [False, False, True, False]
    assert bars[3].signs.jump == Jump("segno", "end")


def test_a_chart_has_the_jumps_too(tmp_path: Path) -> None:
    chord = "<harmony><root><root-step>A</root-step></root><kind>minor</kind></harmony>"
    key = "<attributes><key><fifths>2</fifths><mode>minor</mode></key><time><beats>3</beats><beat-type>4</beat-type></time></attributes>"
    text = score(
        ATTRIBUTES + chord + BAR,
        key + chord + note(3, 7, 3) + words("Fine"),
        note(3, 7, 3) + words("D.C. al Fine"),
    )
    chart = chart_of(tmp_path, text)
    assert [bar.written for bar in chart.form.played.bars] == [0, 1, 2, 0, 1]
    assert (str(chart.metre), chart.tempo_bpm) == ("4/4", 96)
    assert (str(chart.bars[1].metre), str(chart.bars[1].key)) == ("3/4", "Bm")


def test_degrees_of_a_chart_are_read_in_its_key(tmp_path: Path) -> None:
    def degree(inside: str, kind: str) -> str:
        return f"<harmony>{inside}<kind>{kind}</kind></harmony>"

    text = score(
        ATTRIBUTES.replace("<mode>minor</mode>", "<mode>major</mode>").replace("<fifths>0", "<fifths>3")
        + degree("<numeral><numeral-root>4</numeral-root></numeral>", "major") + note(3, 7, 2)
        + degree("<function>V</function>", "dominant") + note(3, 7, 2),
        degree("<numeral><numeral-root>7</numeral-root><numeral-alter>-1</numeral-alter></numeral>", "major") + BAR,
    )  # fmt: skip
    chart = chart_of(tmp_path, text)
    assert [str(c.chord) for bar in chart.bars for c in bar.chords] == ["D", "E7", "G"]


def test_a_measure_repeat_sign_repeats(tmp_path: Path) -> None:
    style = '<attributes><measure-style><measure-repeat type="{}">{}</measure-repeat></measure-style></attributes>'
    text = score(
        ATTRIBUTES + note(3, 7, 2) + note(3, 9, 2), style.format("start", 1) + rest(4), rest(4),
        style.format("stop", "") + note(3, 5, 4), note(3, 4, 4), style.format("start", 2) + rest(4), rest(4),
    )  # fmt: skip
    tab = good(tmp_path, text)
    assert [(n.onset, n.fret) for n in tab.notes] == [
        (0, 7), (2, 9), (4, 7), (6, 9), (8, 7), (10, 9), (12, 5), (16, 4), (20, 5), (24, 4),
    ]  # fmt: skip


def test_keys_change(tmp_path: Path) -> None:
    def key(fifths: int) -> str:
        return f"<attributes><key><fifths>{fifths}</fifths><mode>minor</mode></key></attributes>"

    tab, problems = read(
        tmp_path,
        score(ATTRIBUTES + BAR, key(1) + BAR, note(3, 7, 2) + key(2) + note(3, 7, 2), BAR),
    )
    assert tab is not None
    assert [(c.quarter, str(c.key)) for c in tab.key_changes] == [(4, "Em"), (12, "Bm")]
    assert "change of key within a measure" in told(problems)


def test_lyrics(tmp_path: Path) -> None:
    def sung(*lines: str) -> str:
        return "".join(f"<lyric {line}</lyric>" for line in lines)

    text = score(
        ATTRIBUTES
        + note(3, 7, 1, more=sung('number="1"><syllabic>begin</syllabic><text>riv</text>', 'number="2"><text>sea</text>'))
        + note(3, 7, 1, more=sung('number="1"><syllabic>end</syllabic><text>er</text>'))
        + note(3, 7, 2, more=sung('number="1"><text>flow</text><elision>‿</elision><text>on</text>', 'number="chorus"><text>hey</text>'))
    )  # fmt: skip
    assert good(tmp_path, text).lyrics == (
        Lyric(F(0), "riv-", 1), Lyric(F(0), "sea", 2), Lyric(F(1), "er", 1), Lyric(F(2), "flow‿on", 1),
        Lyric(F(2), "hey", 3),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("text", "bpm"),
    [("q = 72", 72), ("♩. = 80", 120), ("(♩=60)", 60), ("Slowly (quarter = 66)", 66), ("h = c. 50", 100)],
)
def test_tempo_in_words(tmp_path: Path, text: str, bpm: float) -> None:
    tab = good(
        tmp_path,
        score(
            ATTRIBUTES.replace("<words>go</words>", "").replace('<sound tempo="96"/>', "") + words(text) + BAR
        ),
    )
    assert tab.tempo_bpm == bpm
    assert [r.text for r in tab.remarks] == ([text] if "Slowly" in text else [])


def test_metronome_marks(tmp_path: Path) -> None:
    def mark(inside: str) -> str:
        return f"<direction><direction-type><metronome>{inside}</metronome></direction-type></direction>"

    text = score(
        ATTRIBUTES + BAR,
        mark("<beat-unit>quarter</beat-unit><beat-unit-dot/><per-minute>c. 60</per-minute>") + BAR,
        mark("<beat-unit>quarter</beat-unit><beat-unit>eighth</beat-unit>") + BAR,
    )
    assert [(t.quarter, t.bpm) for t in good(tmp_path, text).tempos] == [(0, 96), (4, 90), (8, 45)]


def test_swing_in_words(tmp_path: Path) -> None:
    tab, problems = read(tmp_path, score(ATTRIBUTES + words("Medium Swing") + BAR))
    assert tab is not None
    assert tab.swing == F(2, 3)
    assert "'Medium Swing' is read as swing 2:1" in told(problems)


PAIR = (
    "<staves>2</staves><clef number='1'><sign>G</sign></clef><clef number='2'><sign>TAB</sign></clef>"
)  # fmt: skip


def test_what_a_notation_and_a_tab_staff_say_together(tmp_path: Path) -> None:
    """Programs write the place on the tab staff and slurs, fingers, trills, words on the other one."""

    def staff(number: int, text: str) -> str:
        return text.replace("<voice>1</voice>", f"<voice>{number * 4 - 3}</voice>").replace(
            "<notations>", f"<staff>{number}</staff><notations>"
        )

    above = note(
        3,
        7,
        2,
        technical="<fingering>3</fingering>",
        notations='<ornaments><trill-mark trill-step="whole"/></ornaments>',
    )
    above += note(2, 8, 2, more="<lyric><text>oh</text></lyric>")
    above = above.replace("<string>3</string><fret>7</fret>", "").replace(
        "<string>2</string><fret>8</fret>", ""
    )
    below = note(3, 7, 2) + note(2, 8, 2, technical="<bend><bend-alter>2</bend-alter></bend>")
    attributes = ATTRIBUTES.replace("<clef><sign>TAB</sign><line>5</line></clef>", PAIR).replace(
        "<staff-details>", '<staff-details number="2">'
    )
    text = score(attributes + staff(1, above) + "<backup><duration>48</duration></backup>" + staff(2, below))
    tab, problems = read(tmp_path, text)
    assert tab is not None, told(problems)
    assert [(n.string, n.fret, n.finger) for n in tab.notes] == [(3, 7, 3), (2, 8, None)]
    assert [n.techniques for n in tab.notes] == [(Trill(9),), (Bend.up(2),)]
    assert [lyric.text for lyric in tab.lyrics] == ["oh"]
    assert "is read, not staff" not in told(problems)


def test_what_a_notation_part_and_a_tab_part_say_together(tmp_path: Path) -> None:
    trill = '<ornaments><trill-mark trill-step="whole"/></ornaments>'
    above = note(3, 7, 2, technical="<fingering>3</fingering>", notations=trill) + note(2, 8, 2)
    above = above.replace("<string>3</string><fret>7</fret>", "").replace(
        "<string>2</string><fret>8</fret>", ""
    )
    other = f'<part id="P0"><measure number="1"><attributes><divisions>12</divisions></attributes>{above}</measure></part>'
    text = score(ATTRIBUTES + note(3, 7, 2) + note(2, 8, 2)).replace(
        '<part id="P1">', other + '<part id="P1">'
    )
    tab, problems = read(tmp_path, text)
    assert tab is not None, told(problems)
    assert [(n.string, n.fret, n.finger, n.techniques) for n in tab.notes] == [
        (3, 7, 3, (Trill(9),)),
        (2, 8, None, ()),
    ]
    assert "the part 'P0' has the same notes" in told(problems)


def test_another_staff_is_told(tmp_path: Path) -> None:
    other = note(6, 0, 4).replace("<notations>", "<staff>2</staff><notations>")
    _, problems = read(tmp_path, score(ATTRIBUTES + BAR + "<backup><duration>48</duration></backup>" + other))
    assert "the part has 2 staves: staff 1 is read, not staff 2" in told(problems)


def test_graces_together_and_on_the_beat(tmp_path: Path) -> None:
    graces = note(3, 5, 0, grace=True) + note(2, 6, 0, grace=True, chord=True)
    late = note(1, 3, 0, grace=True).replace("<grace/>", '<grace steal-time-following="50"/>')
    tab = good(tmp_path, score(ATTRIBUTES + graces + late + BAR))
    assert [n.get(Grace) for n in tab.notes] == [Grace(), Grace(together=True), Grace(on_beat=True), None]


def test_muted_and_ringing_notes_by_themselves_and_by_words(tmp_path: Path) -> None:
    line = words("let ring").replace(
        "</direction>", '<direction-type><dashes type="start"/></direction-type></direction>'
    )
    stop = '<direction><direction-type><dashes type="stop"/></direction-type></direction>'
    text = score(ATTRIBUTES + line + note(3, 7, 1) + note(3, 7, 1) + stop + words("P.M.") + note(3, 7, 2))
    own = note(3, 7, 1, more="<play><mute>palm</mute></play>") + note(3, 7, 3)
    assert [n.techniques for n in good(tmp_path, text).notes] == [
        (LetRing(),),
        (LetRing(),),
        (PalmMute(),),
    ]
    assert [n.techniques for n in good(tmp_path, score(ATTRIBUTES + own)).notes] == [(PalmMute(),), ()]


TWO = (
    score(ATTRIBUTES + BAR)
    .replace(
        "</part-list>", '<score-part id="P2"><part-name>Low  Strings</part-name></score-part></part-list>'
    )
    .replace(
        "</score-partwise>",
        f'<part id="P2"><measure number="1">{ATTRIBUTES}{note(6, 3, 4)}</measure></part></score-partwise>',
    )
)


@pytest.mark.parametrize(("part", "fret"), [(None, 7), ("p2", 3), ("low strings", 3), ("GUITAR", 7)])
def test_the_part_that_is_asked_for(tmp_path: Path, part: str | None, fret: int) -> None:
    path = tmp_path / "a.musicxml"
    path.write_text(TWO)
    problems = Problems()
    tab = read_musicxml(path, problems, part=part)
    assert tab is not None, told(problems)
    assert tab.notes[0].fret == fret
    assert ("the score has 2 parts: 'Guitar' is read, not 'Low Strings'" in told(problems)) == (part is None)


@pytest.mark.parametrize("reader", [read_musicxml, read_musicxml_chart])
def test_a_part_that_is_not_there(tmp_path: Path, reader: type) -> None:
    path = tmp_path / "a.musicxml"
    path.write_text(TWO)
    problems = Problems()
    assert reader(path, problems, part="Low String") is None
    assert "the score has no part 'Low String'; its parts: Guitar (P1), Low Strings (P2)" in told(problems)
    assert "Did you mean Low Strings?" in told(problems)


def test_problems_name_their_line(tmp_path: Path) -> None:
    text = score(ATTRIBUTES + BAR, note(3, 77, 4), note(6, 1, 4).replace("<string>6", "<string>9")).replace(
        "<note>", "\n<note>"
    )
    _, problems = read(tmp_path, text)
    assert [(p.line, p.column, p.what.partition(":")[0]) for p in problems.errors] == [
        (4, 1, "measure 3"), (3, 1, "measure 2"),
    ]  # fmt: skip


def test_places_are_filled(tmp_path: Path) -> None:
    path = tmp_path / "a.musicxml"
    path.write_text(score(ATTRIBUTES + BAR, note(3, 5, 2) + note(1, 5, 2)).replace("<note>", "\n<note>"))
    places = Places(path)
    assert read_musicxml(path, Problems(), places=places) is not None
    assert (places.bar(0).line, places.bar(1).line) == (1, 2)
    assert [(at, string, place.line) for (at, string), place in places.notes.items()] == [
        (0, 3, 2), (4, 3, 3), (6, 1, 4),
    ]  # fmt: skip


def test_a_bar_without_metre_has_the_length_of_what_it_holds(tmp_path: Path) -> None:
    free = ATTRIBUTES.replace("<beats>4</beats><beat-type>4</beat-type>", "<senza-misura/>")
    tab, problems = read(tmp_path, score(free + note(3, 7, 7), BAR))
    assert tab is not None
    assert [str(bar.metre) for bar in tab.form.bars] == ["7/4", "4/4"]
    assert "without metre: read as 7/4" in told(problems)
