"""What a text beside a note says of it beyond MIDI: ``written: fret 12, natural harmonic 12``.

Our own MIDI files hold such texts wherever the sound alone does not tell what is written.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

from pipeline.music.errors import MusicError
from pipeline.music.tab import DYNAMICS
from pipeline.music.technique import Technique, conflicts
from pipeline.music.technique_words import from_words

PREFIX: Final = "written: "
_LONGEST: Final = 400
_FIELD: Final = re.compile(r"(fret|at|lasts|finger|pluck|voice|strikes) (\d{1,7}(?:/\d{1,7})?|[pimac])")


@dataclass(frozen=True, slots=True)
class WrittenNote:
    """None wherever the sound tells. ``strikes``: so many notes of the file make this one."""

    fret: int | None = None
    at: Fraction | None = None
    lasts: Fraction | None = None
    finger: int | None = None
    pluck: str | None = None
    voice: int = 1
    strikes: int = 1
    dynamic: str | None = None
    techniques: tuple[Technique, ...] = ()


def written_note(text: str) -> WrittenNote | None:
    """What the text says, None when it is no such text or says what cannot be."""
    if not text.startswith(PREFIX) or len(text) > _LONGEST:
        return None
    found: dict[str, str] = {}
    marks: list[Technique] = []
    dynamic = None
    try:
        for word in text[len(PREFIX) :].split(", "):
            match = _FIELD.fullmatch(word)
            if match is not None:
                found[match[1]] = match[2]
            elif word in DYNAMICS:
                dynamic = word
            else:
                marks.append(from_words(word))
        if any(conflicts(marks)):
            return None
        whole = {k: int(found[k]) for k in ("fret", "finger", "voice", "strikes") if k in found}
        if not 0 <= whole.get("finger", 0) <= 4 or whole.get("voice", 1) not in (1, 2):
            return None
        return WrittenNote(
            whole.get("fret"),
            Fraction(found["at"]) if "at" in found else None,
            Fraction(found["lasts"]) if "lasts" in found else None,
            whole.get("finger"),
            found.get("pluck"),
            whole.get("voice", 1),
            max(1, whole.get("strikes", 1)),
            dynamic,
            tuple(marks),
        )
    except (MusicError, ValueError, ZeroDivisionError):
        return None
