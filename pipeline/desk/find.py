"""From what the creator types to the release, or releases, that are meant."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from pipeline.command import command
from pipeline.config.load import LESSON_FILE, find_channel, load_channel, load_lesson
from pipeline.config.models import LessonConfig, slug_of
from pipeline.config.toml import read_toml
from pipeline.desk.overview import RECORD_FILE, Entry, Overview
from pipeline.errors import MisuseError, Problems, SourceError
from pipeline.page.look import Look, look_from
from pipeline.read.weeks import LessonSource, lesson_files, read_paths, slug_at


def releases_in(folder: Path) -> tuple[Path, ...]:
    """The release folders in an out folder, by name."""
    if not folder.is_dir():
        return ()
    return tuple(
        sorted(p for p in folder.iterdir() if not p.name.startswith(".") and (p / RECORD_FILE).is_file())
    )


def what_to_show(path: Path, *, out: Path = Path("out")) -> Path | Overview:
    """What to show for ``path``: a release folder, a folder of several, or the lessons of a week.

    path : a release folder, an out folder, or what ``build`` was given: a lesson (its file or
        folder), a week file, a folder of lessons; its releases are then looked for in ``out`` and
        beside it

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
        if "lessons" not in document.data and "lesson" not in document.data:
            return _lesson(path, source, out)
        shown = overview_for(path, out=out)
    elif path.is_dir() and next(lesson_files(path, Problems()), None) is not None:
        shown = overview_for(path, out=out)
    else:
        what = "holds no release" if path.exists() else "is not there"
        raise MisuseError(
            f"{path}: {what}; give a lesson, a week file, or the folder it was built into (such as out/low-tide)"
        )
    if not shown.built:
        raise MisuseError(
            f"{path}: nothing is built of its lessons in {out} yet\n"
            f"  Run: {command('build', path)}, or give the folder they were built into."
        )
    return shown


def overview_for(path: Path, *, out: Path) -> Overview:
    """The lessons of a week or a folder, one entry each, and what stands in their way.

    Raises
    ------
    MisuseError : see :func:`pipeline.read.weeks.read_paths`.
    SourceError : there are no lessons, because the files that list them cannot be read.
    """
    problems = Problems()
    sources = read_paths([path], problems)
    if not sources:
        raise SourceError(problems.errors)
    home = path if path.is_dir() else path.parent
    return overview_from(sources, problems, [out, home / "out", home.parent / "out"], title=title_of(path))


def overview_from(
    sources: Sequence[LessonSource], problems: Problems, outs: Sequence[Path], *, title: str, typed: bool = True,
    addresses: Mapping[Path, str] | None = None,
) -> Overview:  # fmt: skip
    """An entry for each lesson, and one for each of the ``problems`` with the files that list them.

    outs : where releases may lie; without ``typed`` nowhere else
    addresses : of lessons by their files, for those that cannot be read
    typed : whether the page says what to type to build what is not built
    """
    entries: dict[str, Entry] = {}
    first: LessonConfig | None = None
    for source in sources:
        address = (addresses or {}).get(source.path, "")
        entry, config = _entry(source, outs, address, typed=typed)
        entries.setdefault(entry.address, entry)
        first = first or config
    for number, problem in enumerate(problems.errors, 1):
        address, name = f"not-listed-{number}", problem.path.name if problem.path else ""
        entries[address] = Entry(address, name, (), note=f"{problem.place()}: {problem.what}.")
    by, look = _channel(first, sources[0].path.parent) if sources else ("", None)
    return Overview(title, tuple(entries.values()), by, look)


def title_of(path: Path) -> str:
    """What to call the lessons behind a path: the title in its file, else by its name."""
    document = read_toml(path, Problems()) if path.is_file() else None
    title = document.data.get("title") if document is not None else None
    if isinstance(title, str) and title.strip():
        return title
    name = path.stem if path.is_file() else path.resolve().name
    said = name.replace("_", " ").replace("-", " ")
    return said[:1].upper() + said[1:]


def _entry(
    source: LessonSource, outs: Sequence[Path], address: str, *, typed: bool
) -> tuple[Entry, LessonConfig | None]:
    problems = Problems()
    written = load_lesson(source.path, problems, overrides=source.overrides)
    if written is None:
        name = source.path.parent.name or source.path.parent.resolve().name
        told = problems.errors[0]
        note = f"Cannot be read: {told.place()}: {told.what}."
        address = address or slug_at(source) or slug_of(name) or "lesson"
        kept = () if typed else tuple(out / address for out in outs)
        return Entry(address, name, kept, note=note if typed else ""), None
    config = written.config
    places = [out / config.slug for out in outs]
    if typed:
        home = config.folder
        places += [home.parent / "out" / config.slug, home / "out" / config.slug]
    build = (source.spot.path if source.spot else source.path) if typed else None
    return Entry(config.slug, config.title, tuple(dict.fromkeys(places)), source=build), config


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


def _places(slug: str, home: Path, out: Path) -> tuple[Path, ...]:
    return out / slug, home / "out" / slug, home.parent / "out" / slug


def _channel(lesson: LessonConfig | None, home: Path) -> tuple[str, Look | None]:
    """Name and colours of the channel; a channel that cannot be read is for build and check to tell."""
    path = (lesson.channel or find_channel(lesson.folder)) if lesson else find_channel(home)
    written = load_channel(path, Problems()) if path is not None and path.is_file() else None
    if written is None:
        return "", None
    return written.config.name, look_from(written.config.look.colours)
