"""Building lessons: which of them stand as they are; planning, making, placing the others.

Lessons go through a window: a few are at work at a time, so that a back catalogue needs no more
memory than a week. The receipts of :mod:`pipeline.build.receipt` tell which lessons need not
go through it at all.
"""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable, Collection, Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import Final

from pipeline.build.crew import USUAL_LIMIT_S, Crew
from pipeline.build.declaring import PRODUCTS
from pipeline.build.editions import parse_keys, parse_tempos
from pipeline.build.lessonrun import Build, LessonRun
from pipeline.build.planning import Asked
from pipeline.build.pools import Pools, open_pools
from pipeline.build.receipt import Receipt
from pipeline.build.report import Reporter, SilentReporter
from pipeline.build.run import Runner
from pipeline.build.store import CAP_BYTES
from pipeline.build.summary import LessonResult, Summary
from pipeline.build.work import open_store
from pipeline.build.workplace import Workplace
from pipeline.errors import MisuseError, Problem, Problems, in_order, nearest
from pipeline.read.weeks import LessonSource, clashes, read_paths, slug_at

_AHEAD: Final = 2  # lessons that are read while as many as there are processes are being made


def build(
    paths: Sequence[Path],
    *,
    out: Path,
    keys: Sequence[str] = (),
    tempos: Sequence[str | float] = (),
    steps: Sequence[str] = (),
    jobs: int | None = None,
    cluster: str | None = None,
    store: str | None = None,
    store_bytes: int = CAP_BYTES,
    limit_s: float | None = None,
    dry: bool = False,
    report: Reporter | None = None,
    pools: Pools | None = None,
    stop: threading.Event | None = None,
    only: Collection[Path] | None = None,
) -> Summary:
    """Build the release set of every lesson behind ``paths`` into ``out/<lesson>/``.

    Parameters
    ----------
    keys, tempos : beside those the lessons ask for (``Am``; ``80%``, ``96 bpm``)
    steps : products to make, with what they need; all when empty
    jobs : processes; None for as many as there are processors
    cluster : address of a Dask scheduler whose workers do the steps
    store : where results are kept, a folder or an address that fsspec knows; None for
        ``out/.store``
    store_bytes : what the store may hold; what was longest unused goes first
    limit_s : when a step that does not end is given up; None for a time that fits it
    dry : make nothing, tell what would be made
    pools : those of a caller that builds again and again; ``jobs`` and ``cluster`` are theirs
    stop : when set, the build ends soon
    only : of the lessons those with these files, as ``paths`` lead to them; the others are left alone

    A lesson that fails leaves its release before as it was, and the others alone.

    Raises
    ------
    MisuseError : paths, keys, tempos or steps that make no sense.
    MissingError : ``out`` or the store cannot be written; the cluster does not answer.
    Stopped : ``stop`` was set.
    """
    begun = time.perf_counter()
    wrong = list(_misuses(out, keys, tempos, steps, jobs, cluster, store, store_bytes, limit_s))
    if wrong:
        raise MisuseError("\nerror: ".join(wrong))
    report = report or SilentReporter()
    problems = Problems()
    sources = read_paths(paths, problems)
    for problem in in_order(problems):
        report.problem("", problem.text())
    if not sources:
        return Summary((), tuple(problems), time.perf_counter() - begun)
    place = Workplace.at(out, store)
    asked = Asked(tuple(keys), tuple(tempos), tuple(dict.fromkeys(steps)))
    if pools is None:
        with open_pools(jobs, cluster) as opened:
            results = _built(sources, place, asked, opened, report, store_bytes, limit_s, dry, stop, only)
    else:
        results = _built(sources, place, asked, pools, report, store_bytes, limit_s, dry, stop, only)
    return Summary(results, tuple(problems), time.perf_counter() - begun)


