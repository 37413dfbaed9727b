"""The record of a release: what was built from what, every file, and what was measured.

Everything in it follows from the sources, except ``steps``, which tells how this one build went.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from pipeline import __version__
from pipeline.build.digest import input_digest
from pipeline.build.lesson_steps import Plan
from pipeline.build.release import Placed
from pipeline.build.work import Done
from pipeline.errors import Problem
from pipeline.read.lesson import Lesson
from pipeline.study.facts import lesson_facts
from pipeline.study.position import hand_positions, phrase_positions

_BACKING_FACTS: Final = (
    "key", "tempo_bpm", "source", "lead", "integrated_lufs", "true_peak_dbtp", "seconds", "groove", "synthesizer",
)  # fmt: skip


def release_record(
    plan: Plan,
    folder: Path,
    placed: Sequence[Placed],
    done: Mapping[str, Done],
    cautions: Sequence[str],
    *,
    before: Mapping[str, Any],
) -> dict[str, Any]:
    """The record as plain data.

    before : the record of the release in place, whose facts stand for what is kept of it
    """
    kept = any(one.kept for one in placed)
    align = done.get("align")
    alignment = _alignment(align) if align else (before.get("alignment") if kept else None)
    words = done.get("words")
    chapters = words.outcome.made.facts["chapters"] if words and words.outcome.made else None
    return {
        "lesson": plan.slug,
        "title": plan.lesson.config.title,
        "version": __version__,
        "inputs": [
            {"path": relative(path, folder), "sha256": input_digest(path)}
            for path in sorted(plan.inputs, key=lambda path: relative(path, folder))
        ],
        "files": [one.to_json() for one in placed],
        "facts": facts_of(plan.lesson),
        "tiers": [{"id": tier.id, "name": tier.name} for tier in plan.lesson.channel.tiers],
        "alignment": alignment,
        "backing": backing_entries(placed),
        "chapters": chapters if chapters is not None else (before.get("chapters", []) if kept else []),
        "cautions": list(cautions),
        "steps": [
            {
                "name": name,
                "seconds": round(one.outcome.seconds, 3),
                "reused": one.state == "reused",
                "peak_mb": one.outcome.peak_mb,
                "why": list(one.why),
            }
            for name, one in done.items()
        ],
    }


def record_bytes(record: Mapping[str, Any]) -> bytes:
    """As written to disk: UTF-8 JSON."""
    return (json.dumps(record, ensure_ascii=False, allow_nan=False, indent=1) + "\n").encode("utf-8")


def relative(path: Path, folder: Path) -> str:
    """``path`` as seen from the release folder, with forward slashes."""
    try:
        return Path(os.path.relpath(path.resolve(), folder.resolve())).as_posix()
    except ValueError:  # another drive: there is no way from here to there
        return path.resolve().as_posix()


def caution_text(problem: Problem, home: Path) -> str:
    """A caution from the sources on one line, its file as seen from the lesson's folder."""
    place = ""
    if problem.path is not None:
        numbers = [str(n) for n in (problem.line, problem.column) if n is not None]
        place = ":".join([relative(problem.path, home), *numbers]) + ": "
    remedy = f" {problem.remedy}" if problem.remedy else ""
    return f"{place}{problem.what}{'.' if remedy and problem.what[-1:] not in '.!?' else ''}{remedy}"


def backing_entries(placed: Sequence[Placed]) -> list[dict[str, Any]]:
    """One entry for each mix: its WAV, and the MP3 made of it."""
    mp3: dict[str, str] = {}
    for one in placed:
        if "of" in one.facts:
            mp3.setdefault(one.facts["of"], one.path)
    found: dict[str, dict[str, Any]] = {}
    for one in placed:
        name = one.path.rpartition("/")[2]
        if "lead" not in one.facts or "of" in one.facts or name in found:
            continue
        found[name] = {"path": one.path, **{fact: one.facts.get(fact) for fact in _BACKING_FACTS}}
        if name in mp3:
            found[name]["mp3_path"] = mp3[name]
    return list(found.values())


def _alignment(align: Done) -> dict[str, Any] | None:
    if align.outcome.made is None:
        return None
    return {name: value for name, value in align.outcome.made.facts.items() if name != "time_map"}


def facts_of(lesson: Lesson) -> dict[str, Any]:
    """What a lesson holds, as plain data."""
    tab, config = lesson.tab, lesson.config
    known = lesson_facts(tab, lesson.spans)
    return {
        "key": known.key.text(),
        "tempo_bpm": known.tempo_bpm,
        "metre": known.metre,
        "instrument": known.instrument,
        "tuning": known.tuning,
        "techniques": list(known.techniques),
        "chords": list(known.chords),
        "frets": [known.fret_lo, known.fret_hi],
        "bars": known.bars,
        "bars_played": known.bars_played,
        "phrases": [
            {
                "name": facts.name,
                "bars": [facts.first, facts.last],
                "frets": [facts.fret_lo, facts.fret_hi],
                "positions": list(phrase_positions(tab, phrase)),
            }
            for facts, phrase in zip(known.phrases, tab.phrases, strict=True)
        ],
        "positions": sorted(hand_positions(tab.notes)),
        "level": config.level,
        "date": config.date.isoformat() if config.date else None,
    }
