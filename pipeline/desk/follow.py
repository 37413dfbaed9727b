"""Following the creator: at every save the lessons are built again, and open pages renew themselves.

A round begins with a save and ends when all is built, or when the next save stops it; steps
that were finished by then are kept. What can be seen soon is built first. Errors leave the
release before in place; they are told in the terminal and on the page.
"""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Final

from pipeline.build.crew import Stopped
from pipeline.build.pools import Pools, open_pools
from pipeline.build.report import Reporter, SilentReporter, choose_reporter
from pipeline.build.summary import Summary
from pipeline.build.week import build
from pipeline.build.work import said_of
from pipeline.config.models import slug_of
from pipeline.desk.find import overview_from, title_of
from pipeline.desk.news import News, Standing, release_version
from pipeline.desk.overview import Overview
from pipeline.desk.serve import CLOSED, announce, open_desk
from pipeline.desk.watch import Watch, Watched, watched_for
from pipeline.errors import LessonwrightError, MisuseError, Problem, Problems
from pipeline.read.weeks import find_lessons, slug_at

SOON: Final = ("page", "texttab", "words")  # quickly made, and what is looked at while writing
_MOST_SOON: Final = 12  # lessons
_NAMED: Final = 4  # in a line of the terminal
_BREATH_S: Final = 0.5


def follow(
    paths: Sequence[Path], *, out: Path, steps: Sequence[str] = (), port: int = 0, open_browser: bool = True,
    store: str | None = None, looks: bool = False,
) -> None:  # fmt: skip
    """Build, show, and do so again at every save, until interrupted.

    The first line on stdout is the address to open.

    Parameters
    ----------
    out, steps, store : as for :func:`pipeline.build.week.build`
    looks : look for saves again and again instead of having the system tell them

    Raises
    ------
    MisuseError : paths, steps or the port make no sense.
    MissingError : the port is taken; ``out`` or the store cannot be written.
    """
    # what makes no sense is told before there is anything to open
    build(paths, out=out, steps=tuple(steps), store=store, only=())
    following = _Following(paths, out, tuple(steps), store, looks=looks)
    desk = open_desk(following.overview, port=port, news=following.news)
    served = threading.Thread(target=desk.serve_forever, kwargs={"poll_interval": 0.1}, daemon=True)
    served.start()
    following.show = lambda overview: setattr(desk, "shown", overview)
    try:
        following.look()
        announce(desk, open_browser=open_browser)
        with open_pools(None, None) as pools:
            following.run(pools)
    except KeyboardInterrupt:
        sys.stderr.write(CLOSED)
    finally:
        following.close()
        desk.shutdown()
        served.join()
        desk.server_close()


