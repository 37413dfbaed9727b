"""Why a step has to be made again, in sentences for the musician who changed something.

What is compared are two portraits: see :mod:`pipeline.build.portrait`. What their labels mean
is in :mod:`pipeline.build.meanings`.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import pairwise
from typing import Final

from pipeline.build.meanings import BAR, FILE_NAMES, Change, head_of, shown, things_changed

_MOST: Final = 3  # sentences
_LENGTH: Final = 100  # characters of one
_SOURCES: Final = {"tab": "the tab", "chart": "the chart", "lesson": "the lesson", "channel": "the channel"}
_TEMPLATE: Final = "file template:"
_TAKE: Final = "file take"
_ROW: Final = re.compile(r""" (".*"|\d+)'*$""")
# the tool's own part of a portrait, by the first words of labels
_CODE: Final = ("function", "version", "code", "rooms", "params")
# labels of which there are as many as the creator wrote, or the tool needs
_COME_AND_GO: Final = ("tab phrase ", "tab tempos", "output ", "file ", "library ")


def because(
    before: Mapping[str, str] | None, now: Mapping[str, str], *, names: Mapping[str, str]
) -> tuple[str, ...]:
    """Why a step is made again: at most three sentences of at most 100 characters, first what
    the creator most likely did.

    before : the portrait of the build before, None when there was none
    now : today's
    names : the creator's names of the sources: ``tab``, ``chart``, ``lesson``, ``channel``

    Returns () when nothing that matters is different.
    """
    if before is None:
        return ("it was not made before",)
    difference = _Difference(before, now, names)
    told = list(dict.fromkeys(_told(difference)))
    if difference.taken_up and not told:
        told = ["it goes by other things than before"]
    if len(told) > _MOST:
        told = [*told[: _MOST - 1], f"and {len(told) - _MOST + 1} other things changed"]
    return tuple(one if len(one) <= _LENGTH else one[: _LENGTH - 1].rstrip() + "…" for one in told)


class _Difference:
    """Two portraits of a step.

    changed : label -> its texts, where they differ
    taken_up : labels that came or went because something else is read now. A template that
        mentions the blurb has not changed the blurb.
    things : see :func:`pipeline.build.meanings.things_changed`
    """

    def __init__(self, before: Mapping[str, str], now: Mapping[str, str], names: Mapping[str, str]) -> None:
        self.before, self.now = before, now
        self.sources = {**_SOURCES, **names}
        self.params = now.get("params", "")
        self.changed: dict[str, Change] = {}
        self.taken_up: list[str] = []
        for label in dict.fromkeys((*before, *now)):
            pair = (before.get(label), now.get(label))
            if pair[0] == pair[1] or (label.startswith("file ") and _same_contents(pair)):
                continue
            if None in pair and self._comes_with_the_reading(label):
                self.taken_up.append(label)
            else:
                self.changed[label] = pair
        self.things = things_changed(self.changed, self.params)

    def _comes_with_the_reading(self, label: str) -> bool:
        if BAR.fullmatch(label) or label.startswith(_COME_AND_GO) or label.split(" ")[0] in _CODE:
            return False
        # a row of a list that is there before and after came or went in the list itself
        listing = _ROW.sub("", label)
        return listing == label or listing not in self.before or listing not in self.now

    def any_of(self, *labels: str) -> bool:
        return any(label in self.changed for label in labels)


def _same_contents(pair: Change) -> bool:
    """Whether a file has only another name, which is for the reader."""
    old, new = pair
    return old is not None and new is not None and old.split(" ")[0] == new.split(" ")[0]


def _told(difference: _Difference) -> Iterator[str]:
    yield from _music(difference)
    yield from _take(difference)
    for source in ("lesson", "", "channel"):
        things = difference.things.get(source, {})
        if things and source:
            yield _fitting(f"{difference.sources[source]} changed: ", [_from_long_to_short(things)])
        elif things:
            yield from _of_no_source(things)
    yield from _other_files(difference)
    yield from _unknown(difference)
    yield from _tool(difference)


# -- bars -----------------------------------------------------------------------------------


