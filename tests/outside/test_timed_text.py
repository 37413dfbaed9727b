"""Chapters against the published grammar of timed text and the rules of video hosts.

Sources: W3C WebVTT, editor's draft (2026): "WebVTT timestamp", "WebVTT cue timings", "WebVTT
file body", "chapter title text". Chapters in a description (common practice of large video
hosts): the first at 0:00, at least three, ascending, each at least 10 seconds.
Reference reader: webvtt-py, which is laxer than the standard, so the grammar is checked here.
"""

from __future__ import annotations

import io
import itertools
import re

import pytest
import webvtt
from hypothesis import given
from hypothesis import strategies as st

from pipeline.words.chapters import Chapter, list_lines, tidy_chapters, write_vtt

STAMP = re.compile(r"(?:(\d{2,}):)?([0-5]\d):([0-5]\d)\.(\d{3})")


def stamp_ms(text: str) -> int:
    match = STAMP.fullmatch(text)
    if match is None:
        raise ValueError(f"not a timestamp: {text}")
    hours, minutes, seconds, milli = (int(group or 0) for group in match.groups())
    return ((hours * 60 + minutes) * 60 + seconds) * 1000 + milli


def cues_of(text: str) -> list[tuple[int, int, str]]:
    """Reads a WebVTT file strictly by the grammar; ValueError where it breaks it."""
    if not text.startswith("WEBVTT\n\n"):
        raise ValueError("a file begins with WEBVTT and two line terminators or more")
    head, *blocks = text.rstrip("\n").split("\n\n")
    if head != "WEBVTT":
        raise ValueError("a file begins with WEBVTT and a blank line")
    found, names = [], set()
    for block in blocks:
        name, timing, *payload = block.split("\n")
        if "-->" in name or name in names:
            raise ValueError("identifiers are unique and hold no arrow")
        names.add(name)
        match = re.fullmatch(r"(\S+)[ \t]+-->[ \t]+(\S+)", timing)
        if match is None:
            raise ValueError(f"not a timing line: {timing}")
        start, end = stamp_ms(match[1]), stamp_ms(match[2])
        if end <= start or (found and start < found[-1][0]):
            raise ValueError("cues end after they start, and start in order")
        if len(payload) != 1 or "-->" in payload[0] or re.search(r"<|&(?!amp;|lt;|gt;)", payload[0]):
            raise ValueError("a title is one line of escaped text")
        found.append((start, end, payload[0]))
    for (a, b, _), (c, d, _) in itertools.combinations(found, 2):
        if not (b <= c or d <= a or (a <= c and d <= b) or (c <= a and b <= d)):
            raise ValueError("chapters are apart or one inside the other")
    return found


@pytest.mark.parametrize("bad", ["00:00,000", "00:60.000", "0:01.000", "1:00:00.000", "00:00:00.00"])
def test_the_checker_itself_refuses_what_the_grammar_refuses(bad: str) -> None:
    with pytest.raises(ValueError, match="timestamp"):
        stamp_ms(bad)


def test_the_checker_refuses_a_cue_without_length() -> None:
    with pytest.raises(ValueError, match="end after"):
        cues_of("WEBVTT\n\n1\n00:01.000 --> 00:01.000\nA\n")


# close together and far apart: both the joining and the clock with hours are met
TIMES = st.floats(0, 90) | st.floats(0, 7000)
MARKS = st.lists(
    st.tuples(TIMES, st.text(st.characters(codec="utf-8", exclude_categories=["Cs"]), max_size=80)),
    max_size=30,
)  # fmt: skip


@given(MARKS, st.floats(1, 120) | st.floats(1, 7000))
def test_tidy_chapters_keep_every_rule(marks: list[tuple[float, str]], total_s: float) -> None:
    found, notes = tidy_chapters([Chapter(s, n) for s, n in marks], total_s)
    if not found:
        assert all(seconds >= total_s for seconds, _ in marks)
        return
    edges = [c.seconds for c in found] + [total_s]
    assert edges[0] == 0
    assert len(found) == 1 or all(b - a >= 10 for a, b in itertools.pairwise(edges))
    assert all(0 < len(c.name) <= 49 and "\n" not in c.name for c in found)
    assert len(found) >= 3 or any("video hosts show" in note for note in notes)
    again, quiet = tidy_chapters(found, total_s)
    assert again == found
    assert all("Only" in note for note in quiet)
    # as printed, in whole seconds, the rules hold too
    clocks = [line.split(" ")[0].split(":") for line in list_lines(found)]
    whole = [sum(int(part) * 60**place for place, part in enumerate(reversed(clock))) for clock in clocks]
    assert whole[0] == 0
    assert all(b - a >= 10 for a, b in itertools.pairwise(whole))


@given(MARKS, st.floats(1, 120) | st.floats(1, 7000))
def test_timed_text_keeps_the_grammar(marks: list[tuple[float, str]], total_s: float) -> None:
    chapters, _ = tidy_chapters([Chapter(s, n) for s, n in marks], total_s)
    text = write_vtt(chapters, total_s)
    cues = cues_of(text)
    assert len(cues) == len(chapters)
    for (start, _, _), chapter in zip(cues, chapters, strict=True):
        assert abs(start / 1000 - chapter.seconds) <= 0.0005 + 1e-9
    assert not cues or cues[-1][1] == round(total_s * 1000)


def test_a_reference_reader_agrees() -> None:
    chapters = [Chapter(0.0, "Talk & tune"), Chapter(59.9996, "Call"), Chapter(3599.5, "Answer -> end")]
    read = list(webvtt.from_buffer(io.StringIO(write_vtt(chapters, 4000.25))))
    assert [(cue.start, cue.end) for cue in read] == [
        ("00:00:00.000", "00:01:00.000"),
        ("00:01:00.000", "00:59:59.500"),
        ("00:59:59.500", "01:06:40.250"),
    ]
    assert [cue.raw_text for cue in read] == ["Talk &amp; tune", "Call", "Answer -&gt; end"]


def test_a_file_without_chapters_is_still_one() -> None:
    assert cues_of(write_vtt([], 10.0)) == []
    with pytest.raises(ValueError, match="two line terminators"):
        cues_of("WEBVTT\n")
