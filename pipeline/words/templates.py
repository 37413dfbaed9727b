"""Text from templates: the description of a lesson, the note inside a supporter pack.

Templates are Jinja2, run in its sandbox. A creator's own ``<name>.j2`` in their template
folder (or any file there that such a template names) replaces ours; it may also begin with ``{% extends "standard/description.txt.j2" %}``
and replace single blocks of ours (``opening``, ``chapters``, ``music``, ``packs``, ``links``,
``closing``; in the read-me ``opening``, ``files``, ``terms``, ``care``).

The variables of every template
-------------------------------
Everything may be missing: text is then "", a number None, a list empty.

- ``lesson`` : title, credit, artist, blurb, level, rights (text)
- ``facts`` : key ("A minor"), tempo ("92 bpm", or "♩. = 72" where the beat is dotted), tempo_bpm
  (number, quarter notes a minute), tuning (text, "" when it is the usual one),
  techniques (list of text), chords (list of text), fret_lo, fret_hi, bars, bars_played
  (numbers; with repeats as played), open_strings (true or false)
- ``chapters`` : list of {time ("1:05"), name, seconds}
- ``tiers`` : list of {title, files: list of {name, what}}, what each supporter tier gets
- ``pack`` : {title, files: list of {name, what}}, the pack in hand; None outside a pack's read-me
- ``links`` : list of {label, url}
- ``channel`` : name, tagline, contact, terms (text)
- ``cautions`` : list of text, what the reader should know
- ``version`` : text, of lessonwright

Filters of our own: ``listed`` (["a", "b", "c"] -> "a, b and c"), ``counted``
(3 | counted("bar") -> "3 bars"), ``sentence`` (first letter large, full stop at the end),
``figure`` (92.0 -> "92", 92.5 -> "92.5").

References
----------
Jinja documentation, "Sandbox" and "Undefined Types".
"""

from __future__ import annotations

import copy
import re
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any, Final

import jinja2
import jinja2.exceptions
import jinja2.sandbox

from pipeline.errors import Problem, SourceError, nearest

OwnFiles = Mapping[str, Path]
NONE_OWN: Final[OwnFiles] = MappingProxyType({})
MAX_CHARACTERS: Final = 200_000  # no description is longer; a runaway loop is stopped here
STANDARD: Final = "standard/"
BLANK: Final[dict[str, Any]] = {
    "lesson": {"title": "", "credit": "", "artist": "", "blurb": "", "level": "", "rights": ""},
    "facts": {
        "key": "",
        "tempo": "",
        "tempo_bpm": None,
        "tuning": "",
        "techniques": [],
        "chords": [],
        "fret_lo": None,
        "fret_hi": None,
        "open_strings": False,
        "bars": None,
        "bars_played": None,
    },
    "chapters": [],
    "tiers": [],
    "pack": None,
    "links": [],
    "channel": {"name": "", "tagline": "", "contact": "", "terms": ""},
    "cautions": [],
    "version": "",
}
# what a template can meet at run time when its author made a mistake
_RUN_ERRORS: Final = (
    jinja2.TemplateError,
    TypeError,
    ValueError,
    ArithmeticError,
    LookupError,
    AttributeError,
    RecursionError,
)


class TemplateProblem(SourceError):  # noqa: N818 - one problem, like its siblings in Problems
    """A template can't be read or run; ``problems`` holds one problem with file and line."""

    def __init__(self, problem: Problem) -> None:
        super().__init__([problem])
        self.problem = problem

    def __reduce__(self) -> tuple[type, tuple[Problem]]:  # type: ignore[override]
        return TemplateProblem, (self.problem,)


def listed(items: Iterable[object], last: str = "and") -> str:
    """As read aloud: "a", "a and b", "a, b and c"."""
    words = [str(item) for item in items]
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} {last} {words[-1]}"


def counted(number: float, noun: str, plural: str = "") -> str:
    """ "1 bar", "3 bars"."""
    return f"{figure(number)} {noun if number == 1 else plural or noun + 's'}"


def figure(number: float) -> str:
    """A number with no more decimals than it needs, at most two."""
    return f"{float(number):.2f}".rstrip("0").rstrip(".")


def sentence(text: object) -> str:
    """With a large first letter and a mark at the end; nothing stays nothing."""
    said = str(text).strip()
    if not said:
        return ""
    return said[0].upper() + said[1:] + ("" if said[-1] in ".!?…:" else ".")


class _Sandbox(jinja2.sandbox.ImmutableSandboxedEnvironment):
    """The sandbox, which also refuses to multiply text into something huge."""

    intercepted_binops = frozenset(["*", "**"])

    def call_binop(self, context: Any, operator: str, left: Any, right: Any) -> Any:
        sizes = [len(side) if hasattr(side, "__len__") else abs(side) for side in (left, right)]
        if operator == "**" or sizes[0] * sizes[1] > MAX_CHARACTERS:
            raise jinja2.exceptions.SecurityError(f"{operator} makes something too large for a text")
        return super().call_binop(context, operator, left, right)


class _OwnLoader(jinja2.BaseLoader):
    """Gives the creator's files, and no others."""

    def __init__(self, own: OwnFiles) -> None:
        self._own = own

    def get_source(self, environment: Any, template: str) -> tuple[str, str, Callable[[], bool]]:
        if template not in self._own:
            raise jinja2.TemplateNotFound(template)
        path = self._own[template]
        return path.read_text("utf-8"), str(path), lambda: True

    def list_templates(self) -> list[str]:
        return sorted(self._own)


