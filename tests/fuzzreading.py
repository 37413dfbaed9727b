"""Reading one file of doubtful origin, and what must hold of how that ends."""

from __future__ import annotations

import hashlib
import importlib
import resource
import signal
import sys
import traceback
import unicodedata
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from types import FrameType
from typing import Any, Final

from pipeline.errors import Problem, Problems
from pipeline.music.chart import Chart
from pipeline.music.tab import Tab
from pipeline.page.texttab import write_text_tab
from pipeline.read.lesson import Lesson, read_lesson
from pipeline.read.tabfile import read_chart, read_tab
from pipeline.read.texttab import read_text_tab
from tests.fuzzcases import Case, lay_out

READ, REFUSED = "read", "refused"
CRASHED, HUNG, MEMORY, CLAIM, ROUND = "crashed", "hung", "memory", "ill told", "not the same on the way round"
FAULTS: Final = (CRASHED, HUNG, MEMORY, CLAIM, ROUND)
LONGEST_S: Final = 2.0  # of processor time, for one file
DEAF_S: Final = 8.0  # then a process that no exception reaches is ended
# what Python says to programmers is nothing to tell a musician
_INSIDE: Final = (
    "Traceback", "object at 0x", "zip()", "invalid literal", "division or modulo", "NoneType", "index out of", "KeyError", "unpack (",
    "codec can't", "must be str", "unsupported operand", "positional argument", "NaN to", "Fraction(", "<class", "is not in list",
)  # fmt: skip
TEXTS: Final = ("text tab", "chart text", "lesson")


@dataclass(frozen=True, slots=True)
class Outcome:
    """How the reading of a case ended.

    verdict : one of ``READ``, ``REFUSED`` and ``FAULTS``
    what : for faults, what is wrong; the same words for the same fault
    trace : the last frames of a crash or of what hung
    digest : tells whether two readings found and said the same
    seconds : processor time of the first reading
    """

    verdict: str
    what: str = ""
    trace: str = ""
    digest: str = ""
    seconds: float = 0.0

    @property
    def fault(self) -> bool:
        return self.verdict in FAULTS

    @property
    def signature(self) -> str:
        return f"{self.verdict}: {self.what}"


class TooSlow(BaseException):
    """The watchdog's; no ``except Exception`` keeps it."""


class _Ill(Exception):
    """A promise that was not kept."""


def bark(_: int, __: FrameType | None) -> None:
    raise TooSlow


@contextmanager
def watchdog(longest_s: float) -> Iterator[None]:
    """Raise TooSlow after so much processor time of this process, and end it when that does not help."""
    before = signal.signal(signal.SIGPROF, bark)
    signal.setitimer(signal.ITIMER_PROF, longest_s, 0.5)
    signal.setitimer(signal.ITIMER_VIRTUAL, DEAF_S)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.setitimer(signal.ITIMER_VIRTUAL, 0)
        signal.signal(signal.SIGPROF, before)


def has_midi_reader() -> bool:
    try:
        return importlib.util.find_spec("pipeline.read.midi") is not None
    except ModuleNotFoundError:
        return False


def judge(case: Case, folder: Path, *, thorough: bool = True, longest_s: float | None = None) -> Outcome:
    """Read a case's file in a folder of its own, and look at what comes of it.

    thorough : read it twice, too, and write what was read and read that
    """
    longest_s = LONGEST_S if longest_s is None else longest_s
    path = lay_out(folder, case)
    begun = _processor_s()
    seconds = 0.0
    try:
        with watchdog(longest_s):
            found, problems = _read(case.kind, path)
            seconds = _processor_s() - begun
        with watchdog(longest_s):
            _check(case, path, found, problems)
        digest = _digest(found, problems)
        if thorough:
            with watchdog(longest_s):
                again = _read(case.kind, path)
            if _digest(*again) != digest:
                raise _Ill("read twice, it is not the same")
            for tab in found:
                if isinstance(tab, Tab):
                    with watchdog(2 * longest_s):
                        _round(tab)
    except TooSlow:
        trace = traceback.format_exc()
        return Outcome(HUNG, _last_frame(), trace, seconds=_processor_s() - begun)
    except MemoryError:
        return Outcome(MEMORY, _last_frame(), traceback.format_exc()[-3000:])
    except _Ill as wrong:
        return Outcome(CLAIM, str(wrong), "", seconds=seconds)
    except _NotRound as wrong:
        return Outcome(ROUND, str(wrong), wrong.trace, seconds=seconds)
    except Exception as error:  # noqa: BLE001 - any of them is what is looked for
        return Outcome(
            CRASHED, f"{type(error).__name__} in {_last_frame()}", traceback.format_exc(), seconds=seconds
        )
    finally:
        path.unlink(missing_ok=True)
    return Outcome(REFUSED if all(f is None for f in found) else READ, digest=digest, seconds=seconds)


def _processor_s() -> float:
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


def _last_frame() -> str:
    """The innermost place in the project's own code of the exception at hand."""
    frames = [f for f in traceback.extract_tb(sys.exc_info()[2]) if f.name != bark.__name__]
    own = [f for f in frames if "/pipeline/" in f.filename] or frames
    place = own[-1]
    return f"{'/'.join(Path(place.filename).parts[-2:])} {place.name}"