class _Following:
    """Round after round."""

    def __init__(
        self, paths: Sequence[Path], out: Path, steps: tuple[str, ...], store: str | None, *, looks: bool
    ) -> None:
        self.paths, self.out, self.steps, self.store = paths, out, steps, store
        self.news = News()
        self.overview = Overview("", ())
        self.show: Callable[[Overview], None] = lambda overview: None
        self._watch = Watch(self._saved, _say, looks=looks)
        self._watched = Watched(frozenset())
        self._addresses: dict[Path, str] = {}  # of lessons by their files
        self._unread: dict[
            str, str
        ] = {}  # the addresses of lessons that cannot be read, by their folders' names
        self._listing_errors: tuple[str, ...] = ()
        self._lock = threading.Lock()
        self._names: set[str] = set()  # saved since the round began
        self._waiting = threading.Event()  # something was saved since the round began
        self._told: set[str] = set()  # in this round

    def close(self) -> None:
        self._watch.close()
        self.news.close()

    def run(self, pools: Pools) -> None:
        """The first round, and one more at each save; ends by an interrupt only."""
        first, left = True, frozenset[str]()
        while True:
            with self._lock:
                self._waiting.clear()
                names, self._names = left | self._names, set()
            self._told = set()
            if self._round(pools, names, first=first):
                first, left = False, frozenset()
            else:
                left = names  # nothing came of them yet
            while not self._waiting.wait(_BREATH_S):
                pass

    def _saved(self, paths: frozenset[str]) -> None:
        with self._lock:
            self._names |= paths
            self._waiting.set()

    # -- what there is ----------------------------------------------------------------------

    def look(self) -> None:
        """Find the lessons and what they are made of, watch that, and list them on the page.

        Raises
        ------
        MisuseError : a path is not there, or is none.
        """
        problems = Problems()
        try:
            found = find_lessons(self.paths, problems)
            self._watched = watched_for(self.paths, found)
            while self._watch.attend(self._watched):  # until nothing was saved before it was watched
                found = find_lessons(self.paths, problems := Problems())
                self._watched = watched_for(self.paths, found)
        except MisuseError:
            self._watch.attend(self._watched)  # a folder that comes again is another folder
            raise
        # a lesson that cannot be read just now stays where it was
        slugs = {source.path: slug_at(source) for source in found.sources}
        folders = {path: path.parent.name or path.parent.resolve().name for path in slugs}
        before = self._addresses
        self._addresses = {
            path: slug or before.get(path) or slug_of(folders[path]) for path, slug in slugs.items()
        }
        self._unread = {folders[path]: self._addresses[path] for path, slug in slugs.items() if slug is None}
        self.overview = overview_from(
            found.sources, problems, [self.out], title=title_of(self.paths[0]), typed=False,
            addresses=self._addresses,
        )  # fmt: skip
        self.show(self.overview)
        self.news.list_lessons(
            {one.address: release_version(self.out / one.address) for one in self.overview.entries}
        )

    # -- a round ----------------------------------------------------------------------------

    def _round(self, pools: Pools, names: frozenset[str], *, first: bool) -> bool:
        """Whether it came to its end."""
        begun = time.monotonic()
        wrong: tuple[str, ...] = ()
        try:
            concerned = self._concerned(names) if names else None
            concerned = None if first else concerned  # the first round builds all, also when begun again
            self.news.begin(None if concerned is None else {self._addresses[one] for one in concerned})
            told = self._built(pools, concerned, begun, first=first)
        except Stopped:
            self._line(names, "stopped, since something was saved again")
            return False
        except (LessonwrightError, OSError) as error:
            if first:
                raise
            said = str(error) if isinstance(error, LessonwrightError) else said_of(error)
            _say(f"error: {said}")
            wrong, told = (said.splitlines()[0],), "nothing was built"
        self._line(names, told)
        self.news.end((*self._listing_errors, *wrong))
        return True

    def _concerned(self, names: frozenset[str]) -> frozenset[Path] | None:
        """The lessons to build, None for all: those that were concerned, or are now."""
        before = self._watched.lessons_of(names)
        if before is not None and all(
            Path(one).suffix.lower() != ".toml" and Path(one).is_file() for one in names
        ):
            return before  # what lessons there are, and of which files, does not hang on it
        self.look()
        now = self._watched.lessons_of(names)
        return None if before is None or now is None else (before | now) & self._addresses.keys()

    def _built(self, pools: Pools, concerned: frozenset[Path] | None, begun: float, *, first: bool) -> str:
        """Build what can be seen soon, then all; how that went, in words."""
        made: dict[str, dict[str, None]] = {}
        soon_s = 0.0
        summary = Summary(())
        for products in (SOON, ()) if not self.steps else (self.steps,):
            last = products is not SOON
            only = concerned if last or concerned is not None else self._unseen()
            if not last and len(self._addresses if only is None else only) > _MOST_SOON:
                continue  # reading so many twice costs more than it gains
            if only is not None and not only:
                continue
            inner = choose_reporter() if first and last and sys.stderr.isatty() else None
            summary = build(
                self.paths, out=self.out, steps=products, store=self.store, pools=pools, stop=self._waiting,
                only=only, report=_Teller(self.news, self._told, inner, last=last),
            )  # fmt: skip
            self._tell_pages(summary, last=last)
            for lesson in summary.lessons:
                products_made = {step.product: None for step in lesson.steps if step.state == "made"}
                made.setdefault(lesson.name, {}).update(products_made)
            if not last and any(made.values()):
                soon_s = time.monotonic() - begun
        return _in_words(summary, made, soon_s, time.monotonic() - begun)

    def _unseen(self) -> frozenset[Path]:
        """The lessons of which nothing is built yet."""
        there = {one.address for one in self.overview.entries if one.folder is not None}
        return frozenset(path for path, address in self._addresses.items() if address not in there)

    def _tell_pages(self, summary: Summary, *, last: bool) -> None:
        self._listing_errors = tuple(_short(problem, None) for problem in summary.problems if problem.error)
        homes = {address: path.parent for path, address in self._addresses.items()}
        for lesson in summary.lessons:
            address = self._unread.get(lesson.name, lesson.name)
            # with nothing new in it, the release of what can be seen soon is no reason to load a page again
            seen = last or lesson.made > 0
            version = release_version(self.out / address) if seen else self.news.version(address)
            wrong = [_short(problem, homes.get(address)) for problem in lesson.source_errors]
            wrong += [f"failed: {line}" for line in lesson.failure.splitlines()]
            self.news.lesson(address, Standing(version, not last, tuple(dict.fromkeys(wrong))))

    def _line(self, names: frozenset[str], told: str) -> None:
        """One line for the round."""
        shown = sorted({self._said(name) for name in names})
        saved = f"{_listed(shown)}: " if shown else ""
        _say(f"{time.strftime('%H:%M:%S')}  {saved}{told}")

    def _said(self, name: str) -> str:
        """A file as the user knows it: from the folder that was named, or that the named file is in."""
        for path in self.paths:
            home = path if path.is_dir() else path.parent
            for place in (home.absolute(), home.resolve()):
                if Path(name).is_relative_to(place):
                    return str(Path(name).relative_to(place))
        return "/".join(Path(name).parts[-2:])


