"""Which part of a look reaches a step: the colours it draws with, and the fonts as files.

So that a new colour of the page draws no overlay again.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Final

from pipeline.page.look import COLOURS, Look

PAGE_COLOURS: Final = ("accent", "ink")  # paper is white where it is printed
CARD_COLOURS: Final = ("accent", "plate", "plate_ink")  # over pictures, and title cards
PLOT_COLOURS: Final = ("accent", "ink", "paper")
_FONTS: Final = ("font regular", "font bold")  # roles of the files
_UNUSED: Final = "#808080"  # stands for a colour that a step does not draw with

Colours = dict[str, str]


def colours_of(look: Look, names: Sequence[str]) -> Colours:
    """These colours of the look, by name."""
    return {name: getattr(look, name) for name in names}


def font_files(look: Look) -> tuple[tuple[str, Path], ...]:
    """The look's fonts as (role, file) of a step."""
    return tuple(zip(_FONTS, (look.font_regular, look.font_bold), strict=True))


def look_of_step(colours: Colours, files: Mapping[str, Path]) -> Look:
    """The look that a step draws with, from its own colours and its files by role."""
    regular, bold = (files[role] for role in _FONTS)
    return Look(**(dict.fromkeys(COLOURS, _UNUSED) | colours), font_regular=regular, font_bold=bold)
