"""What can go wrong in hearing a take."""

from __future__ import annotations

from pipeline.errors import LessonwrightError


class ListenError(LessonwrightError, ValueError):
    """The recording cannot be used with this tab.

    Attributes
    ----------
    what : what is wrong, with what was got and what was expected
    remedy : what to do
    """

    exit_code = 1

    def __init__(self, what: str, remedy: str = "") -> None:
        self.what = what
        self.remedy = remedy
        super().__init__(f"{what}\n  {remedy}" if remedy else what)

    def __reduce__(self) -> tuple[type, tuple[str, str]]:
        return ListenError, (self.what, self.remedy)
