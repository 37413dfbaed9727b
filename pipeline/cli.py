"""The front door: commands, and the one place where failures become messages and exit codes.

Results go to stdout, everything else to stderr; with ``--json`` stdout holds one JSON
document and nothing else. Exit codes: 0 fine, 1 the sources have errors, 2 the command was
misused, 3 something in the environment is missing or a step failed, 130 interrupted.

Rooms are imported by the commands that need them, so that help answers at once.
"""

from __future__ import annotations

import errno
import json
import math
import sys
import tempfile
import traceback
from collections.abc import Iterable
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from pipeline import __version__
from pipeline.command import command
from pipeline.errors import (
    LEVELS,
    LessonwrightError,
    Level,
    MisuseError,
    Problem,
    Problems,
    SourceError,
    in_order,
)

if TYPE_CHECKING:
    from pipeline.build.summary import Summary
    from pipeline.music.tab import Tab
    from pipeline.read.lesson import Lesson, ReadLesson
    from pipeline.read.proof_file import ReadFile

# typer brings the parser's exceptions under names of its own that change between versions
_UsageError: Final[Any] = typer.BadParameter.__mro__[1]
_ParserError: Final[Any] = typer.BadParameter.__mro__[2]

app = typer.Typer(
    name="lessonwright",
    help="From a tab, a chord chart and a recorded take to everything you publish with a lesson.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)

Paths = Annotated[
    list[Path],
    typer.Argument(metavar="PATH", help="Lessons, week files, or folders of lessons.", show_default=False),
]
CheckPaths = Annotated[
    list[Path],
    typer.Argument(
        metavar="PATH",
        help="Lessons, week files, folders of lessons; or a tab, a chart, a score, a MIDI file by itself.",
        show_default=False,
    ),
]
LessonPath = Annotated[
    Path, typer.Argument(metavar="LESSON", help="A lesson's folder or file.", show_default=False)
]
Out = Annotated[Path, typer.Option("--out", metavar="DIR", help="Where the release sets go.")]
Steps = Annotated[
    list[str] | None,
    typer.Option("--step", metavar="NAME", help="Only this product and what it needs; repeat for several."),
]
Store = Annotated[
    str | None,
    typer.Option(
        "--store",
        metavar="PLACE",
        help="Keep results here: a folder, or an address such as s3://bucket/lessons.",
    ),
]
Port = Annotated[int, typer.Option("--port", metavar="N", help="Port to serve at; 0 takes a free one.")]
OpenBrowser = Annotated[bool, typer.Option("--open/--no-open", help="Open the page in the browser.")]
Json = Annotated[bool, typer.Option("--json", help="Print one JSON document instead of text.")]


class ChordNames(StrEnum):
    """How chords are written."""

    NAMES = "names"
    ROMAN = "roman"
    NUMBERS = "numbers"


_PLACE_ERRORS: Final = {
    errno.ENOSPC: "there is no space left on the disk\n  Free some and run the command again.",
    errno.EDQUOT: "your share of the disk is used up\n  Free some and run the command again.",
    errno.EACCES: "permission denied\n  Choose a folder you may write in, or change its permissions.",
    errno.EPERM: "permission denied\n  Choose a folder you may write in, or change its permissions.",
    errno.EROFS: "the disk can only be read\n  Choose a folder on another one.",
}

_INTERRUPTED: Final = 130  # 128 + SIGINT: common practice of shells
_STOPPED: Final = "Stopped. What was finished is kept."


def _version(asked: bool) -> None:
    if asked:
        _say(f"lessonwright {__version__}")
        raise typer.Exit


@app.callback()
def _root(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    pass


@app.command()
def new(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="The folder to make.", show_default=False)],
) -> None:
    """Make a lesson folder with commented files that already build."""
    from pipeline.config.starter import write_starter

    for path in write_starter(folder):
        _say(str(path))
    _tell(f"Now try: {command('build', folder)}")


