"""Steps that draw: the chord overlay, the clip, the still, the cover."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, Any

from pipeline.build.looks import Colours, look_of_step
from pipeline.build.step import Facts, Given, Result
from pipeline.listen.alignment import Alignment
from pipeline.music.chart import ChordSpan
from pipeline.music.metre import Form

if TYPE_CHECKING:
    from pipeline.picture.clip import ClipFacts
    from pipeline.picture.overlay import OverlayFacts
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
    colours: Colours
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
        look=look_of_step(params.colours, given.files),
        form=params.form,
        title=params.title,
        stretches=_stretches(params),
        codec=params.codec,
    )
    return Result({"files": {params.name: _measured(made)}}, tuple(made.notes))


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
        look=look_of_step(params.colours, given.files),
        form=params.form,
        title=params.title,
        stretches=_stretches(params),
    )
    return Result({"files": {params.name: _measured(made)}}, tuple(made.notes))


@dataclass(frozen=True)
class StillParams:
    name: str
    title: str
    subtitle: str
    colours: Colours
    strings: int


def still(params: StillParams, given: Given) -> Result:
    """The picture a viewer sees before playing."""
    from pipeline.picture.still import render_still

    notes = render_still(
        given.folder / params.name,
        title=params.title,
        subtitle=params.subtitle,
        look=look_of_step(params.colours, given.files),
        strings=params.strings,
    )
    return Result(notes=notes)


def cover(params: StillParams, given: Given) -> Result:
    """The square picture that players show."""
    from pipeline.picture.cover import cover_art

    look = look_of_step(params.colours, given.files)
    data = cover_art(title=params.title, subtitle=params.subtitle, look=look, strings=params.strings)
    (given.folder / params.name).write_bytes(data)
    return Result()


def _measured(facts: OverlayFacts | ClipFacts) -> Facts:
    """What the room measured, as plain JSON data."""
    return {name: _plain(value) for name, value in asdict(facts).items() if name != "notes"}


def _plain(value: Any) -> Any:
    if isinstance(value, tuple):
        return [_plain(item) for item in value]
    if isinstance(value, Fraction):
        return str(value)
    return round(value, 6) if isinstance(value, float) else value
