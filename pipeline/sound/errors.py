"""What can go wrong in the sound room, told so that the musician can mend it."""

from __future__ import annotations


class SoundError(ValueError):
    """Sound cannot be made: ``what`` is wrong, and the ``remedy``."""

    def __init__(self, what: str, remedy: str = "") -> None:
        self.what = what
        self.remedy = remedy
        super().__init__(f"{what}: {remedy}" if remedy else what)

    def __reduce__(self) -> tuple[type, tuple[str, str]]:
        return type(self), (self.what, self.remedy)