@app.command()
def check(
    paths: CheckPaths,
    remarks: Annotated[
        bool, typer.Option("--remarks/--no-remarks", help="Also what is right but worth a look.")
    ] = True,
    as_json: Json = False,
) -> None:
    """Read everything and proofread it; report errors, cautions and remarks; build nothing."""
    from pipeline.read.lesson import read_lessons
    from pipeline.read.proof_file import is_music, proofread_file

    files = [proofread_file(path) for path in dict.fromkeys(paths) if is_music(path)]
    others = [path for path in paths if not is_music(path)]
    lessons, week = read_lessons(others, proof=True) if others or not files else ((), Problems())
    for read in lessons:
        _plan(read)
    levels = LEVELS if remarks else LEVELS[:-1]
    own = [*(read.problems for read in lessons), *(file.problems for file in files)]
    every = [*week, *(problem for problems in own for problem in problems)]
    counts = {f"{level}s": sum(p.level == level for p in every) for level in levels}
    if as_json:
        rows = [
            {
                "path": str(read.source.path),
                "lesson": read.lesson.slug if read.lesson else None,
                "title": read.lesson.config.title if read.lesson else None,
                "facts": _facts(read.lesson) if read.lesson else None,
                "problems": [_problem_json(p) for p in in_order(read.problems) if p.level in levels],
            }
            for read in lessons
        ] + [
            {
                "path": str(file.path),
                "lesson": None,
                "title": file.title or None,
                "facts": _file_facts(file),
                "problems": [_problem_json(p) for p in in_order(file.problems) if p.level in levels],
            }
            for file in files
        ]
        of_week = [_problem_json(p) for p in in_order(week) if p.level in levels]
        _say_json({"lessons": rows, "problems": of_week, **counts})
    else:
        _tell_by_level([week, *own], levels)
        for read in lessons:
            if read.lesson is None or read.problems.errors:
                _say(f"{read.source.path}: {_noted(read.problems, levels)}, cannot be built")
            else:
                noted = _noted(read.problems, levels)
                found = f" ({noted})" if noted else ""
                _say(f"{read.lesson.slug}: {_in_words(_facts(read.lesson))}: can be built{found}")
        for file in files:
            facts, noted = _file_facts(file), _noted(file.problems, levels)
            held = "" if facts is None or file.problems.errors else _in_words(facts)
            _say(f"{file.path}: {held}{f' ({noted})' if held and noted else noted or ''}")
    raise typer.Exit(SourceError.exit_code if counts["errors"] else 0)


def _tell_by_level(lessons: Iterable[Problems], levels: Iterable[Level]) -> None:
    """Lesson by lesson all errors, then all cautions, then all remarks, with a line between; what
    lessons share (their channel) once."""
    told: set[Problem] = set()
    started = False
    for problems in lessons:
        for level in levels:
            new = [problem for problem in in_order(problems.of(level)) if problem not in told]
            if new and started:
                _tell("")
            _tell_problems(new)
            told.update(new)
            started = started or bool(new)


def _noted(problems: Problems, levels: Iterable[Level]) -> str:
    """``1 error, 2 cautions, 3 remarks``, none of those that are not there."""
    found = ((level, len(set(problems.of(level)))) for level in levels)
    return ", ".join(_count(count, level) for level, count in found if count)


