"""Places of keys and values in TOML: checked by searching the text itself."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.config.toml import Document, read_toml
from pipeline.errors import Problems

SAMPLE = """\
title = "a # b"   # comment
'odd key' = 1
a.b.c = 3
list = [ # comment ]
  "x", "y]",
  [1, 2],
]
table = { p = "q,}", r = [5, 6] }
long = \"\"\"
[not.a.table]
k = "v" \\
\"\"\"
raw = '''it's'''
[one.two]
deep = 1979-05-27T07:32:00
[[many]]
n = 1
[[many]]
n = 2
[many.sub]
s = true
"""


def document(tmp_path: Path, text: str) -> tuple[Document | None, Problems]:
    path = tmp_path / "x.toml"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    problems = Problems()
    return read_toml(path, problems), problems


@pytest.mark.parametrize(
    ("location", "value_at", "key_at"),
    [
        (("title",), (1, 9), (1, 1)),
        (("odd key",), (2, 13), (2, 1)),
        (("a", "b", "c"), (3, 9), (3, 1)),
        (("list",), (4, 8), (4, 1)),
        (("list", 0), (5, 3), (5, 3)),
        (("list", 1), (5, 8), (5, 8)),
        (("list", 2, 1), (6, 7), (6, 7)),
        (("table", "p"), (8, 15), (8, 11)),
        (("table", "r", 1), (8, 30), (8, 30)),
        (("long",), (9, 8), (9, 1)),
        (("raw",), (13, 7), (13, 1)),
        (("one", "two", "deep"), (15, 8), (15, 1)),
        (("many", 0, "n"), (17, 5), (17, 1)),
        (("many", 1), (18, 1), (18, 1)),
        (("many", 1, "n"), (19, 5), (19, 1)),
        (("many", 1, "sub", "s"), (21, 5), (21, 1)),
    ],
)
def test_places(tmp_path: Path, location, value_at, key_at) -> None:
    found, problems = document(tmp_path, SAMPLE)
    assert found is not None and not problems.found
    assert found.data == tomllib.loads(SAMPLE)
    value, key = found.value_spot(location), found.key_spot(location)
    assert (value.line, value.column) == value_at
    assert (key.line, key.column) == key_at
    assert value.offending == SAMPLE.split("\n")[value.line - 1]


def locations(data, above=()):
    items = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
    for step, value in items:
        yield (*above, step), value
        yield from locations(value, (*above, step))


def test_every_part_of_a_document_has_a_place(tmp_path: Path) -> None:
    found, _ = document(tmp_path, SAMPLE)
    assert found is not None
    for location, _value in locations(found.data):
        assert location in found.values or any(loc[: len(location)] == location for loc in found.values)


_words = st.text("abcxyz", min_size=1, max_size=4)
_scalars = st.one_of(st.integers(-9, 99), st.booleans(), st.text("ab #=[]{},.'é♭", max_size=6))


@given(
    st.dictionaries(_words, st.one_of(_scalars, st.lists(_scalars, max_size=3)), max_size=5), st.booleans()
)
def test_any_flat_table(tmp_path_factory: pytest.TempPathFactory, data, inline: bool) -> None:
    """The text at the place of every value parses to that value."""

    def write(value) -> str:
        if isinstance(value, bool):
            return "true" if value else "false"
        if isinstance(value, list):
            return "[ " + ", ".join(map(write, value)) + " ]"
        return f'"{value}"' if isinstance(value, str) else str(value)

    rows = [f"{key} = {write(value)}" for key, value in data.items()]
    text = "t = { " + ", ".join(rows) + " }\n" if inline else "[t]\n" + "\n".join(rows) + "\n"
    found, _ = document(tmp_path_factory.mktemp("toml"), text)
    assert found is not None and found.data == {"t": data}
    for location, value in locations({"t": data}):
        if location == ("t",):
            continue
        spot = found.value_spot(location)
        rest = spot.offending[spot.column - 1 :]
        assert rest.startswith(write(value)), (location, rest)


@pytest.mark.parametrize(
    ("text", "line", "column", "said"),
    [
        ('title = "x"\ntempo = fast\n', 2, 9, "invalid value"),
        ("a = 1\na = 2\n", 2, 6, "overwrite"),
        ('a = "no end\n', 1, 12, "illegal character|unterminated"),
        ("a = [1,\n2\n\n", 2, 2, "unclosed|invalid|array"),
        ("just words\n", 1, 6, "expected '='"),
    ],
)
def test_bad_toml_is_told_with_its_place(
    tmp_path: Path, text: str, line: int, column: int, said: str
) -> None:
    found, problems = document(tmp_path, text)
    assert found is None
    (problem,) = problems.errors
    assert (problem.line, problem.column) == (line, column)
    with pytest.raises(AssertionError, match=f"(?i)not TOML.*({said})"):
        raise AssertionError(problem.text())


def test_byte_order_mark_and_windows_line_ends(tmp_path: Path) -> None:
    path = tmp_path / "x.toml"
    path.write_bytes(b"\xef\xbb\xbftitle = 'x'\r\n\r\nb = 2\r\n")
    found = read_toml(path, Problems())
    assert found is not None and found.data == {"title": "x", "b": 2}
    assert (found.value_spot(("b",)).line, found.value_spot(("b",)).column) == (3, 5)
    assert found.value_spot(("title",)).column == 9


def test_latin1_is_refused_at_its_byte(tmp_path: Path) -> None:
    path = tmp_path / "x.toml"
    path.write_bytes("title = 'ok'\nartist = 'René'\n".encode("latin-1"))
    problems = Problems()
    assert read_toml(path, problems) is None
    assert (problems.errors[0].line, problems.errors[0].column) == (2, 14)
    assert "UTF-8" in problems.errors[0].what


def test_missing_and_folder(tmp_path: Path) -> None:
    for path, said in ((tmp_path / "none.toml", "no such file"), (tmp_path, "is no file")):
        problems = Problems()
        assert read_toml(path, problems) is None
        assert said in problems.errors[0].what


def test_overlay_merges_tables_and_replaces_the_rest(tmp_path: Path) -> None:
    under, _ = document(tmp_path, 'tempo = 90\ntags = ["a", "b"]\n[backing]\ngroove = "x"\nguide = true\n')
    (tmp_path / "o").mkdir()
    over, _ = document(tmp_path / "o", 'tags = ["c"]\n[backing]\nguide = false\n')
    assert under is not None and over is not None
    both = under.overlaid(over)
    assert both.data == {"tempo": 90, "tags": ["c"], "backing": {"groove": "x", "guide": False}}
    assert both.value_spot(("backing", "guide")).path == over.path
    assert both.value_spot(("backing", "groove")).path == under.path
    assert ("tags", 1) not in both.values


@pytest.mark.parametrize(
    ("text", "said"),
    [("a = " + "[" * 5000 + "]" * 5000, "nested too deeply"), ("a = " + "9" * 5000, "cannot be read")],
)
def test_absurd_files(tmp_path: Path, text: str, said: str) -> None:
    found, problems = document(tmp_path, text)
    assert found is None and said in problems.errors[0].what


@pytest.mark.parametrize(
    ("text", "places", "remedy"),
    [
        ("title = “Low Tide”\ntab = 3\n", [(1, 9)], 'Use straight quotes: title = "Low Tide"'),
        ('title = "Low Tide”\n', [(1, 18)], 'title = "Low Tide"'),
        ("tab = 'a'\ntags = [“a”, ‘b’] # “c”\n", [(2, 9)], 'tags = ["a", "b"] # “c”'),
        ("title = „x“\ntab = “y”\ntake = 3\n", [(1, 9), (2, 7)], 'title = "x"'),
        ("tags = [\n “a”,\n]\n", [(2, 2)], "straight quotes"),
    ],
)
def test_curly_quotes(tmp_path: Path, text: str, places: list[tuple[int, int]], remedy: str) -> None:
    """A word processor's quotes were told as `invalid value`, and one line a time."""
    found, problems = document(tmp_path, text)
    assert found is None
    assert [(p.line, p.column) for p in problems.errors] == places
    assert "curly quote" in problems.errors[0].what
    assert remedy in problems.errors[0].remedy


