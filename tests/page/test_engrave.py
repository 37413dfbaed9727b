"""The page shows the right figures at the right places, as real text, the same each time."""

from __future__ import annotations

import io
import itertools
import re
from collections import Counter
from dataclasses import replace
from fractions import Fraction as F
from xml.etree.ElementTree import Element

import pypdf
import pypdfium2
import pytest
from defusedxml.ElementTree import fromstring
from hypothesis import HealthCheck, given, settings

from pipeline.errors import MisuseError
from pipeline.music.instrument import INSTRUMENTS
from pipeline.music.metre import Bar, Form, Metre
from pipeline.music.tab import Lyric, Tab
from pipeline.music.technique import (
    Bend,
    Grace,
    HammerOn,
    Harmonic,
    HarmonicKind,
    Slide,
    SlideKind,
    Technique,
)
from pipeline.page.engrave import Engraving, engrave
from pipeline.page.layers import lay_out
from pipeline.page.look import default_look, look_from
from pipeline.page.marks import bend_name
from pipeline.page.musicxml import engraver_score
from pipeline.page.scorexml import ScoreWriter
from pipeline.page.shapes import text_width
from pipeline.page.sheet import _LEAST, PAPERS, _fitting
from tests.page.pieces import PIECES, all_marks_tab, long_tab, techniques_tab
from tests.samples import chart_of, lead_spans, lead_tab, tab_of, waltz_spans, waltz_tab
from tests.wholetabs import whole_tabs

ALL = {"lead": lead_tab, "waltz": waltz_tab, **PIECES}
SVG = "{http://www.w3.org/2000/svg}"
XLINK = "{http://www.w3.org/1999/xlink}"


def systems_of(pages: tuple[str, ...]) -> list[Element]:
    return [g for page in pages for g in fromstring(page).iter(f"{SVG}g") if g.get("class") == "system"]


def tab_lines(system: Element, strings: int) -> list[float]:
    """y of the strings: the lowest horizontal lines that start at the system's left."""
    found: dict[float, float] = {}
    for path in system.iter(f"{SVG}path"):
        match = re.fullmatch(r"M(-?[\d.]+) (-?[\d.]+) L(-?[\d.]+) (-?[\d.]+)", path.get("d", ""))
        if match and match[2] == match[4] and path.get("stroke-width") == "13":
            found[float(match[2])] = min(found.get(float(match[2]), 1e9), float(match[1]))
    return sorted(found)[-strings:]


def words(element: Element) -> str:
    return "".join(element.itertext())


def figures(system: Element, strings: int) -> list[tuple[float, int, str]]:
    """(x, string, figure) of what stands on the tab lines, read by place alone, left to right."""
    lines = tab_lines(system, strings)
    assert len(lines) == strings
    found = []
    for text in system.iter(f"{SVG}text"):
        size, y = float(text.get("font-size", "0")), float(text.get("y", "0"))
        middle = y - size * 0.33
        near = [n for n, line in enumerate(lines, start=1) if abs(line - middle) < 20]
        if near and text.get("font-weight") == "600" and re.search(r"\d|×", words(text)):
            found.append((float(text.get("x", "0")), near[0], words(text)))
    return sorted(found)


@pytest.mark.parametrize("name", ALL)
def test_figures_by_place(name: str) -> None:
    """Every note's fret stands on its string's line, in the order of playing."""
    tab = ALL[name]()
    read = []
    for system in systems_of(engrave(tab).pages):
        read += figures(system, len(tab.instrument.strings))
    plain = [(string, re.sub(r"\(\d+\)$|[⟨⟩]", "", figure) or figure) for _, string, figure in read]
    expected = {}
    for note in tab.notes:
        figure = "×" if any(type(t).__name__ == "Dead" for t in note.techniques) else str(note.fret)
        expected.setdefault(note.string, []).append(figure)
    for string, wanted in expected.items():
        shown = [figure for at, figure in plain if at == string]
        # figures in parentheses are tied or ghost notes
        struck = [figure for figure in shown if not figure.startswith("(")]
        ghosts = [figure.strip("()") for figure in shown if figure.startswith("(")]
        if any("Ghost" in str(n.techniques) for n in tab.notes if n.string == string):
            assert sorted(struck + ghosts) == sorted(wanted)
        else:
            assert struck == wanted


