"""The card: everything fits, whatever the chord, the frame and the colours."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from pipeline.page.look import default_look, look_from
from pipeline.picture.card import Card
from pipeline.picture.lettering import NO_CHORD, Lettering, chord_pieces
from pipeline.picture.scenes import Scene, scenes
from tests.samples import chart_of, lead_spans, lead_tab, waltz_spans, waltz_tab

LONG = ("F#m7b5/C B♭maj9/D", "C#maj7(#5,#9,#11)/G# N.C.", "Ebdim7 E7#9", "Am")


def scenes_of(*bars: str, title: str = "Opening call") -> list[Scene]:
    form = lead_tab().form
    return [s for _, s in scenes(chart_of(*bars).spans(form), form, title=title) if s]


def columns_with_ink(card: Card, scene: Scene) -> np.ndarray:
    """Which columns of the card differ from an empty plate, the row of marks left out."""
    pixels = np.asarray(card.draw(scene)).astype(int)
    plate = np.median(pixels.reshape(-1, 4), axis=0)
    upper = pixels[4 : int(len(pixels) * 0.85)]
    return (np.abs(upper[..., :3] - plate[:3]).max(axis=2) > 60).any(axis=0)


SIZES = [
    (1920, 1080),
    (1280, 720),
    (640, 480),
    (1080, 1920),
    (1080, 1080),
    (3840, 2160),
    (426, 240),
    (2560, 1080),
]


@pytest.mark.parametrize("size", SIZES)
def test_the_longest_chords_fit_their_plate(size: tuple[int, int]) -> None:
    shown = scenes_of(*LONG)
    card = Card(size, default_look(), shown)
    for scene in shown[::2]:
        ink = np.flatnonzero(columns_with_ink(card, scene))
        left, _, right, _ = card.box
        # clear of both edges: nothing is cut
        assert ink[0] > 0.01 * min(size)
        assert ink[-1] < right - left - 0.01 * min(size)


def test_columns_do_not_jump_between_chords() -> None:
    """The place is drawn at one and the same x for every chord of a video."""
    shown = scenes_of("Am", "F#m7b5/C", "G", "Am")
    card = Card((1920, 1080), default_look(), shown)
    lefts = set()
    for scene in shown:
        ink = columns_with_ink(card, scene)
        # the last wide gap in the row of columns is what separates the place
        runs = np.flatnonzero(ink)
        wide = [b for a, b in itertools.pairwise(runs) if b - a > 40]
        lefts.add(int(wide[-1]))
    assert max(lefts) - min(lefts) <= 2


def test_equal_scenes_give_equal_pictures_and_a_beat_changes_only_the_marks() -> None:
    shown = scenes_of("Am7", "D9", "Am7", "D9")
    card = Card((1280, 720), default_look(), shown)
    one, again, beat = (np.asarray(card.draw(s)) for s in (shown[0], shown[0], shown[1]))
    assert (one == again).all()
    rows = np.flatnonzero((one != beat).any(axis=(1, 2)))
    assert len(rows) > 0
    assert rows[0] > 0.85 * len(one)


def test_nothing_is_left_in_the_colours_where_nothing_is_seen() -> None:
    pixels = np.asarray(Card((1280, 720), default_look(), scenes_of(*LONG)).draw(scenes_of(*LONG)[0]))
    assert (pixels[pixels[..., 3] == 0] == 0).all()
    assert pixels[0, 0, 3] == 0
    assert pixels[len(pixels) // 2, 3, 3] == 237


def test_colours_that_cannot_be_read_are_mended_and_told() -> None:
    card = Card(
        (1280, 720), look_from({"plate": "#e8d44d", "plate_ink": "#f0f0f0"}), scenes_of("Am", "G", "Am", "G")
    )
    assert len(card.notes) == 1
    assert card.notes[0].startswith("The colour plate_ink #f0f0f0 can't be read on the plate #e8d44d")


def test_long_names_are_cut_and_told() -> None:
    name = "A section with a name that goes on and on and on until nobody listens"
    card = Card((1280, 720), default_look(), scenes_of("Am", "G", "Am", "G", title=name))
    assert card.notes == [f"The name {name!r} is too long for the overlay and is cut short."]


def test_letters_that_no_font_has_are_told() -> None:
    card = Card((1280, 720), default_look(), scenes_of("Am", "G", "Am", "G", title="潮 tide"))
    assert card.notes == ["The font has no 潮; choose one that has."]


def test_a_frame_too_small_to_read_is_refused() -> None:
    with pytest.raises(ValueError, match="at least 64 pixels"):
        Card((63, 200), default_look(), scenes_of("Am", "G", "Am", "G"))


def test_chord_names_come_in_parts_that_give_the_whole() -> None:
    for span in lead_spans():
        assert span.chord is not None
        assert "".join(p.text for p in chord_pieces(span.chord)) == span.chord.symbol()
    for chord in (s.chord for s in scenes_of(*LONG)):
        whole = chord.symbol() if chord else NO_CHORD
        assert "".join(p.text for p in chord_pieces(chord)) == whole


def test_text_is_fitted_and_broken() -> None:
    letters = Lettering(default_look())
    assert letters.fit("Am", 500, 60, 20) == ("Am", 60)
    text, size = letters.fit("A rather long name", 200, 60, 20)
    assert (text, 20 <= size < 60) == ("A rather long name", True)
    assert letters.width(text, size) <= 200
    text, size = letters.fit("A rather long name that does not fit", 150, 60, 30)
    assert size == 30
    assert text.endswith("…")
    assert letters.width(text, size) <= 150
    lines, size = letters.lines("Unterschiedlichkeitsübungen in E♭", 300, 60, 40, 3, bold=True)
    assert size == 40
    assert "".join(lines).replace("-", "").replace(" ", "").startswith("Unterschiedlichkeitsübungen")
    assert all(letters.width(line, size, bold=True) <= 300 for line in lines)


def test_before_the_first_chord_only_what_comes_is_shown() -> None:
    """A pickup that the chart leaves out was once shown as N.C."""
    form = waltz_tab().form
    first, second = (s for _, s in scenes(waltz_spans(), form, title="Strain")[:2] if s)
    card = Card((1920, 1080), default_look(), [first, second])
    waiting, playing = columns_with_ink(card, first), columns_with_ink(card, second)
    now = slice(0, card._pad + card._now_w)
    assert not waiting[now].any() and playing[now].any()
    assert waiting[now.stop :].any(), "the next chord and the place"
