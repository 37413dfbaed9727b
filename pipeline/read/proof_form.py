"""What the form says: phrases, empty bars, the pickup, words that stop in the middle; and the
sections of a chart."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Final

from pipeline.music.chart import Chart
from pipeline.music.errors import MusicError
from pipeline.music.tab import Phrase, Tab
from pipeline.read.places import Place, Places
from pipeline.read.proof_finding import Finding, Rule, at_bar, in_words

LONGEST_PHRASE: Final = 16  # bars
_LONG_REST: Final = 4  # bars that are empty on purpose
_OFTEN: Final = 3  # gaps that are so, too

NO_PHRASE: Final = Rule(
    "remark", "notes that belong to no phrase",
    "They get no loop, no chapter and no drill: stretch a phrase over them, or add one.",
)  # fmt: skip
EMPTY_PHRASE: Final = Rule(
    "caution", "a phrase without notes", "Check its bars: there is nothing in it to teach."
)
SHORT_PHRASE: Final = Rule("remark", "a phrase of one bar", "Fine for a lick; otherwise check where it ends.")
LONG_PHRASE: Final = Rule(
    "remark", f"a phrase of more than {LONGEST_PHRASE} bars",
    "Pupils practise a few bars at a time: divide it.",
)  # fmt: skip
PHRASE_IN_NOTE: Final = Rule(
    "remark", "a phrase that begins in a tied note",
    "Its loop begins with a note that nobody strikes: let the phrase begin a bar earlier or later.",
)  # fmt: skip
SECTION_ELSEWHERE: Final = Rule(
    "remark", "a section of the chart and a phrase of the tab with one name and different beginnings",
    "Fine if the phrase is meant to be another one; otherwise count the bars again.",
)  # fmt: skip
EMPTY_BARS: Final = Rule(
    "remark", "no note begins or sounds here", "Fine if the lead rests; otherwise notes are missing."
)
PICKUP_KEPT: Final = Rule(
    "remark", "a last bar without room for the pickup",
    "By custom it is shorter by the pickup, so that whoever starts again from the top is in time.",
)  # fmt: skip
PICKUP_TWICE: Final = Rule(
    "caution", "a repeat that leads back to the pickup and leaves no room for it",
    "Make this bar shorter by the pickup, or let the repeat begin behind the pickup, with |:.",
)  # fmt: skip
WORD_OPEN: Final = Rule(
    "remark",
    "a word under the notes that is not finished",
    "Write the rest of the word, or take the hyphen out.",
)
SECTION_LENGTHS: Final = Rule(
    "remark",
    "one section name with different lengths",
    "Fine if it is meant; otherwise a bar is missing or too many.",
)


def proof_form(tab: Tab, places: Places, phrase_places: Mapping[str, Place]) -> Iterator[Finding]:
    """All findings in a tab's form, in the order of the rules.

    phrase_places : where phrases of these names stand, if not in the tab
    """
    yield from phrases(tab, places, phrase_places)
    yield from empty_bars(tab, places)
    yield from pickup(tab, places)
    yield from open_words(tab, places)


def phrases(tab: Tab, places: Places, phrase_places: Mapping[str, Place]) -> Iterator[Finding]:
    """Phrases against the bars with notes, and against each other."""
    if not tab.phrases:
        return  # told for the lesson
    with_notes = {tab.form.written.bar_at(note.onset).index for note in tab.notes}
    covered: set[int] = set()
    for phrase in tab.phrases:
        first, last = tab.form.bar_span(phrase.first, phrase.last)
        inside = set(range(first, last + 1))
        place = phrase_places.get(phrase.name, places.bar(first))

        def at(rule: Rule, phrase: Phrase = phrase, place: Place = place, more: str = "") -> Finding:
            return Finding(rule, place, phrase.first, "", f"“{phrase.name}”{more}")

        if not inside & with_notes:
            yield at(EMPTY_PHRASE)
        elif len(inside) == 1 < len(tab.form.bars) and not tab.form.bars[first].pickup:
            yield at(SHORT_PHRASE)
        elif len(inside) > LONGEST_PHRASE:
            yield at(LONG_PHRASE, more=f", {len(inside)} bars")
        covered |= inside
        start = tab.form.written.bars[first].start
        begins = [note for note in tab.notes if note.onset == start and not note.grace]
        if begins and all(note.tied for note in begins):
            yield at(PHRASE_IN_NOTE)
    for index in sorted(with_notes - covered):
        yield at_bar(NO_PHRASE, tab, index, places)


def empty_bars(tab: Tab, places: Places) -> Iterator[Finding]:
    """Bars between notes in which nothing sounds; long rests, and many of them, are meant."""
    sounding: set[int] = set()
    for note in tab.notes:
        begin = tab.form.written.bar_at(note.onset)
        sounding.add(begin.index)
        index = begin.index + 1
        while index < len(tab.form.bars) and tab.form.written.bars[index].start < note.end:
            sounding.add(index)
            index += 1
    if not sounding:
        return
    gaps: list[list[int]] = [[]]
    for index in range(min(sounding), max(sounding) + 1):
        if index in sounding:
            gaps.append([])
        else:
            gaps[-1].append(index)
    gaps = [gap for gap in gaps if gap]
    if len(gaps) > _OFTEN:
        return
    for gap in gaps:
        if len(gap) < _LONG_REST:
            for index in gap:
                yield at_bar(EMPTY_BARS, tab, index, places)


def pickup(tab: Tab, places: Places) -> Iterator[Finding]:
    """Back to the top is out of time when the last bar does not leave room for the pickup."""
    first, last = tab.form.bars[0], tab.form.bars[-1]
    if not first.pickup or len(tab.form.bars) < 3:
        return
    back = [index for index, bar in enumerate(tab.form.bars) if bar.repeat_times]
    if back and any(bar.repeat_start for bar in tab.form.bars[1 : back[0] + 1]):
        return  # the pickup is not played again
    index = back[0] if back else len(tab.form.bars) - 1
    bar = tab.form.written.bars[index]
    inside = [n.end for n in tab.notes if bar.start <= n.onset and n.end <= bar.end]
    # repeated, the bar's length counts; at the end, how far its notes go
    filled = bar.bar.length if back else max(inside, default=bar.start) - bar.start
    if filled + first.length > bar.bar.metre.quarters and not (last.signs.fine or last.signs.jump):
        yield at_bar(PICKUP_TWICE if back else PICKUP_KEPT, tab, index, places)


def open_words(tab: Tab, places: Places) -> Iterator[Finding]:
    """A syllable with a hyphen that nothing follows."""
    for verse in sorted({lyric.verse for lyric in tab.lyrics}):
        last = [lyric for lyric in tab.lyrics if lyric.verse == verse][-1]
        if last.text.endswith("-") and len(last.text) > 1:
            index = tab.form.written.bar_at(last.quarter).index
            yield at_bar(WORD_OPEN, tab, index, places, f"“{last.text}”")


def sections(chart: Chart, places: Places) -> Iterator[Finding]:
    """Sections of one name that have not the same number of bars."""
    lengths: dict[str, list[tuple[str, int, int]]] = {}
    for name, first, count in sections_of(chart):
        lengths.setdefault(name.casefold(), []).append((name, first, count))
    for found in lengths.values():
        if len({count for _, _, count in found}) > 1:
            said = in_words([f"{count} bars from bar {first + 1}" for _, first, count in found[:6]])
            yield Finding(SECTION_LENGTHS, places.bar(found[0][1]), None, "", f"“{found[0][0]}”: {said}")


def sections_against_phrases(tab: Tab, chart: Chart, places: Places) -> Iterator[Finding]:
    """Sections and phrases that share a name, which each has once, and do not begin together."""
    try:
        order = chart.order_for(tab.form)
    except MusicError:
        return
    first_heard: dict[int, int] = {}  # of each bar of the chart, the written bar of the tab
    for bar, index in zip(tab.form.played.bars, order, strict=True):
        if index is not None:
            first_heard.setdefault(index, bar.written)
    named = [(name.casefold(), name, first) for name, first, _ in sections_of(chart)]
    phrases = [(phrase.name.casefold(), phrase) for phrase in tab.phrases]
    for folded, name, first in named:
        same = [phrase for other, phrase in phrases if other == folded]
        once = sum(other == folded for other, _, _ in named) == len(same) == 1
        if not once or first not in first_heard:
            continue
        begins, other = tab.form.bar_span(same[0].first, same[0].last)[0], first_heard[first]
        between = tab.form.bars[min(begins, other) : max(begins, other)]
        # a phrase may take a pickup or a last ending with it
        if between and not any(bar.pickup or bar.endings for bar in between):
            detail = f"“{name}”, bar {tab.form.bars[other].number} and bar {same[0].first}"
            yield Finding(SECTION_ELSEWHERE, places.bar(first), None, "", detail)


def sections_of(chart: Chart) -> list[tuple[str, int, int]]:
    """Name, index of the first bar, and number of written bars of each section."""
    starts = [(bar.section, index) for index, bar in enumerate(chart.bars) if bar.section is not None]
    found: list[tuple[str, int, int]] = []
    for place, (name, first) in enumerate(starts):
        end = starts[place + 1][1] if place + 1 < len(starts) else len(chart.bars)
        if name is not None:
            found.append((name, first, end - first))
    return found