@pytest.mark.parametrize("semitones", [F(1, 2), F(1), F(3, 2), F(2), F(3), F(4)])
@pytest.mark.parametrize("make", [Bend.up, Bend.up_release, Bend.pre, Bend.pre_release])
def test_bend_amounts_by_place(semitones: F, make: object) -> None:
    """The amount stands over the staff between its note and the next one."""
    rows = [(0, 2, 3, 7, (make(semitones),)), (2, 2, 2, 5, ())]  # type: ignore[operator]
    (system,) = systems_of(engrave(tab_of(rows)).pages)
    top = tab_lines(system, 6)[0]
    (x0, _, _), (x1, _, _) = figures(system, 6)
    labels = [
        t
        for t in system.iter(f"{SVG}text")
        if words(t) == bend_name(semitones)
        and float(t.get("y", "0")) < top
        and t.get("text-anchor") == "middle"
    ]
    assert len(labels) == 1
    assert x0 - 1 <= float(labels[0].get("x", "0")) < x1


@pytest.mark.parametrize(
    ("semitones", "name"),
    [(F(1, 2), "¼"), (F(1), "½"), (F(3, 2), "¾"), (F(2), "full"), (F(3), "1½"), (F(4), "2"), (F(5, 2), "1¼")],
)
def test_amounts_are_in_whole_tones(semitones: F, name: str) -> None:
    """Common practice."""
    assert bend_name(semitones) == name


def boxes_of(marks: Element) -> list[tuple[str, float, float]]:
    return [(words(t), float(t.get("x", "0")), float(t.get("y", "0"))) for t in marks.iter(f"{SVG}text")]


def test_words_above_the_tab_do_not_run_into_one_another() -> None:
    for system in systems_of(engrave(techniques_tab()).pages):
        (marks,) = [g for g in system.iter(f"{SVG}g") if g.get("class") == "marks"]
        placed = boxes_of(marks)
        for n, (_, x, y) in enumerate(placed):
            for _, other_x, other_y in placed[n + 1 :]:
                assert abs(x - other_x) > 120 or abs(y - other_y) > 150


def opened(made: Engraving) -> pypdf.PdfReader:
    return pypdf.PdfReader(io.BytesIO(made.pdf))


@pytest.mark.parametrize("paper", PAPERS)
def test_pdf_opens_with_title_text_and_size(paper: str) -> None:
    tab = replace(lead_tab(), title="Low & Tide #1 [x]")
    made = engrave(tab, lead_spans(), credit="A player", footer="For practice only.", paper=paper)
    reader = opened(made)
    assert len(reader.pages) == len(made.pages) == 1
    assert reader.metadata is not None and reader.metadata.title == "Low & Tide #1 [x]"
    assert reader.metadata.author == "A player" and reader.metadata.creation_date is None
    width, height = PAPERS[paper]
    assert float(reader.pages[0].mediabox.width) == pytest.approx(width / 100 * 72 / 25.4, abs=0.1)
    assert float(reader.pages[0].mediabox.height) == pytest.approx(height / 100 * 72 / 25.4, abs=0.1)
    text = reader.pages[0].extract_text()
    for piece in ("Low & Tide #1 [x]", "A player", "For practice only.", "page 1 of 1", "Am7", "D9", "full"):
        assert piece in text
    with pypdfium2.PdfDocument(made.pdf) as document:
        again = document[0].get_textpage().get_text_bounded()
        assert "Call" in again and "P.M." in again