@pytest.mark.parametrize(
    "text",
    ['title = "The “Blue” one" x\n', 'title = "x" y # “z”\n', 'a = """\n“x”\n"""\nb = \n'],
)
def test_curly_quotes_inside_text_are_not_what_is_wrong(tmp_path: Path, text: str) -> None:
    found, problems = document(tmp_path, text)
    assert found is None
    (told,) = problems.errors
    assert "this is not TOML" in told.what


EXOTIC = [
    "[ a . 'b c' . \"d\" ]\nx = 1\n[[ a . list ]]\n y . z = 2 # c\n",
    'a = """x\\"""" \nb = 1\n',
    "a = '''x'''''\nb = 1\n",
    'a = """"""\nb = """\n\n"""\nc = \'\'\n',
    'a = "tail \\\\"\nb = "\\u266D # \\"q\\""\n',
    "a = [[], [ [1,\n # [x]\n 2,], ], ] # end\nb = {}\nc = { d.e = [ { f = 1 } ], g = '}' }\n",
    "d = 1979-05-27 07:32:00 # a date with a blank\ne = +1_000.5e-3\nf = inf\n",
    "\n\n# only a comment",
    "",
    "a = 1",
    '"" = 1\n',
    "[t]\n[t.u]\n[v.w.x]\n[v]\ny = 1\n",
    "[[p]]\n[[p.q]]\nr = 1\n[[p.q]]\nr = 2\n[[p]]\n[[p.q]]\nr = 3\n",
    "a = 1\r\nb = '''\r\nx'''\r\nc = 2\r\n",
    "\ta\t=\t1\t\n",
]


