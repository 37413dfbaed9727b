"""Damaged, forged and misnamed files: every reader reads them or says what is wrong, soon, and holds its memory.

A sample of what ``python -m tests.endurance fuzz`` does by the ten thousand, and files of known
ill will or bad luck by name.
"""

from __future__ import annotations

import io
import struct
import zipfile
import zlib
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.errors import Problems
from pipeline.page.midi import write_midi
from pipeline.page.musicxml import write_musicxml
from pipeline.read.musicxml import read_musicxml
from pipeline.read.source import MAX_TEXT_BYTES
from pipeline.read.tabfile import read_chart, read_tab
from tests.endurance import fuzz
from tests.fuzzcases import SUFFIXES, TABS, Case, case, corpus
from tests.fuzzformats import CHART_TOKENS, TAB_TOKENS, with_true_lengths
from tests.fuzzreading import CRASHED, HUNG, READ, REFUSED, has_midi_reader, judge
from tests.samples import lead_tab

SAMPLE = 240
needs_midi = pytest.mark.skipif(not has_midi_reader(), reason="there is no reader for MIDI yet")


def ends(kind: str, data: bytes, folder: Path, *, thorough: bool = True) -> str:
    """How the reading of a file of this kind ends; never with a fault."""
    outcome = judge(Case(0, kind, data, ""), folder, thorough=thorough)
    assert not outcome.fault, f"{outcome.signature}\n{outcome.trace}"
    return outcome.verdict


def told(kind: str, data: bytes, folder: Path) -> str:
    """The first error of a file that must be refused."""
    assert ends(kind, data, folder) == REFUSED
    path = folder / f"named{SUFFIXES[kind]}"
    path.write_bytes(data)
    problems = Problems()
    assert (read_chart if kind == "chart text" else read_tab)(path, problems) is None
    return problems.errors[0].text()


def test_a_sample_of_the_long_run(tmp_path: Path) -> None:
    verdicts: Counter[str] = Counter()
    for number in range(SAMPLE):
        one = case(number, seed=20, small=True)
        if one.kind == "MIDI" and not has_midi_reader():
            continue
        outcome = judge(one, tmp_path, thorough=number % fuzz.THOROUGH == 0)
        assert not outcome.fault, f"case {number}, {one.story}: {outcome.signature}\n{outcome.trace}"
        verdicts[outcome.verdict] += 1
    # neither all of it rubbish, nor all of it whole
    assert verdicts[READ] > SAMPLE // 10
    assert verdicts[REFUSED] > SAMPLE // 4


def test_the_same_numbers_make_the_same_case() -> None:
    assert [case(n, seed=3, small=True) for n in range(30)] == [
        case(n, seed=3, small=True) for n in range(30)
    ]
    assert case(1, seed=3, small=True).data != case(1, seed=4, small=True).data


@pytest.mark.slow
def test_the_whole_files_are_read(tmp_path: Path) -> None:
    """What the demo, our writers and the library brought is music, but for a few that no guitar can play."""
    for kind, wholes in corpus().items():
        if kind == "MIDI" and not has_midi_reader():
            continue
        verdicts = Counter(ends(kind, whole.data, tmp_path) for whole in wholes)
        assert verdicts[REFUSED] <= 0.12 * len(wholes), kind


# -- the watch itself ------------------------------------------------------------------------


def hang(*_: object, **__: object) -> None:
    while True:
        pass


def hold_on(*_: object, **__: object) -> None:
    """Hang where every exception is swallowed."""
    while True:
        try:
            hang()
        except BaseException:  # noqa: BLE001 - that is the point
            continue


def crash(*_: object, **__: object) -> None:
    raise KeyError("measure")


def say_nothing(*_: object, **__: object) -> None:
    return None


def blow_up(*_: object, **__: object) -> None:
    bytearray(4 * fuzz.ROOM_BYTES)


