"""Title cards, cover art, and the picture of a take."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from pipeline.errors import MisuseError
from pipeline.page.look import default_look, look_from
from pipeline.picture.cover import cover_art
from pipeline.picture.plots import MARGIN_W, WIDTH, alignment_picture
from pipeline.picture.still import draw_title, render_still

LONG = "The Long Way Round the Harbour Wall on a Sunday Afternoon in B♭ and F♯ minor"
SIZES = [(1280, 720), (1920, 1080), (720, 1280), (1000, 1000), (320, 180)]


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("title", ["Low Tide", LONG, "Unterschiedlichkeitsübungen", "x " * 200, "W" * 90])
def test_any_title_stays_inside_the_safe_area(size: tuple[int, int], title: str) -> None:
    subtitle = "A channel with a rather long name, and a lesson in A minor"
    pixels = np.asarray(
        draw_title(title=title, subtitle=subtitle, look=default_look(), size=size, foot=0.3)
    ).astype(int)
    plate = pixels[0, 0]
    rows, columns = np.nonzero(np.abs(pixels - plate).max(axis=2) > 20)
    width, height = size
    assert columns.min() >= 0.05 * width
    assert columns.max() < 0.95 * width
    assert rows.min() >= 0.05 * height
    assert rows.max() < 0.7 * height


def test_a_still_is_written_whole_and_the_same_each_time(tmp_path: Path) -> None:
    assert render_still(tmp_path / "a.png", title="Low Tide", subtitle="Lead", look=default_look()) == ()
    render_still(tmp_path / "b.png", title="Low Tide", subtitle="Lead", look=default_look())
    assert (tmp_path / "a.png").read_bytes() == (tmp_path / "b.png").read_bytes()
    with Image.open(tmp_path / "a.png") as image:
        assert image.size == (1280, 720)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.png", "b.png"]


def test_letters_that_are_not_there_are_told(tmp_path: Path) -> None:
    notes = render_still(tmp_path / "a.png", title="潮 Tide", look=default_look())
    assert notes == ("The font has no 潮; choose one that has.",)


def test_title_and_subtitle_are_seen() -> None:
    look = default_look()
    bare, full, other = (
        np.asarray(draw_title(title=t, subtitle=s, look=look, size=(640, 360)))
        for t, s in (("Low Tide", ""), ("Low Tide", "Lead"), ("High Tide", "Lead"))
    )
    assert (bare != full).any()
    assert (full != other).any()


@pytest.mark.parametrize(
    ("title", "size", "said"),
    [(" ", (640, 360), "needs a title"), ("A", (640, 20), "64 to 16384"), ("A", (99999, 720), "64 to 16384")],
)
def test_misuse_of_a_card(title: str, size: tuple[int, int], said: str) -> None:
    with pytest.raises(MisuseError, match=said):
        draw_title(title=title, subtitle="", look=default_look(), size=size)


def test_a_still_is_a_png(tmp_path: Path) -> None:
    with pytest.raises(MisuseError, match=r"a \.png file"):
        render_still(tmp_path / "a.jpg", title="A", look=default_look())


@pytest.mark.parametrize(("kind", "form"), [("jpeg", "JPEG"), ("png", "PNG")])
def test_cover_art_is_square_and_small(kind: str, form: str) -> None:
    look = look_from({"plate": "#f2efe6", "plate_ink": "#222222"})
    data = cover_art(title="Low Tide", subtitle="Backing track, A minor", look=look, kind=kind)
    assert data == cover_art(title="Low Tide", subtitle="Backing track, A minor", look=look, kind=kind)
    image = Image.open(io.BytesIO(data))
    assert (image.format, image.size) == (form, (1000, 1000))
    assert len(data) < 300_000  # it is carried by every file


def test_cover_art_of_another_kind_is_refused() -> None:
    with pytest.raises(MisuseError, match="jpeg or png, got 'gif'"):
        cover_art(title="A", look=default_look(), kind="gif")


def test_bar_lines_stand_where_the_bars_are() -> None:
    rate, look = 8000, default_look()
    audio = np.zeros(rate * 10, dtype=np.float32)
    audio[rate * 5 :] = 0.5 * np.sin(2 * np.pi * 440 * np.arange(rate * 5) / rate)
    plain = np.asarray(Image.open(io.BytesIO(alignment_picture(audio, rate, [], look=look)))).astype(int)
    found = np.asarray(
        Image.open(io.BytesIO(alignment_picture(audio, rate, [(1, 5.0, 0.9), (2, 7.5, 0.1)], look=look)))
    ).astype(int)
    differs = (plain != found).any(axis=2)
    below = differs[60:200]
    columns = np.flatnonzero(below.any(axis=0))
    expected = [MARGIN_W + round(share * (WIDTH - MARGIN_W - 1)) for share in (0.5, 0.75)]
    assert [
        int(c.mean()) for c in np.split(columns, np.flatnonzero(np.diff(columns) > 1) + 1)
    ] == pytest.approx(expected, abs=1)
    # a sure bar is one stroke, a doubtful one is broken
    assert below[:, expected[0]].mean() > 0.95
    assert 0.2 < below[:, expected[1]].mean() < 0.7
    # sound is dark, silence is not
    half = MARGIN_W + (WIDTH - MARGIN_W) // 2
    assert plain[60:, half + 20 : -4].mean() < plain[60:, MARGIN_W + 4 : half - 20].mean() - 5


@pytest.mark.parametrize("seconds", [0.001, 1.0, 45.0, 700.0])
def test_takes_of_any_length_have_a_picture(seconds: float) -> None:
    audio = np.random.default_rng(7).normal(0, 0.1, max(3, int(2000 * seconds))).astype(np.float32)
    image = Image.open(io.BytesIO(alignment_picture(audio, 2000, [(0, 0.0, 1.0)])))
    assert image.width == WIDTH
    assert image.height < 8000


@pytest.mark.parametrize("audio", [np.zeros((10, 2)), np.zeros(0), np.array([0.0, np.nan])])
def test_what_is_no_mono_sound_is_refused(audio: np.ndarray) -> None:
    with pytest.raises(MisuseError, match="finite mono sound"):
        alignment_picture(audio, 8000, [])
