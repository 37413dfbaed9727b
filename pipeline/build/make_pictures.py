"""Steps that draw: the chord overlay, the clip, the still, the cover."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, is_dataclass
from enum import Enum
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.build.step import Facts, Given, Result
from pipeline.listen.alignment import Alignment
from pipeline.music.chart import ChordSpan
from pipeline.music.metre import Form
from pipeline.page.look import Look

if TYPE_CHECKING:
    from pipeline.picture.scenes import NamedStretch


@dataclass(frozen=True)
class OverlayParams:
    """``size`` in pixels and ``fps`` of the take, ``seconds`` its length; ``stretches``: (start,
    end, name) of the phrases on the played timeline."""

    name: str
    spans: tuple[ChordSpan, ...]
    form: Form
    seconds: float
    size: tuple[int, int]
    fps: Fraction
    look: Look
    title: str
    codec: str
    stretches: tuple[tuple[Fraction, Fraction, str], ...] = ()


def _stretches(params: OverlayParams) -> tuple[NamedStretch, ...]:
    from pipeline.picture.scenes import NamedStretch

    return tuple(NamedStretch(*stretch) for stretch in params.stretches)


def overlay(params: OverlayParams, given: Given) -> Result:
    """The chords with a transparent ground, to lay over the whole take."""
    from pipeline.picture.overlay import render_overlay

    heard = Alignment.from_json(given.made["align"].facts)
    made = render_overlay(
        given.folder / params.name,
        params.spans,
        heard.time_map,
        seconds=params.seconds,
        size=params.size,
        fps=params.fps,
        look=params.look,
        form=params.form,
        title=params.title,
        stretches=_stretches(params),
        codec=params.codec,
    )
    return Result({"files": {params.name: _plain(made)}}, tuple(made.notes))


def clip(params: OverlayParams, given: Given) -> Result:
    """The take with the chords burnt in."""
    from pipeline.picture.clip import render_clip

    heard = Alignment.from_json(given.made["align"].facts)
    made = render_clip(
        given.folder / params.name,
        given.files["take"],
        params.spans,
        heard.time_map,
        size=params.size,
        fps=params.fps,
        look=params.look,
        form=params.form,
        title=params.title,
        stretches=_stretches(params),
    )
    return Result({"files": {params.name: _plain(made)}}, tuple(made.notes))


@dataclass(frozen=True)
class StillParams:
    name: str
    title: str
    subtitle: str
    look: Look
    strings: int


def still(params: StillParams, given: Given) -> Result:
    """The picture a viewer sees before playing."""
    from pipeline.picture.still import render_still

    notes = render_still(
        given.folder / params.name,
        title=params.title,
        subtitle=params.subtitle,
        look=params.look,
        strings=params.strings,
    )
    return Result(notes=notes)


def cover(params: StillParams, given: Given) -> Result:
    """The square picture that players show."""
    from pipeline.picture.cover import cover_art

    data = cover_art(title=params.title, subtitle=params.subtitle, look=params.look, strings=params.strings)
    (given.folder / params.name).write_bytes(data)
    return Result()


def _plain(value: Any) -> Any:
    """As plain JSON data: what a room measured, whatever type it gave it in."""
    if is_dataclass(value) and not isinstance(value, type):
        facts: Facts = asdict(value)
        return _plain({name: item for name, item in facts.items() if name not in ("path", "notes")})
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, bool | int | str) or value is None:
        return value
    if isinstance(value, float):
        return round(value, 6) if math.isfinite(value) else None
    if isinstance(value, Fraction | Path | Enum):
        return str(value)
    raise TypeError(f"a {type(value).__name__} is nothing to record")
