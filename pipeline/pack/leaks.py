"""The last look before a release is put in place: nothing for supporters lies in public.

It goes by what the files hold, not by what they are called.
"""

from __future__ import annotations

import hashlib
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True)
class Leak:
    """A public file that should not be there, and why."""

    path: Path
    why: str

    def __str__(self) -> str:
        return f"{self.path}: {self.why}"


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _supporter_files(packs_dir: Path) -> dict[str, str]:
    """SHA-256 → where, for every file in the packs and every member of their archives."""
    found: dict[str, str] = {}
    for path in sorted(packs_dir.rglob("*")):
        if not path.is_file():
            continue
        found.setdefault(_digest(path), path.relative_to(packs_dir).as_posix())
        if path.suffix == ".zip":
            with zipfile.ZipFile(path) as archive:
                for name in archive.namelist():
                    with archive.open(name) as member:  # it reads as a file does, which its stub does not say
                        digest = hashlib.file_digest(member, "sha256").hexdigest()  # type: ignore[arg-type]
                    found.setdefault(digest, f"{path.name}: {name}")
    return found


def find_leaks(public_dir: Path, packs_dir: Path, *, public: Mapping[str, str]) -> tuple[Leak, ...]:
    """What lies in ``public_dir`` and must not.

    Parameters
    ----------
    public : name → SHA-256 of each file that is meant to be public

    A file leaks when it is not one of these, when its content is not theirs, when it is a link,
    or when it is the content of a supporter's file that no public file shares.
    """
    if not public_dir.is_dir():
        return ()
    supporters = _supporter_files(packs_dir) if packs_dir.is_dir() else {}
    meant = set(public.values())
    leaks: list[Leak] = []
    for path in sorted(public_dir.rglob("*")):
        if path.is_symlink():
            leaks.append(Leak(path, "a link, which may lead to anything"))
            continue
        if not path.is_file():
            continue
        name, digest = path.relative_to(public_dir).as_posix(), _digest(path)
        if digest in supporters and digest not in meant:
            leaks.append(Leak(path, f"the same as packs/{supporters[digest]}, which is for supporters"))
        elif name not in public:
            leaks.append(Leak(path, "not among the files that are meant to be public"))
        elif digest != public[name]:
            leaks.append(Leak(path, "not what was made to be public under this name"))
    return tuple(leaks)
