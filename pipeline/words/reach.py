"""What a text depends on: the creator's files that its template leads to, and the variables.

So that a new read-me does not write the description again, and a new blurb packs nothing that
does not show it.

Conventions
-----------
When a template leaves open which file or variable it means, it is taken to mean all of them.

References
----------
Jinja documentation, "The Meta API" (``find_referenced_templates``).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import jinja2
from jinja2 import meta, nodes

from pipeline.words.templates import BLANK, OwnFiles, template_environment


@dataclass(frozen=True)
class Reach:
    """What a template uses.

    own : the creator's files, by the names that templates call them by
    variables : (name, key) of what is read; the key is None where a variable is taken as a
        whole, and both are None where everything may be
    """

    own: dict[str, Path]
    variables: frozenset[tuple[str | None, str | None]]

    def of(self, facts: Mapping[str, Any]) -> dict[str, Any]:
        """The part of the variables that the template reads."""
        if (None, None) in self.variables:
            return dict(facts)
        found: dict[str, Any] = {}
        for name, value in facts.items():
            if (name, None) in self.variables:
                found[name] = value
            elif isinstance(value, Mapping):
                part = {key: item for key, item in value.items() if (name, key) in self.variables}
                if part:
                    found[name] = part
        return found


def reach(name: str, own: OwnFiles) -> Reach:
    """Follow template ``name`` through all that it extends, includes and imports.

    own : the creator's own templates by name
    """
    environment = template_environment(own)
    assert environment.loader is not None
    files: dict[str, Path] = {}
    variables: set[tuple[str | None, str | None]] = set()
    seen: set[str] = set()
    todo = [name if name.endswith(".j2") else f"{name}.j2"]
    while todo:
        now = todo.pop()
        if now in seen:
            continue
        seen.add(now)
        if now in own:
            files[now] = own[now]
        try:
            tree = environment.parse(environment.loader.get_source(environment, now)[0])
        except jinja2.TemplateNotFound:
            continue  # told when the text is made, if it is missed then
        except (jinja2.TemplateSyntaxError, UnicodeDecodeError, OSError):
            variables.add((None, None))  # told when the text is made
            continue
        for found in meta.find_referenced_templates(tree):
            # None: the name is worked out when the text is made
            todo += [found] if found is not None else environment.list_templates()
        variables |= set(_variables(tree))
    return Reach({known: files[known] for known in sorted(files)}, frozenset(variables))


def _variables(node: nodes.Node) -> Iterator[tuple[str, str | None]]:
    """(variable, key) of everything read in a part of a template; the key None is the whole."""
    inner = node.node if isinstance(node, nodes.Getattr | nodes.Getitem) else None
    key = _key(node)
    if isinstance(inner, nodes.Name):
        known = BLANK.get(inner.name)
        # `lesson.title` is one key; `lesson.items()` and `lesson[name]` are all of them
        yield inner.name, key if isinstance(known, dict) and key in known else None
    elif isinstance(node, nodes.Name):
        yield node.name, None
    for child in node.iter_child_nodes():
        if not (child is inner and isinstance(inner, nodes.Name)):
            yield from _variables(child)


def _key(node: nodes.Node) -> str | None:
    if isinstance(node, nodes.Getattr):
        return node.attr
    if isinstance(node, nodes.Getitem) and isinstance(node.arg, nodes.Const):
        return str(node.arg.value)
    return None