class _Teller(SilentReporter):
    """Tells problems once a round, and pages as soon as their lesson is done.

    inner : told everything too, when there is one
    last : whether nothing of the lesson is built after this
    """

    def __init__(self, news: News, told: set[str], inner: Reporter | None, *, last: bool) -> None:
        self._news, self._told, self._last = news, told, last
        self._inner = inner or SilentReporter()
        self._say = inner.problem if inner is not None else lambda lesson, text: _say(text)

    def begin(self, lessons: int) -> None:
        self._inner.begin(lessons)

    def lesson_begun(self, lesson: str, steps: Mapping[str, float]) -> None:
        self._inner.lesson_begun(lesson, steps)

    def started(self, lesson: str, step: str) -> None:
        self._inner.started(lesson, step)

    def finished(self, lesson: str, step: str, *, seconds: float, reused: bool) -> None:
        self._inner.finished(lesson, step, seconds=seconds, reused=reused)

    def failed(self, lesson: str, step: str, message: str) -> None:
        self.problem(lesson, f"{lesson}: {step}: {message}")

    def problem(self, lesson: str, text: str) -> None:
        if text not in self._told:
            self._told.add(text)
            self._say(lesson, text)

    def lesson_done(
        self, lesson: str, folder: str, *, seconds: float, made: int = 1, reused: int = 0
    ) -> None:
        self._inner.lesson_done(lesson, folder, seconds=seconds, made=made, reused=reused)
        if self._last or made:
            self._news.lesson(lesson, Standing(release_version(Path(folder)), busy=not self._last))

    def lesson_failed(self, lesson: str) -> None:
        self._inner.lesson_failed(lesson)

    def end(self) -> None:
        self._inner.end()


def _short(problem: Problem, home: Path | None) -> str:
    """``error at tab.txt:12:5: what``."""
    place = problem.place()
    if home is not None and problem.path is not None and problem.path.is_relative_to(home):
        place = place[len(str(problem.path)) - len(str(problem.path.relative_to(home))) :]
    return f"error at {place}: {problem.what}" if place else f"error: {problem.what}"


def _in_words(summary: Summary, made: Mapping[str, Mapping[str, None]], soon_s: float, all_s: float) -> str:
    done = [f"{name} ({_listed(list(products))})" for name, products in made.items() if products]
    failed = [lesson.name for lesson in summary.lessons if not lesson.ok]
    parts = [f"made {_listed(done, 'lesson')}"] if done else []
    if failed:
        parts.append(f"not built: {_listed(failed, 'lesson')}")
    if any(problem.error for problem in summary.problems):
        parts.append("some of what is listed was left out")
    if not parts:
        parts.append("nothing had to be made")
    soon = f", the pages after {soon_s:.1f} s" if soon_s and soon_s < 0.9 * all_s else ""
    return f"{'; '.join(parts)} in {all_s:.1f} s{soon}"


def _listed(names: Sequence[str], noun: str = "") -> str:
    more = len(names) - _NAMED
    noun = f" {noun}{'s' if more > 1 else ''}" if noun else ""
    return ", ".join(names[:_NAMED]) + (f" and {more} more{noun}" if more > 0 else "")


def _say(text: str) -> None:
    sys.stderr.write(text + "\n")
    sys.stderr.flush()