@pytest.mark.parametrize(
    ("reader", "verdict", "what"),
    [(hang, HUNG, "hang"), (crash, CRASHED, "KeyError"), (say_nothing, "ill told", "refused without a word")],
)
def test_what_a_bad_reader_does_is_seen(
    reader: Callable[..., None], verdict: str, what: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tests.fuzzreading.read_tab", reader)
    outcome = judge(Case(0, "text tab", b"x", ""), tmp_path, longest_s=0.05)
    assert (outcome.verdict, what in outcome.what) == (verdict, True)
    assert outcome.fault


@pytest.mark.parametrize(
    ("reader", "what"),
    [(crash, "crashed: KeyError"), (blow_up, "memory: "), (hold_on, "hung: the process ended")],
)
def test_the_long_run_goes_on_after_a_fault(
    reader: Callable[..., None], what: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A worker that is killed is replaced; every case has one verdict, and what failed is kept."""
    numbers = [n for n in range(60) if case(n, seed=1, small=True).kind == "chart text"]
    count = numbers[1] + 1  # two of them
    monkeypatch.setattr("tests.fuzzreading.read_chart", reader)
    monkeypatch.setattr("tests.fuzzreading.DEAF_S", 0.3)
    monkeypatch.setattr("tests.fuzzreading.LONGEST_S", 0.1)
    (tmp_path / "run").mkdir()
    tally = fuzz.run(
        tmp_path / "run", count, seed=1, keep=tmp_path / "kept", small=True, workers=1, told=lambda _: None
    )
    ((kind, signature), found), *others = [
        item for item in tally.faults.items() if item[0][0] == "chart text"
    ]
    assert (kind, found) == ("chart text", numbers[:2])
    assert signature.startswith(what)
    assert not others
    expected = [n for n in range(count) if case(n, seed=1, small=True).kind != "MIDI" or has_midi_reader()]
    assert sorted(tally.digests) == expected
    assert (tmp_path / "kept" / f"chart-text-{numbers[0]}.chart").exists()
    assert signature in (tmp_path / "kept" / f"chart-text-{numbers[0]}.why.txt").read_text("utf-8")


def test_a_failing_file_is_cut_down(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def trip(path: Path, problems: Problems) -> None:
        if b"xyz" in path.read_bytes():
            raise KeyError
        problems.error("no", path=path, line=1, column=1, remedy="Write music.")

    monkeypatch.setattr("tests.fuzzreading.read_chart", trip)
    one = Case(0, "chart text", b"| C |\n| Am | xyz |\n" + b"| F | G |\n" * 40, "")
    outcome = judge(one, tmp_path)
    assert outcome.verdict == CRASHED
    assert fuzz.shrunk(one, outcome, tmp_path).data == b"xyz"


# -- made-up text ----------------------------------------------------------------------------

SOME = settings(
    max_examples=60,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)


@SOME
@given(st.lists(st.sampled_from([*TAB_TOKENS, *"-----|\n 0579"]), max_size=80))
def test_any_signs_of_a_tab(tmp_path: Path, signs: list[str]) -> None:
    ends("text tab", "".join(signs).encode(), tmp_path)


@SOME
@given(
    st.lists(st.lists(st.sampled_from([*TAB_TOKENS, *"---------0579"]), max_size=12), min_size=6, max_size=6)
)
def test_any_signs_on_six_strings(tmp_path: Path, strings: list[list[str]]) -> None:
    rows = ["".join(signs).replace("\n", "").replace("\t", "") for signs in strings]
    width = max(map(len, rows))
    text = "\n".join(f"{name}|{row.ljust(width, '-')}|" for name, row in zip("eBGDAE", rows, strict=True))
    ends("text tab", text.encode(), tmp_path)


@SOME
@given(st.lists(st.sampled_from([*CHART_TOKENS, " ", " ", " | "]), max_size=60))
def test_any_signs_of_a_chart(tmp_path: Path, signs: list[str]) -> None:
    ends("chart text", "".join(signs).encode(), tmp_path)


@SOME
@given(st.sampled_from(["text tab", "chart text", "MusicXML", "lesson"]), st.text())
def test_any_text_at_all(tmp_path: Path, kind: str, text: str) -> None:
    ends(kind, text.encode("utf-8", errors="surrogatepass"), tmp_path)


@SOME
@given(st.sampled_from(list(SUFFIXES)), st.binary())
def test_any_bytes_at_all(tmp_path: Path, kind: str, data: bytes) -> None:
    if kind != "MIDI" or has_midi_reader():
        ends(kind, data, tmp_path)


# -- text as other programs leave it ---------------------------------------------------------

PLAIN = TABS[0]


def read_as(data: bytes, folder: Path) -> object:
    path = folder / "a.txt"
    path.write_bytes(data)
    problems = Problems()
    tab = read_tab(path, problems)
    assert tab is not None, [p.text() for p in problems.errors]
    return tab


@pytest.mark.parametrize(
    "text",
    [
        PLAIN.replace("\n", "\r\n"),
        PLAIN.replace("\n", "\r"),
        "\ufeff" + PLAIN,
        PLAIN.replace("-", "–"),
        PLAIN.replace("-", "—"),
        PLAIN.replace("|", "│"),
        PLAIN.replace("|", "¦"),
        PLAIN.replace("7", "７").replace("5", "５"),
        PLAIN + "\n" * 1000,
        "\n".join(line + "   " for line in PLAIN.split("\n")),
    ],
    ids=[
        "CRLF",
        "CR",
        "BOM",
        "en dash",
        "em dash",
        "box line",
        "broken bar",
        "full width",
        "blank end",
        "blank ends",
    ],
)
def test_the_same_tab_by_another_editor(text: str, tmp_path: Path) -> None:
    assert read_as(text.encode(), tmp_path) == read_as(PLAIN.encode(), tmp_path)


def hostile(size: int) -> dict[str, str]:
    """Texts of about so many bytes that a reader could choke on."""
    return {
        "a line of dashes": "-" * size,
        "a string of dashes": "e|" + "-" * size + "|",
        "long strings": "\n".join(f"{name}|" + "-5-|" * (size // 24) for name in "eBGDAE"),
        "a long line of frets": "e|" + "-5-" * (size // 3) + "|\n",
        "many lines": "x\n" * (size // 2),
        "lines of a string": "e|--5--|\n" * (size // 9),
        "systems": "e|-5-|\nB|---|\nG|---|\nD|---|\nA|---|\nE|---|\n\n" * (size // 43),
        "headers": "title: a\n" * (size // 9),
        "sections": "[a]\n" * (size // 4),
        "nested brackets": "[" * (size // 2) + "]" * (size // 2),
        "nested brackets on a string": "e|" + "(" * (size // 2) + "5" + ")" * (size // 2) + "|",
        "angle brackets": "e|" + "<" * (size // 2) + "12" + ">" * (size // 2) + "|",
        "marks": "e|-5" + "h5p5" * (size // 4) + "|",
        "bends": "e|-5" + "b7r5" * (size // 4) + "|",
        "repeats": "e|" + "|:-5-:|" * (size // 7),
        "spaces": " " * size + "|",
        "spaces in a header": "title: a" + " " * size + "b",
        "colons": "a:" * (size // 2),
        "barlines": "|" * size,
        "durations": "q " * (size // 4) + "\ne|" + "5-" * (size // 4) + "|",
        "combining signs": "e|--5" + "\u0301" * (size // 2) + "--|",
        "emoji": "😀" * (size // 4),
        "zeros": "\0" * size,
        "bars": "| C | Am " * (size // 9) + "|",
        "short bars": "|C" * (size // 2) + "|",
        "a bar of chords": "| " + "Am7 " * (size // 4) + "|",
        "repeats of repeats": "|: " * (size // 6) + "C" + " :|" * (size // 6),
        "a hundred plays each": "|: C :|x100\n" * (size // 12),
        "endings": "|: C |" + " |".join(f"{n}. F :|" for n in range(1, size // 12)),
        "alterations": "| C" + "b9#9" * (size // 4) + " |",
        "slashes": "| C" + "/E" * (size // 2) + " |",
        "again and again": "| C |" + " % |" * (size // 4),
        "sharps": "| C" + "#" * size + " |",
        "commented": "| C |" + "  #" * (size // 3),
    }  # fmt: skip


@pytest.mark.parametrize("kind", ["text tab", "chart text"])
@pytest.mark.parametrize("name", hostile(0))
def test_hostile_text(name: str, kind: str, tmp_path: Path) -> None:
    ends(kind, hostile(6_000)[name].encode(), tmp_path, thorough=False)


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["text tab", "chart text"])
@pytest.mark.parametrize("name", hostile(0))
def test_long_hostile_text(name: str, kind: str, tmp_path: Path) -> None:
    """As long as a text may be; a reader whose time grows faster than its text is found here."""
    ends(kind, hostile(MAX_TEXT_BYTES - 100)[name].encode(), tmp_path, thorough=False)


def test_longer_texts_are_refused(tmp_path: Path) -> None:
    for kind in ("text tab", "chart text"):
        assert "at most 300,000 are read" in told(kind, b"-" * 1_000_000, tmp_path)


ODD = {
    "tabs": PLAIN.replace("---", "-\t-"),
    "zero width": PLAIN.replace("-", "-\u200b"),
    "right to left": PLAIN.replace("title: ", "title: \u202e") + "\u202e",
    "emoji": PLAIN.replace("Call", "🎸👩\u200d🎤") + "😀|--5--|",
    "a zero": "e|--\0--|",
    "one sign": "|",
    "a digit": "5",
    "a dash": "-\n",
    "rules across the page": "---\n---\n" + PLAIN,
    "huge numbers": "tempo: " + "9" * 900 + "\ncapo: " + "9" * 900 + "\ntime: " + "9" * 900 + "/4\n" + PLAIN,
    "a huge power": PLAIN.replace("swing: 2/3", "swing: 1e999999999"),
    "beat of nothing": PLAIN.replace("swing: 2/3", "tempo: 90 at bar 2 beat 4/0"),
}  # fmt: skip


@pytest.mark.parametrize("kind", ["text tab", "chart text"])
@pytest.mark.parametrize("name", ODD)
def test_odd_text(name: str, kind: str, tmp_path: Path) -> None:
    ends(kind, ODD[name].encode(), tmp_path)


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "utf-16-be", "utf-32", "latin-1", "cp437"])
def test_other_encodings_are_named(encoding: str, tmp_path: Path) -> None:
    text = PLAIN.replace("Every", "Évery")
    assert "UTF-8" in told("text tab", text.encode(encoding), tmp_path) or encoding in (
        "utf-16-le",
        "utf-16-be",
    )


def test_a_lesson_nested_without_end(tmp_path: Path) -> None:
    """An unknown key of 900 tables inside one another ended in a RecursionError."""
    for text in (
        "a" + ".a" * 900 + " = 1",
        "x = " + "[" * 900 + "]" * 900,
        "x = " + "{a = " * 300 + "1" + "}" * 300,
    ):
        assert ends("lesson", f'title = 5\n{text}\ntab = "tab.txt"\n'.encode(), tmp_path) == REFUSED


# -- XML -------------------------------------------------------------------------------------

SCORE = write_musicxml(lead_tab())
LAUGHS = "".join(f'<!ENTITY l{n} "{f"&l{n - 1};" * 10}">' for n in range(1, 10))


def with_doctype(inside: str, title: str) -> bytes:
    head = f'<?xml version="1.0"?><!DOCTYPE score-partwise [{inside}]><score-partwise><movement-title>{title}</movement-title>'
    return (head + "<part id='P1'><measure number='1'/></part></score-partwise>").encode()


@pytest.mark.parametrize(
    "data",
    [
        with_doctype(f'<!ENTITY l0 "ha">{LAUGHS}', "&l9;"),
        with_doctype(f'<!ENTITY a "{"a" * 100_000}">', "&a;" * 5_000),
        with_doctype('<!ENTITY a SYSTEM "file:///etc/passwd">', "&a;"),
        with_doctype('<!ENTITY a SYSTEM "http://localhost:1/">', "&a;"),
        with_doctype('<!ENTITY % a SYSTEM "file:///etc/passwd"> %a;', "x"),
        with_doctype('<!ENTITY a "&a;">', "&a;"),
        with_doctype("<!ATTLIST score-partwise a CDATA 'b'><!ENTITY c 'd'>", "&c;"),
    ],
    ids=[
        "a billion laughs",
        "quadratic",
        "a file",
        "an address",
        "a parameter",
        "itself",
        "declared beside others",
    ],
)
def test_entities_are_refused(data: bytes, tmp_path: Path) -> None:
    assert "entit" in told("MusicXML", data, tmp_path)
    assert ends("MusicXML, compressed", archive_of({"score.xml": data}), tmp_path) == REFUSED


MEASURE = "<measure><attributes><divisions>{}</divisions></attributes>{}</measure>"
NOTE = "<note><pitch><step>{}</step><octave>4</octave></pitch><duration>{}</duration>{}</note>"


def score_of(inside: str, measures: int = 1) -> bytes:
    return f"<score-partwise><part id='P1'>{inside * measures}</part></score-partwise>".encode()


HOSTILE_XML = {
    "deep": b"<score-partwise>" + b"<part>" * 20_000,
    "deep and closed": b"<score-partwise>" + b"<part>" * 5_000 + b"</part>" * 5_000 + b"</score-partwise>",
    "many attributes": b"<score-partwise " + b" ".join(b"a%d='1'" % n for n in range(5_000)) + b"/>",
    "a long name": b"<" + b"a" * 1_000_000 + b"/>",
    "a long text": score_of(f"<measure><note>{'C' * 1_000_000}</note></measure>"),
    "many measures": score_of("<measure/>", 3_000),
    "many notes": score_of("<measure>" + NOTE.format("C", 1, "") * 800 + "</measure>"),
    "many notes at once": score_of("<measure>" + NOTE.format("C", 1, "<chord/>") * 500 + "</measure>"),
    "no divisions": score_of(MEASURE.format(0, NOTE.format("C", 1, ""))),
    "huge divisions": score_of(MEASURE.format("9" * 900, NOTE.format("C", "7" * 900, ""))),
    "tiny divisions": score_of(MEASURE.format("1e-300", NOTE.format("C", 1, ""))),
    "huge power": score_of(MEASURE.format("1e999999999", NOTE.format("C", "1e-999999999", ""))),
    "a fraction": score_of(MEASURE.format("1/0", NOTE.format("C", "1/3", ""))),
    "far back": score_of("<measure><backup><duration>999999999</duration></backup>" + NOTE.format("C", 1, "") + "</measure>"),
    "far on": score_of("<measure><forward><duration>1e30</duration></forward>" + NOTE.format("C", 1, "") + "</measure>"),
    "repeats": score_of(
        "<measure><barline><repeat direction='forward'/></barline>" + NOTE.format("C", 4, "")
        + "<barline><repeat direction='backward' times='999999999'/></barline></measure>", 30,
    ),
    "metres of no figures": score_of(
        "<measure><attributes><time><beats>x</beats><beats/></time></attributes>" + NOTE.format("C", 1, "") + "</measure>"
    ),
    "a metre of nothing": score_of(
        "<measure><attributes><time><beats>4</beats><beat-type>0</beat-type></time></attributes></measure>"
    ),
    "nothing": b"",
    "no root": b"<?xml version='1.0'?>",
    "another root": b"<html><body/></html>",
    "two roots": b"<score-partwise/><score-partwise/>",
    "zeros": b"\0" * 5_000,
    "UTF-16 by name only": b"<?xml version='1.0' encoding='UTF-16'?><score-partwise/>",
    "an unknown encoding": b"<?xml version='1.0' encoding='klingon'?><score-partwise/>",
    "many processing instructions": b"<?a b?>" * 10_000 + b"<score-partwise/>",
    "an endless comment": b"<!--" + b"-" * 1_000_000,
}  # fmt: skip


@pytest.mark.parametrize("name", HOSTILE_XML)
def test_hostile_xml(name: str, tmp_path: Path) -> None:
    ends("MusicXML", HOSTILE_XML[name], tmp_path)


# -- archives --------------------------------------------------------------------------------


def container(name: str) -> bytes:
    return f'<container><rootfiles><rootfile full-path="{name}"/></rootfiles></container>'.encode()


def archive_of(
    members: dict[str, bytes], *, method: int = zipfile.ZIP_DEFLATED, said: str = "score.xml"
) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", method) as archive:
        if said:
            archive.writestr("META-INF/container.xml", container(said))
        for name, data in members.items():
            archive.writestr(name, data)
    return buffer.getvalue()


def test_an_archive_as_it_should_be(tmp_path: Path) -> None:
    for data in (
        archive_of({"score.xml": SCORE}),
        archive_of({"score.xml": SCORE}, method=zipfile.ZIP_STORED),
        archive_of({"score.xml": SCORE}, said=""),
        archive_of({"mimetype": b"application/vnd.recordare.musicxml", "a/b/é.xml": SCORE}, said="a/b/é.xml"),
        archive_of({"mimetype": b"text/plain", "score.xml": SCORE}),
        archive_of({"mimetype": b"\xff" * 100_000, "score.xml": SCORE}),
        archive_of({"score.xml": SCORE} | {f"{n}.png": b"x" for n in range(2_000)}),
    ):
        assert ends("MusicXML, compressed", data, tmp_path) == READ


@pytest.mark.parametrize(
    "name",
    [
        "../score.xml",
        "/etc/passwd",
        "..\\score.xml",
        "a/../../score.xml",
        "C:\\score.xml",
        "../../../../etc/passwd",
    ],
)
def test_names_that_lead_out_are_refused(name: str, tmp_path: Path) -> None:
    for members in ({}, {name: SCORE}, {"score.xml": SCORE}):
        assert ends("MusicXML, compressed", archive_of(members, said=name), tmp_path) == REFUSED


def test_bombs_are_refused(tmp_path: Path) -> None:
    spaces = b"<score-partwise>" + b" " * 65_000_000
    assert "unpacks to more than" in told("MusicXML, compressed", archive_of({"score.xml": spaces}), tmp_path)
    many = archive_of({f"{n}.xml": b"" for n in range(10_001)}, said="")
    assert "files" in told("MusicXML, compressed", many, tmp_path)
    nested = archive_of({"score.xml": SCORE})
    for _ in range(6):
        nested = archive_of({"score.xml": nested})
    assert ends("MusicXML, compressed", nested, tmp_path) == REFUSED
    big = container("score.xml").replace(b"<rootfiles>", b"<rootfiles>" + b" " * 2_000_000)
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("META-INF/container.xml", big)
    assert ends("MusicXML, compressed", buffer.getvalue(), tmp_path) == REFUSED


def test_a_size_that_lies(tmp_path: Path) -> None:
    """The directory says a few bytes; what unpacks is a bomb all the same."""
    data = bytearray(archive_of({"score.xml": b"<score-partwise>" + b" " * 65_000_000}, said=""))
    for sign, offset in ((b"PK\x01\x02", 24), (b"PK\x03\x04", 22)):
        struct.pack_into("<I", data, data.index(sign) + offset, 100)
    assert ends("MusicXML, compressed", bytes(data), tmp_path) == REFUSED


def test_an_archive_in_a_secret_or_strange_way_of_packing(tmp_path: Path) -> None:
    whole = archive_of({"score.xml": SCORE}, said="")
    for offset_here, offset_there, value in (
        (6, 8, 1),
        (8, 10, 99),
        (8, 10, 12),
    ):  # encrypted, unknown, not bzip2
        data = bytearray(whole)
        struct.pack_into("<H", data, offset_here, value)
        struct.pack_into("<H", data, data.index(b"PK\x01\x02") + offset_there, value)
        assert "the archive is damaged" in told("MusicXML, compressed", bytes(data), tmp_path)


def test_what_is_no_archive(tmp_path: Path) -> None:
    for data in (
        SCORE,
        b"PK\x03\x04",
        b"PK\x05\x06" + b"\0" * 18,
        b"PK\x03\x04" + b"\xff" * 500,
        zlib.compress(SCORE),
    ):
        assert ends("MusicXML, compressed", data, tmp_path) == REFUSED


# -- MIDI ------------------------------------------------------------------------------------

SONG = write_midi(lead_tab())


def midi_of(*tracks: bytes, division: int = 480, kind: int = 1, count: int | None = None) -> bytes:
    count = len(tracks) if count is None else count
    head = b"MThd" + struct.pack(">IHHH", 6, kind, count, division)
    return head + b"".join(b"MTrk" + struct.pack(">I", len(track)) + track for track in tracks)


END = b"\x00\xff\x2f\x00"
STRUCK = b"\x00\x90\x40\x40\x83\x60\x80\x40\x40"
HOSTILE_MIDI = {
    "header alone": SONG[:14],
    "no header": SONG[14:],
    "half a header": SONG[:9],
    "header longer than the file": SONG[:4] + b"\xff\xff\xff\xff" + SONG[8:],
    "header of no length": SONG[:4] + b"\0\0\0\0" + SONG[8:],
    "track longer than the file": midi_of(STRUCK + END).replace(struct.pack(">I", len(STRUCK + END)), b"\xff\xff\xff\xff"),
    "track of half its length": midi_of(STRUCK + END).replace(struct.pack(">I", len(STRUCK + END)), b"\0\0\0\x05"),
    "more tracks said than there are": midi_of(STRUCK + END, count=65_535),
    "no tracks": midi_of(),
    "no end of track": midi_of(STRUCK),
    "an endless quantity": midi_of(b"\xff" * 20_000),
    "an endless delta": midi_of(b"\x81" * 20_000 + b"\x00" + STRUCK + END),
    "the longest deltas": midi_of(b"\xff\xff\xff\x7f\x90\x40\x40" * 400 + END),
    "a far note": midi_of(STRUCK + b"\xff\xff\xff\x7f\x90\x41\x41\x01\x41\x00" + END),
    "a text longer than the file": midi_of(b"\x00\xff\x01\xff\xff\xff\x7fabc"),
    "running status of nothing": midi_of(b"\x00\x40\x40" * 100 + END),
    "status after a system event": midi_of(b"\x00\x90\x40\x40\x00\xf0\x01\xf7\x10\x40\x00" + END),
    "division of nothing": midi_of(STRUCK + END, division=0),
    "division of one": midi_of(STRUCK + END, division=1),
    "SMPTE time": midi_of(STRUCK + END, division=0xE728),
    "songs in a row": midi_of(STRUCK + END, STRUCK + END, kind=2),
    "a kind of its own": midi_of(STRUCK + END, kind=9),
    "no tempo": midi_of(b"\x00\xff\x51\x03\x00\x00\x00" + STRUCK + END),
    "a short tempo": midi_of(b"\x00\xff\x51\x01\x07" + STRUCK + END),
    "a bar of nothing": midi_of(b"\x00\xff\x58\x04\x00\x02\x18\x08" + STRUCK + END),
    "a bar of 2 to the 255th": midi_of(b"\x00\xff\x58\x04\x04\xff\x18\x08" + STRUCK + END),
    "a short metre": midi_of(b"\x00\xff\x58\x01\x04" + STRUCK + END),
    "a key of 127 sharps": midi_of(b"\x00\xff\x59\x02\x7f\x09" + STRUCK + END),
    "notes never ended": midi_of(b"\x00\x90\x40\x40\x10\x43\x40" * 300 + END),
    "notes never begun": midi_of(b"\x00\x80\x40\x40" * 2_000 + END),
    "one note many times at once": midi_of(b"\x00\x90\x40\x40" * 500 + b"\x60\x80\x40\x40" * 500 + END),
    "all notes at once": midi_of(b"".join(bytes((0, 0x90, n, 64)) for n in range(128)) + b"\x60\xb0\x7b\x00" + END),
    "many tracks": midi_of(*[STRUCK + END] * 3_000),
    "a metre at every tick": midi_of(b"\x01\xff\x58\x04\x03\x02\x18\x08" * 5_000 + STRUCK + END),
    "a tempo at every tick": midi_of(b"\x01\xff\x51\x03\x07\xa1\x20" * 5_000 + STRUCK + END),
    "a wheel that never rests": midi_of(b"\x00\x90\x40\x40" + b"\x01\xe0\x00\x40\x01\xe0\x7f\x7f" * 2_000 + b"\x00\x80\x40\x40" + END),
    "texts of zeros": midi_of(b"\x00\xff\x05\x04\0\0\0\0\x00\xff\x03\x02\xff\xfe" + STRUCK + END),
    "chunks of other kinds": b"MThd" + struct.pack(">IHHH", 6, 1, 1, 480) + b"XFIH\xff\xff\xff\xff",
    "in a wave container": b"RIFF" + struct.pack("<I", len(SONG) + 12) + b"RMIDdata" + struct.pack("<I", len(SONG)) + SONG,
    "zeros": b"\0" * 5_000,
    "nothing": b"",
}  # fmt: skip


@needs_midi
@pytest.mark.parametrize("name", HOSTILE_MIDI)
def test_hostile_midi(name: str, tmp_path: Path) -> None:
    ends("MIDI", HOSTILE_MIDI[name], tmp_path)


@needs_midi
@pytest.mark.parametrize(
    "name", ["header alone", "no header", "no tracks", "songs in a row", "zeros", "nothing"]
)
def test_midi_without_music_is_refused(name: str, tmp_path: Path) -> None:
    assert ends("MIDI", HOSTILE_MIDI[name], tmp_path) == REFUSED


def test_true_lengths_leave_a_whole_file_alone() -> None:
    assert with_true_lengths(SONG) == SONG


def test_a_torn_member_of_an_archive_is_told_in_plain_words(tmp_path: Path) -> None:
    """The unpacking library's own words once stood in the message."""
    path = tmp_path / "torn.mxl"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("score.musicxml", b"<score-partwise>" + bytes(range(256)) * 40)
    data = bytearray(path.read_bytes())
    data[44:50] = b"\xff" * 6  # where its packed bytes begin
    path.write_bytes(bytes(data))
    problems = Problems()
    assert read_musicxml(path, problems) is None
    assert [p.what for p in problems.errors] == ["the archive is damaged (what it holds is torn)"]
