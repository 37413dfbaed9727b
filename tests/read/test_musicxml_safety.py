"""Files made to do harm, or damaged: each is refused with a reason or read, quickly and within bounds."""

from __future__ import annotations

import io
import struct
import zipfile
import zlib
from pathlib import Path

import pytest

from pipeline.errors import Problems
from pipeline.music.tab import Tab
from pipeline.read.musicxml import read_musicxml
from pipeline.read.musicxml_chart import read_musicxml_chart
from pipeline.read.musicxml_file import MAX_SCORE_BYTES
from tests.read.test_musicxml import ATTRIBUTES, container, note, packed, read, score

BAR = note(3, 7, 4)
GOOD = score(ATTRIBUTES + BAR).replace("</part-name>", " é♭</part-name>")


def refusal(tmp_path: Path, data: str | bytes, name: str = "a.musicxml") -> str:
    tab, problems = read(tmp_path, data, name)
    assert tab is None
    assert all(p.remedy for p in problems.errors)
    return "\n".join(p.text() for p in problems.errors)


BOMB = (
    '<!DOCTYPE s [<!ENTITY a "aaaaaaaaaa">'
    + "".join(f'<!ENTITY {b} "{f"&{a};" * 10}">' for a, b in zip("abcdefgh", "bcdefghi", strict=True))
    + "]><score-partwise>&i;</score-partwise>"
)
OUTSIDE = '<!DOCTYPE s [<!ENTITY x SYSTEM "file:///etc/passwd">]><score-partwise>&x;</score-partwise>'
PARAMETER = '<!DOCTYPE s [<!ENTITY % x SYSTEM "http://127.0.0.1:9/x"> %x;]><score-partwise/>'


@pytest.mark.parametrize("text", [BOMB, OUTSIDE, PARAMETER], ids=["bomb", "outside", "parameter"])
def test_entities_are_refused(tmp_path: Path, text: str) -> None:
    assert "declares entities" in refusal(tmp_path, text)


def test_a_document_type_far_away_is_passed_over(tmp_path: Path) -> None:
    doctype = '<!DOCTYPE score-partwise PUBLIC "-//Recordare//DTD MusicXML 4.0 Partwise//EN" "http://127.0.0.1:9/partwise.dtd">'
    tab, _ = read(tmp_path, GOOD.replace("?>", "?>" + doctype, 1))
    assert tab is not None


def test_an_entity_that_nobody_declared(tmp_path: Path) -> None:
    assert "undefined entity" in refusal(tmp_path, GOOD.replace("é♭", "&nbsp;"))


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("<a>" * 500_000, "deeper"),
        ("<score-partwise>" + "<a/>" * 900_000 + "</score-partwise>", "more elements"),
    ],
    ids=["deep", "many"],
)
def test_trees_that_are_no_scores(tmp_path: Path, text: str, what: str) -> None:
    told = refusal(tmp_path, text)
    assert what in told
    assert ":1: error" in told


def test_files_beyond_the_limit_are_not_read(tmp_path: Path) -> None:
    path = tmp_path / "a.musicxml"
    with path.open("wb") as file:
        file.truncate(MAX_SCORE_BYTES + 1)
    problems = Problems()
    assert read_musicxml(path, problems) is None
    assert "at most" in problems.errors[0].what


def strings(tab: Tab | None) -> list[tuple[int, int]]:
    assert tab is not None
    return [(n.string, n.fret) for n in tab.notes]


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "utf-16-be", "utf-8-sig", "iso-8859-1"])
def test_encodings(tmp_path: Path, encoding: str) -> None:
    """UTF-16 is one of the two encodings that every XML reader knows (XML 1.0, 4.3.3)."""
    declared = "UTF-8" if encoding == "utf-8-sig" else "UTF-16" if "16" in encoding else encoding
    text = GOOD.replace('encoding="UTF-8"', f'encoding="{declared}"').replace("♭", "")
    data = text.encode(encoding)
    if encoding in ("utf-16-le", "utf-16-be"):
        data = (b"\xff\xfe" if encoding == "utf-16-le" else b"\xfe\xff") + data
    assert strings(read(tmp_path, data)[0]) == [(3, 7)]


@pytest.mark.parametrize(
    ("declared", "real"), [("UTF-16", "utf-8"), ("UTF-8", "utf-16"), ("ISO-8859-1", "utf-16")]
)
def test_another_encoding_than_the_file_says(tmp_path: Path, declared: str, real: str) -> None:
    data = GOOD.replace('encoding="UTF-8"', f'encoding="{declared}"').encode(real)
    tab, problems = read(tmp_path, data)
    if tab is None:
        assert all(p.remedy for p in problems.errors)
    else:
        assert strings(tab) == [(3, 7)]
        assert real == "utf-16" or any("another encoding" in p.what for p in problems.cautions)


