"""Why a step has to be made again, in sentences for the musician who changed something.

What is compared are two portraits: see :mod:`pipeline.build.portrait` for their labels. The
table of words below says what a label means to the creator and which file says it, where only
one can; a label that it lacks is told by its own name.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import pairwise
from typing import Final

_MOST: Final = 3  # sentences
_LENGTH: Final = 100  # characters of one
_SHOWN: Final = 28  # characters of a value that is shown
_DIGEST: Final = re.compile(r"[0-9a-f]{12}( .*)?")
_BAR: Final = re.compile(r"(?:.* )?(tab|chart) bar (-?\d+)(?: time (\d+))?'*")
_FILES: Final = {"tab": "the tab", "chart": "the chart", "lesson": "the lesson", "channel": "the channel"}
# first words of a label -> (source, what it is). No source: more than one file can say it.
_WORDS: Final[dict[str, tuple[str, str]]] = {
    "tab title": ("lesson", "the title"), "title": ("lesson", "the title"), "album": ("lesson", "the title"),
    "facts lesson title": ("lesson", "the title"), "facts lesson blurb": ("lesson", "the blurb"),
    "facts lesson level": ("lesson", "the level"), "facts lesson artist": ("lesson", "the artist"),
    "facts lesson credit": ("lesson", "the credit"), "credit": ("lesson", "the credit"),
    "composer": ("lesson", "the credit"), "facts lesson rights": ("", "the rights line"),
    "rights": ("", "the rights line"), "artist": ("", "the artist"), "subtitle": ("", "the artist"),
    "footer": ("", "the footer of the page"), "count_in": ("lesson", "the count-in"),
    "start_s": ("lesson", "where the take starts"), "end_s": ("lesson", "where the take ends"),
    "chapters": ("", "the parts of the video"), "tab phrase": ("", "the phrases"),
    "phrases": ("", "the phrases"), "stretches": ("", "the phrases"), "groove": ("", "the groove"),
    "tempo_bpm": ("", "the tempo"), "tab tempo": ("", "the tempo"), "tab tempos": ("", "the tempo"),
    "facts facts tempo": ("", "the tempo"), "facts facts tempo_bpm": ("", "the tempo"),
    "tab swing": ("", "the swing"), "key": ("", "the key"), "key_tag": ("", "the key"),
    "semitones": ("", "the key"), "facts facts key": ("", "the key"), "facts facts tuning": ("", "the tuning"),
    "facts facts chords": ("", "the chords that are used"), "facts facts": ("", "what the tab needs of hands"),
    "facts facts techniques": ("", "the techniques that are used"), "facts facts bars": ("", "the number of bars"),
    "facts facts bars_played": ("", "the number of bars"), "strings": ("", "the number of strings"),
    "tab key": ("tab", "the key"), "tab instrument": ("tab", "the instrument"),
    "tab tuning": ("tab", "the tuning"), "tab capo": ("tab", "the capo"), "tab neck": ("tab", "the instrument"),
    "tab a4_hz": ("tab", "the pitch of A"), "tab bars": ("tab", "the number of bars"),
    "form bars": ("tab", "the number of bars"), "tab metre": ("tab", "the metre"), "form metre": ("tab", "the metre"),
    "tab repeats": ("tab", "the repeats"), "form repeats": ("tab", "the repeats"),
    "tab form": ("tab", "the lengths of bars"), "form form": ("tab", "the lengths of bars"),
    "chart sections": ("chart", "the sections"), "chart form": ("tab", "the order of bars"),
    "target_lufs": ("channel", "the loudness"), "ceiling_dbtp": ("channel", "the highest peak"),
    "sheet": ("channel", "the paper size"), "codec": ("channel", "the kind of overlay"),
    "facts links": ("channel", "the links"), "facts channel name": ("channel", "its name"),
    "facts channel tagline": ("channel", "the tagline"), "facts channel contact": ("channel", "the contact"),
    "facts channel terms": ("channel", "the terms"), "facts channel": ("channel", "its name or terms"),
    "seconds": ("", "the length of the take"), "total_s": ("", "the length of the video"),
    "size": ("", "the size of the picture"), "fps": ("", "the frame rate"),
    "offers": ("", "what the packs hold"), "members": ("", "what the pack holds"),
    "synthesizer": ("", "what plays the band"), "facts version": ("", "lessonwright's version"),
    "name": ("", "names of files"), "names": ("", "names of files"), "archive": ("", "names of files"),
    "output": ("", "names of files"), "tracks": ("", "titles of the tracks"), "lesson": ("", "names of files"),
    "seed": ("", "the lesson's short name"),
    **{
        f"{under} {name}": ("", f"the {said} colour")
        for under in ("colours", "look")
        for name, said in {"accent": "accent", "ink": "ink", "paper": "paper", "plate": "plate",
                           "plate_ink": "plate ink"}.items()
    },
}  # fmt: skip
# what follows from what: told only when nothing on the right is
_FOLLOWS: Final = {
    "tab neck": ("tab instrument", "tab tuning", "tab capo"),
    "tab form": ("tab bars", "tab metre", "tab repeats"),
    "form form": ("form bars", "form metre", "form repeats"),
    "chart form": ("tab form", "form form"),
    "facts facts": ("tab bar", "chart bar"),
    "facts facts bars": ("tab bars",),
    "facts facts chords": ("chart bar",),
    "facts facts techniques": ("tab bar",),
    "seconds": ("file take",),
    "total_s": ("file take",),
    "tracks": ("title", "album", "key_tag", "tempo_bpm"),
    "seed": ("tab title",),
    "names of files": ("title", "tab title", "facts lesson title", "key", "tempo_bpm"),
}
_CODE: Final = ("function", "version", "code", "rooms", "params")

Change = tuple[str | None, str | None]


def because(
    before: Mapping[str, str] | None, now: Mapping[str, str], *, names: Mapping[str, str]
) -> tuple[str, ...]:
    """Why a step is made again: at most three sentences of at most 100 characters, in the order
    of what the creator most likely did.

    before : the portrait of the build before, None when there was none
    now : today's
    names : the creator's names of the sources: ``tab``, ``chart``, ``lesson``, ``channel``

    Returns () when nothing that matters is different.
    """
    if before is None:
        return ("it was not made before",)
    changed = {
        label: (before.get(label), now.get(label))
        for label in dict.fromkeys((*before, *now))
        if before.get(label) != now.get(label)
    }
    # a file's name is for the reader; its contents count
    changed = {n: pair for n, pair in changed.items() if not (n.startswith("file ") and _same_file(pair))}
    told = list(dict.fromkeys(_told(changed, before, now, names)))
    if len(told) > _MOST:
        told = [*told[: _MOST - 1], f"and {len(told) - _MOST + 1} other things changed"]
    return tuple(one if len(one) <= _LENGTH else one[: _LENGTH - 1].rstrip() + "…" for one in told)


def _same_file(pair: Change) -> bool:
    return None not in pair and str(pair[0]).split(" ")[0] == str(pair[1]).split(" ")[0]


def _told(
    changed: Mapping[str, Change], before: Mapping[str, str], now: Mapping[str, str], names: Mapping[str, str]
) -> Iterator[str]:
    sources = {**_FILES, **names}
    played, spelled = _tab_bars(changed)
    chords = _chart_bars(changed, before, now)
    nouns = _nouns(changed)
    tab_says, chart_says = _listed_nouns(nouns, "tab"), _listed_nouns(nouns, "chart")
    bars: dict[str, list[list[str]]] = {}
    if played:
        bars.setdefault(sources["tab"], []).append([_bars(played), _counted(len(played))])
    if tab_says:
        bars.setdefault(sources["tab"], []).append(tab_says)
    if chords:
        bars.setdefault(sources["chart"], []).append(_chord_words(chords))
    if chart_says:
        bars.setdefault(sources["chart"], []).append(chart_says)
    for source, parts in bars.items():
        yield _fitting(f"{source} changed: ", parts)
    yield from _recordings(changed)
    lesson = _listed_nouns(nouns, "lesson")
    if lesson:
        yield _fitting(f"{sources['lesson']} changed: ", [lesson])
    free = nouns.get("", {})
    if free:
        yield _free_words(free)
    channel = _listed_nouns(nouns, "channel")
    if channel:
        yield _fitting(f"{sources['channel']} changed: ", [channel])
    yield from _other_files(changed)
    if spelled and not played:
        yield _fitting("notes are spelled another way: ", [[_bars(spelled), _counted(len(spelled))]])
    yield from _settings(changed)
    yield from _tool(changed)


# -- bars -----------------------------------------------------------------------------------


def _tab_bars(changed: Mapping[str, Change]) -> tuple[list[int], list[int]]:
    """Printed numbers of bars in which something else is played, and of those only spelled anew."""
    played: set[int] = set()
    spelled: set[int] = set()
    for label, (old, new) in changed.items():
        match = _BAR.fullmatch(label)
        if match and match[1] == "tab":
            same = old is not None and new is not None and old.split(" ")[0] == new.split(" ")[0]
            (spelled if same else played).add(int(match[2]))
    return sorted(played), sorted(spelled - played)


def _chart_bars(
    changed: Mapping[str, Change], before: Mapping[str, str], now: Mapping[str, str]
) -> dict[str, Change]:
    """``3`` or ``3 (time 2)`` -> its chords before and now."""
    found: dict[str, Change] = {}
    split = {m[2] for label in changed if (m := _BAR.fullmatch(label)) and m[1] == "chart" and m[3]}
    for label, (old, new) in changed.items():
        match = _BAR.fullmatch(label)
        if match is None or match[1] != "chart" or (match[3] is None and match[2] in split):
            continue
        if match[3]:  # one side may say it once for all times
            whole = label.partition(" time ")[0]
            old, new = before.get(label, before.get(whole)), now.get(label, now.get(whole))
            if old != new:
                found.setdefault(f"{match[2]} (time {match[3]})", (old, new))
        else:
            found.setdefault(match[2], (old, new))
    return found


def _chord_words(chords: Mapping[str, Change]) -> list[str]:
    """The same, from long to short."""
    numbers = sorted({int(name.split(" ")[0]) for name in chords})
    plain = [_bars(numbers), _counted(len(numbers))]
    if len(chords) > 3:
        return plain
    ordered = sorted(chords.items(), key=lambda item: [int(n) for n in re.findall(r"\d+", item[0])])
    return [", ".join(f"bar {name}{_chords_shown(pair)}" for name, pair in ordered), *plain]


def _chords_shown(pair: Change) -> str:
    old, new = (None if text is None else text.partition(" ~")[0] for text in pair)
    if old is None or new is None:
        return f" ({new}, new)" if old is None else " (gone)"
    return f" ({new}, on other beats)" if old == new else f" ({old} → {new})"


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


def _counted(count: int) -> str:
    return "1 bar" if count == 1 else f"{count} bars"


# -- words ----------------------------------------------------------------------------------


def _meaning(label: str) -> tuple[str, str] | None:
    """What the table says of the longest run of first words of a label."""
    words = label.rstrip("'").split(" ")
    for count in range(len(words), 0, -1):
        known = _WORDS.get(" ".join(words[:count]))
        if known is not None:
            return known
    return None


def _nouns(changed: Mapping[str, Change]) -> dict[str, dict[str, Change]]:
    """Source -> what it says -> its values; each thing once, however many labels carry it."""
    found: dict[str, dict[str, Change]] = {}
    heads = {_head(label) for label in changed}
    for label, pair in changed.items():
        meaning = None if _BAR.fullmatch(label) else _meaning(label)
        if meaning is None:
            continue
        source, noun = meaning
        if heads & set(_FOLLOWS.get(_head(label), _FOLLOWS.get(noun, ()))):
            continue
        nouns = found.setdefault(source, {})
        if noun not in nouns or not _shown(nouns[noun]):
            nouns[noun] = pair
    said = {noun for source, nouns in found.items() if source for noun in nouns}
    # the same thing under a label that does not tell its source
    found[""] = {noun: pair for noun, pair in found.get("", {}).items() if noun not in said}
    return found


def _head(label: str) -> str:
    """The part of a label that the tables know."""
    match = _BAR.fullmatch(label)
    if match:
        return f"{match[1]} bar"
    words = label.rstrip("'").split(" ")
    for count in range(len(words), 0, -1):
        head = " ".join(words[:count])
        if head in _WORDS:
            return head
    return label


def _listed_nouns(nouns: Mapping[str, Mapping[str, Change]], source: str) -> list[str]:
    """What a source says anew, from long to short; empty when it says nothing anew."""
    mine = nouns.get(source, {})
    if not mine:
        return []
    plain = ", ".join(mine)
    return [", ".join(noun + _shown(pair) for noun, pair in mine.items()), plain, f"{len(mine)} entries"]


def _free_words(nouns: Mapping[str, Change]) -> str:
    """What no single source says, as a sentence."""
    if len(nouns) == 1:
        ((noun, pair),) = nouns.items()
        verb = "are different" if _plural(noun) else "changed"
        return _fitting(f"{noun} {verb}", [[_shown(pair), ""]])
    full = _listed(noun + _shown(pair) for noun, pair in nouns.items())
    tries = [full, _listed(nouns), f"{len(nouns)} of its settings"]
    return next(text for text in (f"{one} changed" for one in tries) if len(text) <= _LENGTH)


def _plural(noun: str) -> bool:
    return noun.split(" ")[0] in ("names", "titles")


def _listed(words: Iterable[str]) -> str:
    said = list(words)
    return said[0] if len(said) == 1 else f"{', '.join(said[:-1])} and {said[-1]}"


def _shown(pair: Change) -> str:
    """`` (a → b)`` when both can be shown."""
    old, new = map(_value, pair)
    return f" ({old} → {new})" if old is not None and new is not None and old != new else ""


def _value(text: str | None) -> str | None:
    """A plain value for the reader, None when it is absent, too long, or no plain value."""
    if text is None or _DIGEST.fullmatch(text) or text.endswith(" rows"):
        return None
    if text.startswith('"'):
        text = f"“{json.loads(text)}”".replace("\n", " ")
    elif re.fullmatch(r"-?\d+\.0", text) or re.fullmatch(r"-?\d+/1", text):
        text = text[:-2]
    elif re.match(r"[\[({]|\w+\(", text):
        return None
    text = "−" + text[1:] if re.fullmatch(r"-\d.*", text) else text
    return text if len(text) <= _SHOWN else None


def _fitting(start: str, parts: Sequence[Sequence[str]]) -> str:
    """A sentence of parts that each come from long to short: the longest that fits."""
    most = max(len(part) for part in parts)
    for step in range(most):
        # the values in brackets go first, then the numbers of bars
        said = ", ".join(part[min(step, len(part) - 1)] for part in parts)
        if len(start + said) <= _LENGTH:
            return start + said
    return start + ", ".join(part[-1] for part in parts)


# -- files, settings, the tool --------------------------------------------------------------


def _recordings(changed: Mapping[str, Change]) -> Iterator[str]:
    if "file take" in changed:
        old, new = (text and text.partition(" ")[2] for text in changed["file take"])
        if new is None:
            yield "there is no take any more"
        elif old is None:
            yield f"{new} is new"
        else:
            yield f"{new} is another recording" if old == new else f"the take is now {new}"


def _other_files(changed: Mapping[str, Change]) -> Iterator[str]:
    templates: dict[str, list[str]] = {}
    for label, (old, new) in changed.items():
        if not label.startswith("file ") or label == "file take":
            continue
        role = label.removeprefix("file ")
        how = "is new" if old is None else "is gone" if new is None else "changed"
        if role.startswith("template:"):
            templates.setdefault(how, []).append(role.removeprefix("template:"))
        elif "font" in role:
            which = "bold" if "bold" in role else "regular"
            name = (new or old or "").partition(" ")[2]
            yield f"the {which} font changed ({name})"
        else:
            yield f"{(new or old or '').partition(' ')[2]} {how}"
    for how, names in templates.items():
        if len(names) == 1:
            yield f"the template {names[0]} {how}"
        else:
            full = f"the templates {_listed(names)} {how}".replace("is new", "are new").replace(
                "is gone", "are gone"
            )
            yield full if len(full) <= _LENGTH else f"{len(names)} templates changed"


def _settings(changed: Mapping[str, Change]) -> Iterator[str]:
    """What the table has no words for."""
    found = {
        label: pair
        for label, pair in changed.items()
        if not _BAR.fullmatch(label)
        and _meaning(label) is None
        and label.split(" ")[0] not in ("file", "library", *_CODE)
    }
    if found:
        full = ", ".join(label + _bare(pair) for label, pair in found.items())
        yield _fitting("its settings changed: ", [[full, ", ".join(found), f"{len(found)} of them"]])


def _bare(pair: Change) -> str:
    old, new = map(_value, pair)
    return f" {old} → {new}" if old is not None and new is not None else ""


def _tool(changed: Mapping[str, Change]) -> Iterator[str]:
    if any(label.split(" ")[0] in _CODE for label in changed):
        rooms = [label.split(" ")[1] for label in changed if label.startswith("code ")]
        plain = [room.removeprefix("pipeline.") for room in rooms]
        start = "lessonwright's own code changed"
        full = f"{start} ({', '.join(plain)})"
        yield start if not plain else full if len(full) <= _LENGTH else f"{start} ({len(plain)} modules)"
    libraries = {n.removeprefix("library "): p for n, p in changed.items() if n.startswith("library ")}
    if len(libraries) == 1:
        ((name, (old, new)),) = libraries.items()
        yield f"{name} is another version ({old or 'not used'} → {new or 'not used'})"
    elif libraries:
        full = f"{_listed(libraries)} are other versions"
        yield full if len(full) <= _LENGTH else f"{len(libraries)} libraries are other versions"
