"""Loading what the creator wrote: every problem at once, each at its place in the file."""

from __future__ import annotations

import os.path
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Generic, TypeVar

from pydantic import BaseModel

from pipeline.config.complaints import key_name, said, tell, validated
from pipeline.config.models import Channel, LessonConfig, WeekConfig
from pipeline.config.toml import Document, Location, Spot, read_toml
from pipeline.errors import Problems, nearest

Model = TypeVar("Model", bound=BaseModel)
LESSON_FILE = "lesson.toml"
CHANNEL_FILE = "channel.toml"


@dataclass(frozen=True)
class Written(Generic[Model]):
    """A loaded file: its values, and the document that knows where each stands."""

    config: Model
    document: Document

    def error(self, problems: Problems, location: Location, what: str, *, remedy: str = "") -> None:
        """Tell an error at the value of a key."""
        tell(problems, self.document.value_spot(location), what, remedy)

    def caution(self, problems: Problems, location: Location, what: str, *, remedy: str = "") -> None:
        """Tell a caution at the value of a key."""
        tell(problems, self.document.value_spot(location), what, remedy, error=False)


@dataclass(frozen=True)
class Listed:
    """An entry of a week: a lesson, a folder of lessons or another week, what is said over it, and where."""

    path: Path
    overrides: Document
    spot: Spot


@dataclass(frozen=True)
class WrittenWeek:
    """A loaded week; ``overrides[i]`` holds what the week says over its entry i."""

    config: WeekConfig
    document: Document
    overrides: tuple[Document, ...]
    spots: tuple[Spot, ...]

    @property
    def entries(self) -> tuple[Listed, ...]:
        rows = zip(self.config.lessons, self.overrides, self.spots, strict=True)
        return tuple(Listed(one.path, over, spot) for one, over, spot in rows)


def load_lesson(
    path: Path, problems: Problems, *, overrides: Document | None = None
) -> Written[LessonConfig] | None:
    """Load a lesson file, with ``overrides`` from a week on top.

    Paths in the overrides count from the lesson's folder, like the lesson's own. With errors
    (told to ``problems``) what could be saved comes back, so that the rest can be checked too;
    None when nothing could.
    """
    document = read_toml(path, problems)
    if document is None:
        return None
    if overrides is not None:
        document = document.overlaid(overrides)
    context = {"folder": path.parent, "allow_outside": document.data.get("allow_outside") is True}
    config = validated(LessonConfig, document, problems, context, stand_ins={"title": "untitled"})
    if config is None:
        return None
    written = Written(config.model_copy(update={"path": path}), document)
    _check_lesson(written, problems)
    return written


def load_channel(path: Path, problems: Problems) -> Written[Channel] | None:
    """Load a channel file; its paths count from its folder and may lead out of it.

    With errors, as :func:`load_lesson`.
    """
    document = read_toml(path, problems)
    if document is None:
        return None
    config = validated(Channel, document, problems, {"folder": path.parent, "allow_outside": True})
    if config is None:
        return None
    written = Written(config.model_copy(update={"path": path}), document)
    _tell_repeated(written, "tier", [tier.id for tier in config.tiers], "id", problems)
    _tell_missing_files(
        written,
        [
            (("templates",), config.templates),
            (("look", "font_regular"), config.look.font_regular),
            (("look", "font_bold"), config.look.font_bold),
        ],
        problems,
    )
    return written


def load_week(path: Path, problems: Problems) -> WrittenWeek | None:
    """Load a week file: ``lessons = ["a", {path = "b", tempo = 90}]`` or ``[[lesson]]`` tables."""
    document = read_toml(path, problems)
    return None if document is None else week_of(document, problems)


def week_of(document: Document, problems: Problems) -> WrittenWeek | None:
    """A week from its document; see :func:`load_week`.

    With errors, the entries that are right come back; None when there are none.
    """
    before = len(problems.errors)
    entries: list[dict[str, Any]] = []
    overrides: list[Document] = []
    spots: list[Spot] = []
    for name in ("lessons", "lesson"):
        listed = document.data.get(name, [])
        if not isinstance(listed, list):
            spot = document.value_spot((name,))
            tell(problems, spot, f"`{name}` must be a list of lessons, got {said(listed)}", _WEEK_HINT)
            continue
        if name == "lesson" and any(not isinstance(item, dict) for item in listed):
            spot = document.key_spot((name,))
            tell(problems, spot, "`lesson` is for tables [[lesson]]; this is a list of paths",
                 "Did you mean `lessons`? " + _WEEK_HINT)  # fmt: skip
            continue
        for number, item in enumerate(listed):
            location: Location = (name, number)
            table = item if isinstance(item, dict) else {"path": item}
            place = (*location, "path") if isinstance(item, dict) else location
            if not isinstance(table.get("path"), str) or not table["path"].strip():
                tell(problems, document.value_spot(place), "a lesson of a week has a `path`", _WEEK_HINT)
                continue
            entries.append({"path": table["path"]})
            spots.append(document.value_spot(place))
            over = document.sub(location, without=("path",)) if isinstance(item, dict) else None
            overrides.append(over or Document(document.path, {}))
    rest = Document(
        document.path,
        {k: v for k, v in document.data.items() if k not in ("lesson", "lessons")} | {"lessons": entries},
        document.keys,
        document.values,
    )
    config = validated(WeekConfig, rest, problems, {"folder": document.path.parent, "allow_outside": True})
    if config is not None and not config.lessons and len(problems.errors) == before:
        tell(problems, Spot(document.path), "the week lists no lesson", _WEEK_HINT)
    if config is None or not config.lessons:
        return None
    config = config.model_copy(update={"path": document.path})
    return WrittenWeek(config, document, tuple(overrides), tuple(spots))