@pytest.mark.parametrize("text", EXOTIC)
def test_exotic_but_good(tmp_path: Path, text: str) -> None:
    """Every key and item has a place, and a figure's text stands at it."""
    found, problems = document(tmp_path, text)
    assert found is not None, problems.errors[0].text()
    for location, value in locations(found.data):
        known = location in found.values or location in found.keys
        inside = any(loc[: len(location)] == location for loc in found.values)
        assert known or inside, location
        if isinstance(value, int):
            spot = found.value_spot(location)
            assert spot.offending[spot.column - 1 :].startswith(str(value))


@given(st.text("ab=[]{}\"'#.,\n \\\t1é-", max_size=40))
def test_no_text_breaks_the_reader(tmp_path_factory: pytest.TempPathFactory, text: str) -> None:
    path = tmp_path_factory.mktemp("any") / "x.toml"
    path.write_text(text, encoding="utf-8", newline="")
    problems = Problems()
    found = read_toml(path, problems)
    assert (found is None) == bool(problems.errors)


@pytest.mark.parametrize(
    ("text", "line", "column", "name"),
    [
        ("[a]\nb = 1\n  [a]\n", 3, 3, "[a]"),
        ("a = {b = 1}\r\n[a.c]\r\n", 2, 1, "[a.c]"),
        ("[[x]]\n[x]", 2, 1, "[x]"),
    ],
)
def test_a_table_that_stands_twice_is_told_at_its_line(
    tmp_path: Path, text: str, line: int, column: int, name: str
) -> None:
    found, problems = document(tmp_path, text)
    assert found is None
    (problem,) = problems.errors
    assert (problem.line, problem.column) == (line, column)
    assert problem.what == f"{name} stands here a second time"
    assert name in problem.remedy


@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
def test_the_byte_that_is_no_text_is_told_at_its_column(tmp_path: Path, mark: bytes) -> None:
    """Behind a byte order mark the column was three too small, or on another line."""
    path = tmp_path / "x.toml"
    path.write_bytes(mark + "é = 1\nö = '".encode() + b"\xff'\n")
    problems = Problems()
    assert read_toml(path, problems) is None
    (problem,) = problems.errors
    assert (problem.line, problem.column) == (2, 6)
    assert "0xFF" in problem.what


def test_line_ends_of_old_programs_are_line_ends(tmp_path: Path) -> None:
    """A carriage return alone once counted as a character of its line, and columns lay outside of it."""
    path = tmp_path / "lesson.toml"
    path.write_bytes(b'title = "T"\rtempo = 90\r')
    document = read_toml(path, Problems())
    assert document is not None and document.data == {"title": "T", "tempo": 90}
    path.write_bytes(b"a = 1\r\xff")
    problems = Problems()
    assert read_toml(path, problems) is None
    assert [(p.line, p.column) for p in problems] == [(2, 1)]