@app.command()
def build(
    paths: Paths,
    out: Out = Path("out"),
    keys: Annotated[
        list[str] | None,
        typer.Option("--key", metavar="KEY", help='Backing tracks also in this key, such as Am or "E dorian"; repeat for several.'),
    ] = None,
    tempos: Annotated[
        list[str] | None,
        typer.Option("--tempo", metavar="BPM|PCT%", help="Backing tracks also at this tempo: 96, or 80% of the lesson's; repeat for several."),
    ] = None,
    steps: Steps = None,
    jobs: Annotated[
        int | None, typer.Option("--jobs", metavar="N", min=1, help="Steps at a time; else one per processor.")
    ] = None,
    cluster: Annotated[
        str | None, typer.Option("--cluster", metavar="ADDRESS", help="Build on the Dask cluster at this address.")
    ] = None,
    store: Store = None,
    store_gb: Annotated[
        float, typer.Option("--store-size", metavar="GB", help="What the store may hold; the longest unused goes first.")
    ] = 20.0,
    limit: Annotated[
        float | None, typer.Option("--limit", metavar="MINUTES", help="Give a step up that takes longer; else a time that fits it."),
    ] = None,
    explain: Annotated[bool, typer.Option("--explain", help="Say for each step why it was made or reused.")] = False,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Make nothing; say what would be made, and why.")] = False,
    graph: Annotated[
        Path | None, typer.Option("--graph", metavar="FILE.svg", help="Draw the steps and what they need.")
    ] = None,
    as_json: Json = False,
) -> None:  # fmt: skip
    """Build the release set of each lesson."""
    from pipeline.build.report import choose_reporter
    from pipeline.build.week import build as build_week

    if graph is not None:
        _refuse_to_draw_over(graph)
    store_bytes = store_gb * 1e9
    summary = build_week(
        paths,
        out=out,
        keys=tuple(keys or ()),
        tempos=tuple(tempos or ()),
        steps=tuple(steps or ()),
        jobs=jobs,
        cluster=cluster,
        store=store,
        store_bytes=round(store_bytes) if math.isfinite(store_bytes) else 0,
        limit_s=None if limit is None else limit * 60.0,
        dry=dry_run,
        report=choose_reporter(dry=dry_run),
    )
    if as_json:
        _say_json(summary.to_json())
    elif summary.lessons:
        _say(summary.text(explain=explain))
    if graph is not None:
        _draw(summary, graph)
    raise typer.Exit(summary.exit_code)


def _refuse_to_draw_over(path: Path) -> None:
    """Raise MisuseError unless a picture can be written there, in place of nothing or of one
    that was drawn here before: a slip of the hand must not cost anybody a tab, or a logo."""
    if path.suffix.lower() != ".svg":
        raise MisuseError(f"--graph {path}: the picture is an SVG file\n  Give it a name that ends in .svg.")
    if not path.exists():
        return
    from pipeline.build.graphpicture import TITLE

    if path.is_dir():
        raise MisuseError(f"--graph {path}: this is a folder\n  Give the name of a file.")
    with path.open("rb") as file:
        beginning = file.read(2000)
    if TITLE.lower().encode() not in beginning.lower():
        raise MisuseError(
            f"--graph {path}: this file is there already, and was not drawn by lessonwright\n"
            "  Give another name, or delete it first."
        )


def _draw(summary: Summary, path: Path) -> None:
    """The steps of a build as a picture."""
    from pipeline.build.graphpicture import DrawnStep, LessonGraph, draw_graph, released
    from pipeline.wholefile import write_whole

    lessons = [
        LessonGraph(
            lesson.title or lesson.name,
            tuple(
                DrawnStep(step.name, step.product, step.needs, step.state,
                          step.weight if step.state == "would be made" else step.seconds,
                          "; ".join(step.why), step.sources, released(step.product))
                for step in lesson.steps
            ),
        )
        for lesson in summary.lessons
        if lesson.steps
    ]  # fmt: skip
    write_whole(path, draw_graph(lessons).encode("utf-8"))
    _tell(f"The steps are drawn in {path}")


@app.command()
def catalogue(
    paths: Annotated[
        list[Path] | None,
        typer.Argument(
            metavar="[PATH]...",
            help="Lessons, weeks or folders that belong in it too, built or not.",
            show_default=False,
        ),
    ] = None,
    out: Annotated[
        Path, typer.Option("--out", metavar="DIR", help="Where the release sets are, and the catalogue goes.")
    ] = Path("out"),
    as_json: Json = False,
) -> None:
    """Index every lesson: a page to search, a table, a document."""
    from pipeline.build.catalogue import write_catalogue

    found = write_catalogue(paths or (), out=out)
    _tell_problems([*found.problems, *(problem for entry in found.entries for problem in entry.problems)])
    if as_json:
        _say_json(found.to_json())
    else:
        _say(found.text())
    raise typer.Exit(found.exit_code)


