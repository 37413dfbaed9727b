"""What a chord holds: its kinds, the changes made to one, and the shortest way to say them.

References
----------
Harte, C., Sandler, M., Abdallah, S., Gomez, E. (2005), "Symbolic representation of musical
chords", ISMIR: names of kinds, degrees counted in the major scale of the root.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

from pipeline.music.errors import MusicError

Degrees = dict[int, int]  # degree -> alteration against the major scale of the root

# kind (Harte's shorthand where he has one): (degrees, suffix as musicians write it, suffix with signs)
KINDS: Final[dict[str, tuple[Degrees, str, str]]] = {
    "maj": ({3: 0, 5: 0}, "", ""),
    "min": ({3: -1, 5: 0}, "m", "m"),
    "dim": ({3: -1, 5: -1}, "dim", "°"),
    "aug": ({3: 0, 5: 1}, "aug", "+"),
    "5": ({5: 0}, "5", "5"),
    "sus2": ({2: 0, 5: 0}, "sus2", "sus2"),
    "sus4": ({4: 0, 5: 0}, "sus4", "sus4"),
    "maj6": ({3: 0, 5: 0, 6: 0}, "6", "6"),
    "min6": ({3: -1, 5: 0, 6: 0}, "m6", "m6"),
    "7": ({3: 0, 5: 0, 7: -1}, "7", "7"),
    "maj7": ({3: 0, 5: 0, 7: 0}, "maj7", "maj7"),
    "min7": ({3: -1, 5: 0, 7: -1}, "m7", "m7"),
    "minmaj7": ({3: -1, 5: 0, 7: 0}, "m(maj7)", "m(maj7)"),
    "hdim7": ({3: -1, 5: -1, 7: -1}, "m7b5", "m7♭5"),
    "dim7": ({3: -1, 5: -1, 7: -2}, "dim7", "°7"),
    "9": ({3: 0, 5: 0, 7: -1, 9: 0}, "9", "9"),
    "maj9": ({3: 0, 5: 0, 7: 0, 9: 0}, "maj9", "maj9"),
    "min9": ({3: -1, 5: 0, 7: -1, 9: 0}, "m9", "m9"),
    "11": ({3: 0, 5: 0, 7: -1, 9: 0, 11: 0}, "11", "11"),
    "maj11": ({3: 0, 5: 0, 7: 0, 9: 0, 11: 0}, "maj11", "maj11"),
    "min11": ({3: -1, 5: 0, 7: -1, 9: 0, 11: 0}, "m11", "m11"),
    # an eleventh under a major thirteenth chord is left out: common practice
    "13": ({3: 0, 5: 0, 7: -1, 9: 0, 13: 0}, "13", "13"),
    "maj13": ({3: 0, 5: 0, 7: 0, 9: 0, 13: 0}, "maj13", "maj13"),
    "min13": ({3: -1, 5: 0, 7: -1, 9: 0, 11: 0, 13: 0}, "m13", "m13"),
}

# a second form of a degree that is there already (b9 and #9) counts two octaves higher
DOUBLED: Final = {5: 19, 9: 23, 11: 25, 13: 27}
_ACTIONS: Final = ("add", "alter", "omit")
# what may stand altered against a kind; any other degree is added to one that lacks it
_ALTERABLE: Final = (5, 9, 11, 13)


@dataclass(frozen=True, slots=True)
class Change:
    """One alteration of a kind: ``add``, ``alter`` or ``omit`` a degree."""

    action: str
    degree: int
    alter: int = 0

    def __post_init__(self) -> None:
        if self.action not in _ACTIONS:
            raise MusicError(f"a chord's degree is added, altered or omitted, got {self.action!r}")
        least = 1 if self.action == "omit" else 2
        if not least <= self.degree <= 13 or not -2 <= self.alter <= 2:
            raise MusicError(f"a chord has no degree {self.degree} altered by {self.alter:+d}")
        if self.degree == 7 and self.alter > 0:
            raise MusicError("a raised seventh is the octave")
        if self.action == "omit" and self.alter:
            raise MusicError("a degree that is left out is not altered")

    def text(self, signs: dict[int, str]) -> str:
        """``b9``, ``add11``, ``no3``, with the accidentals written as in ``signs``."""
        if self.action == "omit":
            return f"no{self.degree}"
        if self.action == "add" and self.alter == 0:
            return "maj7" if self.degree == 7 else f"add{self.degree}"
        return f"{signs[self.alter]}{self.degree}"


# the altered dominant, both fifth and ninth bent: common practice
ALTERED: Final = (Change("alter", 5, 1), Change("add", 9, 1), Change("add", 13, -1))


def degrees_of(kind: str, changes: tuple[Change, ...]) -> Degrees:
    """All degrees of a kind with changes."""
    found: Degrees = {1: 0, **KINDS[kind][0]}
    changed: set[int] = set()
    for change in changes:
        degree, alter = change.degree, change.alter
        if change.action == "omit":
            found.pop(degree, None)
        elif degree not in found or found[degree] == alter:
            found[degree] = alter
        elif degree in DOUBLED and (change.action == "add" or degree in changed):
            found[DOUBLED[degree]] = alter
        else:
            found[degree] = alter
        changed.add(degree)
    for degree, above in DOUBLED.items():
        if above in found:  # the plain one first, then from flat to sharp
            forms = sorted({found[number] for number in (degree, above) if number in found})
            forms.sort(key=lambda alter: alter != 0)
            found.pop(above)
            found.update(zip((degree, above), forms, strict=False))
    return dict(sorted(found.items()))


@lru_cache(maxsize=4096)
def shortest(degrees: tuple[tuple[int, int], ...]) -> tuple[str, tuple[Change, ...]]:
    """The kind and the fewest changes that make these degrees."""
    names = {high: low for low, high in DOUBLED.items()}
    plain = {degree: alter for degree, alter in degrees if degree not in names and degree != 1}
    doubled = [Change("add", names[degree], alter) for degree, alter in degrees if degree in names]
    best: tuple[int, str, tuple[Change, ...]] | None = None
    for kind, (own, _, _) in KINDS.items():
        changed = {d: a for d, a in plain.items() if own.get(d) != a}
        if any(d in own and (d not in _ALTERABLE or a == 0) for d, a in changed.items()):
            continue
        omits = [Change("omit", d) for d in own if d not in plain]
        rootless = [] if (1, 0) in degrees else [Change("omit", 1)]
        others = [Change("alter" if d in own else "add", d, a) for d, a in sorted(changed.items())]
        cost = 2 * (len(omits) + len(others)) + (bool(others) and kind == "5")
        # a seventh is part of a kind; only the diminished triad takes a major one as an addition
        cost += any(c.degree == 7 and (kind, c.alter) != ("dim", 0) for c in others)
        if Change("omit", 3) in omits and (Change("add", 2) in others or Change("add", 4) in others):
            cost -= 3  # a suspension is one thing
        changes = (*omits, *rootless, *sorted((*others, *doubled), key=lambda c: (c.degree, c in doubled)))
        if best is None or cost < best[0]:
            best = cost, kind, changes
    assert best is not None  # the power chord alters nothing but its fifth
    return best[1:]
