"""From what the creator types to the release folder that is meant."""

from __future__ import annotations

from pathlib import Path

from pipeline.config.load import LESSON_FILE, load_lesson
from pipeline.errors import MisuseError, Problems

RECORD_FILE = "release.json"


def releases_in(folder: Path) -> tuple[Path, ...]:
    """The release folders in an out folder, by name."""
    if not folder.is_dir():
        return ()
    return tuple(
        sorted(p for p in folder.iterdir() if not p.name.startswith(".") and (p / RECORD_FILE).is_file())
    )


def review_folder(path: Path, *, out: Path = Path("out")) -> Path:
    """What to show for ``path``: a release folder, or a folder of several.

    path : a release folder, an out folder, or a lesson (its file or folder), whose release is
        then looked for in ``out`` and beside the lesson

    Raises
    ------
    MisuseError : nothing built is to be found there.
    """
    if (path / RECORD_FILE).is_file() or releases_in(path):
        return path
    if path.name == RECORD_FILE and path.is_file():
        return path.parent
    source = path / LESSON_FILE if path.is_dir() else path
    if source.suffix == ".toml" and source.is_file():
        written = load_lesson(source, Problems())
        if written is not None:
            slug = written.config.slug
            places = (out, source.parent / "out", source.parent.parent / "out")
            for place in places:
                if (place / slug / RECORD_FILE).is_file():
                    return place / slug
            raise MisuseError(
                f"{path}: nothing is built of {slug!r} in {out} yet; "
                f"run: lessonwright build {path}, or give the folder it was built into"
            )
    what = "holds no release" if path.exists() else "is not there"
    raise MisuseError(
        f"{path}: {what}; give a lesson, or the folder it was built into (such as out/low-tide)"
    )
