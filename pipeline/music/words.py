"""Words that a musician writes beside the notes, kept in one form."""

from __future__ import annotations

import unicodedata


def tidy(text: str) -> str:
    """On one line, with single spaces, composed letters (NFC), and nothing that steers a terminal."""
    if not text.isprintable():
        unseen = ("Cc", "Cs", "Zl", "Zp")
        text = "".join(c for c in text if c.isspace() or unicodedata.category(c) not in unseen)
    return unicodedata.normalize("NFC", " ".join(text.split()))
