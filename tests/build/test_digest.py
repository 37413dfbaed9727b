"""Contents told apart by their digests."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, datetime
from fractions import Fraction
from pathlib import Path

import pytest

from pipeline.build.digest import code_digest, file_digest, library_version, value_digest
from tests.samples import lead_spans, lead_tab, waltz_tab


@dataclass(frozen=True)
class Pair:
    left: object
    right: object


def test_file_digest_is_sha256(tmp_path: Path) -> None:
    """FIPS 180-4's own example: "abc"."""
    (tmp_path / "abc").write_bytes(b"abc")
    assert file_digest(tmp_path / "abc") == (
        "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    )


@pytest.mark.parametrize(
    ("one", "other"),
    [
        (1, "1"),
        (1, 1.0),
        (True, 1),
        (None, ""),
        (b"a", "a"),
        (Fraction(1, 2), 0.5),
        (date(2026, 11, 25), "2026-11-25"),
        (date(2026, 11, 25), datetime(2026, 11, 25)),
        (("ab", "c"), ("a", "bc")),
        ((), ((),)),
        ({"a": 1}, {"a": 2}),
        ({"a": 1}, (("a", 1),)),
        (Pair(1, 2), Pair(2, 1)),
        (Pair("x", ("y",)), Pair(("x",), "y")),
    ],
)
def test_different_values_differ(one: object, other: object) -> None:
    assert value_digest(one) != value_digest(other)


def test_equal_values_agree_however_made() -> None:
    assert value_digest({"a": 1, "b": 2}) == value_digest({"b": 2, "a": 1})
    assert value_digest([1, 2]) == value_digest((1, 2))
    assert value_digest({3, 1, 2}) == value_digest(frozenset((2, 1, 3)))
    assert value_digest(lead_tab()) == value_digest(lead_tab())
    assert value_digest(lead_spans()) == value_digest(lead_spans())


def test_one_note_changes_the_tab() -> None:
    tab = lead_tab()
    tab.sounding  # noqa: B018 - what is cached on a value is no part of it
    assert value_digest(tab) == value_digest(lead_tab())
    assert value_digest(tab) != value_digest(replace(tab, notes=tab.notes[:-1]))
    assert value_digest(tab) != value_digest(waltz_tab())


def test_a_path_stands_for_its_contents(tmp_path: Path) -> None:
    one, other = tmp_path / "one", tmp_path / "other"
    one.write_text("same")
    other.write_text("same")
    assert value_digest(one) == value_digest(other)
    other.write_text("changed")
    assert value_digest(one) != value_digest(other)


def test_what_has_no_meaning_as_data_is_refused() -> None:
    with pytest.raises(TypeError, match="object has no digest"):
        value_digest(Pair(1, object()))


def test_code_digest_follows_the_code(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    package = tmp_path / "roomlike"
    package.mkdir()
    (package / "__init__.py").write_text("")
    (package / "a.py").write_text("x = 1")
    monkeypatch.syspath_prepend(tmp_path)
    first = code_digest("roomlike")
    code_digest.cache_clear()
    assert code_digest("roomlike") == first
    (package / "a.py").write_text("x = 2")
    code_digest.cache_clear()
    assert code_digest("roomlike") != first


def test_absent_library_is_a_fact() -> None:
    assert library_version("no-such-distribution-here") == "absent"
    assert library_version("numpy")[0].isdigit()
