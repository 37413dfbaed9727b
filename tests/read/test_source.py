"""Files that cannot be read are told as what they are."""

from __future__ import annotations

from fractions import Fraction as F
from pathlib import Path

import pytest

from pipeline.errors import Problems
from pipeline.read.source import MOST_TOLD, SourceText, plain_number, read_text, say_quarters
from pipeline.read.tabfile import read_chart, read_tab


def problem(path: Path) -> tuple[str | None, Problems]:
    problems = Problems()
    return read_text(path, problems), problems


def test_text_is_read_with_plain_line_ends(tmp_path: Path) -> None:
    path = tmp_path / "a.txt"
    path.write_bytes("\ufeffé\r\nb\rc\n".encode())
    assert problem(path) == ("é\nb\nc\n", Problems())


@pytest.mark.parametrize(
    ("content", "line", "column", "what"),
    [
        (b"ab\ncd\xe9f", 2, 3, "the byte 0xe9 is not UTF-8"),
        (b"ab\rcd\xe9f\rg", 2, 3, "the byte 0xe9 is not UTF-8"),
        (b"ab\r\ncd\xe9f\r\ng", 2, 3, "the byte 0xe9 is not UTF-8"),
        ("a\n".encode("utf-16"), 1, 1, "saved as UTF-16"),
        (b"ab\nc\0d", 2, 2, "zero bytes"),
        (b"", None, None, "empty"),
        (b" \n ", None, None, "empty"),
    ],
)
def test_what_is_no_text(
    tmp_path: Path, content: bytes, line: int | None, column: int | None, what: str
) -> None:
    path = tmp_path / "a.txt"
    path.write_bytes(content)
    text, problems = problem(path)
    assert text is None
    (told,) = problems.errors
    assert what in told.what
    assert told.remedy
    assert (told.path, told.line, told.column) == (path, line, column)


def test_a_missing_file_names_its_neighbour(tmp_path: Path) -> None:
    (tmp_path / "chart.txt").write_text("| C |")
    text, problems = problem(tmp_path / "chrt.txt")
    assert text is None
    assert problems.errors[0].remedy == "Did you mean chart.txt?"
    assert "no folder" in problem(tmp_path / "x" / "a.txt")[1].errors[0].remedy


def test_a_folder_is_no_file(tmp_path: Path) -> None:
    assert "folder" in problem(tmp_path)[1].errors[0].what


def test_files_go_by_their_ending(tmp_path: Path) -> None:
    for read in (read_tab, read_chart):
        problems = Problems()
        assert read(tmp_path / "tab.docx", problems) is None
        assert ".musicxml" in problems.errors[0].remedy
        assert ".docx" in problems.errors[0].what


def test_quarters_as_a_musician_reads_them() -> None:
    assert [say_quarters(q) for q in (F(4), F(7, 2), F(1, 4), F(13, 3), F(5, 7))] == [
        "4",
        "3½",
        "¼",
        "4⅓",
        "5/7",
    ]


@pytest.mark.parametrize(("text", "number"), [("3", F(3)), ("0.5", F(1, 2)), ("2/3", F(2, 3)), ("-1", F(-1))])
def test_a_plain_number(text: str, number: F) -> None:
    assert plain_number(text) == number


@pytest.mark.parametrize("text", ["1e999999999", "1E-999999999", "1/0", "", "three", "nan", "inf"])
def test_no_plain_number(text: str) -> None:
    """A number of a few signs and a thousand million digits took all the time and memory there was."""
    with pytest.raises(ValueError, match=r"number|divides|literal"):
        plain_number(text)


def test_a_thousand_problems_are_enough() -> None:
    """A hundred thousand of them, each with its long line, took minutes to tell."""
    problems = Problems()
    source = SourceText("abc\n", path=Path("a.txt"), problems=problems)
    for _ in range(MOST_TOLD * 2):
        source.error(1, 2, "no")
    assert len(problems.errors) == MOST_TOLD
    assert problems.cautions[-1].what == "only the first 1,000 problems are told"


def test_what_is_missing_behind_a_line_is_pointed_at_its_end() -> None:
    problems = Problems()
    SourceText("abc\n", path=Path("a.txt"), problems=problems).error(1, 60, "a barline is missing")
    assert problems.errors[0].column == 4
    assert problems.errors[0].text().endswith("    abc\n       ^")