_WEEK_HINT = 'Write lessons = ["first-lesson", "second-lesson"], or a table [[lesson]] with a path for each.'


def find_channel(folder: Path) -> Path | None:
    """The nearest channel file: in ``folder``, then in its parents up to one named ``configs``
    (without such a parent, no further than one level up)."""
    return next((place for place in channel_places(folder) if place.is_file()), None)


def channel_places(folder: Path) -> tuple[Path, ...]:
    """Where :func:`find_channel` looks, the nearest place first."""
    home = folder.resolve()
    above = [home, *home.parents]
    stop = next((i for i, parent in enumerate(above) if parent.name == "configs"), 1)
    found = []
    for depth, parent in enumerate(above[: stop + 1]):
        # said the way the user said the folder, unless links make that another place
        said_so = Path(os.path.normpath(folder.joinpath(*[".."] * depth)))
        found.append((said_so if said_so.resolve() == parent else parent) / CHANNEL_FILE)
    return tuple(found)


def _check_lesson(written: Written[LessonConfig], problems: Problems) -> None:
    """What no single value shows."""
    config = written.config
    files: list[tuple[Location, Path | None]] = [
        ((name,), getattr(config, name)) for name in ("tab", "chart", "take", "talk", "channel")
    ]
    files += [(("look", name), getattr(config.look, name)) for name in ("font_regular", "font_bold")]
    files.append((("backing", "mix"), config.backing.mix))
    files += [(("segment", i, "file"), segment.file) for i, segment in enumerate(config.segments)]
    _tell_missing_files(written, files, problems)
    if config.start_s is not None and config.end_s is not None and config.end_s <= config.start_s:
        written.error(problems, ("end_s",), f"the take would end ({config.end_s:g} s) before it starts "
                      f"({config.start_s:g} s)", remedy="end_s is counted from the start of the file.")  # fmt: skip
    _tell_repeated(written, "phrase", [phrase.name for phrase in config.phrases], "name", problems)
    for i, segment in enumerate(config.segments):
        if segment.kind == "phrase" and segment.phrase is None:
            written.error(problems, ("segment", i), f"segment {segment.name!r} shows a phrase, but not which",
                          remedy='Add phrase = "..." with the name of the phrase.')  # fmt: skip
    if config.backing.source in ("mix", "stems") and config.backing.mix is None:
        written.error(problems, ("backing", "source"), f"`backing.source` is {config.backing.source!r}, but no "
                      "recording is named", remedy='Add mix = "..." to [backing], or set source = "chart".')  # fmt: skip


def _tell_missing_files(
    written: Written[Any], files: Iterable[tuple[Location, Path | None]], problems: Problems
) -> None:
    for location, path in files:
        if path is None or (path.is_file() if location != ("templates",) else path.is_dir()):
            continue
        value = written.document.part(location)
        if path.is_dir():
            written.error(problems, location, f"`{key_name(location)}`: {value!r} is a folder, not a file")
            continue
        if path.is_symlink() or path.exists():
            kind = "a link to a file that is not there" if path.is_symlink() else "not an ordinary file"
            what = f"`{key_name(location)}`: {value!r} is {kind}"
            written.error(problems, location, what, remedy="Put the file itself there.")
            continue
        there = [item.name for item in sorted(path.parent.iterdir())] if path.parent.is_dir() else []
        near = nearest(path.name, [name for name in there if name != path.name])
        remedy = f"There is {near!r} in that folder." if near else "Check the name; it counts from this file."
        written.error(
            problems, location, f"`{key_name(location)}`: there is no file {value!r}", remedy=remedy
        )


def _tell_repeated(written: Written[Any], table: str, names: list[str], key: str, problems: Problems) -> None:
    for i, name in enumerate(names):
        if name in names[:i]:
            written.error(problems, (table, i, key), f"two [[{table}]] tables have the {key} {name!r}",
                          remedy="Give each its own.")  # fmt: skip
