"""What all declarations of steps share: the lesson, its look, and the kinds of things made."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

from pipeline.build.costs import SMALL, Cost
from pipeline.build.editions import Edition
from pipeline.build.step import Output, Step
from pipeline.music.chart import ChordSpan
from pipeline.music.key import Key
from pipeline.music.tab import Tab
from pipeline.page.look import Look
from pipeline.read.lesson import Lesson
from pipeline.words.templates import own_templates

# what goes to everybody; a tier's `includes` decides about the rest
PUBLIC: Final = frozenset({"description", "chapters", "overlay", "clip", "still"})
# what `--step` can name
PRODUCTS: Final = (
    "align", "backing", "clip", "cover", "midi", "musicxml", "overlay", "packs", "page", "review", "still",
    "texttab", "words",
)  # fmt: skip
REVIEW: Final = "review"  # made for the creator's eyes only
PART: Final = "part"  # goes into something else, stays in the store
ARCHIVE: Final = "archive"
PACK_MEMBER: Final = "pack member"  # read-me and checksums, made with each pack


def template_files(lesson: Lesson) -> dict[str, Path]:
    """The creator's own templates by the names that templates call them by."""
    folder = lesson.channel.templates
    return own_templates(folder) if folder is not None and folder.is_dir() else {}


def _without_names(tab: Tab) -> Tab:
    """The tab as it sounds: no title, words or fingers, phrases by number, and notes by number
    too, since what a note is called can depend on the chord under it."""
    key = Key.parse("C")
    notes = tuple(
        replace(note, pitch=key.spell_midi(note.pitch.midi), finger=None, pluck=None) for note in tab.notes
    )
    phrases = tuple(replace(phrase, name=str(place)) for place, phrase in enumerate(tab.phrases, 1))
    return replace(
        tab, title="", phrases=phrases, notes=notes, key_changes=(), lyrics=(), remarks=(), comments=()
    )


def _named_by_key(tab: Tab) -> Tab:
    """The tab for forms that need no other names: what the chord under a note calls it is left out."""
    return replace(
        tab,
        notes=tuple(
            replace(note, pitch=tab.key_at(note.onset).spell_midi(note.pitch.midi)) for note in tab.notes
        ),
    )


def _by_number(spans: Sequence[ChordSpan]) -> tuple[ChordSpan, ...]:
    """The chords with their sections by number: where one begins can be heard, its name cannot."""
    sections: dict[str | None, str | None] = {None: None}
    for span in spans:
        sections.setdefault(span.section, str(len(sections)))
    return tuple(replace(span, section=sections[span.section]) for span in spans)


class Declaring:
    """A lesson whose steps are being declared.

    played_tab : the tab as the band reads it, without names that cannot be heard
    struck_tab : the tab as a listener knows it: notes and times
    played_spans : the chords as the band reads them, sections by number
    plain_tab : the tab with its words and fingers, and notes named as the key names them
    notes : what the creator should know of the plan, one sentence each
    """

    def __init__(self, lesson: Lesson, look: Look, editions: Sequence[Edition]) -> None:
        self.lesson, self.look, self.editions = lesson, look, editions
        self.slug, self.title = lesson.slug, lesson.config.title
        self.artist = lesson.config.artist or lesson.channel.name
        self.played_tab = _without_names(lesson.tab)
        self.played_spans = _by_number(lesson.spans)
        self.struck_tab = replace(self.played_tab, phrases=(), key=Key.parse("C"))
        self.plain_tab = _named_by_key(lesson.tab)
        self.notes: list[str] = []

    def step(self, name: str, product: str, function: Any, params: Any, outputs: Sequence[Output], *,
             cost: Cost = SMALL, **more: Any) -> Step:  # fmt: skip
        rooms = ("pipeline.music", *more.pop("rooms", ()))
        return Step(name, product, self.slug, function, params, tuple(outputs), rooms=rooms,
                    weight=cost.weight, memory_mb=cost.memory_mb, **more)  # fmt: skip