def test_musical_signs_come_through_as_text() -> None:
    tab = tab_of([(0, 4, 2, 5, ())], key="Bb")
    made = engrave(tab, chart_of("Bbmaj9 F#m7b5/C", *["Am"] * 3).spans(tab.form))
    text = opened(made).pages[0].extract_text()
    assert "B♭maj9" in text and "F♯m7♭5/C" in text and "B♭ major" in text
    for page in made.pages:
        private = [c for c in words(fromstring(page)) if 0xE000 <= ord(c) <= 0xF8FF]
        assert not private


@pytest.mark.parametrize(("chord", "shown"), [("Fbb", "F♭♭"), ("F##/G##", "F♯♯/G♯♯"), ("Bbb7", "B♭♭7")])
def test_double_signs_of_chords_are_signs_that_the_fonts_have(chord: str, shown: str) -> None:
    """The engraver's own characters for them came out as empty boxes."""
    tab = lead_tab()
    (page,) = engrave(tab, chart_of(chord, "A", "B", "C").spans(tab.form)).pages
    names = [words(t) for t in fromstring(page).iter(f"{SVG}text")]
    assert shown in names


def test_fonts_are_embedded() -> None:
    """Fonts in the file, so that it prints the same anywhere."""
    names = set()
    for page in opened(engrave(waltz_tab(), waltz_spans())).pages:
        for font in page["/Resources"]["/Font"].values():  # type: ignore[index, union-attr]
            below = font.get_object()["/DescendantFonts"][0].get_object()["/FontDescriptor"].get_object()
            assert "/FontFile2" in below or "/FontFile3" in below
            names.add(str(below["/FontName"]))
    assert any("SourceSans" in name for name in names)


@pytest.mark.parametrize("name", ["lead", "techniques", "compound"])
def test_same_bytes_twice(name: str) -> None:
    first, second = engrave(ALL[name]()), engrave(ALL[name]())
    assert first.pages == second.pages
    assert first.pdf == second.pdf


@pytest.mark.parametrize("name", INSTRUMENTS)
def test_every_instrument(name: str) -> None:
    tab = tab_of([(n, 1, 1 + n % 4, n, ()) for n in range(4)], instrument=name)
    strings = len(tab.instrument.strings)
    (system,) = systems_of(engrave(tab).pages)
    assert [(string, figure) for _, string, figure in figures(system, strings)] == [
        (1 + n % 4, str(n)) for n in range(4)
    ]


def test_each_line_of_a_long_piece_says_its_bar() -> None:
    made = engrave(long_tab(64))
    bars = [
        int(words(t))
        for s in systems_of(made.pages)
        for t in s.iter(f"{SVG}text")
        if t.get("font-size") == "270"
    ]
    assert bars == sorted(bars) and len(bars) == len(systems_of(made.pages)) - 1


def test_nothing_leaves_the_page() -> None:
    """Every dark pixel is inside the margins (one page drawn at 50 dpi)."""
    made = engrave(long_tab(24), footer="A footer that goes on. " * 30, credit="A credit " * 10)
    with pypdfium2.PdfDocument(made.pdf) as document:
        for page in document:
            picture = page.render(scale=50 / 72).to_pil().convert("L").point(lambda v: 255 * (v < 200))
            left, top, right, bottom = picture.getbbox()
            edge = 50 / 25.4 * 10  # ten millimetres
            assert left >= edge and top >= edge
            assert right <= picture.width - edge and bottom <= picture.height - edge


def test_a_crowded_bar_stays_on_the_page() -> None:
    """Sixty-four notes in a bar, more than a line has room for."""
    made = engrave(tab_of([(F(n, 16), F(1, 16), 1 + n % 6, 10 + n % 9, ()) for n in range(64)]))
    with pypdfium2.PdfDocument(made.pdf) as document:
        picture = document[0].render(scale=50 / 72).to_pil().convert("L").point(lambda v: 255 * (v < 200))
        assert picture.getbbox()[2] <= picture.width - 50 / 25.4 * 10


