"""What can be said of a creator's own templates before anything is built."""

from __future__ import annotations

from importlib import resources
from pathlib import Path
from typing import Final

import jinja2.sandbox

from pipeline.errors import Problems, nearest
from pipeline.words.templates import listed

SUFFIX: Final = ".j2"


def standard_names() -> tuple[str, ...]:
    """The templates that come with lessonwright, which a creator's of the same name replace."""
    folder = resources.files("pipeline.words") / "templates"
    return tuple(sorted(item.name for item in folder.iterdir() if item.name.endswith(SUFFIX)))


def check_templates(folder: Path) -> Problems:
    """Templates that cannot be read or parsed, links that lead out (errors), and files that
    nothing uses, most likely misnamed (cautions)."""
    problems = Problems()
    files = sorted(path for path in folder.iterdir() if path.is_file() and not path.name.startswith("."))
    texts: dict[Path, str] = {}
    for path in files:
        if path.suffix != SUFFIX:
            continue
        if not path.resolve().is_relative_to(folder.resolve()):
            problems.error(
                "this template is a link to a file elsewhere",
                remedy="Put the file itself into the folder of templates.",
                path=path,
            )
            continue
        try:
            texts[path] = path.read_text("utf-8")
            jinja2.sandbox.SandboxedEnvironment().parse(texts[path])
        except UnicodeDecodeError as error:
            what = f"not UTF-8 text (byte {error.start})"
            problems.error(what, remedy="Save the file as UTF-8.", path=path)
        except OSError as error:
            what = f"the template cannot be read ({error.strerror})"
            problems.error(what, remedy="Check its permissions.", path=path)
        except jinja2.TemplateSyntaxError as error:
            lines = texts[path].splitlines()
            problems.error(
                f"the template stops: {error.message}",
                remedy="Correct the template at this line.",
                path=path,
                line=error.lineno,
                offending=lines[error.lineno - 1].rstrip() if error.lineno <= len(lines) else "",
            )
    standard = standard_names()
    for path in files:
        others = (text for other, text in texts.items() if other != path)
        if path.name in standard or any(path.name in text for text in others):
            continue
        near = nearest(path.name, standard)
        remedy = f"Did you mean {near}?" if near else f"The templates are {listed(standard)}."
        problems.caution("no text is made with this file", remedy=remedy, path=path)
    return problems
