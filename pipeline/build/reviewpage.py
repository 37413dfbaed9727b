"""The review page: everything in a release to look at and listen to, on one page.

It lies in the release folder, links with relative paths, and needs no server and no network.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final
from urllib.parse import quote

from pipeline.build.editions import counted_words
from pipeline.build.htmlpage import file_size, page_environment
from pipeline.build.lesson_steps import Plan
from pipeline.build.make_take import UNSURE
from pipeline.build.release import Placed
from pipeline.config.models import Tier
from pipeline.music.key import Key
from pipeline.music.metre import Metre
from pipeline.page.look import Look, legible, mixed
from pipeline.words.chapters import clock
from pipeline.words.templates import listed

_TEMPLATE = "review.html.j2"
_STATUS: Final = {"played": "heard as written", "wrong": "heard at another pitch", "missing": "not heard"}


@dataclass(frozen=True, slots=True)
class Shelf:
    """Files of one tier, for the table at the end of the page."""

    title: str
    files: tuple[Placed, ...]
    archive: Placed | None


def review_page(plan: Plan, record: Mapping[str, Any], placed: Sequence[Placed], description: str) -> str:
    """The page as HTML."""
    environment = page_environment("pipeline.build")
    environment.filters.update(link=_link, size=file_size, clock=clock, level=_level)
    by_path = {one.path: one for one in placed}
    alignment = record["alignment"]
    return environment.get_template(_TEMPLATE).render(
        record=record,
        channel=plan.lesson.channel,
        look=plan.look,
        key=Key.parse(record["facts"]["key"]).symbol(),
        tempo=counted_words(plan.lesson.tab.tempo_bpm, plan.lesson.tab.form.bars[0].metre),
        quiet=_quiet(plan.look),
        accent_ink=legible("#ffffff", on=plan.look.accent),
        public={one.path.rpartition("/")[2]: one for one in placed if one.tier == "public"},
        bands=_bands(record["backing"], plan.lesson.tab.form.bars[0].metre),
        pages=[one for one in placed if one.path.startswith("review/page-")],
        picture=by_path.get("review/alignment.png"),
        unsure=[bar for bar in alignment["bars"] if bar["confidence"] < UNSURE] if alignment else [],
        heard=_heard(alignment),
        steadiness=_steadiness(alignment["median_ms_residual"]) if alignment else "",
        tuned=_tuned(alignment["tuning_cents"]) if alignment else "",
        description=description,
        shelves=_shelves(placed, plan.lesson.channel.tiers),
    )


def _link(path: str) -> str:
    return quote(path)


def _level(decibels: float) -> str:
    """One decimal, with a true minus."""
    return f"{decibels:.1f}".replace("-", "−")


def _tuned(cents: float) -> str:
    """How the take is tuned, as a clause; nothing when it is tuned as written."""
    if abs(cents) < 1.5:
        return ""
    return f"; it is tuned {abs(cents):.0f} cents {'above' if cents > 0 else 'below'} the tab"


def _quiet(look: Look) -> str:
    """A ground a little off the paper, for tables and players."""
    return mixed(look.ink, look.paper, 0.06)


def _bands(entries: Sequence[Mapping[str, Any]], metre: Metre) -> list[dict[str, Any]]:
    """Backing entries by key and tempo, both in words; the mixes of each beside one another."""
    found: dict[tuple[str, float], dict[str, Any]] = {}
    for entry in entries:
        at = (entry["key"], entry["tempo_bpm"])
        key = Key.parse(entry["key"]).symbol()
        tempo = counted_words(entry["tempo_bpm"], metre)
        found.setdefault(at, {"key": key, "tempo": tempo, "mixes": []})["mixes"].append(entry)
    for band in found.values():
        band["mixes"].sort(key=lambda entry: entry["lead"] != "none")
    return list(found.values())


def _heard(alignment: Mapping[str, Any] | None) -> str:
    """How many notes were heard and how, as a sentence."""
    counts = Counter(note["status"] for note in alignment["notes"]) if alignment else Counter()
    told = [f"{count} {_STATUS.get(status, status)}" for status, count in counts.most_common()]
    return f"Notes: {listed(told)}." if told else ""


def _steadiness(residual_ms: float) -> str:
    """How far notes lie from the beat that those around them keep, in words a player uses."""
    return f"Notes lie within about {max(1, round(residual_ms))} ms of the beat around them."


def _shelves(placed: Sequence[Placed], tiers: Sequence[Tier]) -> list[Shelf]:
    titles = [("public", "Public"), *((t.id, f"Pack: {t.name}") for t in tiers)]
    titles += [("review", "For you alone"), ("none", "In no pack and not public")]
    found = []
    for tier, title in titles:
        files = tuple(one for one in placed if one.tier == tier)
        archive = next((one for one in files if one.path == f"packs/{one.path.rpartition('/')[2]}"), None)
        rest = tuple(one for one in files if one is not archive)
        if files:
            found.append(Shelf(title, rest, archive))
    return found
