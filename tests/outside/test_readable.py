"""Pictures against published rules for reading and for safe viewing.

Sources: EBU R 95 (2017), graphics safe area 5 % in from each edge (1920 x 1080: 96 and 54
pixels, by arithmetic). W3C, Web Content Accessibility Guidelines 2.2: "relative luminance",
"contrast ratio", success criteria 1.4.3 (4.5:1 for text) and 2.3.1 (at most three general
flashes in a second, or less than a quarter of any 341 x 256 block at 1024 x 768; a flash is a
pair of opposing changes of 10 % of relative luminance or more, the darker below 0.80).
The formulas are written out here again, apart from those in the project.
"""

from __future__ import annotations

import itertools
from fractions import Fraction as F
from typing import Any

import numpy as np
import pytest
from PIL import ImageDraw

from pipeline.music.metre import Form
from pipeline.music.timemap import TimeMap
from pipeline.page.look import Look, default_look, look_from
from pipeline.picture.card import Card
from pipeline.picture.lettering import Lettering
from pipeline.picture.overlay import OverlayPlan, plan_overlay
from pipeline.picture.scenes import Scene, scenes
from pipeline.picture.still import draw_title
from tests.samples import chart_of


def luminance(rgb: np.ndarray) -> np.ndarray:
    """WCAG 2.2, "relative luminance", of (..., 3) values 0..255."""
    c = np.asarray(rgb, dtype=float) / 255
    linear = np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)
    return linear @ np.array([0.2126, 0.7152, 0.0722])


def ratio(one: np.ndarray, other: np.ndarray) -> float:
    high, low = sorted((float(luminance(one)), float(luminance(other))), reverse=True)
    return (high + 0.05) / (low + 0.05)


# published or computed pairs: WCAG 2.2's edges
PAIRS = [("000000", 21.0), ("777777", 4.4781), ("767676", 4.5422), ("ff0000", 3.9985), ("0000ff", 8.5925)]


@pytest.mark.parametrize(("colour", "wanted"), PAIRS)
def test_the_measure_itself(colour: str, wanted: float) -> None:
    assert ratio(np.array(list(bytes.fromhex(colour))), np.array([255, 255, 255])) == pytest.approx(
        wanted, abs=1e-3
    )


def shown(*bars: str, repeat: int = 1) -> tuple[Form, list[Scene]]:
    form = Form.plain(len(bars) * repeat)
    found = scenes(chart_of(*(bars * repeat)).spans(form), form, title="Opening call")
    return form, [scene for _, scene in found if scene]


BARS = ("F#m7b5/C Bbmaj9/D", "C#maj7(#5,#9,#11)/G# N.C.", "Ebdim7 E7#9", "Am G")
SAFE = [
    ((1920, 1080), 96, 54),
    ((1280, 720), 64, 36),
    ((3840, 2160), 192, 108),
    ((1080, 1920), 54, 96),
    ((640, 480), 32, 24),
]


@pytest.mark.parametrize(("size", "side", "foot"), SAFE)
def test_the_card_is_inside_the_graphics_safe_area(size: tuple[int, int], side: int, foot: int) -> None:
    left, top, right, bottom = Card(size, default_look(), shown(*BARS)[1]).box
    assert left >= side
    assert right <= size[0] - side
    assert bottom <= size[1] - foot
    # the lower third is meant: the hands above stay free
    assert top >= size[1] * (2 / 3 if size[0] >= size[1] else 0.75)


LOOKS = {
    "own": default_look(),
    "pale ink on yellow": look_from({"plate": "#e8d44d", "plate_ink": "#f0f0f0", "accent": "#ffff00"}),
    "grey on grey": look_from({"plate": "#808080", "plate_ink": "#8a8a8a", "accent": "#777777"}),
    "red on blue": look_from({"plate": "#0000aa", "plate_ink": "#cc0000", "accent": "#aa00aa"}),
    "white plate": look_from({"plate": "#ffffff", "plate_ink": "#cccccc", "accent": "#eeeeee"}),
}


