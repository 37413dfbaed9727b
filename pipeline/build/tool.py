"""What the tool itself is: its code, its libraries, the synthesizer it finds.

A result that another of these made is not taken for this one's.
"""

from __future__ import annotations

import ctypes.util
import importlib.metadata
import os
import re
import sys
from functools import cache

from pipeline.build.digest import code_digest, library_version, value_digest
from pipeline.sound.banks import BANKS

_NAME = "lessonwright"


@cache
def tool_digest() -> str:
    """Digest of all that decides what is made of the same sources, on this machine."""
    banks = [(str(bank), bank.stat().st_size) for bank in BANKS if bank.is_file()]
    return value_digest(
        {
            "code": code_digest("pipeline"),
            "python": sys.version,
            "libraries": {name: library_version(name) for name in _libraries()},
            "synthesizer": [
                os.environ.get("LESSONWRIGHT_SYNTH", ""),
                ctypes.util.find_library("fluidsynth") or "",
                banks,
            ],
        }
    )


def _libraries() -> list[str]:
    """The distributions that this one names as needed."""
    try:
        needed = importlib.metadata.requires(_NAME) or []
    except importlib.metadata.PackageNotFoundError:  # run from a folder that was never installed
        return []
    names = (re.match(r"[\w.-]+", line) for line in needed if "extra ==" not in line)
    return sorted({name.group() for name in names if name})
