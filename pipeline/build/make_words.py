"""Steps that write for people: the description, the chapters, the packs."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.build.step import Given, Made, Result
from pipeline.pack.archive import CHECKSUMS, README, Member, checksum_list, member_name, write_zip

DESCRIPTION_FILE = "description.txt"
CHAPTERS_FILE = "chapters.vtt"
README_TEMPLATE = "readme.txt"
_TEMPLATE = "template:"  # role of a file of the creator's template folder


@dataclass(frozen=True)
class Named:
    """A file, or a kind of file, and what it is for."""

    name: str
    what: str


@dataclass(frozen=True)
class Offer:
    """What a tier gets."""

    title: str
    files: tuple[Named, ...]


@dataclass(frozen=True)
class WordsParams:
    """What the description is made of.

    facts : the variables that its template reads, of those known before anything is built
    offers : what each tier gets, nothing when the template does not tell
    chapters : (seconds, name), when the finished video's parts are known; None: the phrases as
        they come in the take
    phrases : (name, first played quarter of each time it sounds)
    total_s : length of the finished video, None when there is none
    """

    facts: dict[str, Any]
    offers: tuple[Offer, ...]
    chapters: tuple[tuple[float, str], ...] | None
    phrases: tuple[tuple[str, tuple[float, ...]], ...]
    total_s: float | None


def template_role(name: str) -> str:
    return _TEMPLATE + name


def _templates(given: Given) -> dict[str, Path]:
    """The creator's own templates by name."""
    files = given.files.items()
    return {role.removeprefix(_TEMPLATE): path for role, path in files if role.startswith(_TEMPLATE)}


def words(params: WordsParams, given: Given) -> Result:
    """The description, and the chapters when there is a video to have them."""
    from pipeline.words.chapters import Chapter, tidy_chapters, write_vtt
    from pipeline.words.templates import render

    notes: list[str] = []
    marks = params.chapters
    if marks is None and "align" in given.made:
        marks = _from_take(params, given.made["align"])
    chapters: list[Chapter] = []
    if marks and params.total_s is not None:
        chapters, notes = tidy_chapters([Chapter(seconds, name) for seconds, name in marks], params.total_s)
    facts = {
        **params.facts,
        "chapters": [{"time": c.time, "name": c.name, "seconds": c.seconds} for c in chapters],
        "tiers": [
            {"title": offer.title, "files": [{"name": f.name, "what": f.what} for f in offer.files]}
            for offer in params.offers
        ],
    }
    text = render(DESCRIPTION_FILE, facts, own=_templates(given))
    (given.folder / DESCRIPTION_FILE).write_text(text, "utf-8", newline="\n")
    if params.total_s is not None:
        vtt = write_vtt(chapters, params.total_s)
        (given.folder / CHAPTERS_FILE).write_text(vtt, "utf-8", newline="\n")
    listed = [{"seconds": round(c.seconds, 3), "name": c.name} for c in chapters]
    return Result({"chapters": listed, "description": text}, tuple(notes))


def _from_take(params: WordsParams, align: Made) -> tuple[tuple[float, str], ...]:
    from pipeline.listen.alignment import Alignment

    heard = Alignment.from_json(align.facts)
    marks = [
        (max(0.0, heard.time_map.seconds_at(starts[0])), name) for name, starts in params.phrases if starts
    ]
    return tuple(sorted(marks))


@dataclass(frozen=True)
class PackParams:
    """A tier's pack.

    lesson : whose files they are, as it stands before each name
    members : (step, file name, what it is for), in the order of the read-me
    facts : the variables that the read-me's template reads
    """

    lesson: str
    archive: str
    title: str
    members: tuple[tuple[str, str, str], ...]
    facts: dict[str, Any]


def pack(params: PackParams, given: Given) -> Result:
    """The zip of a tier, its read-me and its list of checksums."""
    from pipeline.words.templates import render

    named = [(member_name(params.lesson, name), given.made[step].path(name), what)
             for step, name, what in params.members]  # fmt: skip
    offered = [{"name": name, "what": what} for name, _, what in named]
    facts = {**params.facts, "pack": {"title": params.title, "files": offered}}
    text = render(README_TEMPLATE, facts, own=_templates(given)).replace("\n", "\r\n")
    members: dict[str, Member] = {name: path for name, path, _ in named}
    members[README] = text.encode("utf-8")
    members[CHECKSUMS] = checksum_list(members)
    for name in (README, CHECKSUMS):
        (given.folder / name).write_bytes(bytes(members[name]))
    write_zip(given.folder / params.archive, members)
    return Result({"files": {params.archive: {"members": sorted(members)}}})