@pytest.mark.parametrize("look", LOOKS.values(), ids=LOOKS.keys())
@pytest.mark.parametrize("behind", [0, 255])
def test_text_can_be_read_over_black_and_over_white(look: Look, behind: int) -> None:
    card = Card((1280, 720), look, shown(*BARS)[1])
    pixels = np.asarray(card.draw(shown(*BARS)[1][0])).astype(float)
    alpha = pixels[..., 3:] / 255
    over = pixels[..., :3] * alpha + behind * (1 - alpha)
    ground = np.median(over[:4, 20:-20].reshape(-1, 3), axis=0)
    # what stands out most is the middle of the strokes of the large letters
    letters = over[10 : int(len(over) * 0.8), 10 : len(over[0]) // 2].reshape(-1, 3)
    far = np.abs(luminance(letters) - luminance(ground))
    ink = np.median(letters[far >= np.quantile(far, 0.97)], axis=0)
    assert ratio(ink, ground) >= 4.5
    marks = over[-round(720 * 0.018) - 3, round(720 * 0.035) + 4]
    assert ratio(marks, ground) >= 3.0  # WCAG 2.2, 1.4.11


@pytest.mark.parametrize("look", LOOKS.values(), ids=LOOKS.keys())
def test_a_title_card_can_be_read(look: Look) -> None:
    image = np.asarray(
        draw_title(title="Low Tide", subtitle="Lead", look=look, size=(1280, 720), foot=0.3)
    ).astype(float)
    flat = image[150:].reshape(-1, 3)
    far = np.abs(luminance(flat) - luminance(image[0, 0]))
    ink = np.median(flat[far >= np.quantile(far, 0.985)], axis=0)
    assert ratio(ink, image[0, 0]) >= 4.5


@pytest.mark.parametrize("size", [(1920, 1080), (1280, 720), (640, 480), (1080, 1920)])
def test_no_text_is_smaller_than_a_twentieth(size: tuple[int, int], monkeypatch: pytest.MonkeyPatch) -> None:
    sizes: list[tuple[str, int]] = []
    draw = Lettering.draw

    def noted(self: Lettering, canvas: ImageDraw.ImageDraw, x: float, y: float, text: str, em: int, fill: str, **more: Any) -> float:  # fmt: skip
        sizes.append((text, em))
        return draw(self, canvas, x, y, text, em, fill, **more)

    monkeypatch.setattr(Lettering, "draw", noted)
    _, found = shown("F#m7b5/C Bbmaj9/D", "Am", "Ebdim7 E7#9", "Am G")
    card = Card(size, default_look(), found)
    for scene in found:
        card.draw(scene)
    assert card.notes == []
    assert len(sizes) > 20
    assert min(em for _, em in sizes) >= min(size) / 20


def flashes(plan: OverlayPlan, behind: int) -> tuple[list[float], list[float]]:
    """(times, largest share of a 10 degree block that changes) of every change shown.

    The block of 341 x 256 at 1024 x 768 is a third of the frame each way.
    """
    width, height = plan.card.size
    block_w, block_h = width // 3, height // 3
    times, shares = [], []
    before = np.full((height, width), float(luminance(np.array([behind] * 3))))
    for frame, picture in plan.pictures(whole_frame=True):
        alpha = picture[..., 3:] / 255
        now = luminance(picture[..., :3] * alpha + behind * (1 - alpha))
        flash = (np.abs(now - before) >= 0.1) & (np.minimum(now, before) < 0.8)
        total = np.pad(flash.cumsum(0).cumsum(1), ((1, 0), (1, 0)))
        inside = (
            total[block_h:, block_w:]
            - total[:-block_h, block_w:]
            - total[block_h:, :-block_w]
            + total[:-block_h, :-block_w]
        )
        times.append(float(frame / plan.fps))
        shares.append(float(inside.max()) / (block_w * block_h))
        before = now
    return times, shares


@pytest.mark.parametrize("behind", [0, 128, 255])
def test_even_the_fastest_changes_do_not_flash(behind: int) -> None:
    """Two chords a beat at 240 beats a minute: eight changes a second."""
    form = Form.plain(4)
    spans = chart_of(
        "Am G F#m7b5/C D Em Bb9 A7 C", "N.C. G F D Em Bb9 A7 C", "Am G F D Em Bb9 A7 C", "Am"
    ).spans(form)
    plan = plan_overlay(
        spans, TimeMap.steady(240, start_s=0.5), seconds=6.0, size=(960, 540), fps=F(60), look=default_look(), form=form
    )  # fmt: skip
    times, shares = flashes(plan, behind)
    large = [time for time, share in zip(times, shares, strict=True) if share > 0.25]
    # only the plate that comes and goes is large; three flashes are six changes
    assert len(large) <= 2
    assert all(b - a > 1 for a, b in itertools.pairwise(large))
    assert sum(share > 0.001 for share in shares) > 20
