"""Words that a musician writes beside the notes, kept in one form."""

from __future__ import annotations

import unicodedata


def tidy(text: str) -> str:
    """On one line, with single spaces, composed letters (NFC), and nothing that steers a terminal."""
    text = unicodedata.normalize("NFC", " ".join(text.split()))
    if text.isprintable():
        return text
    return " ".join(
        "".join(c for c in text if unicodedata.category(c) not in ("Cc", "Cs", "Zl", "Zp")).split()
    )
