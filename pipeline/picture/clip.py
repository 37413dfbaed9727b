"""The clip: the take with the chord overlay burnt in, ready to show.

A take with a picture keeps it, upright, at its own frame rate; a take with sound alone gets
the lesson's title card as its ground.

Conventions
-----------
H.264 with 4:2:0 chroma, which every player shows; sizes are even, as that asks. AAC sound is
copied as it is, any other is encoded. Everything that would make two runs differ is off.

References
----------
ISO/IEC 14496-10 (H.264), 14496-12 (files that start before they are loaded: ``moov`` first).
"""

from __future__ import annotations

import subprocess
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any, Final

from pipeline.errors import MisuseError
from pipeline.ffmpeg import ffmpeg_command, ffmpeg_failure
from pipeline.framerate import even_rate
from pipeline.music.chart import ChordSpan
from pipeline.music.metre import Form
from pipeline.music.timemap import TimeMap
from pipeline.page.look import Look
from pipeline.picture.encode import THREADS, write_alpha_video
from pipeline.picture.overlay import OverlayPlan, plan_overlay
from pipeline.picture.scenes import NamedStretch
from pipeline.picture.still import draw_title, png_bytes
from pipeline.wholefile import written_beside

CRF: Final = 20
PRESET: Final = "veryfast"  # medium takes 3.5 times the processor time for the same size and more
AUDIO_KBPS: Final = 192
DEFAULT_SIZE: Final = (1920, 1080)
DEFAULT_FPS: Final = Fraction(30)
_LOCAL: Final = ("-protocol_whitelist", "file,pipe")


@dataclass(frozen=True, slots=True)
class TakeStreams:
    """What a take holds, as it is shown.

    size : (width, height) upright, pixels square, even; None without a picture
    fps : None without a picture
    video, audio : stream numbers, or None
    audio_codec : name, or ""
    seconds : length of the longest stream
    notes : what will be lost or changed
    """

    size: tuple[int, int] | None
    fps: Fraction | None
    video: int | None
    audio: int | None
    audio_codec: str
    seconds: float
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ClipFacts:
    """What a clip holds; ``copied_audio``: the sound is the take's own, not encoded again."""

    frames: int
    fps: Fraction
    size: tuple[int, int]
    seconds: float
    from_still: bool
    copied_audio: bool
    changes: tuple[tuple[float, int, str], ...]
    notes: tuple[str, ...]


def look_at_take(take: Path) -> TakeStreams:
    """What the take holds.

    Raises
    ------
    MisuseError : not there, or nothing that can be shown or heard.
    """
    import av

    if not take.is_file():
        raise MisuseError(f"there is no take at {take}")
    try:
        with av.open(str(take), options={"protocol_whitelist": "file"}) as container:
            covers = av.stream.Disposition.attached_pic
            videos = [s for s in container.streams.video if not s.disposition & covers]
            audios = list(container.streams.audio)
            if not videos and not audios:
                raise MisuseError(f"{take} holds neither picture nor sound")
            # a sound may begin later than its picture, and then ends later too
            begun_s = (container.start_time or 0) / 1_000_000
            lengths = [float(((s.start_time or 0) + s.duration) * s.time_base) - begun_s
                       for s in (*videos[:1], *audios[:1]) if s.duration and s.time_base]  # fmt: skip
            if not lengths and container.duration:
                lengths = [container.duration / 1_000_000]
            if not lengths:
                raise MisuseError(f"{take} does not say how long it is; save it as mp4, mov or flac")
            audio = audios[0] if audios else None
            index, codec = (audio.index, audio.codec_context.name) if audio else (None, "")
            if not videos:
                return TakeStreams(None, None, None, index, codec, max(lengths))
            size, fps, notes = _picture(container, videos[0], take)
            return TakeStreams(size, fps, videos[0].index, index, codec, max(lengths), notes)
    except av.FFmpegError as error:
        raise MisuseError(f"{take} can't be read as a video or sound file: {error}") from error


def _picture(container: Any, stream: Any, take: Path) -> tuple[tuple[int, int], Fraction, tuple[str, ...]]:
    first = next(container.decode(stream), None)
    if first is None:
        raise MisuseError(f"{take} has a video track without a picture")
    pixel = stream.sample_aspect_ratio or Fraction(1)
    width, height = round(first.width * pixel), first.height
    if round(getattr(first, "rotation", 0)) % 180 == 90:
        width, height = height, width
    average = Fraction(stream.average_rate or stream.guessed_rate or DEFAULT_FPS)
    fps = even_rate(average, Fraction(stream.base_rate or average))
    notes = []
    if average > fps * Fraction(101, 100):
        notes.append(f"The take has {float(average):g} frames a second; the clip has {float(fps):g}.")
    # ITU-T H.273 transfer characteristics: 16 is PQ, 18 is HLG
    if int(getattr(first, "color_trc", 0) or 0) in (16, 18):
        notes.append("The take is in high dynamic range; the clip's colours may look pale.")
    even = (max(2, width - width % 2), max(2, height - height % 2))
    if even != (width, height):
        notes.append(f"The clip is {even[0]} x {even[1]} pixels, as video has even sizes.")
    return even, fps, tuple(notes)