def test_colours_of_the_look() -> None:
    page = engrave(lead_tab(), look=look_from({"accent": "#aa0000", "paper": "#fffff0"})).pages[0]
    assert "#aa0000" in page
    assert "#fffff0" not in page  # the page is printed on white


def test_repeats_of_more_than_two_times_say_so() -> None:
    form = Form((Bar(1, Metre(), F(4), repeat_start=True, repeat_times=3), Bar(2, Metre(), F(4))))
    (system,) = systems_of(engrave(tab_of([(0, 4, 3, 5, ())], form=form)).pages)
    assert "×3" in [words(t) for t in system.iter(f"{SVG}text")]


def test_letters_without_a_glyph_are_announced() -> None:
    made = engrave(replace(lead_tab(), title="Tide 潮"))
    assert made.notes == ("the fonts of the look have no sign for 潮; give a font that has, or other words",)


def test_a_tie_into_the_next_line_takes_no_room() -> None:
    """The engraver tells the frame of such a tie's second part, which once pushed lines far apart."""
    rows = [(n * F(1, 2), F(1, 2), 2, 5 + n % 4, ()) for n in range(64) if n % 16 not in (14, 15)]
    rows += [(F(8 * n + 7), F(1) if n == 3 else F(2), 3, 7, ()) for n in range(4)]
    plain = [(n * F(1, 2), F(1, 2), 2, 5 + n % 4, ()) for n in range(64)]
    heights = []
    for music in (rows, plain):
        tied = [
            row for row in music if not (row[0] % 8 < 1 and row[0] >= 8 and row[2] == 2 and music is rows)
        ]
        page = fromstring(engrave(tab_of(tied, form=Form.plain(8))).pages[0])
        shifts = [
            g.get("transform", "")
            for g in page.iter(f"{SVG}g")
            if g.get("transform", "").startswith("translate(1500")
        ]
        lines = [
            tab_lines(system, 6)[0] for system in page.iter(f"{SVG}g") if system.get("class") == "system"
        ]
        tops = [float(shift.split()[1][:-1]) + line for shift, line in zip(shifts, lines, strict=True)]
        heights.append(max(b - a for a, b in itertools.pairwise(tops)))
    assert heights[0] < heights[1] + 800


def test_figures_stand_under_their_notes_where_grace_notes_lead_in() -> None:
    """The engraver gave grace notes on the tab staff the time of an eighth: every figure after one
    stood under the next note."""
    rows: list[tuple[F | int, F | int, int, int, tuple[Technique, ...]]] = [
        (F(k, 2), F(1, 2), 1, 8 + k, ()) for k in range(8)
    ]
    rows += [(1, 0, 1, 7, (Grace(),)), (3, 0, 1, 14, (Grace(),)), (3, 0, 2, 12, (Grace(),))]
    (system,) = systems_of(engrave(tab_of(rows)).pages)
    heads = []
    for group in system.iter(f"{SVG}g"):
        if re.fullmatch(r"n\d+", group.get("id", "")):
            (use,) = group.iterfind(f"{SVG}g[@class='notehead']/{SVG}use")
            match = re.match(r"translate\((\d+)", use.get("transform", ""))
            assert match is not None
            heads.append(float(match[1]))
    assert len(heads) == 11
    shown = figures(system, 6)
    assert [figure for _, string, figure in shown if string == 1] == [
        "8",
        "9",
        "7",
        "10",
        "11",
        "12",
        "13",
        "14",
        "14",
        "15",
    ]
    assert [figure for _, string, figure in shown if string == 2] == ["12"]
    sure = [(x, figure) for x, _, figure in shown if figure not in ("7", "14", "12")]
    for x, _ in sure:  # under a head, whose place is its left edge
        assert min(abs(x - head - 120) for head in heads) < 60
    struck = [x for x, _ in sure]
    assert struck == sorted(struck)


