"""Turning a failed validation into plain words, each at its place in the file."""

from __future__ import annotations

import copy
import re
from collections.abc import Iterable, Mapping
from typing import Any, TypeVar, get_args

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from pipeline.config.models import PRODUCTS, Channel, LessonConfig
from pipeline.config.toml import Document, Location, Spot
from pipeline.errors import Problems, nearest

Model = TypeVar("Model", bound=BaseModel)


def tell(problems: Problems, spot: Spot, what: str, remedy: str = "", *, error: bool = True) -> None:
    """Add a problem at a spot."""
    report = problems.error if error else problems.caution
    report(what, remedy=remedy, path=spot.path, line=spot.line, column=spot.column, offending=spot.offending)


def validated(
    model: type[Model],
    document: Document,
    problems: Problems,
    context: Mapping[str, Any],
    *,
    stand_ins: Mapping[str, Any] | None = None,
) -> Model | None:
    """The document as a ``model``, every problem told.

    With problems, what comes back lacks the keys they are in (the top-level ones, when a table
    cannot do without), so that the rest can be checked too; ``stand_ins`` take the place of
    required ones. None when that is not enough.
    """
    try:
        return model.model_validate(document.data, context=dict(context))
    except ValidationError as failed:
        errors = failed.errors()
    for error in sorted(errors, key=lambda e: _place(document, e)):
        _tell_invalid(model, error, document, problems)
    bad = {error["loc"][0] for error in errors}
    most = _without(document.data, [error["loc"] for error in errors])
    least = {key: value for key, value in document.data.items() if key not in bad}
    for saved in (most, least):
        try:
            return model.model_validate({**(stand_ins or {}), **saved}, context=dict(context))
        except ValidationError:
            continue  # something it cannot do without is among what was told
    return None


def _without(data: Mapping[str, Any], locations: Iterable[Location]) -> dict[str, Any]:
    """The data without the keys at these locations; of a list, the whole list goes."""
    kept: dict[str, Any] = dict(data)
    for location in locations:
        last = max(place for place, step in enumerate(location) if isinstance(step, str))
        table: Any = kept
        for step in location[:last]:
            inside = isinstance(table, dict) or (isinstance(table, list) and isinstance(step, int))
            found = (table.get(step) if isinstance(table, dict) else table[step]) if inside else None
            if isinstance(found, dict | list):
                # only what lies on the way is copied: what lies beside it may be nested without end
                found = table[step] = copy.copy(found)
            table = found
        if isinstance(table, dict):
            table.pop(location[last], None)
    return kept


def _place(document: Document, error: ErrorDetails) -> tuple[int, int]:
    spot = document.value_spot(tuple(error["loc"]))
    return spot.line, spot.column


def _tell_invalid(
    model: type[BaseModel], error: ErrorDetails, document: Document, problems: Problems
) -> None:
    location: Location = tuple(error["loc"])
    kind = error["type"]
    owner = _owner(model, location)
    name = key_name(location)
    if kind == "extra_forbidden":
        known = [_key_of(owner, field) for field in owner.model_fields] if owner else []
        known = [key for key in known if "\0" not in key]
        near = nearest(str(location[-1]), known)
        table = f" in [{key_name(location[:-1])}]" if len(location) > 1 else ""
        remedy = f"Did you mean `{near}`?" if near else f"Known here: {', '.join(known)}."
        if model is LessonConfig and len(location) == 1 and _field(Channel, location[0]):
            remedy = "That belongs in channel.toml."
        elif len(location) > 1 and _field(model, location[-1]):
            remedy = f"Put the line further up, before the first line in [brackets]: below [{location[0]}] it belongs to that."
        tell(problems, document.key_spot(location), f"unknown key `{location[-1]}`{table}", remedy)
    elif kind == "missing":
        where = f" in [{key_name(location[:-1])}]" if len(location) > 1 else ""
        spot = document.key_spot(location[:-1])
        wanted = _description(owner, location)
        tell(problems, spot, f"`{location[-1]}` is missing{where}", f"Add it: {wanted}." if wanted else "")
    elif kind == "value_error":
        why, _, remedy = str(error["ctx"]["error"]).partition("; ")
        remedy = remedy[:1].upper() + remedy[1:] + "." if remedy else ""
        wanted = _description(owner, location)
        if not remedy and wanted:
            remedy = f"Write {wanted}."
        if location[-2:-1] == ("includes",):
            remedy = _suggestion(document.part(location), PRODUCTS) or remedy
        tell(problems, document.value_spot(location), f"`{name}`: {why}", remedy)
    else:
        wanted = _description(owner, location)
        empty = kind in ("too_short", "string_too_short")
        if kind in ("model_type", "model_attributes_type", "dict_type"):
            wanted = "a table with keys of its own"
        got = said(document.part(location))
        if isinstance(location[-1], int) and kind == "string_type":
            wanted = "text in quotes"
        if wanted == "text" or wanted.startswith(("text:", "the path")):
            wanted = wanted.replace("text", "text in quotes", 1) if kind == "string_type" else wanted
        what = f"`{name}` is empty" if empty else f"`{name}` must be {wanted}, got {got}"
        field = _field(owner, location[-1]) if owner else None
        needed = owner is not None and field is not None and owner.model_fields[field].is_required()
        remedy = f"Write {wanted}{'' if needed else ', or leave the line out'}." if empty else ""
        if kind == "literal_error":
            remedy = _suggestion(document.part(location), re.findall(r"'([^']+)'", error["ctx"]["expected"]))
        tell(problems, document.value_spot(location), what, remedy)


def _suggestion(value: object, words: Iterable[str]) -> str:
    near = nearest(value, words) if isinstance(value, str) else None
    return f'Did you mean "{near}"?' if near else ""


def _key_of(owner: type[BaseModel], field: str) -> str:
    return owner.model_fields[field].alias or field


def _field(owner: type[BaseModel], key: str | int) -> str | None:
    return next((f for f in owner.model_fields if _key_of(owner, f) == key), None)


def _owner(model: type[BaseModel], location: Location) -> type[BaseModel] | None:
    """The model whose key the last step of a location names (list items: the list's)."""
    owner: type[BaseModel] | None = model
    steps = [step for step in location if isinstance(step, str)]
    for step in steps[:-1]:
        field = _field(owner, step) if owner else None
        owner = _inner(owner.model_fields[field].annotation) if owner and field else None
    return owner


def _inner(annotation: Any) -> type[BaseModel] | None:
    """The model inside ``X``, ``tuple[X, ...]``."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((found for part in get_args(annotation) if (found := _inner(part))), None)


def _description(owner: type[BaseModel] | None, location: Location) -> str:
    key = next((step for step in reversed(location) if isinstance(step, str)), "")
    field = _field(owner, key) if owner else None
    return (owner.model_fields[field].description or "") if owner and field else ""


def key_name(location: Location) -> str:
    """``phrase 2, bars``: tables and items by number, from 1."""
    text = ""
    for step in location:
        if isinstance(step, int):
            text += f" {step + 1}"
        else:
            text += f".{step}" if text else step
    return text


def said(value: object) -> str:
    """A TOML value in a complaint."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return repr(value if len(value) <= 60 else value[:57] + "...")
    if isinstance(value, list):
        return "an empty list" if not value else f"a list of {len(value)}"
    if isinstance(value, dict):
        return "a table"
    return str(value)
