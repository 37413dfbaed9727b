"""From what the creator types to the release, or releases, that are meant."""

from __future__ import annotations

from pathlib import Path

from pipeline.command import command
from pipeline.config.load import LESSON_FILE, find_channel, load_channel, load_lesson, week_of
from pipeline.config.models import LessonConfig, slug_of
from pipeline.config.toml import Document, read_toml
from pipeline.desk.overview import RECORD_FILE, Entry, Overview
from pipeline.errors import MisuseError, Problems, SourceError
from pipeline.page.look import Look, look_from


def releases_in(folder: Path) -> tuple[Path, ...]:
    """The release folders in an out folder, by name."""
    if not folder.is_dir():
        return ()
    return tuple(
        sorted(p for p in folder.iterdir() if not p.name.startswith(".") and (p / RECORD_FILE).is_file())
    )


def what_to_show(path: Path, *, out: Path = Path("out")) -> Path | Overview:
    """What to show for ``path``: a release folder, a folder of several, or the lessons of a week.

    path : a release folder, an out folder, or a lesson (its file or folder) or a week file, whose
        releases are then looked for in ``out`` and beside it

    Raises
    ------
    MisuseError : nothing built is to be found there.
    SourceError : the file cannot be read.
    """
    if (path / RECORD_FILE).is_file() or releases_in(path):
        return path
    if path.name == RECORD_FILE and path.is_file():
        return path.parent
    source = path / LESSON_FILE if path.is_dir() else path
    if source.suffix.lower() == ".toml" and source.is_file():
        problems = Problems()
        document = read_toml(source, problems)
        if document is None:
            raise SourceError(problems.errors)
        if "lessons" in document.data or "lesson" in document.data:
            return _week(document, out)
        return _lesson(path, source, out)
    what = "holds no release" if path.exists() else "is not there"
    raise MisuseError(
        f"{path}: {what}; give a lesson, a week file, or the folder it was built into (such as out/low-tide)"
    )


def _lesson(path: Path, source: Path, out: Path) -> Path:
    problems = Problems()
    written = load_lesson(source, problems)
    if written is None:
        raise SourceError(problems.errors)
    slug = written.config.slug
    for place in _places(slug, source.parent, out):
        if (place / RECORD_FILE).is_file():
            return place
    raise MisuseError(
        f"{path}: nothing is built of {slug!r} in {out} yet\n"
        f"  Run: {command('build', path)}, or give the folder it was built into."
    )


def _week(document: Document, out: Path) -> Overview:
    problems = Problems()
    week = week_of(document, problems)
    if week is None:
        raise SourceError(problems.errors)
    home = document.path.parent
    entries: dict[str, Entry] = {}
    first: LessonConfig | None = None
    for listed, over in zip(week.config.lessons, week.overrides, strict=True):
        source = listed.path / LESSON_FILE if listed.path.is_dir() else listed.path
        own = Problems()
        written = load_lesson(source, own, overrides=over if over.data else None)
        if written is None:
            address = slug_of(listed.path.name) or "lesson"
            note = f"Cannot be read: {own.errors[0].place()}: {own.errors[0].what}."
            entries.setdefault(address, Entry(address, listed.path.name, (), note=note))
            continue
        config = written.config
        first = first or config
        places = dict.fromkeys((*_places(config.slug, home, out), *_places(config.slug, config.folder, out)))
        entry = Entry(config.slug, config.title, tuple(places), source=document.path)
        entries.setdefault(config.slug, entry)
    by, look = _channel(first, home)
    title = week.config.title or document.path.stem.replace("_", " ").replace("-", " ").capitalize()
    found = Overview(title, tuple(entries.values()), by, look)
    if not found.built:
        raise MisuseError(
            f"{document.path}: nothing is built of its lessons in {out} yet\n"
            f"  Run: {command('build', document.path)}, or give the folder they were built into."
        )
    return found


def _places(slug: str, home: Path, out: Path) -> tuple[Path, ...]:
    return out / slug, home / "out" / slug, home.parent / "out" / slug


def _channel(lesson: LessonConfig | None, home: Path) -> tuple[str, Look | None]:
    """Name and colours of the channel; a channel that cannot be read is for build and check to tell."""
    path = (lesson.channel or find_channel(lesson.folder)) if lesson else find_channel(home)
    written = load_channel(path, Problems()) if path is not None and path.is_file() else None
    if written is None:
        return "", None
    return written.config.name, look_from(written.config.look.colours)
