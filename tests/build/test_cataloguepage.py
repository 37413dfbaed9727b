"""The catalogue as a page and as a table: sound, safe, and with all its links."""

from __future__ import annotations

import csv
import io
import json
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import unquote

import pytest

from pipeline.build.catalogue import Catalogue
from pipeline.build.catalogueentry import NOT_BUILT, OUT_OF_DATE, UNREADABLE, UP_TO_DATE, Entry, Pack
from pipeline.build.cataloguefacts import Facts, PhraseFacts
from pipeline.build.cataloguepage import catalogue_csv, catalogue_page
from pipeline.errors import Problem
from pipeline.page.look import contrast, default_look

VOID = {"meta", "img", "input", "br", "hr", "link"}
NASTY = "</script><script>alert(1)</script><b>\"x\" & 'y' <!-- ]]>\u2028"

FACTS = Facts(
    key="F#m",
    tempo_bpm=92.5,
    metre="4/4",
    instrument="electric guitar",
    tuning="E♭ A D G B E",
    level="Easy",
    date="2026-11-25",
    bars=12,
    techniques=("bends", "hammer-ons"),
    chords=("F♯m7♭5", "B♭maj7"),
    positions=(2, 9),
    phrases=(PhraseFacts("Crépuscule", (1, 4), (2, 5), (2,)),),
)
GOOD = Entry(
    "a-tune", "A Tune", UP_TO_DATE, (), FACTS, (Pack("crew", "Crew", "a-tune/packs/a tune#1-crew.zip", 1_400_000),),
    "../configs/a/lesson.toml",
    {"review": "a-tune/review.html", "page": "a-tune/packs/crew/a - tab.pdf", "still": "a-tune/public/still.png"},
)  # fmt: skip


def catalogue_of(*entries: Entry, problems: tuple[Problem, ...] = ()) -> Catalogue:
    return Catalogue(Path("out"), entries, "A Room", default_look(), problems)


