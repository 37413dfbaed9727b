"""What can go wrong in hearing a take."""

from __future__ import annotations

from pipeline.errors import UnusableError


class ListenError(UnusableError):
    """The recording cannot be used with this tab."""