@app.command()
def convert(
    source: Annotated[
        Path,
        typer.Argument(metavar="SOURCE", help="A tab, a chart, a score, a MIDI file, or a lesson.", show_default=False),
    ],
    target: Annotated[
        Path,
        typer.Argument(metavar="TARGET", help="The file to write; its ending says what: .txt or .tab, .chart, .musicxml, .mxl, .mid.", show_default=False),
    ],
    part: Annotated[
        str | None, typer.Option("--part", metavar="NAME", help="Which part of a score, or track of a MIDI file.")
    ] = None,
    instrument: Annotated[
        str | None, typer.Option("--instrument", metavar="NAME", help="What to lay notes on that state no strings.")
    ] = None,
    chords: Annotated[
        ChordNames, typer.Option("--chords", help="How the chords of a chart are written.")
    ] = ChordNames.NAMES,
    key: Annotated[
        str | None, typer.Option("--key", metavar="KEY", help="The key to write a chart in.")
    ] = None,
    replace: Annotated[bool, typer.Option("--replace", help="Write over a file that is there.")] = False,
    as_json: Json = False,
) -> None:  # fmt: skip
    """Write a tab or a chart in another form: text, MusicXML or MIDI."""
    from pipeline.build.convert import convert as convert_file

    problems = Problems()
    written = convert_file(
        source,
        target,
        problems,
        part=part,
        instrument=instrument,
        chords=chords.value,
        key=key,
        replace_it=replace,
    )
    _tell_problems(problems)
    for lost in written.lost:
        _tell(f"not in the {written.kind}: {lost}")
    if as_json:
        _say_json({**written.to_json(), "problems": [_problem_json(p) for p in in_order(problems)]})
    else:
        notes = "" if written.kind == "chart" else f", {_count(written.notes, 'note')}"
        _say(f"{written.path}: {_count(written.bars, 'bar')}{notes}")


@app.command()
def listen(path: LessonPath, as_json: Json = False) -> None:
    """Say where the take is, bar by bar and note by note."""
    from pipeline.build.declare_sound import as_it_swings
    from pipeline.build.make_take import AlignParams, align
    from pipeline.build.step import Given
    from pipeline.listen.alignment import Alignment

    lesson = _read(path)
    if lesson.take is None:
        raise SourceError(
            [Problem("the lesson has no take", 'Add take = "..." to it.', path=lesson.config.path)]
        )
    tab = as_it_swings(lesson).tab
    with tempfile.TemporaryDirectory() as folder:
        params = AlignParams(tab, lesson.config.start_s, lesson.config.end_s)
        result = align(params, Given(Path(folder), {"take": lesson.take.path}, {}))
    heard = Alignment.from_json(result.facts)
    for caution in result.notes:
        _tell(f"caution: {caution}")
    if as_json:
        _say_json(heard.to_json())
        return
    _say(f"The piece starts at {heard.lead_in_s:.2f} s and ends at {heard.end_s:.2f} s.")
    cents, pitch = round(heard.tuning_cents), f"A = {lesson.tab.a4_hz:g} Hz"
    off = f"{abs(cents)} cents {'above' if cents > 0 else 'below'} {pitch}" if cents else f"to {pitch}"
    _say(f"The instrument is tuned {off}.")
    _say("")
    _say("bar     starts at   quarters a minute   sure   notes heard")
    lengths = {bar.ordinal: bar.bar.length for bar in lesson.tab.form.played.bars}
    starts = {bar.ordinal: bar.start for bar in lesson.tab.form.played.bars}
    for bar in heard.bars:
        there = [note for note in heard.notes if note.bar == bar.bar]
        played = sum(note.status == "played" for note in there)
        end_s = heard.time_map.seconds_at(starts[bar.bar] + lengths[bar.bar])
        tempo = 60.0 * float(lengths[bar.bar]) / (end_s - heard.time_map.seconds_at(starts[bar.bar]))
        _say(
            f"{bar.bar:>3} {bar.seconds:>11.2f} s {tempo:>19.1f} {bar.confidence * 100:>5.0f} %"
            f"   {played} of {len(there)}"
        )


