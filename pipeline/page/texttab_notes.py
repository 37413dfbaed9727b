"""One note and one duration as they are typed in a text tab."""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from fractions import Fraction
from typing import Final

from pipeline.music.bend import bend_through, heights_of
from pipeline.music.harmonic import harmonic_sounds, touched_for
from pipeline.music.tab import Note
from pipeline.music.technique import (
    Accent,
    Bend,
    Dead,
    Ghost,
    Grace,
    HammerOn,
    Harmonic,
    HarmonicKind,
    PullOff,
    Slide,
    SlideKind,
    Staccato,
    Tap,
    TremoloPicking,
    Trill,
    Vibrato,
)
from pipeline.music.value import LETTERS, odd_part, tuplet_ratio

_DOTTED: Final = (("..", Fraction(7, 4)), (".", Fraction(3, 2)), ("", Fraction(1)))
_PLAIN: Final = {
    length * factor: letter + dots for letter, length in reversed(LETTERS.items()) for dots, factor in _DOTTED
}
_FIGURED: Final = {
    length * factor * ratio: letter + figure + dots
    for letter, length in reversed(LETTERS.items())
    for figure, ratio in (("9", Fraction(8, 9)), ("7", Fraction(4, 7)), ("5", Fraction(4, 5)), ("3", Fraction(2, 3)))
    for dots, factor in _DOTTED[1:]
}  # fmt: skip
_SIMPLE: Final = {**_FIGURED, **_PLAIN}
_FEW: Final = 4  # values that are added up at most
_MOST_NOTES: Final = 64  # notes in a tuplet that has a name
JOINTS: Final = {HammerOn: "h", PullOff: "p"}
_SLIDES: Final = {SlideKind.SHIFT: "s", SlideKind.IN_BELOW: "/", SlideKind.IN_ABOVE: "\\"}
_WORDS: Final = {"h": "hammer", "p": "pull", "s": "shift"}


def duration_text(quarters: Fraction) -> str:
    """``q.``, ``e3``, ``e(11)``, ``h+e``: one value, or the fewest plain ones, or ``{5/48}``."""
    if quarters in _SIMPLE:
        return _SIMPLE[quarters]
    odd = odd_part(quarters)
    if 1 < odd <= _MOST_NOTES:
        actual, normal = tuplet_ratio(odd)
        value = _PLAIN.get(quarters * actual / normal)
        if value is not None:
            return f"{value[0]}({actual}){value[1:]}"
    parts: list[str] = []
    left = quarters
    for value_quarters in sorted(_PLAIN, reverse=True) if odd == 1 else ():
        while value_quarters <= left and len(parts) < _FEW:
            parts.append(_PLAIN[value_quarters])
            left -= value_quarters
    return "{" + str(quarters) + "}" if left else "+".join(parts)


def _number(amount: Fraction) -> str | None:
    """A target of a bend, in frets; None when a short decimal cannot say it."""
    if amount.denominator == 1:
        return str(amount.numerator)
    return f"{float(amount):.3f}".rstrip("0") if 1000 % amount.denominator == 0 else None


def _bend_text(bend: Bend, fret: int) -> str:
    heights = heights_of(bend)
    named = [_number(fret + height) for height in heights]
    if None in named or bend_through(heights, prebent=bend.prebent) != bend:
        return "b{" + ",".join(f"{time}:{semitones}" for time, semitones in bend.points) + "}"
    text = f"pb{named[0]}" if bend.prebent else ""
    for (before, now), name in zip(itertools.pairwise(heights), named[1:], strict=True):
        text += ("b" if now > before else "r") + str(name)
    return text


def _harmonic_text(harmonic: Harmonic, fret: int) -> tuple[str, str]:
    """What encloses the fret, and what stands behind it."""
    sounds = harmonic.sounds
    if harmonic.kind is HarmonicKind.NATURAL:
        return f"<{fret}>" if harmonic_sounds(fret) == sounds else f"<{fret}:{sounds}>", ""
    if harmonic.kind is HarmonicKind.PINCH:
        return str(fret), "*" if sounds == 12 else f"*{sounds}" if sounds >= 0 else f"*{{{sounds}}}"
    touched = touched_for(sounds)
    return str(fret), f"<:{sounds}>" if touched is None else f"<{fret + touched}>"


def joint_text(note: Note) -> str:
    """The letter before a note that another one leads to, or a slide in; legato slides apart."""
    for technique in note.techniques:
        if type(technique) in JOINTS:
            return JOINTS[type(technique)]
        if isinstance(technique, Slide) and technique.kind in _SLIDES:
            return _SLIDES[technique.kind]
    return ""


def joint_word(sign: str) -> str:
    """The same as a word in braces; "" for a slide in, which always finds its place."""
    return _WORDS.get(sign, "")


def note_text(note: Note, *, hand: int, tied: bool, ghost: bool, said: Iterable[str] = ()) -> str:
    """The note without what leads to it.

    hand : the fret that a bare x would mean
    tied, ghost : whether brackets around it are read so; otherwise ``said`` says it
    said : what stands in braces
    """
    head, behind = str(note.fret), ""
    if note.has(Dead):
        head = "x" if note.fret == hand else f"x{note.fret}"
    harmonic = note.get(Harmonic)
    if harmonic is not None:
        head, behind = _harmonic_text(harmonic, note.fret)
    if (note.tied and tied) or (note.has(Ghost) and ghost):
        head = f"({head})"
    before = ""
    if (grace := note.get(Grace)) is not None:
        before += "gg" if grace.on_beat else "g"
    if note.has(Tap):
        before += "t"
    if (bend := note.get(Bend)) is not None:
        behind += _bend_text(bend, note.fret)
    if (trill := note.get(Trill)) is not None:
        behind += f"tr{trill.fret}"
    if (tremolo := note.get(TremoloPicking)) is not None:
        behind += "=" * tremolo.strokes
    if note.has(Staccato):
        behind += "'"
    if (accent := note.get(Accent)) is not None:
        behind += "^" if accent.strong else ">"
    if (vibrato := note.get(Vibrato)) is not None:
        behind += "~~" if vibrato.wide else "~"
    words = ",".join(said)
    outs = [t.kind for t in note.techniques if isinstance(t, Slide)]
    out = "/" if SlideKind.OUT_UP in outs else "\\" if SlideKind.OUT_DOWN in outs else ""
    return before + head + behind + (f"{{{words}}}" if words else "") + out
