"""Colours can be read, signs have glyphs, bad colours are told all at once."""

from __future__ import annotations

from pathlib import Path

import pytest
from PIL import ImageFont

from pipeline.errors import SourceError
from pipeline.page.look import SIGNS, contrast, default_look, glyphs, legible, look_from, signs_font


def test_contrast_of_black_on_white_is_21() -> None:
    """WCAG 2.2: black on white is 21:1, and #767676 on white the well-known 4.54:1."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)


def test_default_look_reads_at_seven_to_one() -> None:
    look = default_look()
    for front, back in ((look.ink, look.paper), (look.accent, look.paper), (look.plate_ink, look.plate)):
        assert contrast(front, back) >= 7.0
    assert look.cautions == ()


@pytest.mark.parametrize("bold", [False, True])
@pytest.mark.parametrize("sign", SIGNS)
def test_every_sign_has_a_glyph(sign: str, bold: bool) -> None:
    """Pillow draws something else than the font's box for a missing glyph."""
    ((font, piece),) = default_look().runs(sign, bold=bold)
    assert piece == sign
    assert ord(sign) in glyphs(font)
    drawn = ImageFont.truetype(str(font), 40)
    assert bytes(drawn.getmask(sign)) != bytes(drawn.getmask("\U0010fffd"))


def test_runs_join_to_the_text_and_change_font_only_where_needed() -> None:
    look = default_look()
    runs = look.runs("B♭maj7 to F♯m")
    assert "".join(piece for _, piece in runs) == "B♭maj7 to F♯m"
    assert [font == signs_font() for font, _ in runs] == [False, True, False, True, False]


def test_legible_moves_no_further_than_needed() -> None:
    assert legible("#ffffff", on="#141a24") == "#ffffff"
    moved = legible("#0b4f4a", on="#141a24")
    assert 4.5 <= contrast(moved, "#141a24") < 5.0


def test_bad_looks_are_told_all_at_once(tmp_path: Path) -> None:
    junk = tmp_path / "junk.ttf"
    junk.write_bytes(b"not a font")
    with pytest.raises(SourceError) as caught:
        look_from({"acent": "#000000", "ink": "black"}, font_regular=junk)
    text = str(caught.value)
    assert len(caught.value.problems) == 3
    assert "acent" in text and "'black'" in text and "junk.ttf" in text


def test_low_contrast_is_cautioned() -> None:
    look = look_from({"ink": "#CCCCCC"})
    assert look.ink == "#cccccc"
    assert len(look.cautions) == 1 and "ink #cccccc" in look.cautions[0]
