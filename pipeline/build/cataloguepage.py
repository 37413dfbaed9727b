"""The catalogue as a page and as a table.

The page is one file that needs no network: the table is there for everybody, and what its
script searches and filters by comes along as data. Links count from the catalogue's folder.

References
----------
CSV: RFC 4180. Cells that a spreadsheet would take for a formula begin with an apostrophe:
common practice. ARIA roles and ``aria-sort``: W3C, WAI-ARIA 1.2.
"""

from __future__ import annotations

import csv
import io
from collections import Counter
from collections.abc import Iterable
from importlib.resources import files
from typing import Any, Final
from urllib.parse import quote

from pipeline import __version__
from pipeline.build.catalogue import Catalogue
from pipeline.build.catalogueentry import LINKS, STATES, Entry, told
from pipeline.build.cataloguefacts import Facts
from pipeline.build.htmlpage import file_size, page_environment
from pipeline.errors import in_order
from pipeline.page.look import legible, mixed

_TEMPLATE: Final = "catalogue.html.j2"
_SCRIPT: Final = "catalogue.js"
_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r")
_COLUMNS: Final = (
    "lesson", "title", "state", "why", "date", "grade", "key", "tempo_bpm", "metre", "instrument",
    "tuning", "bars", "techniques", "positions", "chords", "phrases", "packs", "pack_paths", "pack_bytes",
    "cautions", "review", "page", "still", "source",
)  # fmt: skip
# what the page can be narrowed by: name in the data, label
_FACETS: Final = (
    ("key", "Key"), ("grade", "Grade"), ("instrument", "Instrument"), ("technique", "Technique"),
    ("chord", "Chord"), ("state", "State"),
)  # fmt: skip


def catalogue_csv(catalogue: Catalogue) -> str:
    """One line for each lesson under a line of names; lists joined by ``; ``."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(_COLUMNS)
    for entry in catalogue.entries:
        row = entry.to_json()
        row["phrases"] = [phrase["name"] for phrase in row["phrases"]]
        row["pack_paths"] = [pack["path"] for pack in row["packs"]]
        row["pack_bytes"] = [pack["bytes"] for pack in row["packs"]]
        row["packs"] = [pack["name"] for pack in row["packs"]]
        writer.writerow([_cell(row[name]) for name in _COLUMNS])
    return text.getvalue()


def catalogue_page(catalogue: Catalogue) -> str:
    """The page as HTML."""
    environment = page_environment("pipeline.build")
    environment.filters.update(link=_link, size=file_size, capital=_capital)
    rows = [_row(entry) for entry in catalogue.entries]
    look = catalogue.look
    return environment.get_template(_TEMPLATE).render(
        channel=catalogue.channel,
        look=look,
        quiet=mixed(look.ink, look.paper, 0.06),
        line=mixed(look.ink, look.paper, 0.2),
        accent_ink=legible("#ffffff", on=look.accent),
        counts=catalogue.counts,
        problems=[told(p, catalogue.folder) for p in in_order(catalogue.problems) if p.error],
        rows=rows,
        facets=[(name, label, options) for name, label in _FACETS if (options := _options(name, rows))],
        data=[row["data"] for row in rows],
        script=(files("pipeline.build") / "templates" / _SCRIPT).read_text("utf-8"),
        version=__version__,
    )


def _row(entry: Entry) -> dict[str, Any]:
    """What the template shows of a lesson, and what the script goes by."""
    facts = entry.facts
    facets = {
        "key": [facts.key_words] if facts.key else [],
        "grade": [facts.level] if facts.level else [],
        "instrument": [facts.instrument] if facts.instrument else [],
        "technique": list(facts.techniques),
        "chord": list(facts.chords),
        "state": [entry.state],
    }
    spoken = [
        entry.title, entry.lesson, facts.key_words, facts.key, facts.level, facts.instrument, facts.tuning,
        facts.date, *facts.techniques, *facts.chords, *facts.plain_chords, *(p.name for p in facts.phrases),
        entry.state,
    ]  # fmt: skip
    sort = {
        "title": entry.title,
        "date": facts.date,
        "grade": facts.level,
        "key": facts.key_words,
        "tempo": facts.tempo_bpm,
        "instrument": facts.instrument,
        "techniques": len(facts.techniques) or None,
        "positions": max(facts.positions, default=None),
        "chords": len(facts.chords) or None,
        "packs": sum(pack.bytes for pack in entry.packs) or None,
        "state": STATES.index(entry.state),
    }
    # one to a line: a search does not find what begins in one and ends in the next
    data = {"text": "\n".join(filter(None, spoken)), "facets": facets, "sort": sort}
    links = {name: entry.links.get(name, "") for name in LINKS}
    blank = facts == Facts() and not entry.packs  # nothing of it is known but its name
    return {"entry": entry, "blank": blank, "facts": facts, "links": links, "facets": facets, "data": data}


def _options(name: str, rows: Iterable[dict[str, Any]]) -> list[tuple[str, int]]:
    """The values of a facet with how many lessons have each, in the order a reader looks for them."""
    counts = Counter(value for row in rows for value in row["facets"][name])
    if name == "state":
        return [(state, counts[state]) for state in STATES if counts[state]]
    return sorted(counts.items(), key=lambda item: (item[0].casefold(), item[0]))


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, list):
        return _cell("; ".join(str(item) for item in value))
    if isinstance(value, float):
        return f"{value:g}" if value == round(value, 3) and abs(value) < 1e5 else repr(value)
    text = str(value)
    return f"'{text}" if isinstance(value, str) and text.startswith(_FORMULA) else text


def _link(path: str) -> str:
    return quote(path, errors="replace")


def _capital(text: str) -> str:
    """The first letter large, the others as they are: DADGAD stays."""
    return text[:1].upper() + text[1:]
