"""What listening through recordings has found, kept from one build to the next.

To know that a recording is whole, all of its sound has to be decoded: the longest part of reading
a lesson. One that is still the same file need not be heard again. Nothing else is kept: what was
found wrong is found anew.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import math
import time
from pathlib import Path
from typing import Final

from pipeline.read.media import SoundCheck, check_audio

_VERSION: Final = 1  # raised when `check_audio` looks at more
# a file changed later than this before now may change again without its times telling
_YOUNG_NS: Final = 2_000_000_000


class Heard:
    """Sound checks in a folder, which is made when it is not there: one small file a recording."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def check(self, path: Path) -> SoundCheck:
        """As :func:`pipeline.read.media.check_audio`, listening only where it is needed.

        Raises
        ------
        MediaError : see there.
        """
        identity = _identity(path)
        note = self._folder / f"{hashlib.sha256(str(path.absolute()).encode()).hexdigest()[:32]}.json"
        if identity is not None:
            known = _read(note, identity)
            if known is not None:
                return known
        found = check_audio(path)
        if identity is not None and identity == _identity(path) and _settled(identity):
            text = json.dumps({"file": identity, "end_s": found.end_s, "gaps_s": found.gaps_s})
            with contextlib.suppress(OSError):  # where nothing can be kept, it is heard again
                self._folder.mkdir(parents=True, exist_ok=True)
                note.write_text(text, "utf-8")  # cut short it says nothing, and is written again
        return found


def _identity(path: Path) -> list[int] | None:
    try:
        facts = path.stat()
    except OSError:
        return None
    return [_VERSION, facts.st_dev, facts.st_ino, facts.st_size, facts.st_mtime_ns, facts.st_ctime_ns]


def _settled(identity: list[int]) -> bool:
    return max(identity[-2:]) < time.time_ns() - _YOUNG_NS


def _read(note: Path, identity: list[int]) -> SoundCheck | None:
    """What is kept of this very file; None when there is nothing, or nothing that can be used."""
    try:
        found = json.loads(note.read_text("utf-8"))
        if found["file"] != identity:
            return None
        check = SoundCheck(
            float(found["end_s"]), tuple((float(start), float(end)) for start, end in found["gaps_s"])
        )
    except (OSError, ValueError, TypeError, KeyError):
        return None
    return check if math.isfinite(check.end_s) else None
