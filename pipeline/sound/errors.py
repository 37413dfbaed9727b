"""What can go wrong in the sound room, told so that the musician can mend it."""

from __future__ import annotations

from pipeline.errors import UnusableError


class SoundError(UnusableError):
    """Sound cannot be made of this."""