def test_a_byte_that_is_not_in_the_encoding(tmp_path: Path) -> None:
    told = refusal(tmp_path, GOOD.replace("♭", "").replace("?>", "?>\n", 1).encode("latin-1"))
    assert "the byte 0xe9 is not UTF-8, in which the file says it is written" in told
    assert ":2:" in told


@pytest.mark.parametrize("name", ["/etc/passwd", "../a.xml", "a/../../b.xml", "..\\b.xml", "a\nb.xml"])
def test_names_that_climb_out_of_the_archive(tmp_path: Path, name: str) -> None:
    path = packed(
        tmp_path / "a.mxl", {"META-INF/container.xml": container(name.replace("\n", "&#10;")), "a.xml": GOOD}
    )
    problems = Problems()
    assert read_musicxml(path, problems) is None
    assert "a file outside of it" in problems.errors[0].what


def zip_of(size: int) -> bytes:
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as archive:
        archive.writestr("META-INF/container.xml", container("a.xml"))
        archive.writestr("a.xml", b" " * size)
    return file.getvalue()


def test_an_archive_that_swells(tmp_path: Path) -> None:
    assert "unpacks to more than" in refusal(tmp_path, zip_of(MAX_SCORE_BYTES + 1), "a.mxl")


def test_an_archive_that_lies_about_its_sizes(tmp_path: Path) -> None:
    """The directory says ten bytes; what comes out is counted all the same."""
    data = zip_of(MAX_SCORE_BYTES + 1)
    lying = data.replace(struct.pack("<I", MAX_SCORE_BYTES + 1), struct.pack("<I", 10))
    assert lying != data
    assert refusal(tmp_path, lying, "a.mxl")


def test_an_archive_in_an_archive_is_no_score(tmp_path: Path) -> None:
    inner = zip_of(1000)
    path = tmp_path / "a.mxl"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("META-INF/container.xml", container("b.mxl"))
        archive.writestr("b.mxl", inner)
    problems = Problems()
    assert read_musicxml(path, problems) is None
    assert "the archive holds another archive" in problems.errors[0].what


def test_a_container_that_swells(tmp_path: Path) -> None:
    told = refusal(
        tmp_path, mxl({"META-INF/container.xml": "<container>" + " " * 2_000_000 + "</container>"}), "a.mxl"
    )
    assert "META-INF/container.xml unpacks to more than" in told


def mxl(members: dict[str, str]) -> bytes:
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, text in members.items():
            archive.writestr(name, text)
    return file.getvalue()


@pytest.mark.parametrize("seed", range(40))
def test_damaged_archives(tmp_path: Path, seed: int) -> None:
    """A byte changed anywhere: a tab, or an error that says why not."""
    data = bytearray(mxl({"META-INF/container.xml": container("a.xml"), "a.xml": GOOD}))
    place = zlib.crc32(bytes([seed])) % len(data)
    data[place] ^= 1 + seed
    tab, problems = read(tmp_path, bytes(data), "a.mxl")
    assert (tab is None) == bool(problems.errors)


def test_the_same_music_by_measure_and_by_part(tmp_path: Path) -> None:
    two = score(ATTRIBUTES + BAR, BAR)
    by_measure = (
        two.replace("score-partwise", "score-timewise")
        .replace('<part id="P1">', "").replace("</part></score", "</score")
        .replace('<measure number="1">', '<measure number="1"><part id="P1">')
        .replace('<measure number="2">', '\n<measure number="2"><part id="P1">')
        .replace("</measure>", "</part></measure>")
    )  # fmt: skip
    one, _ = read(tmp_path, two)
    tab, _ = read(tmp_path, by_measure)
    assert tab == one
    _, problems = read(tmp_path, by_measure.replace("<fret>7</fret></technical></notations></note></part></measure></score", "<fret>77</fret></technical></notations></note></part></measure></score"))  # fmt: skip
    assert problems.errors[0].line == 2


HUGE = ["99999999999999999999", "-1", "1e999", "1/0", "nan", "inf", "9" * 900, "१२", "0x10", " ", "1 2"]
FIELDS = [
    "divisions",
    "duration",
    "octave",
    "alter",
    "string",
    "fret",
    "fifths",
    "beats",
    "beat-type",
    "line",
    "staff-lines",
]


@pytest.mark.parametrize("field", FIELDS)
@pytest.mark.parametrize("value", HUGE)
def test_numbers_that_are_none(tmp_path: Path, field: str, value: str) -> None:
    start, end = f"<{field}>", f"</{field}>"
    sharp = note(3, 8, 4)
    text = score(
        ATTRIBUTES + sharp + "<barline><repeat direction='backward' times='99999999999'/></barline>", BAR
    )
    before, _, rest = text.partition(start)
    text = before + start + value + rest[rest.index(end) :]
    tab, problems = read(tmp_path, text)
    assert (tab is None) == bool(problems.errors)
    path = tmp_path / "a.musicxml"
    read_musicxml_chart(path, Problems())
