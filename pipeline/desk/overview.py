"""One page that lists several releases: those of a week, or those of an out folder.

The page is made anew each time it is asked for, so that it shows what is built by then.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from pipeline.build.editions import counted_words
from pipeline.build.htmlpage import page_environment
from pipeline.command import command
from pipeline.music.errors import MusicError
from pipeline.music.key import Key
from pipeline.music.metre import Metre
from pipeline.page.look import Look, default_look, legible, mixed

RECORD_FILE: Final = "release.json"
_TEMPLATE: Final = "overview.html.j2"
_PICTURES: Final = ("still", "cover")  # products of the record, the first that is there


@dataclass(frozen=True, slots=True)
class Entry:
    """A lesson on the page.

    address : its folder in the addresses of the desk
    places : where its release may lie; the first that holds one counts
    source : what to build when none does
    note : why it cannot be built, "" when nothing is in the way
    """

    address: str
    title: str
    places: tuple[Path, ...]
    source: Path | None = None
    note: str = ""

    @property
    def folder(self) -> Path | None:
        return next((place for place in self.places if (place / RECORD_FILE).is_file()), None)


@dataclass(frozen=True)
class Overview:
    """``by`` whose lessons they are; ``look`` whose colours the page has."""

    title: str
    entries: tuple[Entry, ...]
    by: str = ""
    look: Look | None = None

    def folder_of(self, address: str) -> Path | None:
        """The release at an address, None when there is none (yet)."""
        return next((entry.folder for entry in self.entries if entry.address == address), None)

    @property
    def built(self) -> int:
        return sum(entry.folder is not None for entry in self.entries)

    def page(self) -> str:
        """The page as HTML."""
        environment = page_environment("pipeline.desk")
        look = self.look or default_look()
        return environment.get_template(_TEMPLATE).render(
            title=self.title,
            by=self.by,
            look=look,
            quiet=mixed(look.ink, look.paper, 0.06),
            accent_ink=legible("#ffffff", on=look.accent),
            built=self.built,
            rows=[_row(entry) for entry in self.entries],
        )


def overview_of(folder: Path, releases: Iterable[Path]) -> Overview:
    """The releases in an out folder."""
    entries = tuple(Entry(place.name, place.name, (place,)) for place in releases)
    return Overview(f"Releases in {folder.name}", entries)


def _row(entry: Entry) -> dict[str, Any]:
    folder = entry.folder
    record = _record(folder) if folder is not None else None
    if record is None:
        typed = command("build", entry.source) if entry.source and not entry.note else ""
        note = entry.note or "Not built yet."
        if folder is not None:
            note = f"{folder / RECORD_FILE} cannot be read. Build the lesson again."
        return {"built": False, "title": entry.title, "note": note, "command": typed}
    by_product = {
        file["product"]: file["path"] for file in record["files"] if file.get("product") in _PICTURES
    }
    return {
        "built": True,
        "address": entry.address,
        "title": record.get("title") or entry.title,
        "facts": _facts(record.get("facts", {})),
        "picture": next((by_product[one] for one in _PICTURES if one in by_product), ""),
        "cautions": len(record.get("cautions", ())),
    }


def _record(folder: Path) -> dict[str, Any] | None:
    try:
        found = json.loads((folder / RECORD_FILE).read_text("utf-8"))
    except (OSError, ValueError):
        return None
    return found if isinstance(found, dict) and isinstance(found.get("files"), list) else None


def _facts(facts: dict[str, Any]) -> str:
    """``Electric guitar, A minor, 6/8, ♩. = 72, 16 bars``: what of it the record has."""
    instrument = str(facts.get("instrument", ""))
    told = [instrument[:1].upper() + instrument[1:]] if instrument else []  # DADGAD stays as it is
    if "key" in facts:
        told.append(_key_words(str(facts["key"])))
    told += [str(facts["metre"])] if "metre" in facts else []
    told += [_tempo(facts["tempo_bpm"], str(facts.get("metre")))] if "tempo_bpm" in facts else []
    told += [f"{facts['bars']} bar{'' if facts['bars'] == 1 else 's'}"] if "bars" in facts else []
    return ", ".join(told)


def _tempo(bpm: float, metre: str) -> str:
    try:
        return counted_words(bpm, Metre.parse(metre))
    except MusicError:  # as for keys
        return f"{bpm:g} bpm"


def _key_words(text: str) -> str:
    try:
        return Key.parse(text).symbol()
    except MusicError:  # a record of another version: shown as it is
        return text