def own_templates(folder: Path) -> dict[str, Path]:
    """Every file of the creator's template folder by the name that a template calls it by
    (``description.txt.j2``, ``parts/opening.txt``), in order of their names.

    Hidden files and links that lead out of the folder are left out.
    """
    home = folder.resolve()
    found = {path.relative_to(folder).as_posix(): path for path in folder.rglob("*") if path.is_file()}
    return {
        name: path
        for name, path in sorted(found.items())
        if not any(part.startswith(".") for part in name.split("/")) and path.resolve().is_relative_to(home)
    }


def template_environment(own: OwnFiles = NONE_OWN) -> jinja2.Environment:
    """The sandbox that templates run in: the creator's files go before ours."""
    ours = jinja2.PackageLoader("pipeline.words", "templates")
    environment = _Sandbox(
        loader=jinja2.ChoiceLoader(
            [_OwnLoader(own), jinja2.PrefixLoader({STANDARD.rstrip("/"): ours}), ours]
        ),
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        # plain text, never HTML: what a title holds is shown as it is
        autoescape=False,
    )
    environment.filters.update(listed=listed, counted=counted, sentence=sentence, figure=figure)
    return environment


def _filled(blank: Any, given: Any) -> Any:
    """``given`` with every documented key there; None counts as missing."""
    if given is None:
        return copy.deepcopy(blank)
    if isinstance(blank, dict) and isinstance(given, Mapping):
        extra = {key: value for key, value in given.items() if key not in blank}
        return {key: _filled(empty, given.get(key)) for key, empty in blank.items()} | extra
    return given


def render(name: str, facts: Mapping[str, Any], *, own: OwnFiles = NONE_OWN) -> str:
    """The text of template ``name`` (``description.txt``, ``readme.txt``) for these facts.

    facts : the variables described above; what is missing is filled with nothing
    own : the creator's own templates by name (:func:`own_templates`), looked up first

    Runs of blank lines become one, spaces at line ends go; the text ends with one newline.

    Raises
    ------
    TemplateProblem : no such template, or it can't be read or run; says which file and line.
    """
    variables = _filled(BLANK, facts)
    environment = template_environment(own)
    wanted = name if name.endswith(".j2") else f"{name}.j2"
    try:
        template = environment.get_template(wanted)
        pieces, size = [], 0
        for piece in template.generate(variables):
            pieces.append(piece)
            size += len(piece)
            if size > MAX_CHARACTERS:
                raise jinja2.TemplateRuntimeError(f"the text grows beyond {MAX_CHARACTERS} characters")
    except UnicodeDecodeError as error:
        path = own.get(wanted, Path(wanted))
        what = f"not UTF-8 text (byte {error.start})"
        raise TemplateProblem(Problem(what, "save the file as UTF-8", path=path)) from error
    except _RUN_ERRORS as error:
        raise TemplateProblem(_explain(error, wanted, environment, variables, own)) from error
    return _tidy("".join(pieces))


def _tidy(text: str) -> str:
    lines = [line.rstrip() for line in text.replace("\r\n", "\n").split("\n")]
    return re.sub(r"\n{3,}", "\n\n", "\n".join(lines)).strip("\n") + "\n"


def _explain(
    error: BaseException,
    wanted: str,
    environment: jinja2.Environment,
    variables: Mapping[str, Any],
    own: OwnFiles,
) -> Problem:
    path, line = Path(wanted), None
    if isinstance(error, jinja2.TemplateSyntaxError):
        path, line = Path(error.filename or error.name or wanted), error.lineno
    elif isinstance(error, jinja2.TemplateNotFound):
        names = [n for n in environment.list_templates() if not n.startswith(STANDARD)]
        place = own.get(wanted, path)
        return Problem(f"there is no template {error.name!r}", f"there are {listed(names)}", path=place)
    else:
        trace = error.__traceback__
        while trace is not None:  # the innermost frame that stands in a template
            file = trace.tb_frame.f_code.co_filename
            if file.endswith(".j2"):
                path, line = Path(file), trace.tb_lineno
            trace = trace.tb_next
    said = str(error) or type(error).__name__
    wrong = _unknown(said) if isinstance(error, jinja2.UndefinedError) else ""
    what = (
        f"the template asks for {wrong!r}, which is not among its variables"
        if wrong
        else (f"the template stops: {said}")
    )
    return Problem(what, _remedy(error, wrong, variables), path, line, None, _line(path, line))


def _unknown(said: str) -> str:
    """The variable or key that Jinja says is missing, or ""."""
    match = re.search(r"attribute '([^']*)'|'([^']*)' is undefined", said)
    return next((group for group in match.groups() if group), "") if match else ""


def _line(path: Path, line: int | None) -> str:
    if line is None or not path.is_file():
        return ""
    lines = path.read_text(encoding="utf-8").splitlines()
    return lines[line - 1].rstrip() if line <= len(lines) else ""


def _remedy(error: BaseException, wrong: str, variables: Mapping[str, Any]) -> str:
    if isinstance(error, jinja2.exceptions.SecurityError):
        return "templates may only read the variables they are given"
    if not isinstance(error, jinja2.UndefinedError):
        return "see the template at this line"
    names = list(variables) + [
        f"{outer}.{inner}" for outer, value in variables.items() if isinstance(value, dict) for inner in value
    ]
    lists = {"chapters": ("time", "name", "seconds"), "links": ("label", "url"), "tiers": ("title", "files")}
    names += [f"{outer}[].{inner}" for outer, inners in lists.items() for inner in inners]
    by_ending = {full: full.rpartition(".")[2] for full in names}
    near = nearest(wrong, by_ending.values())
    if near:
        return f"did you mean {listed([f for f, end in by_ending.items() if end == near], last='or')}?"
    return f"the variables are {listed(variables)}"