def _music(difference: _Difference) -> Iterator[str]:
    played, spelled = _tab_bars(difference)
    chords = _chart_bars(difference)
    parts: dict[str, list[list[str]]] = {}
    for source, bars in (("tab", [_bars(played), _counted(played)] if played else []),
                         ("chart", _chord_words(chords))):  # fmt: skip
        things = difference.things.get(source, {})
        found = [part for part in (bars, _from_long_to_short(things)) if part]
        if found:  # the chart may be in the tab's file
            parts.setdefault(difference.sources[source], []).extend(found)
    for name, said in parts.items():
        yield _fitting(f"{name} changed: ", said)
    # another tuning gives every note another name
    if spelled and not played and not difference.any_of("tab tuning", "tab capo", "tab instrument"):
        yield _fitting("notes are spelled another way: ", [[_bars(spelled), _counted(spelled)]])


def _tab_bars(difference: _Difference) -> tuple[list[int], list[int]]:
    """Printed numbers of bars in which something else is played, and of those only spelled anew."""
    played: set[int] = set()
    spelled: set[int] = set()
    for label, (old, new) in difference.changed.items():
        match = BAR.fullmatch(label)
        if match and match[1] == "tab":
            same = old is not None and new is not None and old.split(" ")[0] == new.split(" ")[0]
            (spelled if same else played).add(int(match[2]))
    return sorted(played), sorted(spelled - played)


def _chart_bars(difference: _Difference) -> dict[tuple[int, int], Change]:
    """(printed bar, time through, 0 for every one) -> its chords before and now."""
    found: dict[tuple[int, int], Change] = {}
    matches = [(label, match) for label in difference.changed if (match := BAR.fullmatch(label))]
    split = {match[2] for _, match in matches if match[3]}
    # where bars became longer, chords in them stand elsewhere with the same words in the chart
    moved = difference.any_of("tab form", "form form", "chart form")
    for label, match in matches:
        if match[1] != "chart" or (match[3] is None and match[2] in split):
            continue
        old, new = difference.changed[label]
        if match[3]:  # one side may say it once for all times
            whole = label.partition(" time ")[0]
            old = difference.before.get(label, difference.before.get(whole))
            new = difference.now.get(label, difference.now.get(whole))
        same_words = old is not None and new is not None and _words(old) == _words(new)
        if old != new and not (moved and same_words):
            found[int(match[2]), int(match[3] or 0)] = (old, new)
    return dict(sorted(found.items()))


def _words(chords: str) -> str:
    return chords.partition(" ~")[0]


def _chord_words(chords: Mapping[tuple[int, int], Change]) -> list[str]:
    """The same in words, from long to short."""
    if not chords:
        return []
    numbers = sorted({number for number, _ in chords})
    plain = [_bars(numbers), _counted(numbers)]
    if len(chords) > 3:
        return plain
    full = []
    for (number, time), pair in chords.items():
        old, new = (None if text is None else _words(text) for text in pair)
        how = f"{old} → {new}" if old != new else f"{new}, on other beats"
        how = f"{new}, new" if old is None else "gone" if new is None else how
        full.append(f"bar {number}{f', time {time}' if time else ''} ({how})")
    return [", ".join(full), *plain]


def _bars(numbers: Sequence[int]) -> str:
    """``bar 7``, ``bars 7–8, 12``."""
    runs = [[numbers[0], numbers[0]]]
    for before, number in pairwise(numbers):
        if number == before + 1:
            runs[-1][1] = number
        else:
            runs.append([number, number])
    said = ", ".join(f"{first}" if first == last else f"{first}–{last}" for first, last in runs)
    return f"bar{'s' if len(numbers) > 1 else ''} {said}"


def _counted(numbers: Sequence[int]) -> str:
    return "1 bar" if len(numbers) == 1 else f"{len(numbers)} bars"


# -- words ----------------------------------------------------------------------------------


def _from_long_to_short(things: Mapping[str, Change]) -> list[str]:
    """What a source says anew; nothing when there is nothing."""
    if not things:
        return []
    full = ", ".join(thing + shown(pair) for thing, pair in things.items())
    return [full, ", ".join(things), f"{len(things)} entries"]


