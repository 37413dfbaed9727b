"""Techniques in words, each there and back: ``slide legato``, ``natural harmonic 12``."""

from __future__ import annotations

import re
from fractions import Fraction
from typing import Final

from pipeline.music.errors import MusicError
from pipeline.music.technique import (
    Accent,
    Bend,
    Dead,
    Ghost,
    Grace,
    HammerOn,
    Harmonic,
    HarmonicKind,
    LetRing,
    PalmMute,
    PullOff,
    Slide,
    SlideKind,
    Staccato,
    Stroke,
    Tap,
    Technique,
    TremoloPicking,
    Trill,
    Vibrato,
)

_PLAIN: Final[dict[str, Technique]] = {
    "hammer-on": HammerOn(),
    "pull-off": PullOff(),
    "tap": Tap(),
    "vibrato": Vibrato(),
    "wide vibrato": Vibrato(wide=True),
    "palm mute": PalmMute(),
    "dead": Dead(),
    "let ring": LetRing(),
    "grace": Grace(),
    "grace on the beat": Grace(on_beat=True),
    "grace together": Grace(together=True),
    "grace on the beat together": Grace(on_beat=True, together=True),
    "accent": Accent(),
    "strong accent": Accent(strong=True),
    "staccato": Staccato(),
    "ghost": Ghost(),
    "downstroke": Stroke(),
    "upstroke": Stroke(down=False),
    **{f"slide {kind.value}": Slide(kind) for kind in SlideKind},
}
_POINT: Final = re.compile(r"(\d{1,6}(?:/\d{1,6})?):(\d{1,6}(?:/\d{1,6})?)")
_WORDS: Final = {technique: words for words, technique in _PLAIN.items()}


def in_words(technique: Technique) -> str:
    """The words of a technique, without commas."""
    match technique:
        case Bend(points):
            return "bend " + " ".join(f"{time}:{semitones}" for time, semitones in points)
        case Harmonic(kind, sounds):
            return f"{kind.value} harmonic {sounds}"
        case Trill(fret):
            return f"trill {fret}"
        case TremoloPicking(strokes):
            return f"tremolo picking {strokes}"
    return _WORDS[technique]


def from_words(text: str) -> Technique:
    """Inverse of :func:`in_words`.

    Raises
    ------
    MusicError : the words of no technique.
    """
    if text in _PLAIN:
        return _PLAIN[text]
    words = text.split()
    try:
        if words[:1] == ["bend"]:
            points = [_POINT.fullmatch(word) for word in words[1:]]
            return Bend(tuple((Fraction(p[1]), Fraction(p[2])) for p in points if p is not None))
        if words[1:2] == ["harmonic"] and len(words) == 3:
            return Harmonic(HarmonicKind(words[0]), int(words[2]))
        if words[:1] == ["trill"] and len(words) == 2:
            return Trill(int(words[1]))
        if words[:2] == ["tremolo", "picking"] and len(words) == 3:
            return TremoloPicking(int(words[2]))
    except (ValueError, ZeroDivisionError) as error:
        raise MusicError(f"not a technique: {text!r}") from error
    raise MusicError(f"not a technique: {text!r}")
