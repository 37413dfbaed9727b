"""The one family of errors that musical values raise."""

from __future__ import annotations


class MusicError(ValueError):
    """A musical value that cannot be: a sixth string on a ukulele, a bar of 5/0."""


class SpellingError(MusicError):
    """A pitch, key or chord name that cannot be read.

    Attributes
    ----------
    text : what was written
    column : 0-based place in ``text`` where reading stopped
    suggestion : the nearest readable name, or None
    """

    def __init__(self, message: str, *, text: str, column: int = 0, suggestion: str | None = None) -> None:
        super().__init__(message)
        self.text = text
        self.column = column
        self.suggestion = suggestion