def test_unknown_paper() -> None:
    with pytest.raises(MisuseError, match="no paper 'a3'; known: a4, letter"):
        engrave(lead_tab(), paper="a3")


def test_empty_tab() -> None:
    tab = tab_of([])
    assert isinstance(tab, Tab)
    assert len(engrave(tab).pages) == 1


def test_long_words_stay_on_the_page_and_legible() -> None:
    """A title of 400 characters was set as a hairline, a credit wider than the page gave sizes
    below nothing, and a phrase's name ran off the paper."""
    look = default_look()
    for words in ("A very long title that goes on and on " * 12, "W" * 400):
        shown, size = _fitting(words, look, 850, 12_000)
        assert size >= 850 * _LEAST and shown.endswith("…") and len(shown) > 5
        assert text_width(shown, look, size=size, bold=True) <= 12_000
    assert _fitting("Low Tide", look, 850, 12_000) == ("Low Tide", 850)


def texts_of(pages: tuple[str, ...]) -> list[str]:
    return [words(text) for page in pages for text in fromstring(page).iter(f"{SVG}text")]


def test_all_that_stands_beside_the_notes_is_on_the_page() -> None:
    tab = all_marks_tab()
    made = engrave(tab)
    shown = Counter(texts_of(made.pages))
    for said in ("To Coda", "Fine", "D.S. al Coda", "D.C. al Fine", "gently", "second time softly", "rit."):
        assert shown[said] == 1, said
    for syllable, count in Counter(lyric.text.rstrip("-") for lyric in tab.lyrics).items():
        assert shown[syllable] >= count, syllable
    plucked = Counter(note.pluck for note in tab.notes if note.pluck)
    fingers = Counter(str(note.finger or "T") for note in tab.notes if note.finger is not None)
    drawn = Counter(
        words(group)
        for system in systems_of(made.pages)
        for group in system.iter(f"{SVG}g")
        if "fing" in group.get("class", "").split()
    )
    assert all(shown[letter] >= count for letter, count in plucked.items())
    assert Counter({name.strip(): count for name, count in drawn.items()}) == fingers
    # SMuFL: segno U+E047, coda U+E048
    glyphs = [
        use.get(f"{XLINK}href", "") for page in made.pages for use in fromstring(page).iter(f"{SVG}use")
    ]
    assert sum("E047" in glyph for glyph in glyphs) == sum("E048" in glyph for glyph in glyphs) == 1
    assert made.notes == ()


def frame(text: Element) -> tuple[float, float, float, float]:
    """Left, top, right, bottom of a line of text, from the fonts' own widths."""
    size, x, y = (float(text.get(name, "0")) for name in ("font-size", "x", "y"))
    wide = text_width(words(text), default_look(), size=size)
    left = {"middle": x - wide / 2, "end": x - wide}.get(text.get("text-anchor", "start"), x)
    return left, y - 0.6 * size, left + wide, y


@pytest.mark.parametrize("moved", range(4))
def test_marks_keep_clear_of_the_words_under_the_staff(moved: int) -> None:
    """The amount of a bend was printed over the second verse."""
    rows: list[tuple[F | int, F | int, int, int, tuple[Technique, ...]]] = [
        (n * F(1, 2), F(1, 2), 1 + n % 2, 5 + n % 3, (Bend.up(2),) if n % 4 == moved else ())
        for n in range(16)
    ]
    tab = tab_of(rows, form=Form.plain(2))
    sung = [
        Lyric(note.onset, word, v)
        for v in (1, 2, 3)
        for note, word in zip(tab.notes, ["round", "and", "back", "again"] * 4, strict=True)
    ]
    checked = 0
    for system in systems_of(engrave(replace(tab, lyrics=tuple(sung))).pages):
        said = [
            frame(t) for g in system.iter(f"{SVG}g") if g.get("class") == "syl" for t in g.iter(f"{SVG}text")
        ]
        (marks,) = [g for g in system.iter(f"{SVG}g") if g.get("class") == "marks"]
        for mark in (frame(t) for t in marks.iter(f"{SVG}text") if words(t) == "full"):
            assert not any(
                mark[0] < s[2] and s[0] < mark[2] and mark[1] < s[3] and s[1] < mark[3] for s in said
            )
            checked += 1
    assert checked == 4


