"""The files of a new lesson: small, commented, and ready to build as they are."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path
from typing import Final

from pipeline.config.models import slug_of
from pipeline.errors import MisuseError

_TITLE: Final = "Doorstep Study"  # in the files as they are kept
STARTER_FILES: Final = ("lesson.toml", "tab.txt", "chart.txt")


def write_starter(folder: Path) -> tuple[Path, ...]:
    """Make ``folder`` a lesson that builds, titled as the folder is called; return the files made.

    Raises
    ------
    MisuseError : the folder is a file, or holds one of the files already; nothing is written then.
    """
    if folder.exists() and not folder.is_dir():
        raise MisuseError(f"{folder} is a file, not a folder\n  Choose another name.")
    there = [name for name in STARTER_FILES if (folder / name).exists()]
    if there:
        raise MisuseError(
            f"{folder} already holds {', '.join(there)}; nothing was written\n"
            "  Choose another folder, or move what is there."
        )
    source = files("pipeline.config") / "starter_files"
    texts = {name: (source / name).read_text(encoding="utf-8") for name in STARTER_FILES}
    title = _title_of(folder)
    if title:
        for name, text in texts.items():
            texts[name] = text.replace(_TITLE, title).replace(slug_of(_TITLE), slug_of(title))
    folder.mkdir(parents=True, exist_ok=True)
    made: list[Path] = []
    try:
        for name, text in texts.items():
            with (folder / name).open("x", encoding="utf-8", newline="\n") as file:
                made.append(folder / name)
                file.write(text)
    except OSError:
        for path in made:  # all or nothing
            path.unlink()
        raise
    return tuple(made)


def _title_of(folder: Path) -> str:
    """``Kettle Waltz`` of a folder called kettle-waltz; "" where its name makes no title."""
    words = folder.resolve().name.replace("-", " ").replace("_", " ").split()
    title = " ".join(word[:1].upper() + word[1:] for word in words)
    return title if title.isprintable() and not set(title) & set('"\\#') and slug_of(title) else ""
