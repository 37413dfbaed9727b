"""The record of a result: what a step made, as stores keep it beside its files."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import Any, Final

from pipeline.build.digest import value_digest
from pipeline.build.step import Facts, Made, MadeFile

RECORD: Final = "made.json"


def to_record(made: Made) -> bytes:
    """JSON with a digest of its own, so that a record which was cut or changed is known as such."""
    record: dict[str, Any] = {
        "key": made.key,
        "files": [asdict(file) for file in made.files],
        "facts": made.facts,
        "notes": list(made.notes),
    }
    record["sha256"] = value_digest(record)
    return json.dumps(record, indent=1, sort_keys=True).encode("ascii")


def from_record(data: bytes, key: str, folder: Path) -> Made | None:
    """The result whose files are, or are to be, in ``folder``; None for what is no whole record
    of this key, or names files outside that folder."""
    try:
        record = json.loads(data)
        if record["key"] != key or record.pop("sha256") != value_digest(record):
            return None
        files = tuple(MadeFile(f["name"], f["bytes"], f["sha256"]) for f in record["files"])
        if any(".." in Path(file.name).parts or Path(file.name).is_absolute() for file in files):
            return None  # who may write into a shared store may not write elsewhere on its readers' machines
        return Made(key, folder, files, record["facts"], tuple(record["notes"]))
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return None


def as_read(facts: Facts) -> Facts:
    """Facts as any later reader will see them: tuples are lists, keys are text."""
    seen: Facts = json.loads(json.dumps(facts))
    return seen
