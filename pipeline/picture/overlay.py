"""The chord overlay: a transparent video to lay over the take, in time with how it was played.

Conventions
-----------
The time map gives seconds in the take; the overlay is as long as the take and starts with it.
Nothing is shown before the first chord and after the last.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np

from pipeline.errors import MisuseError
from pipeline.music.chart import ChordSpan
from pipeline.music.metre import Form
from pipeline.music.timemap import TimeMap
from pipeline.page.look import Look
from pipeline.picture.card import Card
from pipeline.picture.encode import Pixels, codec_named, in_frame, write_alpha_video
from pipeline.picture.lettering import NO_CHORD
from pipeline.picture.scenes import Cue, NamedStretch, Scene, cues, frame_at, scenes
from pipeline.wholefile import written_beside


@dataclass(frozen=True, slots=True)
class OverlayFacts:
    """What an overlay holds.

    changes : (seconds as aligned, frame, chord) for each chord that comes in; "N.C." is none
    box : (left, top, right, bottom) of the card in pixels
    notes : what had to be done otherwise than wished, as sentences
    """

    frames: int
    fps: Fraction
    size: tuple[int, int]
    codec: str
    changes: tuple[tuple[float, int, str], ...]
    box: tuple[int, int, int, int]
    notes: tuple[str, ...]

    @property
    def seconds(self) -> float:
        return float(self.frames / self.fps)


@dataclass(frozen=True, slots=True)
class OverlayPlan:
    """Card and cues of an overlay, before any video is written."""

    card: Card
    cues: tuple[Cue, ...]
    frames: int
    fps: Fraction
    facts: OverlayFacts

    def pictures(self, *, whole_frame: bool) -> Iterator[tuple[int, Pixels]]:
        """(first frame, RGBA array); the whole frame or the card's box alone.

        Drawn one by one as they are asked for: bar and mark make every scene a picture of its
        own, so keeping them would only fill the memory of a long lesson.
        """
        left, top, right, bottom = self.card.box
        for cue in self.cues:
            picture = np.asarray(self.card.draw(cue.scene)) if cue.scene is not None else None
            if whole_frame:
                yield cue.frame, in_frame(picture, self.card.box, self.card.size)
            elif picture is None:
                yield cue.frame, np.zeros((bottom - top, right - left, 4), dtype=np.uint8)
            else:
                yield cue.frame, picture


def plan_overlay(
    spans: Sequence[ChordSpan],
    time_map: TimeMap,
    *,
    seconds: float,
    size: tuple[int, int],
    fps: Fraction,
    look: Look,
    form: Form,
    title: str = "",
    stretches: Sequence[NamedStretch] = (),
    codec: str = "qtrle",
) -> OverlayPlan:
    """What :func:`render_overlay` will write.

    Raises
    ------
    MisuseError : no spans, no length, no frame rate, or a frame too small to read.
    """
    if not spans:
        raise MisuseError("an overlay shows chords; give the lesson a chart")
    if not 0 < seconds < 24 * 3600:
        raise MisuseError(f"an overlay lasts more than nothing and less than a day, got {seconds} seconds")
    if not 1 <= fps <= 240:
        raise MisuseError(f"an overlay has 1 to 240 frames a second, got {float(fps):g}")
    if min(size) < 64 or max(size) > 16384:
        raise MisuseError(f"an overlay is 64 to 16384 pixels wide and high, got {size[0]} x {size[1]}")
    frames = max(1, frame_at(seconds, fps))
    shown = scenes(spans, form, title=title, stretches=stretches)
    timed, lost = cues(shown, time_map, fps=fps, frames=frames)
    card = Card(size, look, [scene for _, scene in shown if scene is not None])
    notes = list(card.notes)
    if lost:
        notes.append(f"Too short for a frame of their own, and left out: {lost} pictures.")
    starts = [float(second) for second in time_map.to_seconds([float(q) for q, _ in shown])]
    if starts[-1] > seconds + float(1 / fps):
        notes.append(f"The music goes on {starts[-1] - seconds:.1f} s after the end of the overlay.")
    if starts[0] < 0:
        notes.append(f"The music begins {-starts[0]:.1f} s before the start of the overlay.")
    facts = OverlayFacts(frames, fps, size, codec, tuple(_changes(timed, time_map)), card.box, tuple(notes))
    return OverlayPlan(card, tuple(timed), frames, fps, facts)


def _changes(timed: Sequence[Cue], time_map: TimeMap) -> Iterator[tuple[float, int, str]]:
    before: Scene | None = None
    for cue in timed:
        scene = cue.scene
        if scene is not None and scene.waiting:
            continue  # no chord has come in yet
        if scene is not None and (before is None or before.chord != scene.chord):
            name = scene.chord.symbol() if scene.chord else NO_CHORD
            yield time_map.seconds_at(cue.quarter), cue.frame, name
        before = scene


def render_overlay(
    path: Path,
    spans: Sequence[ChordSpan],
    time_map: TimeMap,
    *,
    seconds: float,
    size: tuple[int, int] = (1920, 1080),
    fps: Fraction = Fraction(30),
    look: Look,
    form: Form,
    title: str = "",
    stretches: Sequence[NamedStretch] = (),
    codec: str = "rle",
    progress: Callable[[float], None] | None = None,
) -> OverlayFacts:
    """Writes the overlay video.

    path : ends in ``.mov`` (rle, prores) or ``.webm`` (vp9)
    spans : chords over the played form (``chart.spans(form)``)
    time_map : played quarters -> seconds in the take
    seconds : length of the take, which the overlay shares to the nearest frame
    size : (width, height) of the frame in pixels
    fps : frames a second, exact (29.97 is 30000/1001)
    title : shown as the place where the chart names no section
    stretches : names over the played timeline that go before the sections, such as phrases
    codec : "rle" (QuickTime animation), "vp9" or "prores"
    progress : called with the share done, 0..1

    The file appears when it is whole; on failure nothing is left and what was there stays.

    Raises
    ------
    MisuseError : see :func:`plan_overlay`; also an unknown codec or the wrong file ending.
    StepError : the encoder or the disk refuses.
    OSError : the folder cannot be written in.
    """
    alpha = codec_named(codec)
    if path.suffix.lower() != alpha.suffix:
        raise MisuseError(f"an overlay in {codec} is a {alpha.suffix} file, got {path.name}")
    plan = plan_overlay(
        spans, time_map, seconds=seconds, size=size, fps=fps, look=look, form=form, title=title,
        stretches=stretches, codec=alpha.name,
    )  # fmt: skip
    with written_beside(path) as beside:
        write_alpha_video(
            beside, plan.pictures(whole_frame=True), frames=plan.frames, fps=fps, size=size,
            codec=alpha, progress=progress,
        )  # fmt: skip
    return plan.facts
