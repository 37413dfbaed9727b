"""What the labels of a portrait mean to the creator: in words, and which of their files says it.

A label that the table lacks is told by its own name; nothing depends on the table but how well
a sentence reads.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from typing import Final

Change = tuple[str | None, str | None]  # the text of a label before and now, None: it was not there

_SHOWN: Final = 28  # characters of a value that is shown
_DIGEST: Final = re.compile(r"[0-9a-f]{12}( .*)?", re.DOTALL)
BAR: Final = re.compile(r"(?:.* )?(tab|chart) bar (-?\d+)(?: time (\d+))?'*")
FILE_NAMES: Final = "names of files"

_UNSHOWN: Final[Change] = (None, None)
_CODED: Final = ("seed", "name", "names", "archive", "output", "PackParams lesson")  # no reader knows them
# first words of a label, the class of the step's parameters before them where its fields mean
# something else -> (source, what it is); no source where more than one of them can say it
_WORDS: Final[dict[str, tuple[str, str]]] = {
    "tab title": ("lesson", "the title"),
    "title": ("lesson", "the title"),
    "album": ("lesson", "the title"),
    "PackParams title": ("channel", "the name of the tier"),
    "facts lesson title": ("lesson", "the title"),
    "facts lesson blurb": ("lesson", "the blurb"),
    "facts lesson level": ("lesson", "the level"),
    "facts lesson artist": ("lesson", "the artist"),
    "facts lesson credit": ("lesson", "the credit"),
    "facts lesson rights": ("", "the rights line"),
    "credit": ("lesson", "the credit"),
    "composer": ("lesson", "the credit"),
    "rights": ("", "the rights line"),
    "artist": ("", "the artist"),
    "subtitle": ("", "the artist"),
    "footer": ("", "the footer of the page"),
    "tab phrase": ("", "the phrases"),
    "phrases": ("", "the phrases"),
    "stretches": ("", "the phrases"),
    "chapters": ("", "the parts of the video"),
    # how it is played
    "count_in": ("lesson", "the count-in"),
    "start_s": ("lesson", "where the take starts"),
    "end_s": ("lesson", "where the take ends"),
    "groove": ("", "the groove"),
    "tempo_bpm": ("", "the tempo"),
    "tab tempo": ("", "the tempo"),
    "tab tempos": ("", "the tempo"),
    "facts facts tempo": ("", "the tempo"),
    "facts facts tempo_bpm": ("", "the tempo"),
    "tab swing": ("", "the swing"),
    "key": ("", "the key"),
    "key_tag": ("", "the key"),
    "semitones": ("", "the key"),
    "facts facts key": ("", "the key"),
    "synthesizer": ("", "the synthesizer"),
    "seed": ("", "the lesson's short name"),
    # what follows from the notes
    "facts facts": ("", "what the notes ask for"),
    "facts facts fret_lo": ("", "the lowest fret"),
    "facts facts fret_hi": ("", "the highest fret"),
    "facts facts open_strings": ("", "the open strings"),
    "facts facts tuning": ("", "the tuning"),
    "facts facts chords": ("", "the list of chords"),
    "facts facts techniques": ("", "the list of techniques"),
    "facts facts bars": ("", "the number of bars"),
    "facts facts bars_played": ("", "the number of bars"),
    "strings": ("", "the number of strings"),
    # the tab and the chart
    "tab key": ("tab", "the key"),
    "tab instrument": ("tab", "the instrument"),
    "tab neck": ("tab", "the instrument"),
    "tab tuning": ("tab", "the tuning"),
    "tab capo": ("tab", "the capo"),
    "tab a4_hz": ("tab", "the pitch of A"),
    "tab key_changes": ("tab", "a change of key"),
    "tab lyrics": ("tab", "the words that are sung"),
    "tab remarks": ("tab", "the words above the staff"),
    "tab comments": ("tab", "a comment"),
    "tab bars": ("tab", "the number of bars"),
    "form bars": ("tab", "the number of bars"),
    "tab metre": ("tab", "the metre"),
    "form metre": ("tab", "the metre"),
    "tab repeats": ("tab", "the repeats"),
    "form repeats": ("tab", "the repeats"),
    "tab form": ("tab", "the lengths of bars"),
    "form form": ("tab", "the lengths of bars"),
    "chart form": ("tab", "the order of bars"),
    "chart sections": ("", "the sections"),
    # the channel
    "target_lufs": ("channel", "the loudness"),
    "ceiling_dbtp": ("channel", "the highest peak"),
    "sheet": ("channel", "the paper size"),
    "codec": ("channel", "the kind of overlay"),
    "facts links": ("channel", "the links"),
    "facts channel": ("channel", "what it says of itself"),
    "facts channel name": ("channel", "its name"),
    "facts channel tagline": ("channel", "the tagline"),
    "facts channel contact": ("channel", "the contact"),
    "facts channel terms": ("channel", "the terms"),
    **{
        f"{under} {name}": ("", f"the {name.replace('_', ' ')} colour")
        for under in ("colours", "look")
        for name in ("accent", "ink", "paper", "plate", "plate_ink")
    },
    # the recordings
    "seconds": ("", "the length of the take"),
    "total_s": ("", "the length of the video"),
    "size": ("", "the size of the picture"),
    "fps": ("", "the frame rate"),
    # what is made
    "offers": ("", "what the packs hold"),
    "members": ("", "what the pack holds"),
    "facts version": ("", "the version of lessonwright"),
    "tracks": ("", "the titles of the tracks"),
    "name": ("", FILE_NAMES),
    "names": ("", FILE_NAMES),
    "archive": ("", FILE_NAMES),
    "output": ("", FILE_NAMES),
    "PackParams lesson": ("", FILE_NAMES),
}
_RANK: Final = {head: place for place, head in enumerate(_WORDS)}
# what goes without saying when one of these has changed too
_FOLLOWS: Final = {
    "tab neck": ("tab instrument", "tab tuning", "tab capo"),
    "facts facts tuning": ("tab tuning", "tab capo"),
    "tab form": ("tab bars", "tab metre", "tab repeats"),
    "form form": ("form bars", "form metre", "form repeats"),
    "chart form": ("tab form", "form form"),
    "facts facts": ("tab bar", "chart bar"),
    "facts facts bars": ("tab bars",),
    "facts facts open_strings": ("tab bar",),
    "facts facts fret_hi": ("tab bar",),
    "facts facts fret_lo": ("tab bar",),
    "facts facts bars_played": ("tab bars", "tab repeats"),
    "facts facts chords": ("chart bar",),
    "facts facts techniques": ("tab bar",),
    "seconds": ("file take",),
    "total_s": ("file take",),
    "members": ("archive",),
    "tracks": ("album", "key_tag", "tempo_bpm"),
    "seed": ("tab title",),
    "name": ("tab title", "title", "facts lesson title"),
    "names": ("seed", "album", "key", "key_tag", "tempo_bpm"),
    "output": ("tab title", "title", "facts lesson title", "album", "seed", "key", "key_tag", "tempo_bpm"),
    "archive": ("facts lesson title",),
    "PackParams lesson": ("facts lesson title",),
}


def head_of(label: str, params: str) -> str | None:
    """The entry of the table that a label falls under: its longest run of first words there.

    params : class of the step's parameters
    """
    match = BAR.fullmatch(label)
    if match:
        return f"{match[1]} bar"
    words = label.rstrip("'").split(" ")
    for count in range(len(words), 0, -1):
        head = " ".join(words[:count])
        for key in (f"{params} {head}", head):
            if key in _WORDS:
                return key
    return None


def things_changed(changed: Mapping[str, Change], params: str) -> dict[str, dict[str, Change]]:
    """Source ("tab", "chart", "lesson", "channel", or "" for none in particular) -> what it says
    anew -> how: each thing once, however many labels carry it."""
    heads = {label: head_of(label, params) or label for label in changed}
    all_heads = set(heads.values())
    found: dict[str, dict[str, Change]] = {"": {}}
    # in the order of the table, which is that of a lesson's file
    for label, pair in sorted(changed.items(), key=lambda item: _RANK.get(heads[item[0]], len(_RANK))):
        known = _WORDS.get(heads[label])
        if known is None or all_heads & set(_FOLLOWS.get(heads[label], ())):
            continue
        source, thing = known
        things = found.setdefault(source, {})
        # what changed in one of many rows does not stand for all of them
        alone = list(heads.values()).count(heads[label]) == 1
        if not shown(things.get(thing, _UNSHOWN)):
            things[thing] = pair if alone and heads[label] not in _CODED else _UNSHOWN
    sure = {thing for source, things in found.items() if source for thing in things}
    found[""] = {thing: pair for thing, pair in found[""].items() if thing not in sure}
    return found


def shown(pair: Change) -> str:
    """`` (a → b)`` when both can be shown, else nothing."""
    old, new = map(_value, pair)
    return f" ({old} → {new})" if old is not None and new is not None and old != new else ""


def _value(text: str | None) -> str | None:
    """A plain value for the reader; None when it is absent, too long, or not plain."""
    if text is None or _DIGEST.fullmatch(text) or re.match(r"[\[({]|\w+\(|\d+ rows$", text):
        return None
    if text.startswith('"'):
        try:
            text = str(json.loads(text)).replace("\n", " ")
        except ValueError:  # from a receipt that was damaged
            return None
        text = f"“{text}”" if text.strip() else "nothing"
    elif re.fullmatch(r"-?\d+(\.0|/1)", text):
        text = text[:-2]
    if re.fullmatch(r"-\d.*", text):
        text = "−" + text[1:]
    return text if len(text) <= _SHOWN else None
