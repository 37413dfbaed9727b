"""Scores from outside written as text tabs: they read back as the very same music.

The scores are those that music21 (BSD licence) brings along: its MusicXML test suite and its corpus.
"""

from __future__ import annotations

import importlib.util
from pathlib import Path

import pytest

from pipeline.errors import Problems
from pipeline.page.texttab import write_text_tab
from pipeline.read.tabfile import read_tab
from pipeline.read.texttab import read_text_tab


def scores() -> list[Path]:
    """Every MusicXML file of the library, in a fixed order."""
    spec = importlib.util.find_spec("music21")
    assert spec is not None and spec.origin is not None
    root = Path(spec.origin).parent
    found = [path for kind in ("mxl", "musicxml", "xml") for path in root.rglob(f"*.{kind}")]
    return sorted(path for path in found if "corpus" in path.parts or "lilypondTestSuite" in path.parts)


SCORES = scores()
EVERY = 60  # one of so many in the quick sample


def same_again(paths: list[Path]) -> int:
    """How many of these scores were read, each the same once it was written as text."""
    count = 0
    for path in paths:
        tab = read_tab(path, Problems())
        if tab is None:
            continue  # told why; how scores are read is tested elsewhere
        problems = Problems()
        again = read_text_tab(write_text_tab(tab), path=path, problems=problems)
        assert not problems.errors, f"{path.name}\n" + "\n".join(p.text() for p in problems.errors)
        assert again == tab, path.name
        count += 1
    return count


def test_a_sample_of_scores_as_text_tabs() -> None:
    assert same_again(SCORES[::EVERY]) > len(SCORES) // EVERY // 2


@pytest.mark.slow
@pytest.mark.timeout(900)
def test_all_scores_as_text_tabs() -> None:
    assert same_again(SCORES) > len(SCORES) // 2