def test_words_where_no_note_starts_are_printed_too() -> None:
    tab = replace(tab_of([(0, 4, 1, 3, ())]), lyrics=(Lyric(F(5, 2), "ah"),))
    assert "ah" in texts_of(engrave(tab).pages)


def test_two_slides_of_one_note_and_a_hammer_on_from_nothing_are_drawn() -> None:
    """Of two slides the first alone was; a hammer-on without a note before had no letter."""

    def lines(*techniques: Technique) -> int:
        (system,) = systems_of(engrave(tab_of([(0, 4, 2, 5, techniques)])).pages)
        (marks,) = [g for g in system.iter(f"{SVG}g") if g.get("class") == "marks"]
        return sum(path.get("stroke-width") == "26" for path in marks.iter(f"{SVG}path"))

    assert lines(Slide(SlideKind.IN_BELOW)) == lines(Slide(SlideKind.OUT_DOWN)) == 1
    assert lines(Slide(SlideKind.IN_BELOW), Slide(SlideKind.OUT_DOWN)) == 2
    assert "H" in texts_of(engrave(tab_of([(0, 4, 2, 5, (HammerOn(),))])).pages)


def test_rests_show_where_nothing_sounds() -> None:
    """A bass note on one beat put a rest high above the staff for the other voice, which nobody wrote."""
    tab = tab_of([(0, 1, 6, 3, ()), (1, 1, 1, 3, ()), (3, 1, 1, 3, ()), (4, 1, 1, 3, ()), (4, 1, 6, 3, ())])
    low = tuple(replace(note, voice=2) if note.string == 6 else note for note in tab.notes)
    tab = replace(tab, notes=low)
    bars = lay_out(tab).bars[:2]
    assert [bar.needed_rests() for bar in bars] == [{(1, F(2))}, {(1, F(1)), (1, F(2))}]
    root = fromstring(engraver_score(ScoreWriter(tab, lay_out(tab), (), for_engraver=True)))
    measure = next(root.iter("measure"))
    notes = [n for n in measure.iter("note") if n.findtext("staff") == "1"]
    shown = [
        n.findtext("type") for n in notes if n.find("rest") is not None and n.get("print-object") != "no"
    ]
    assert shown == ["quarter"]
    stems = [(n.findtext("voice"), n.findtext("stem")) for n in notes if n.find("rest") is None]
    assert stems == [("1", "up"), ("1", "up"), ("2", "down")]


def test_what_the_page_has_no_place_for_is_told() -> None:
    tab = tab_of([(0, 2, 1, 3, ()), (0, 2, 2, 3, ()), (2, 2, 3, 12, (Harmonic(HarmonicKind.NATURAL, 24),))])
    tab = replace(
        tab,
        notes=(replace(tab.notes[0], dynamic="f"), *tab.notes[1:]),
        form=Form((Bar(1, Metre(), F(4), repeat_times=2, double=True),)),
    )
    assert engrave(tab).notes == (
        "bar 1, beat 1: notes struck together at different loudness; the page shows the loudest",
        "bar 1, beat 3: which partial the harmonic sounds is not on the page",
        "bar 1: the page shows the repeat sign, not the double barline",
    )


@pytest.mark.slow
@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(whole_tabs())
def test_tabs_at_their_edges_can_be_printed(tab: Tab) -> None:
    assert engrave(tab).pages
