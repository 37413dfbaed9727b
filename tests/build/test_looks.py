"""The colours a step is given are all that it draws with."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pytest

from pipeline.build.looks import (
    CARD_COLOURS,
    PAGE_COLOURS,
    PLOT_COLOURS,
    colours_of,
    font_files,
    look_of_step,
)
from pipeline.page.engrave import engrave
from pipeline.page.look import Look, default_look, look_from
from pipeline.picture.card import Card
from pipeline.picture.cover import cover_art
from pipeline.picture.plots import alignment_picture
from pipeline.picture.scenes import scenes
from pipeline.picture.still import draw_title
from tests.samples import lead_spans, lead_tab

# no two the same, none a default, and all in need of being made legible somewhere
LOOK = look_from(
    {"accent": "#c0d040", "ink": "#a0a0c0", "paper": "#e0d0c0", "plate": "#506070", "plate_ink": "#708090"}
)


def page(look: Look) -> object:
    made = engrave(lead_tab(), lead_spans(), look=look, credit="A Teacher", footer="own work")
    return made.pages, made.pdf, made.notes


def card(look: Look) -> object:
    shown = [scene for _, scene in scenes(lead_spans(), lead_tab().form) if scene is not None]
    drawn = Card((1280, 720), look, shown)
    return [np.asarray(drawn.draw(scene)).tobytes() for scene in shown[:4]], drawn.notes


def title(look: Look) -> object:
    return draw_title(title="Ebb", subtitle="A Room", look=look, size=(640, 360)).tobytes()


def cover(look: Look) -> object:
    return cover_art(title="Ebb", look=look)


def plot(look: Look) -> object:
    sound = np.sin(np.arange(48000) / 20).astype(np.float32)
    return alignment_picture(sound, 16000, [(1, 0.5, 1.0), (2, 2.0, 0.1)], look=look)


CASES = [(page, PAGE_COLOURS), (card, CARD_COLOURS), (title, CARD_COLOURS), (cover, CARD_COLOURS),
         (plot, PLOT_COLOURS)]  # fmt: skip


@pytest.mark.parametrize(("draw", "colours"), CASES, ids=lambda case: getattr(case, "__name__", ""))
def test_a_step_draws_with_its_own_colours(draw: Callable[[Look], object], colours: Sequence[str]) -> None:
    assert draw(look_of_step(colours_of(LOOK, colours), dict(font_files(LOOK)))) == draw(LOOK)


@pytest.mark.parametrize(("draw", "colours"), CASES, ids=lambda case: getattr(case, "__name__", ""))
def test_each_of_them_shows(draw: Callable[[Look], object], colours: Sequence[str]) -> None:
    """A colour that could be left out would make things again for nothing."""
    before = draw(default_look())
    for name in colours:
        if draw(look_from({name: "#90a0b0"})) == before:
            pytest.fail(f"{name} does not show")
