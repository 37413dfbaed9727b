"""Where General MIDI sound banks are found, the better ones first."""

from pathlib import Path
from typing import Final

BANKS: Final = (
    Path("/usr/share/sounds/sf2/FluidR3_GM.sf2"),
    Path("/usr/share/sounds/sf2/default-GM.sf2"),
    Path("/usr/share/soundfonts/FluidR3_GM.sf2"),
    Path("/usr/share/soundfonts/default.sf2"),
    Path("/opt/homebrew/share/soundfonts/default.sf2"),
)