def _read(kind: str, path: Path) -> tuple[tuple[Tab | Chart | Lesson | None, ...], list[Problems]]:
    """What the readers for this kind of file make of it, each with what it told."""
    readers: tuple[Callable[[Path, Problems], Any], ...] = {
        "text tab": (read_tab,),
        "chart text": (read_chart,),
        "MusicXML": (read_tab, read_chart),
        "MusicXML, compressed": (read_tab, read_chart),
        "MIDI": (read_tab,),
        "lesson": (_read_lesson,),
    }[kind]
    told = [Problems() for _ in readers]
    return tuple(read(path, problems) for read, problems in zip(readers, told, strict=True)), told


def _read_lesson(path: Path, problems: Problems) -> Lesson | None:
    return read_lesson(path, problems, recordings=False)


def _check(
    case: Case, path: Path, found: tuple[Tab | Chart | Lesson | None, ...], told: list[Problems]
) -> None:
    lines = _lines(case.data)
    for one, problems in zip(found, told, strict=True):
        if one is None and not problems.errors:
            raise _Ill("refused without a word")
        if one is not None and problems.errors:
            raise _Ill(f"read in spite of an error: {_in_short(problems.errors[0])}")
        for problem in problems:
            _check_problem(case, path, problem, lines)
        if isinstance(one, Tab):
            # made anew it is what its class allows; played, its form leads somewhere
            assert replace(one) == one
            one.form.played  # noqa: B018
            one.sounding  # noqa: B018
        elif isinstance(one, Chart):
            assert replace(one) == one
            one.form.played  # noqa: B018


def _lines(data: bytes) -> list[str]:
    text = data.decode("utf-8", errors="replace").removeprefix("\ufeff")
    text = unicodedata.normalize("NFC", text)
    return text.replace("\r\n", "\n").replace("\r", "\n").split("\n")


def _check_problem(case: Case, path: Path, problem: Problem, lines: list[str]) -> None:
    short = _in_short(problem)
    problem.text().encode()
    if not problem.what.strip():
        raise _Ill("a problem without words")
    if any(sign in problem.text() for sign in _INSIDE):
        raise _Ill(f"not for people: {short}")
    if problem.path is None:
        raise _Ill(f"no file is named: {short}")
    # of a lesson's `key` it is said what its value should be: that is the remedy
    expected = case.kind == "lesson" and problem.what.startswith("`")
    if problem.error and not problem.remedy.strip() and not expected:
        raise _Ill(f"no remedy: {short}")
    if case.kind not in TEXTS or problem.path.name != path.name:
        return
    whole = not case.data.strip() or any(sign in problem.what for sign in ("bytes, at most", "TOML cannot"))
    if problem.error and problem.line is None and not whole:
        raise _Ill(f"no line: {short}")
    # what is missing from a lesson stands in no column
    if problem.error and problem.column is None and not whole and case.kind != "lesson":
        raise _Ill(f"no column: {short}")
    if problem.line is not None and not 1 <= problem.line <= len(lines):
        raise _Ill(f"a line outside of the file: {short}")
    if problem.line is not None and problem.column is not None:
        raw = lines[problem.line - 1]
        # TOML counts before, the others after normalising; an undecodable byte may be several signs
        longest = max(len(raw), len(unicodedata.normalize("NFD", raw)))
        if not 1 <= problem.column <= longest + 1:
            raise _Ill(f"a column outside of the line: {short}")


def _in_short(problem: Problem) -> str:
    """A problem's words without what differs from file to file."""
    quote = ""
    kept: list[str] = []
    for sign in problem.what:
        if quote:
            quote = "" if sign == quote else quote
        elif sign in "'\"“":
            quote = {"“": "”"}.get(sign, sign)
            kept.append("…")
        else:
            kept.append("0" if sign.isdigit() else sign)
    text = "".join(kept)
    while "00" in text:
        text = text.replace("00", "0")
    return text[:70]


class _NotRound(Exception):
    """What was read is not what is read from the text written from it."""

    def __init__(self, what: str, trace: str = "") -> None:
        super().__init__(what)
        self.trace = trace


def _round(tab: Tab) -> None:
    try:
        text = write_text_tab(tab)
    except Exception as error:
        raise _NotRound(
            f"written as text: {type(error).__name__} in {_last_frame()}", traceback.format_exc()
        ) from error
    problems = Problems()
    again = read_text_tab(text, path=Path("written.txt"), problems=problems)
    if again is None:
        told = problems.errors[0]
        raise _NotRound(f"written as text, refused: {_in_short(told)}", f"{told.text()}\n\n{text}")
    if again != tab:
        differ = [name for name in tab.__dataclass_fields__ if getattr(again, name) != getattr(tab, name)]
        pairs = [
            f"{name}:\n  had {_first_other(getattr(tab, name), getattr(again, name))}\n  has "
            f"{_first_other(getattr(again, name), getattr(tab, name))}"
            for name in differ
        ]
        raise _NotRound(f"written as text, other: {', '.join(differ)}", "\n".join([*pairs, "", text]))


def _first_other(mine: Any, yours: Any) -> str:
    if isinstance(mine, tuple) and isinstance(yours, tuple):
        for one, other in zip(mine, yours, strict=False):
            if one != other:
                return repr(one)
        return f"{len(mine)} of them"
    return repr(mine)


def _digest(found: tuple[Any, ...], told: list[Problems]) -> str:
    parts = [repr(one) if not isinstance(one, Lesson) else repr((one.tab, one.chart)) for one in found]
    parts += [problem.text() for problems in told for problem in problems]
    return hashlib.sha256("\n".join(parts).encode("utf-8", errors="surrogatepass")).hexdigest()
