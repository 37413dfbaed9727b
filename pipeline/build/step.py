"""A step as data: what it needs, what it makes, and the function that makes it.

Conventions
-----------
A step's function is a top-level function ``function(params, given) -> Result``. It reads
only ``params`` and what :class:`Given` names, writes only the declared outputs into
``given.folder``, and makes the same bytes each time. So its outputs may be kept under the
digest of everything that goes in, and made on any machine.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from fnmatch import fnmatchcase
from functools import cached_property
from pathlib import Path
from typing import Any, Literal

from pipeline.build.digest import code_digest, input_digest, library_version, value_digest

Facts = dict[str, Any]
# how a step of a build ended; the last two in a dry run
State = Literal["made", "reused", "failed", "skipped", "would be made", "may be made"]


@dataclass(frozen=True, slots=True)
class Output:
    """A file that a step makes.

    name : file name; ``*`` stands for numbers known only when it is made (``page-*.png``)
    product : what kind of thing it is, as a tier's ``includes`` names it
    what : one line for the supporter who opens it
    """

    name: str
    product: str
    what: str = ""


@dataclass(frozen=True, slots=True)
class MadeFile:
    """A finished file: name inside its folder, size and SHA-256."""

    name: str
    bytes: int
    sha256: str


@dataclass(frozen=True)
class Made:
    """What a step has made: the files in ``folder`` with measured facts and notes."""

    key: str
    folder: Path
    files: tuple[MadeFile, ...]
    facts: Facts
    notes: tuple[str, ...] = ()

    def path(self, name: str) -> Path:
        return self.folder / name

    @cached_property
    def digest(self) -> str:
        """Of the contents, wherever they lie and whatever they were made from."""
        return value_digest((tuple((f.name, f.sha256) for f in self.files), self.facts))


@dataclass(frozen=True, slots=True)
class Given:
    """What a step's function gets: input files by role, outputs of other steps, its folder."""

    folder: Path
    files: Mapping[str, Path]
    made: Mapping[str, Made]


@dataclass(frozen=True, slots=True)
class Result:
    """What a step's function returns: facts (plain JSON data) and notes for the creator."""

    facts: Facts = field(default_factory=dict)
    notes: tuple[str, ...] = ()


StepFunction = Callable[[Any, Given], Result]


@dataclass(frozen=True)
class Step:
    """One step of one lesson.

    name : unique within the lesson (``backing Am 104``)
    product : what ``--step`` names (``backing``)
    params : plain data or frozen dataclasses
    files : (role, path) of the sources it reads
    needs : names of steps of the same lesson
    version : raised when the function's meaning changes
    rooms : modules whose code it runs; a change there makes it again
    libraries : distributions whose version matters to the bytes
    weight : rough seconds on one core, to start long work first and to tell the time left
    memory_mb : the most it needs, roughly, so that two heavy steps do not fill the machine
    """

    name: str
    product: str
    lesson: str
    function: StepFunction
    params: Any
    outputs: tuple[Output, ...]
    files: tuple[tuple[str, Path], ...] = ()
    needs: tuple[str, ...] = ()
    version: int = 1
    rooms: tuple[str, ...] = ()
    libraries: tuple[str, ...] = ()
    weight: float = 1.0
    memory_mb: int = 300

    @property
    def id(self) -> tuple[str, str]:
        return self.lesson, self.name

    @cached_property
    def input_digests(self) -> dict[str, str]:
        """SHA-256 of each source by role, as it was when first asked for.

        Raises
        ------
        OSError : a source cannot be read.
        """
        return {role: input_digest(path) for role, path in self.files}

    @cached_property
    def own_digest(self) -> str:
        """Of all that decides the outputs apart from what other steps have made.

        Raises
        ------
        OSError : a source cannot be read.
        """
        return value_digest(
            {
                "function": f"{self.function.__module__}.{self.function.__qualname__}",
                "version": self.version,
                "code": [code_digest(name) for name in (self.function.__module__, *self.rooms)],
                "libraries": {name: library_version(name) for name in self.libraries},
                "params": self.params,
                "files": self.input_digests,
                "outputs": [output.name for output in self.outputs],
            }
        )

    def key(self, made: Mapping[str, Made]) -> str:
        """Digest of all that decides the outputs, given what the needed steps have made.

        Raises
        ------
        OSError : a source cannot be read.
        """
        return value_digest((self.own_digest, [(name, made[name].digest) for name in self.needs]))

    def output_for(self, name: str) -> Output:
        """The declared output that a file name stands for."""
        return next(output for output in self.outputs if fnmatchcase(name, output.name))