def render_clip(
    path: Path,
    take: Path,
    spans: Sequence[ChordSpan],
    time_map: TimeMap,
    *,
    look: Look,
    form: Form,
    title: str,
    subtitle: str = "",
    stretches: Sequence[NamedStretch] = (),
    size: tuple[int, int] = DEFAULT_SIZE,
    fps: Fraction = DEFAULT_FPS,
    crf: int = CRF,
    progress: Callable[[float], None] | None = None,
) -> ClipFacts:
    """Writes the take with its overlay as ``.mp4``.

    take : video, or sound alone
    size, fps : of the clip when the take has no picture; else its own are kept
    crf : H.264 quality, 0 (largest) to 51
    progress : called with the share done, 0..1
    The rest as in :func:`~pipeline.picture.overlay.render_overlay`.

    The file appears when it is whole; on failure nothing is left and what was there stays.

    Raises
    ------
    MisuseError : a take that can't be read, or see ``plan_overlay``.
    MissingError : no ffmpeg.
    StepError : the encoder refuses, with its last words.
    OSError : the folder cannot be written in.
    """
    if path.suffix.lower() != ".mp4":
        raise MisuseError(f"a clip is an .mp4 file, got {path.name}")
    if not 0 <= crf <= 51:
        raise MisuseError(f"the quality of a clip (crf) is 0 to 51, got {crf}")
    streams = look_at_take(take)
    shown, rate = streams.size or size, streams.fps or fps
    plan = plan_overlay(
        spans, time_map, seconds=streams.seconds, size=shown, fps=rate, look=look, form=form,
        title=title, stretches=stretches,
    )  # fmt: skip
    copied = streams.audio_codec == "aac"
    with tempfile.TemporaryDirectory(prefix="clip-") as folder, written_beside(path) as beside:
        overlay, ground = Path(folder) / "overlay.mov", Path(folder) / "ground.png"
        left, top, right, bottom = plan.card.box
        write_alpha_video(
            overlay, plan.pictures(whole_frame=False), frames=plan.frames, fps=rate,
            size=(right - left, bottom - top),
        )  # fmt: skip
        if streams.size is None:
            foot = 1 - plan.card.box[1] / shown[1]
            card = draw_title(title=title or take.stem, subtitle=subtitle, look=look, size=shown, foot=foot)
            ground.write_bytes(png_bytes(card))
        command = _command(take, streams, overlay, ground, plan, beside, crf=crf, copied=copied)
        _run(command, path, plan.frames, progress)
    return ClipFacts(
        frames=plan.frames,
        fps=rate,
        size=shown,
        seconds=float(plan.frames / rate),
        from_still=streams.size is None,
        copied_audio=copied,
        changes=plan.facts.changes,
        notes=(*streams.notes, *plan.facts.notes),
    )


def _command(
    take: Path,
    streams: TakeStreams,
    overlay: Path,
    ground: Path,
    plan: OverlayPlan,
    out: Path,
    *,
    crf: int,
    copied: bool,
) -> list[str]:
    fps = f"{plan.fps.numerator}/{plan.fps.denominator}"
    width, height = plan.card.size
    left, top = plan.card.box[:2]
    threads = ("-threads", str(THREADS))
    source = (*_LOCAL, *threads)  # the decoder would else take a thread for each core, and memory for each
    command = ["-progress", "pipe:1", "-filter_complex_threads", str(THREADS)]
    command += [*source, "-i", _local(take), *source, "-i", _local(overlay)]
    if streams.size is None:
        # decoded and converted once, then repeated
        command += [*source, "-framerate", fps, "-i", _local(ground)]
        base = f"[2:v]format=yuv420p,loop=loop=-1:size=1,setpts=N/({fps})/TB[base]"
    else:
        # upright by the decoder; then square pixels, even size, one frame rate
        base = (
            f"[0:{streams.video}]fps={fps}:start_time=0,scale='iw*if(sar,sar,1)':ih,setsar=1,"
            f"crop={width}:{height}:0:0,format=yuv420p[base]"
        )
    # laid in 4:2:0: other ways lead through RGB and back, and darken the take a little;
    # the picture stays when the take's video ends before its sound
    laid = f"[base][1:v]overlay={left}:{top}:eof_action=pass:format=yuv420,tpad=stop_mode=clone:stop=-1,format=yuv420p[out]"
    command += ["-filter_complex", f"{base};{laid}", "-map", "[out]"]
    if streams.audio is not None:
        command += ["-map", f"0:{streams.audio}"]
        command += ["-c:a", "copy"] if copied else ["-c:a", "aac", "-b:a", f"{AUDIO_KBPS}k"]
    command += [
        *("-c:v", "libx264", "-preset", PRESET, "-crf", str(crf), *threads),
        *("-frames:v", str(plan.frames), "-r", fps, "-map_metadata", "-1", "-map_chapters", "-1"),
        *("-fflags", "+bitexact", "-flags:v", "+bitexact", "-flags:a", "+bitexact"),
        *("-movflags", "+faststart", "-f", "mp4", _local(out)),
    ]
    return ffmpeg_command(command)


def _local(path: Path) -> str:
    """A file by its full path: never taken for an option or for an address."""
    return f"file:{path.resolve()}"


def _run(command: list[str], path: Path, frames: int, progress: Callable[[float], None] | None) -> None:
    with (
        tempfile.TemporaryFile("w+", encoding="utf-8", errors="replace") as said,
        subprocess.Popen(command, stdout=subprocess.PIPE, stderr=said, text=True) as process,
    ):
        assert process.stdout is not None
        try:
            for line in process.stdout:
                name, _, value = line.strip().partition("=")
                if name == "frame" and progress is not None and value.strip().isdecimal():
                    progress(min(1.0, int(value) / frames))
        except BaseException:
            process.kill()  # interrupted: the encoder must not write on
            raise
        if process.wait() != 0:
            said.seek(0)
            raise ffmpeg_failure(f"{path.name} could not be made", process.returncode, said.read())