@app.command()
def study(path: LessonPath, as_json: Json = False) -> None:
    """Say what the notes say: the key, the chords under them, where the hand is."""
    from pipeline.study.report import study_report

    lesson = _read(path)
    report = study_report(lesson.tab, lesson.spans)
    if as_json:
        _say_json(report)
        return
    guess = report["key_by_notes"]
    _say(f"Key: {report['key']}; by the notes {guess['key']} (fit {guess['fit']:.2f}).")
    if report["techniques"]:
        _say(f"The hands meet: {', '.join(report['techniques'])}.")
    _say("\nbar   chords (share of the lead on their notes)")
    for bar in report["bars"]:
        shares = ((item["chord"], item["lead_on_chord_tones"]) for item in bar["charted"])
        chords = "   ".join(name if s is None else f"{name} {s * 100:.0f} %" for name, s in shares)
        _say(f"{bar['bar']:>3}   {chords}")
    for phrase in report["phrases"]:
        (first, last), (low, high) = phrase["bars"], phrase["frets"]
        hand = f"frets {low} to {high}" if high else "open strings"
        if high and phrase["open_strings"]:
            hand += " and open strings"
        _say(f"\n{phrase['name']} (bars {first}-{last}): {hand}")


@app.command()
def review(
    path: Annotated[
        Path,
        typer.Argument(
            metavar="PATH", help="A lesson, a week file, or the folder it was built into.", show_default=False
        ),
    ],
    port: Port = 0,
    open_browser: OpenBrowser = True,
) -> None:
    """Show the release set as a page in the browser, until interrupted."""
    from pipeline.desk.find import what_to_show
    from pipeline.desk.serve import serve

    serve(what_to_show(path), port=port, open_browser=open_browser)


@app.command()
def follow(
    paths: Paths,
    out: Out = Path("out"),
    steps: Steps = None,
    store: Store = None,
    port: Port = 0,
    open_browser: OpenBrowser = True,
    look: Annotated[
        bool, typer.Option("--look", help="Look for saves twice a second: for disks of other machines, which do not tell of them.")
    ] = False,
) -> None:  # fmt: skip
    """Build again at every save, and show it in the browser, until interrupted."""
    from pipeline.desk.follow import follow as follow_saves

    follow_saves(
        paths,
        out=out,
        steps=tuple(steps or ()),
        store=store,
        port=port,
        open_browser=open_browser,
        looks=look,
    )


def _plan(read: ReadLesson) -> None:
    """Add to a lesson's problems what only planning its build shows: grooves, tempos, the look."""
    from pipeline.build.lesson_steps import plan_lesson

    if read.lesson is None:
        return
    path = read.lesson.config.path
    try:
        cautions = plan_lesson(read.lesson).cautions
    except SourceError as error:
        read.problems.found.extend(error.problems)
    except MisuseError as error:
        read.problems.error(str(error), path=path)
    else:
        for caution in cautions:
            read.problems.caution(caution, path=path)


def _read(path: Path) -> Lesson:
    """The one lesson at a path; its cautions are told, its errors raised."""
    from pipeline.read.lesson import read_lesson
    from pipeline.read.weeks import read_paths

    problems = Problems()
    sources = read_paths([path], problems)
    if len(sources) > 1:
        raise MisuseError(f"{path} lists {len(sources)} lessons\n  Name one of them.")
    lesson = read_lesson(sources[0].path, problems, overrides=sources[0].overrides) if sources else None
    if lesson is None:
        raise SourceError(problems)
    _tell_problems(problems)
    return lesson


def _facts(lesson: Lesson) -> dict[str, Any]:
    take_seconds = round(lesson.take.seconds, 3) if lesson.take else None
    return {**_tab_facts(lesson.tab), "take_seconds": take_seconds}


def _file_facts(file: ReadFile) -> dict[str, Any] | None:
    """What a file by itself holds; a chart has no notes."""
    if file.tab is not None:
        return {**_tab_facts(file.tab), "take_seconds": None}
    if file.chart is None:
        return None
    return {
        "key": file.chart.key.text() if file.chart.key else None,
        "tempo_bpm": file.chart.tempo_bpm,
        "instrument": None,
        "bars": len(file.chart.bars),
        "bars_played": len(file.chart.form.played.bars),
        "notes": None,
        "phrases": None,
        "take_seconds": None,
    }


