"""The catalogue's own script: what is found, and in which order. Run in a JavaScript engine."""

from __future__ import annotations

import json
from collections.abc import Iterator
from importlib.resources import files
from typing import Any

import pytest
from py_mini_racer import MiniRacer


class Script:
    """The functions of the page's script, called from here."""

    def __init__(self) -> None:
        self._engine = MiniRacer()
        self._engine.eval((files("pipeline.build") / "templates" / "catalogue.js").read_text("utf-8"))

    def __call__(self, name: str, *values: object) -> Any:
        given = ", ".join(json.dumps(value) for value in values)
        return json.loads(str(self._engine.eval(f"JSON.stringify(Catalogue.{name}({given}))")))

    def close(self) -> None:
        self._engine.close()


@pytest.fixture(scope="module")
def script() -> Iterator[Script]:
    found = Script()
    yield found
    found.close()


def item(text: str, **facets: list[str]) -> dict[str, Any]:
    return {"text": text, "facets": {"key": [], "chord": [], **facets}}


@pytest.mark.parametrize(
    ("text", "folded"),
    [
        ("F♯ minor", "f# minor"),
        ("B♭maj7", "bbmaj7"),
        ("Crépuscule", "crepuscule"),
        ("Ünder Öre", "under ore"),
        ("O’Shea ‘x’", "o'shea 'x'"),
        ("ﬁne", "fine"),
        ("Łódź", "łodz"),
        ("水の歌", "水の歌"),
        ("", ""),
    ],
)
def test_folding(script: Script, text: str, folded: str) -> None:
    assert script("fold", text) == folded


@pytest.mark.parametrize(
    ("typed", "found"),
    [
        ("F#", True),
        ("f♯m7", True),
        ("Bb", True),
        ("crepuscule", True),
        ("CRÉPUSCULE bends", True),
        ("  bends   f# ", True),
        ("", True),
        ("slides", False),
        ("bends slides", False),
        ("bb f#m7b5 x", False),
    ],
)
def test_searching(script: Script, typed: str, found: bool) -> None:
    lesson = item("Crépuscule\nF♯m7♭5\nF#m7b5\nB♭\nbends")
    assert script("holds", lesson, script("words", typed), {}) is found


@pytest.mark.parametrize(
    ("wanted", "found"),
    [
        ({}, True),
        ({"key": ""}, True),
        ({"key": "A minor"}, True),
        ({"key": "A major"}, False),
        ({"chord": "Am"}, True),
        ({"chord": "A"}, False),  # the chord itself, no part of a name
        ({"key": "A minor", "chord": "E7"}, True),
        ({"key": "A minor", "chord": "B7"}, False),
    ],
)
def test_filtering(script: Script, wanted: dict[str, str], found: bool) -> None:
    lesson = item("x", key=["A minor"], chord=["Am", "E7"])
    assert script("holds", lesson, [], wanted) is found


@pytest.mark.parametrize(
    ("values", "upwards", "downwards"),
    [
        ([104.5, 72, 96, 8], [3, 1, 2, 0], [0, 2, 1, 3]),  # as numbers
        (["part 10", "Part 9", "part 1"], [2, 1, 0], [0, 1, 2]),
        (["zebra", "Éclair", "apple"], [2, 1, 0], [0, 1, 2]),
        (["2026-11-25", "2025-12-31", "2026-02-01"], [1, 2, 0], [0, 2, 1]),
        ([5, None, 3, None], [2, 0, 1, 3], [0, 2, 1, 3]),  # what is not known comes last
        (["b", "", "a"], [2, 0, 1], [0, 2, 1]),
        ([1, 1, 1], [0, 1, 2], [0, 1, 2]),  # equal ones stay as they are
        ([0, None, 1], [0, 2, 1], [2, 0, 1]),
        ([], [], []),
    ],
)
def test_sorting(script: Script, values: list[Any], upwards: list[int], downwards: list[int]) -> None:
    items = [{"sort": {"column": value}} for value in values]
    assert script("order", items, "column", False) == upwards
    assert script("order", items, "column", True) == downwards


def test_counting(script: Script) -> None:
    assert script("counted", 3, 3) == "3 lessons"
    assert script("counted", 1, 1) == "1 lesson"
    assert script("counted", 0, 12) == "0 of 12 lessons"
