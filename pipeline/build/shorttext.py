"""Values as short texts, by which two of them can be told apart and a reader knows them again.

Conventions
-----------
Plain values stand as they read, up to 60 characters; anything else as the first 12 hexadecimal
digits of a digest. Texts of different values differ: a string that could be taken for something
else (a number, a digest, a list) stands in quotes.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
import re
from collections.abc import Sequence
from enum import Enum
from fractions import Fraction
from typing import Final

from pipeline.build.digest import value_digest

LONGEST: Final = 60
DIGITS: Final = 12
# strings that read like a number, a digest, another kind of value, or a list
_CONFUSING: Final = re.compile(
    r"""\s*|[-+]?(\d+(\.\d*)?(e[-+]?\d+)?|inf|nan)(/\d+)?|[0-9a-f]{12}.*|none|yes|no|["\[({].*|\w+\(.*""",
    re.DOTALL,
)


def hashed(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:DIGITS]


def _string(text: str) -> str:
    plain = text.isprintable() and not _CONFUSING.fullmatch(text)
    return text if plain else json.dumps(text, ensure_ascii=False)


def plain_text(value: object) -> str | None:
    """A plain value as it reads, None for any other."""
    match value:
        case None:
            return "none"
        case Enum():
            return None
        case bool():
            return "yes" if value else "no"
        case int() | float():
            return repr(value)
        case Fraction():
            return f"{value.numerator}/{value.denominator}"
        case str():
            return _string(value)
    return None


def _item(value: object) -> str | None:
    text = plain_text(value)
    if isinstance(value, str) and re.search(r'[,()\[\]"]', value):
        return json.dumps(value, ensure_ascii=False)
    return text


def row_of(value: object) -> Sequence[object] | None:
    """The columns of a dataclass or a sequence."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return [getattr(value, f.name) for f in dataclasses.fields(value)]
    return value if isinstance(value, tuple | list) else None


def short_text(value: object) -> str:
    """Any value, short: as it reads when it is plain or a row of plain things, else its digest."""
    text = plain_text(value)
    if text is None and (row := row_of(value)) is not None:
        items = [_item(item) for item in row]
        if None not in items:
            listed = ", ".join(map(str, items))
            text = f"[{listed}]" if isinstance(value, tuple | list) else f"{type(value).__name__}({listed})"
    return text if text is not None and len(text) <= LONGEST else value_digest(value)[:DIGITS]