def _of_no_source(things: Mapping[str, Change]) -> Iterator[str]:
    """What no single source says, as a sentence."""
    others = {thing: pair for thing, pair in things.items() if thing != FILE_NAMES}
    if others:
        full = _listed(thing + shown(pair) for thing, pair in others.items())
        tries = [full, _listed(others), f"{len(others)} of its settings"]
        said = [f"{one} changed" for one in tries]
        if len(others) == 1:
            ((thing, pair),) = others.items()
            said[0] = f"{thing} changed{shown(pair)}"
        yield next((one for one in said if len(one) <= _LENGTH), said[-1])
    if FILE_NAMES in things:
        yield "its files have other names"


def _listed(words: Iterable[str]) -> str:
    said = list(words)
    return said[0] if len(said) == 1 else f"{', '.join(said[:-1])} and {said[-1]}"


def _fitting(start: str, parts: Sequence[Sequence[str]]) -> str:
    """A sentence of parts that each come from long to short: the longest that fits."""
    said = start
    for step in range(max(len(part) for part in parts)):
        said = start + ", ".join(part[min(step, len(part) - 1)] for part in parts)
        if len(said) <= _LENGTH:
            break
    return said


# -- files, settings, the tool --------------------------------------------------------------


def _take(difference: _Difference) -> Iterator[str]:
    if _TAKE in difference.changed:
        old, new = (text and text.partition(" ")[2] for text in difference.changed[_TAKE])
        if new is None:
            yield "there is no take any more"
        elif old is None:
            yield f"{new} is new"
        else:
            yield f"{new} is another recording" if old == new else f"the take is now {new}"


def _other_files(difference: _Difference) -> Iterator[str]:
    templates: dict[str, list[str]] = {}
    for label, (old, new) in difference.changed.items():
        if not label.startswith("file ") or label == _TAKE:
            continue
        name = (new or old or "").partition(" ")[2]
        how = "new" if old is None else "gone" if new is None else "changed"
        if label.startswith(_TEMPLATE):
            templates.setdefault(how, []).append(label.removeprefix(_TEMPLATE))
        elif "font" in label:
            yield f"the {'bold' if 'bold' in label else 'regular'} font changed ({name})"
        else:
            yield f"{name} {how}" if how == "changed" else f"{name} is {how}"
    for how, names in templates.items():
        if len(names) == 1:
            yield f"the template {names[0]} {how if how == 'changed' else f'is {how}'}"
        else:
            verb = how if how == "changed" else f"are {how}"
            full = f"the templates {_listed(names)} {verb}"
            yield full if len(full) <= _LENGTH else f"{len(names)} templates {verb}"


def _unknown(difference: _Difference) -> Iterator[str]:
    """What there are no words for."""
    found = {
        label: pair
        for label, pair in difference.changed.items()
        if head_of(label, difference.params) is None
        and label.split(" ")[0] not in ("file", "library", *_CODE)
    }
    if found:
        full = ", ".join(label + re.sub(r" \((.*)\)", r" \1", shown(pair)) for label, pair in found.items())
        yield _fitting("its settings changed: ", [[full, ", ".join(found), f"{len(found)} of them"]])


def _tool(difference: _Difference) -> Iterator[str]:
    changed = difference.changed
    if any(label.split(" ")[0] in _CODE for label in changed):
        rooms = [
            label.split(" ")[1].removeprefix("pipeline.") for label in changed if label.startswith("code ")
        ]
        start = "lessonwright's own code changed"
        full = f"{start} ({', '.join(rooms)})"
        many = f"{start} ({len(rooms)} modules)"
        yield start if not rooms else full if len(full) <= _LENGTH else many
    libraries = {n.removeprefix("library "): p for n, p in changed.items() if n.startswith("library ")}
    if len(libraries) == 1:
        ((name, (old, new)),) = libraries.items()
        yield f"{name} is another version ({old or 'not used'} → {new or 'not used'})"
    elif libraries:
        full = f"{_listed(libraries)} are other versions"
        yield full if len(full) <= _LENGTH else f"{len(libraries)} libraries are other versions"