class Page(HTMLParser):
    """The elements of a page, each with its attributes and text; that all are closed is checked."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[tuple[str, dict[str, str | None], list[str]]] = []
        self.all: list[tuple[str, dict[str, str | None], str]] = []
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in VOID:
            self.all.append((tag, dict(attrs), ""))
        else:
            self.open.append((tag, dict(attrs), []))

    def handle_endtag(self, tag: str) -> None:
        name, attributes, text = self.open.pop()
        assert name == tag, f"<{name}> is closed by </{tag}>"
        self.all.append((name, attributes, "".join(text)))

    def handle_data(self, data: str) -> None:
        for _, _, text in self.open:
            text.append(data)

    def named(self, tag: str) -> list[tuple[dict[str, str | None], str]]:
        return [(attributes, text) for name, attributes, text in self.all if name == tag]

    def data(self) -> list[dict[str, object]]:
        (text,) = (text for a, text in self.named("script") if a.get("id") == "lessons")
        found: list[dict[str, object]] = json.loads(text)
        return found


def rows_of(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text, newline=""), strict=True))


# -- the page -----------------------------------------------------------------------------------


def test_a_row_shows_what_there_is() -> None:
    page = Page(catalogue_page(catalogue_of(GOOD)))
    cells = {a.get("data-label") or "Lesson": " ".join(text.split()) for a, text in page.named("td")}
    assert cells == {
        "Lesson": "A Tune Tab 1 phrase Crépuscule",
        "Date": "2026-11-25",
        "Grade": "Easy",
        "Key": "F♯ minor",
        "Tempo": "92.5 bpm",
        "Instrument": "Electric guitar",
        "Techniques": "bends, hammer-ons",
        "Positions": "II, IX",
        "Chords": "F♯m7♭5, B♭maj7",
        "Packs": "Crew 1.4 MB",
        "State": "Up to date",
    }


def test_every_row_has_every_column_in_the_order_of_the_heads() -> None:
    bare = Entry("b", "B", NOT_BUILT)
    page = Page(catalogue_page(catalogue_of(GOOD, bare)))
    heads = [text.strip() for _, text in page.named("th")]
    cells = [a.get("data-label") or "Lesson" for a, _ in page.named("td")]
    assert cells == heads * 2


def test_the_data_is_for_the_rows() -> None:
    bare = Entry("b", "B", NOT_BUILT)
    page = Page(catalogue_page(catalogue_of(GOOD, bare)))
    first, second = page.data()
    assert first["facets"] == {
        "key": ["F♯ minor"], "grade": ["Easy"], "instrument": ["electric guitar"],
        "technique": ["bends", "hammer-ons"], "chord": ["F♯m7♭5", "B♭maj7"], "state": ["up to date"],
    }  # fmt: skip
    assert {"A Tune", "Crépuscule", "F#m7b5", "F♯m7♭5", "bends"} <= set(str(first["text"]).split("\n"))
    assert second["facets"] == {
        "key": [], "grade": [], "instrument": [], "technique": [], "chord": [], "state": ["not built yet"],
    }  # fmt: skip
    heads = {a["data-column"] for a, _ in page.named("th")}
    assert heads == set(first["sort"]) == set(second["sort"])  # type: ignore[call-overload]


def test_filters_offer_what_there_is_and_only_that() -> None:
    other = replace(GOOD, lesson="b", state=OUT_OF_DATE, facts=replace(FACTS, key="A", level=""))
    page = Page(catalogue_page(catalogue_of(GOOD, other)))
    options = {a["name"]: a for a, _ in page.named("select")}
    assert list(options) == ["key", "grade", "instrument", "technique", "chord", "state"]
    values = [(a["value"], text) for a, text in page.named("option") if a["value"]]
    assert ("A major", "A major (1)") in values
    assert ("F♯ minor", "F♯ minor (1)") in values
    assert ("bends", "Bends (2)") in values
    assert ("Easy", "Easy (1)") in values
    data = page.data()
    offered = {value for value, _ in values}
    assert offered == {v for row in data for facet in row["facets"].values() for v in facet}  # type: ignore[attr-defined]


def test_a_filter_that_would_offer_nothing_is_left_out() -> None:
    page = Page(catalogue_page(catalogue_of(Entry("b", "B", NOT_BUILT))))
    assert [a["name"] for a, _ in page.named("select")] == ["state"]


def test_nothing_breaks_out_of_the_page() -> None:
    facts = replace(
        FACTS, key=NASTY, instrument=NASTY, level=NASTY, techniques=(NASTY,), chords=(NASTY,),
        phrases=(PhraseFacts(NASTY, (), (), ()),),
    )  # fmt: skip
    entry = Entry(
        "x", NASTY, UNREADABLE, (NASTY, NASTY, NASTY), facts, (Pack("t", NASTY, f"x/{NASTY}.zip", 1),),
        NASTY, {"review": f"x/{NASTY}", "still": f"x/{NASTY}.png", "page": f"x/{NASTY}.pdf"},
    )  # fmt: skip
    problem = Problem(NASTY, NASTY, Path("week.toml"))
    text = catalogue_page(replace(catalogue_of(entry, problems=(problem,)), channel=NASTY))
    page = Page(text)
    assert len(page.named("script")) == 2
    assert page.named("b") == []
    assert "<!--" not in text
    (row,) = page.data()
    assert str(row["text"]).startswith(NASTY)
    assert [unquote(str(a["src"])) for a, _ in page.named("img")] == [f"x/{NASTY}.png"]


def test_links_are_quoted_and_lead_to_the_files() -> None:
    page = Page(catalogue_page(catalogue_of(GOOD)))
    assert [a["href"] for a, _ in page.named("a")] == [
        "a-tune/review.html",
        "a-tune/packs/crew/a%20-%20tab.pdf",
        "a-tune/packs/a%20tune%231-crew.zip",
        "catalogue.csv",
        "catalogue.json",
    ]
    (picture, _) = page.named("img")[0]
    assert (picture["src"], picture["loading"]) == ("a-tune/public/still.png", "lazy")


def test_the_page_asks_nothing_of_the_network() -> None:
    text = catalogue_page(catalogue_of(GOOD))
    assert re.findall(r"(?:https?:)?//[\w.]+", re.sub(r"/\*.*?\*/|// .*", "", text)) == []
    assert "@import" not in text
    assert "url(" not in text


def test_a_screen_reader_finds_its_way() -> None:
    """WAI-ARIA 1.2: a column that can be sorted says so; every control has a label."""
    page = Page(catalogue_page(catalogue_of(GOOD)))
    sorts = {text.strip(): a["aria-sort"] for a, text in page.named("th")}
    assert sorts["Date"] == "descending"
    assert {sort for name, sort in sorts.items() if name != "Date"} == {"none"}
    assert all(a["scope"] == "col" for a, _ in page.named("th"))
    labels = {a["for"] for a, _ in page.named("label")}
    controls = {a["id"] for tag in ("input", "select") for a, _ in page.named(tag)}
    assert labels == controls
    ids = [a["id"] for _, a, _ in page.all if "id" in a]
    assert len(ids) == len(set(ids))
    assert [a["role"] for a, _ in page.named("p") if a.get("id") == "count"] == ["status"]
    assert [a["lang"] for a, _ in page.named("html")] == ["en"]
    # no state by colour alone
    late = Page(catalogue_page(catalogue_of(replace(GOOD, state=OUT_OF_DATE, why=("tab.txt changed",)))))
    (state,) = (" ".join(t.split()) for a, t in late.named("td") if a.get("data-label") == "State")
    assert state.startswith("Out of date") and state.endswith("tab.txt changed")


def test_without_dates_the_titles_are_in_order() -> None:
    page = Page(catalogue_page(catalogue_of(Entry("b", "B", NOT_BUILT))))
    assert [text.strip() for a, text in page.named("th") if a["aria-sort"] != "none"] == ["Lesson"]


def test_cautions_of_the_build_are_counted() -> None:
    page = Page(catalogue_page(catalogue_of(replace(GOOD, cautions=2))))
    assert "2 to look at" in [text for _, text in page.named("p")]


def test_many_reasons_are_folded_away() -> None:
    entry = replace(GOOD, state=OUT_OF_DATE, why=("one", "two", "three", "four"))
    page = Page(catalogue_page(catalogue_of(entry)))
    assert "and 2 more" in [text for _, text in page.named("summary")]


def test_everything_is_there_without_the_script() -> None:
    page = Page(catalogue_page(catalogue_of(GOOD)))
    assert [a for a, _ in page.named("tr") if "hidden" in a] == []
    assert "hidden" in page.named("form")[0][0]  # which would do nothing


def test_an_empty_catalogue_with_a_problem() -> None:
    page = Page(catalogue_page(catalogue_of(problems=(Problem("no lesson", path=Path("w.toml")),))))
    assert page.data() == []
    assert "../w.toml: no lesson" in [text for _, text in page.named("li")]


def test_a_lesson_of_which_nothing_is_known_has_room_for_its_error() -> None:
    page = Page(catalogue_page(catalogue_of(Entry("b", "B", UNREADABLE, ("tab.txt:1:1: what is this?",)))))
    assert [a.get("class") for a, _ in page.named("tr")][1:] == ["blank"]
    (name,) = (text for a, text in page.named("td") if a["class"] == "name")
    (state,) = (text for a, text in page.named("td") if a["class"] == "state")
    assert "what is this?" in name
    assert "what is this?" not in state


def test_badges_can_be_read_whatever_the_accent() -> None:
    for accent in ("#ffffff", "#ffee00", "#0b4f4a", "#777777"):
        text = catalogue_page(replace(catalogue_of(GOOD), look=replace(default_look(), accent=accent)))
        found = re.search(r"--on-accent: (#\w{6})", text)
        assert found
        assert contrast(found[1], accent) >= 4.5  # WCAG 2.2, 1.4.3


# -- the table ----------------------------------------------------------------------------------


def test_the_table_is_rfc_4180() -> None:
    """Lines end with CRLF, quotes are doubled, fields with commas, quotes or breaks are quoted."""
    entry = replace(GOOD, title='Comma, "quote"\nand break')
    text = catalogue_csv(catalogue_of(entry, Entry("b", "B", NOT_BUILT)))
    assert '"Comma, ""quote""\nand break"' in text
    assert text.endswith("\r\n")
    assert text.replace("\r\n", "").count("\r") == 0
    header, *lines = list(csv.reader(io.StringIO(text, newline=""), strict=True))
    assert {len(line) for line in lines} == {len(header)}


def test_a_line_of_the_table() -> None:
    (row,) = rows_of(catalogue_csv(catalogue_of(GOOD)))
    assert row == {
        "lesson": "a-tune", "title": "A Tune", "state": "up to date", "why": "", "date": "2026-11-25",
        "grade": "Easy", "key": "F#m", "tempo_bpm": "92.5", "metre": "4/4", "instrument": "electric guitar",
        "tuning": "Eb A D G B E", "bars": "12", "techniques": "bends; hammer-ons", "positions": "2; 9",
        "chords": "F#m7b5; Bbmaj7", "phrases": "Crépuscule", "packs": "Crew",
        "pack_paths": "a-tune/packs/a tune#1-crew.zip", "pack_bytes": "1400000", "cautions": "0",
        "review": "a-tune/review.html", "page": "a-tune/packs/crew/a - tab.pdf",
        "still": "a-tune/public/still.png", "source": "../configs/a/lesson.toml",
    }  # fmt: skip


@pytest.mark.parametrize("start", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1"])
def test_no_cell_is_a_formula(start: str) -> None:
    """Spreadsheets run cells that begin so; an apostrophe makes them text: common practice."""
    facts = replace(FACTS, level=start, techniques=(start, "b"), phrases=(PhraseFacts(start, (), (), ()),))
    (row,) = rows_of(catalogue_csv(catalogue_of(replace(GOOD, title=start, facts=facts, why=(start,)))))
    assert row["title"] == row["grade"] == row["why"] == row["phrases"] == f"'{start}"
    assert row["techniques"] == f"'{start}; b"
    assert not [value for value in row.values() if value.startswith(("=", "+", "-", "@", "\t", "\r"))]
