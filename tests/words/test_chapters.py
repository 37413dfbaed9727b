"""Chapters: what is too short is joined, what is too long is cut, and it is said."""

from __future__ import annotations

import pytest

from pipeline.words.chapters import Chapter, clock, list_lines, shorten, tidy_chapters, write_vtt


def test_good_chapters_stay_as_they_are() -> None:
    given = [Chapter(0.0, "Talk"), Chapter(12.5, "Call"), Chapter(30.0, "Answer")]
    assert tidy_chapters(given, 60.0) == (given, [])


def test_a_long_lead_in_gets_a_chapter_of_its_own() -> None:
    found, notes = tidy_chapters([Chapter(15.0, "Call"), Chapter(30.0, "Answer")], 60.0)
    assert [(c.seconds, c.name) for c in found] == [(0.0, "Start"), (15.0, "Call"), (30.0, "Answer")]
    assert notes == ["A chapter 'Start' was added at 0:00, as the first one starts later."]


def test_a_short_lead_in_belongs_to_the_first_chapter() -> None:
    found, notes = tidy_chapters([Chapter(4.0, "Call"), Chapter(15.0, "B"), Chapter(30.0, "C")], 60.0)
    assert found[0] == Chapter(0.0, "Call")
    assert notes == ["The chapter 'Call' starts at 0:00, as the first one has to."]


def test_short_neighbours_are_joined_and_named_together() -> None:
    """A last chapter that was too short once overwrote the one before last instead of joining it."""
    given = [Chapter(0, "A"), Chapter(6, "B"), Chapter(12, "C"), Chapter(40, "D"), Chapter(55, "E")]
    found, notes = tidy_chapters(given, 60.0)
    assert [(c.seconds, c.name) for c in found] == [(0, "A and B"), (12, "C"), (40, "D and E")]
    assert notes == [
        "Joined into 'A and B', as each chapter has to last ten seconds: A (0:00), B (0:06).",
        "Joined into 'D and E', as each chapter has to last ten seconds: D (0:40), E (0:55).",
    ]


def test_many_short_ones_are_named_from_first_to_last() -> None:
    found, _ = tidy_chapters([Chapter(3 * i, f"Bar {i + 1}") for i in range(20)], 60.0)
    assert found[0].name == "Bar 1 to Bar 4"
    assert len(found) == 5


def test_too_few_are_kept_and_told() -> None:
    found, notes = tidy_chapters([Chapter(0, "A"), Chapter(3, "B")], 8.0)
    assert [c.name for c in found] == ["A and B"]
    assert notes[-1] == "Only one chapter is left; video hosts show chapters from 3 on."


def test_disorder_and_what_lies_beyond_the_end_are_told() -> None:
    found, notes = tidy_chapters([Chapter(20, "B"), Chapter(0, "A"), Chapter(99, "Z")], 60.0)
    assert [c.name for c in found] == ["A", "B"]
    assert notes[:2] == [
        "The chapters were put in order of time.",
        "Left out, as they start after the end: Z.",
    ]


def test_no_chapters_is_no_chapters() -> None:
    assert tidy_chapters([], 60.0) == ([], [])


@pytest.mark.parametrize(
    ("seconds", "text"), [(0, "0:00"), (65.99, "1:05"), (3600, "1:00:00"), (3661, "1:01:01")]
)
def test_clock_rounds_down(seconds: float, text: str) -> None:
    assert clock(seconds) == text


@pytest.mark.parametrize("bad", [-1.0, float("nan"), float("inf")])
def test_a_time_that_is_none_is_refused(bad: float) -> None:
    with pytest.raises(ValueError, match="0 or more seconds"):
        tidy_chapters([Chapter(bad, "A")], 60.0)
    with pytest.raises(ValueError, match=r"longer than nothing|0 or more"):
        tidy_chapters([], bad if bad > 0 else 0.0)


def test_names_are_cut_between_words() -> None:
    name = "The very long winded explanation of a simple phrase in A minor"
    assert shorten(name) == "The very long winded explanation of a simple…"
    assert shorten("x" * 80) == "x" * 48 + "…"
    assert shorten("two\n lines ") == "two lines"


def test_lines_and_timed_text_agree() -> None:
    chapters = [Chapter(0.0, "Talk & <tune>"), Chapter(61.2345, "Call")]
    assert list_lines(chapters) == ["0:00 Talk & <tune>", "1:01 Call"]
    assert write_vtt(chapters, 90.0) == (
        "WEBVTT\n\n1\n00:00:00.000 --> 00:01:01.234\nTalk &amp; &lt;tune&gt;\n\n"
        "2\n00:01:01.234 --> 00:01:30.000\nCall\n"
    )


def test_timed_text_refuses_chapters_that_do_not_ascend() -> None:
    with pytest.raises(ValueError, match="ascend"):
        write_vtt([Chapter(5.0, "A"), Chapter(5.0, "B")], 10.0)
    with pytest.raises(ValueError, match="ascend"):
        write_vtt([Chapter(5.0, "A")], 5.0)
