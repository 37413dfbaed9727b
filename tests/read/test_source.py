"""Files that cannot be read are told as what they are."""

from __future__ import annotations

from fractions import Fraction as F
from pathlib import Path

import pytest

from pipeline.errors import Problems
from pipeline.read.source import read_text, say_quarters
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
