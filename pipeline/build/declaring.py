"""What all declarations of steps share: the lesson, its look, and the kinds of things made."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

from pipeline.build.editions import Edition
from pipeline.build.make_words import template_role
from pipeline.build.step import Output, Step
from pipeline.music.key import Key
from pipeline.music.tab import Tab
from pipeline.page.look import Look
from pipeline.read.lesson import Lesson

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


def template_files(lesson: Lesson) -> tuple[tuple[str, Path], ...]:
    folder = lesson.channel.templates
    if folder is None or not folder.is_dir():
        return ()
    return tuple((template_role(p.name), p) for p in sorted(folder.glob("*.j2")))


def _without_names(tab: Tab) -> Tab:
    """The tab as it sounds: no title, no phrases, and notes by number, since what a note is
    called can depend on the chord under it."""
    key = Key.parse("C")
    notes = tuple(replace(note, pitch=key.spell_midi(note.pitch.midi)) for note in tab.notes)
    return replace(tab, title="", phrases=(), key=key, notes=notes)


class Declaring:
    """A lesson whose steps are being declared.

    plain_tab : the tab without what cannot be heard, its names
    notes : what the creator should know of the plan, one sentence each
    """

    def __init__(self, lesson: Lesson, look: Look, editions: Sequence[Edition]) -> None:
        self.lesson, self.look, self.editions = lesson, look, editions
        self.slug, self.title = lesson.slug, lesson.config.title
        self.artist = lesson.config.artist or lesson.channel.name
        self.plain_tab = _without_names(lesson.tab)
        self.notes: list[str] = []

    def step(self, name: str, product: str, function: Any, params: Any, outputs: Sequence[Output],
              **more: Any) -> Step:  # fmt: skip
        rooms = ("pipeline.music", *more.pop("rooms", ()))
        return Step(name, product, self.slug, function, params, tuple(outputs), rooms=rooms, **more)
