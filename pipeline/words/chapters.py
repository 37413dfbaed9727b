"""Chapters of a video: made fit for a description, and written as timed text.

Conventions
-----------
Seconds count from the start of the video. A chapter lasts until the next one, the last
until the end.

References
----------
Common rules of large video hosts (common practice): the first chapter at 0:00, at least
three of them, ascending, each at least ten seconds long.
W3C, "WebVTT: The Web Video Text Tracks Format": cue timings, cue identifiers, chapter
title text, WebVTT files using chapter title text (nested cues only).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

MIN_LENGTH_S: Final = 10.0
MIN_COUNT: Final = 3
MAX_NAME: Final = 49  # characters that a player shows under the pointer: common practice
OPENING_NAME: Final = "Start"


@dataclass(frozen=True, slots=True)
class Chapter:
    """A named moment, ``seconds`` from the start of the video."""

    seconds: float
    name: str

    @property
    def time(self) -> str:
        """``m:ss`` or ``h:mm:ss``, the last full second: never late."""
        return clock(self.seconds)


def clock(seconds: float) -> str:
    """``1:05`` or ``1:01:05``, rounded down to a second.

    Raises
    ------
    ValueError : negative, or not finite.
    """
    if not (math.isfinite(seconds) and seconds >= 0):
        raise ValueError(f"a time in a video is 0 or more seconds, got {seconds}")
    minutes, second = divmod(int(seconds), 60)
    hours, minute = divmod(minutes, 60)
    return f"{hours}:{minute:02}:{second:02}" if hours else f"{minute}:{second:02}"


def shorten(name: str, limit: int = MAX_NAME) -> str:
    """On one line, at most ``limit`` characters, cut between words where that is possible."""
    clean = " ".join(name.split())
    if len(clean) <= limit:
        return clean
    cut = clean[: limit - 1]
    head, space, _ = cut.rpartition(" ")
    return (head if space and len(head) > limit // 2 else cut).rstrip(" ,;:-–") + "…"


def tidy_chapters(chapters: Sequence[Chapter], total_s: float) -> tuple[list[Chapter], list[str]]:
    """Chapters that video hosts accept, and a sentence for everything that was changed.

    total_s : length of the video

    Sorted; the first one at 0:00 (a lead-in of its own when that is long enough); what is
    shorter than ten seconds is joined with what follows, the last with what precedes; long
    names are shortened. Fewer than three may be left: a note says so.

    Raises
    ------
    ValueError : a time or the length is negative or not finite.
    """
    if not (math.isfinite(total_s) and total_s > 0):
        raise ValueError(f"a video is longer than nothing, got {total_s} seconds")
    for chapter in chapters:
        clock(chapter.seconds)
    notes: list[str] = []
    marks = sorted(chapters, key=lambda chapter: chapter.seconds)
    if marks != list(chapters):
        notes.append("The chapters were put in order of time.")
    late = [mark for mark in marks if mark.seconds >= total_s]
    if late:
        notes.append(f"Left out, as they start after the end: {', '.join(mark.name for mark in late)}.")
    marks = [mark for mark in marks if mark.seconds < total_s]
    marks = [
        replace(mark, name=" ".join(mark.name.split()) or f"Part {i + 1}") for i, mark in enumerate(marks)
    ]
    if not marks:
        return [], notes
    marks = _from_zero(marks, notes)
    marks = _joined(marks, total_s, notes)
    shortened = [replace(mark, name=shorten(mark.name)) for mark in marks]
    notes += [
        f"The chapter name {old.name!r} is shortened to {new.name!r}."
        for old, new in zip(marks, shortened, strict=True)
        if old != new
    ]
    if len(shortened) < MIN_COUNT:
        left = "one chapter is" if len(shortened) == 1 else f"{len(shortened)} chapters are"
        notes.append(f"Only {left} left; video hosts show chapters from {MIN_COUNT} on.")
    return shortened, notes


def _from_zero(marks: list[Chapter], notes: list[str]) -> list[Chapter]:
    first = marks[0]
    if first.seconds == 0:
        return marks
    if first.seconds >= MIN_LENGTH_S:
        notes.append(f"A chapter {OPENING_NAME!r} was added at 0:00, as the first one starts later.")
        return [Chapter(0.0, OPENING_NAME), *marks]
    # less than a second is no change that anyone could see
    if first.seconds >= 1:
        notes.append(f"The chapter {first.name!r} starts at 0:00, as the first one has to.")
    return [replace(first, seconds=0.0), *marks[1:]]


def _joined(marks: list[Chapter], total_s: float, notes: list[str]) -> list[Chapter]:
    """Groups of neighbours, each at least ten seconds long, as many as there can be."""
    groups: list[list[Chapter]] = [[]]
    for mark, until in zip(marks, [*(m.seconds for m in marks[1:]), total_s], strict=True):
        groups[-1].append(mark)
        if until - groups[-1][0].seconds >= MIN_LENGTH_S and until != total_s:
            groups.append([])
    if len(groups) > 1 and total_s - groups[-1][0].seconds < MIN_LENGTH_S:
        last = groups.pop()
        groups[-1] += last
    found = [Chapter(group[0].seconds, _names([mark.name for mark in group])) for group in groups]
    notes += [
        f"Joined into {new.name!r}, as each chapter has to last ten seconds: "
        + ", ".join(f"{mark.name} ({mark.time})" for mark in group)
        + "."
        for group, new in zip(groups, found, strict=True)
        if len(group) > 1
    ]
    return found


def _names(names: list[str]) -> str:
    different = list(dict.fromkeys(names))
    if len(different) > 2:
        return f"{different[0]} to {different[-1]}"
    return " and ".join(different)


def list_lines(chapters: Sequence[Chapter]) -> list[str]:
    """``0:00 Name``, one line a chapter, as video hosts read them in a description."""
    return [f"{chapter.time} {chapter.name}" for chapter in chapters]


def _stamp(milliseconds: int) -> str:
    """WebVTT timestamp with hours, which are never wrong to give."""
    seconds, milli = divmod(milliseconds, 1000)
    minutes, second = divmod(seconds, 60)
    hours, minute = divmod(minutes, 60)
    return f"{hours:02}:{minute:02}:{second:02}.{milli:03}"


def write_vtt(chapters: Sequence[Chapter], total_s: float) -> str:
    """The chapters as a WebVTT chapters file, each lasting until the next.

    Raises
    ------
    ValueError : times not ascending by at least a millisecond, or beyond the end.
    """
    for chapter in chapters:
        clock(chapter.seconds)
    # exact to the millisecond that the format knows; the end is rounded likewise
    edges = [round(chapter.seconds * 1000) for chapter in chapters] + [round(total_s * 1000)]
    if any(end <= start for start, end in itertools.pairwise(edges)):
        raise ValueError(f"chapters ascend and end before the video does, got {edges} ms")
    blocks = ["WEBVTT"]
    for number, (chapter, (start, end)) in enumerate(
        zip(chapters, itertools.pairwise(edges), strict=True), start=1
    ):
        # "-->" can't stand in a cue's text, & and < not bare
        text = " ".join(chapter.name.split())
        text = text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
        blocks.append(f"{number}\n{_stamp(start)} --> {_stamp(end)}\n{text}")
    # the first line is followed by a blank one even where no cue comes
    return "\n\n".join(blocks) + ("\n" if chapters else "\n\n")
