"""The generated lessons: always the same ones, no two alike, and real enough to be read and aligned."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from pipeline.listen.align import align_take
from pipeline.read.lesson import read_lessons
from tests import manylessons


def test_the_same_number_gives_the_same_bytes(tmp_path: Path) -> None:
    manylessons.write_lessons(tmp_path / "one", 3, first=4)
    manylessons.write_lessons(tmp_path / "other", 1, first=5)
    for path in sorted((tmp_path / "other" / "lesson_0005").iterdir()):
        assert path.read_bytes() == (tmp_path / "one" / "lesson_0005" / path.name).read_bytes(), path.name


def test_no_two_of_three_hundred_are_alike() -> None:
    pieces = [manylessons.piece(number) for number in range(300)]
    assert len({piece.title.rpartition(" ")[0] for piece in pieces}) == 300
    assert len({(piece.key, piece.bpm, piece.bars) for piece in pieces}) == 300
    assert {len(piece.bars) for piece in pieces} == {4, 5, 6, 7, 8}
    assert {piece.neck.name for piece in pieces} == {"guitar", "bass", "ukulele"}
    for piece in pieces:
        seconds = len(piece.bars) * piece.beats * 60 / piece.bpm
        assert 6.4 <= seconds <= 9.6


def test_they_are_read_without_a_complaint(tmp_path: Path) -> None:
    week = manylessons.write_lessons(tmp_path, 24, video=False)
    reads, problems = read_lessons([week])
    assert len(reads) == 24
    assert not [problem.text() for read in reads for problem in read.problems] + [p.text() for p in problems]


def test_the_take_is_the_tab_played(tmp_path: Path) -> None:
    """The aligner finds each bar where the synthesis has put it."""
    (read,) = read_lessons([manylessons.write_lessons(tmp_path, 1, first=6)])[0]
    assert read.lesson is not None and read.lesson.tab is not None
    piece = manylessons.piece(6)
    heard = manylessons.sound(piece, 6)
    found = align_take(read.lesson.tab, heard, manylessons.RATE)
    bar_s = piece.beats * 60 / piece.bpm
    due = manylessons.LEAD_IN_S + bar_s * np.arange(len(piece.bars))
    got = np.array([float(found.time_map.seconds_at(piece.beats * bar)) for bar in range(len(piece.bars))])
    assert np.max(np.abs(got - due)) < 0.05