def _tab_facts(tab: Tab) -> dict[str, Any]:
    return {
        "key": tab.key.text(),
        "tempo_bpm": tab.tempo_bpm,
        "instrument": tab.instrument.name,
        "bars": len(tab.form.bars),
        "bars_played": len(tab.form.played.bars),
        "notes": len(tab.notes),
        "phrases": len(tab.phrases),
    }


def _in_words(facts: dict[str, Any]) -> str:
    played = "" if facts["bars"] == facts["bars_played"] else f" ({facts['bars_played']} as played)"
    parts = [f"{_count(facts['bars'], 'bar')}{played}"]
    if facts["notes"] is not None:
        parts.append(_count(facts["notes"], "note"))
    if facts["tempo_bpm"] is not None:
        parts.append(f"{facts['tempo_bpm']:g} quarter notes a minute")
    if facts["take_seconds"] is not None:
        parts.append(f"a take of {facts['take_seconds']:.1f} s")
    return ", ".join(parts)


def _problem_json(problem: Problem) -> dict[str, Any]:
    return {
        "level": problem.level,
        "kind": problem.level,  # its name before there were remarks
        "path": str(problem.path) if problem.path else None,
        "line": problem.line,
        "column": problem.column,
        "what": problem.what,
        "remedy": problem.remedy,
    }


def _tell_problems(problems: Iterable[Problem]) -> None:
    for problem in in_order(problems):
        _tell(problem.text())


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def _say(text: str) -> None:
    sys.stdout.write(text + "\n")


def _say_json(document: object) -> None:
    _say(json.dumps(document, ensure_ascii=False, allow_nan=False, indent=1))


def _say_refused(arguments: list[str], problems: Iterable[Problem]) -> None:
    """With ``--json`` a command that could not do its work says so in JSON too."""
    if "--json" in arguments:
        _say_json({"problems": [_problem_json(problem) for problem in in_order(problems)]})


def _tell(text: str) -> None:
    sys.stderr.write(text + "\n")


def main() -> None:
    """Run the command line and exit with its code."""
    sys.exit(run(sys.argv[1:]))


def run(arguments: list[str]) -> int:
    """Run one command; return the exit code. Every failure ends here, as a message on stderr."""
    try:
        code = app(arguments, prog_name="lessonwright", standalone_mode=False)
        sys.stdout.flush()
        if code == _INTERRUPTED:  # typer has turned Ctrl-C into it
            _tell(_STOPPED)
        return int(code or 0)
    except _UsageError as error:
        said = error.format_message()
        where = error.ctx.command_path.split()[1:] if error.ctx else []
        _tell(said if said.startswith("Usage:") else f"error: {said}\n  See: {command(*where, '--help')}")
        return 2
    except _ParserError as error:
        _tell(f"error: {error.format_message()}")
        return int(error.exit_code)
    except (typer.Abort, KeyboardInterrupt):
        _tell(_STOPPED)
        return _INTERRUPTED
    except SourceError as error:
        _tell_problems(error.problems)
        _say_refused(arguments, error.problems)
        return error.exit_code
    except LessonwrightError as error:
        _tell(f"error: {error}")
        _say_refused(arguments, [Problem(str(error))])
        return error.exit_code
    except BrokenPipeError:
        sys.stdout = None  # the reader went away; nothing is left to flush
        return 0
    except ImportError as error:
        _tell(f"error: a library is missing or broken ({error})\n  Install lessonwright again with pip.")
        return 3
    except OSError as error:
        place = f"{error.filename}: " if error.filename else ""
        said = _PLACE_ERRORS.get(error.errno or 0, error.strerror or str(error))
        _tell(f"error: {place}{said}")
        return 3
    except Exception as error:  # noqa: BLE001 - the last door: told, and kept in full beside
        _tell(f"error: lessonwright itself failed ({type(error).__name__}: {error})\n  {_kept_account()}")
        return 3


def _kept_account() -> str:
    """Write the traceback in hand to a file and say where."""
    with tempfile.NamedTemporaryFile(
        "w", prefix="lessonwright-", suffix=".txt", delete=False, encoding="utf-8"
    ) as file:
        file.write(traceback.format_exc())
    return f"The full account, for whoever looks into it, is in {file.name}"


if __name__ == "__main__":
    main()
