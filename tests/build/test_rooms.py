"""Every step names all the code that it runs, so that a change there makes it again.

The imports are followed from the step's function on, through modules and inside functions.
"""

from __future__ import annotations

import ast
import importlib.util
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from pipeline.build.lesson_steps import plan_lesson
from pipeline.build.step import Step
from pipeline.errors import Problems
from pipeline.read.lesson import read_lesson

LESSON = Path(__file__).parents[2] / "configs" / "breakwater_lamp" / "lesson.toml"
# what these do leaves no trace in a product: they write whole files, call ffmpeg and raise
TRACELESS = ("pipeline.wholefile", "pipeline.ffmpeg")


def traceless(module: str) -> bool:
    return module in TRACELESS or module.endswith(".errors") or module.startswith("pipeline.build")


def is_module(name: str) -> bool:
    try:
        return importlib.util.find_spec(name) is not None
    except ModuleNotFoundError:
        return False


def imported(tree: ast.AST) -> Iterator[tuple[str, str]]:
    """(name, module of ours) of each import, those for type checkers apart."""
    for node in ast.iter_child_nodes(tree):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("pipeline."):
            for alias in node.names:
                inner = f"{node.module}.{alias.name}"
                yield alias.asname or alias.name, inner if is_module(inner) else str(node.module)
        elif not (isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING"):
            yield from imported(node)


@cache
def parsed(module: str) -> ast.Module:
    spec = importlib.util.find_spec(module)
    assert spec is not None
    assert spec.origin is not None
    return ast.parse(Path(spec.origin).read_text("utf-8"))


def run_by(function: Callable[..., Any]) -> set[str]:
    """Modules of ours that a step's function runs, directly or by way of others."""
    tree = parsed(function.__module__)
    own = {node.name: node for node in tree.body if isinstance(node, ast.FunctionDef)}
    above = dict(imported(ast.Module([n for n in tree.body if n not in own.values()], [])))
    todo, called, modules = [function.__name__], set(), set()
    while todo:
        name = todo.pop()
        if name in called:
            continue
        called.add(name)
        modules |= {module for _, module in imported(own[name])}
        used = {n.id for part in own[name].body for n in ast.walk(part) if isinstance(n, ast.Name)}
        modules |= {above[name] for name in used & set(above)}
        todo += used & set(own)
    found: set[str] = set()
    while modules:
        module = modules.pop()
        if module not in found and not traceless(module):
            found.add(module)
            modules |= {inner for _, inner in imported(parsed(module))}
    return found


def steps() -> list[Step]:
    lesson = read_lesson(LESSON, Problems())
    assert lesson is not None
    return list({step.function: step for step in plan_lesson(lesson).steps}.values())


@pytest.mark.parametrize("step", steps(), ids=lambda step: step.function.__name__)
def test_a_step_names_the_rooms_it_runs(step: Step) -> None:
    """The overlay read its times from the listening room, and did not say so."""
    rooms = {module for module in run_by(step.function) if module != "pipeline"}
    unnamed = {m for m in rooms if not any(m == room or m.startswith(f"{room}.") for room in step.rooms)}
    assert not unnamed


def test_the_imports_are_followed() -> None:
    by_name = {step.function.__name__: run_by(step.function) for step in steps()}
    assert {"pipeline.picture.encode", "pipeline.page.faces", "pipeline.music.chord"} <= by_name["overlay"]
    assert "pipeline.sound.drums" in by_name["backing"]