def _built(
    sources: Sequence[LessonSource],
    place: Workplace,
    asked: Asked,
    pools: Pools,
    report: Reporter,
    store_bytes: int,
    limit_s: float | None,
    dry: bool,
    stop: threading.Event | None,
    only: Collection[Path] | None,
) -> tuple[LessonResult, ...]:
    kept = open_store(place.store, create=True)
    making = place.receipts.making
    making.sweep()
    kept.sweep()
    crew = Crew(pools, stop=stop)
    runner = Runner(crew, kept, place.store, report, limit_s=limit_s, dry=dry)
    upload = place.store if pools.cluster and place.store.far else None
    work = Build(place, asked, report, crew, runner, dry, upload, limit_s or USUAL_LIMIT_S)
    report.begin(len(sources) if only is None else len(only))
    try:
        with kept.in_use():
            for number, (source, clash) in enumerate(zip(sources, clashes(sources), strict=True)):
                if only is not None and source.path not in only:
                    continue
                while work.at_work >= pools.away().jobs + _AHEAD:
                    crew.turn()
                _take_up(work, number, source, clash)
            while not crew.idle:
                crew.turn()
            if work.wrote:
                used = place.receipts.last_use() | dict.fromkeys(work.made_keys, math.inf)
                kept.prune(used, cap_bytes=store_bytes)
    except BaseException:
        crew.abandon()  # the pools may be the caller's, and go on
        raise
    finally:
        report.end()
        making.sweep()
        kept.sweep()
    return tuple(work.results[number] for number in sorted(work.results))


def _take_up(work: Build, number: int, source: LessonSource, clash: Problem | None) -> None:
    """Let a lesson stand as it is, refuse it, or send it on its way."""
    slug = slug_at(source)
    name = slug or source.path.parent.name or source.path.parent.resolve().name or source.path.stem
    receipt = work.place.receipts.find(slug) if slug else None
    if clash is None and receipt is not None:
        clash = _of_another_lesson(work.place.out / receipt.slug, source, receipt)
    if clash is not None:
        work.report.problem(name, clash.text())
        work.results[number] = LessonResult(name, None, (clash,))
        work.report.lesson_failed(name)
        return
    if slug and receipt is not None and work.stands(number, slug, source, receipt):
        return
    LessonRun(work, number, source, name, receipt)


def _of_another_lesson(folder: Path, source: LessonSource, receipt: Receipt) -> Problem | None:
    """The error that the place holds another lesson's release, which is still that lesson's."""
    other = Path(receipt.lesson)
    try:
        if other.resolve() == source.path.resolve() or not other.is_file():
            return None
    except OSError:
        return None  # as good as gone
    if slug_at(LessonSource(other)) != receipt.slug:
        return None
    return Problem(
        f"{folder} holds the release of another lesson of that name, {other}",
        'Give one of them another name: slug = "...", or build this one into another folder with --out.',
        source.path,
    )


def _misuses(
    out: Path,
    keys: Sequence[str],
    tempos: Sequence[str | float],
    steps: Sequence[str],
    jobs: int | None,
    cluster: str | None,
    store: str | None,
    store_bytes: int,
    limit_s: float | None,
) -> Iterator[str]:
    """What makes no sense in the options, all of it."""
    if jobs is not None and jobs < 1:
        yield f"--jobs {jobs}: at least one process is needed"
    if out.exists() and not out.is_dir():
        yield f"--out {out}: this is a file, not a folder"
    readings: list[Callable[[], object]] = [partial(parse_keys, [key]) for key in keys]
    readings += [partial(parse_tempos, [tempo]) for tempo in tempos]
    for reading in readings:
        try:
            reading()
        except MisuseError as error:
            yield str(error)
    for name in steps:
        if name not in PRODUCTS:
            near = nearest(name, PRODUCTS)
            hint = f"Did you mean {near}? " if near else ""
            yield f"--step {name}: no such step\n  {hint}There are {', '.join(PRODUCTS)}."
    if cluster is not None and not cluster.strip():
        yield "--cluster: the address is empty\n  Give one such as tcp://host:8786, or leave it out."
    if store is not None and not store.strip():
        yield "--store: the place is empty\n  Give a folder, or an address such as s3://bucket/lessons."
    if store and "://" not in store and Path(store).exists() and not Path(store).is_dir():
        yield f"--store {store}: this is a file, not a folder"
    if not (math.isfinite(store_bytes) and store_bytes > 0):
        yield "--store-size: it must be more than nothing"
    if limit_s is not None and not (math.isfinite(limit_s) and limit_s > 0):
        yield "--limit: it must be more than nothing"
