"""Words sung, on the notes they belong to, as MusicXML 4.0 ``lyric`` elements.

A syllable whose word goes on ends in ``-`` in a tab; here ``syllabic`` says so. A dash alone is
its own text.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from xml.etree.ElementTree import Element, SubElement

from pipeline.music.tab import Lyric, Tab
from pipeline.page.heads import BarLayers, Event


@dataclass(frozen=True, slots=True)
class BarWords:
    """The words of one bar.

    held : (layer number, onset of the event in the bar) -> its syllables
    loose : offset in the bar -> syllables where no event starts
    """

    held: dict[tuple[int, Fraction], list[Lyric]]
    loose: dict[Fraction, list[Lyric]]


class Words:
    """All syllables of a tab, and how each joins those before and after it in its verse."""

    def __init__(self, tab: Tab) -> None:
        self.by_bar: dict[int, list[Lyric]] = {}
        self._syllabic: dict[tuple[int, Fraction], str] = {}
        goes_on: dict[int, bool] = {}  # by verse
        for lyric in tab.lyrics:
            self.by_bar.setdefault(tab.form.written.bar_at(lyric.quarter).index, []).append(lyric)
            before, after = goes_on.get(lyric.verse, False), lyric.text.endswith("-") and lyric.text != "-"
            self._syllabic[lyric.verse, lyric.quarter] = (
                ("middle" if before else "begin") if after else ("end" if before else "single")
            )
            goes_on[lyric.verse] = after

    def of_bar(self, bar: BarLayers, *, rests: bool) -> BarWords:
        """Each syllable at the event that it goes with: one where a note is struck, else where
        one is held on, else (``rests``) a rest."""
        held: dict[tuple[int, Fraction], list[Lyric]] = {}
        loose: dict[Fraction, list[Lyric]] = {}
        for lyric in self.by_bar.get(bar.bar.index, ()):
            offset = lyric.quarter - bar.bar.start
            homes = [
                (_rank(event), layer.number)
                for layer in bar.layers
                for event in layer.events
                if event.onset == offset and (rests or event.heads)
            ]
            if homes:
                held.setdefault((min(homes)[1], offset), []).append(lyric)
            else:
                loose.setdefault(offset, []).append(lyric)
        return BarWords(held, loose)

    def elements(self, lyrics: Sequence[Lyric]) -> list[Element]:
        made = []
        for lyric in lyrics:
            element = Element("lyric", {"number": str(lyric.verse)})
            SubElement(element, "syllabic").text = self._syllabic[lyric.verse, lyric.quarter]
            SubElement(element, "text").text = lyric.text.removesuffix("-") or "-"
            made.append(element)
        return made


def _rank(event: Event) -> int:
    if any(head.part == 0 and not head.tie_back for head in event.heads):
        return 0
    return 1 if event.heads else 2
