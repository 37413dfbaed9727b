"""A timed list of pictures written as video with transparency.

Conventions
-----------
Constant frame rate, exact: frame ``n`` carries the time ``n / fps`` as a fraction, never as a
float. Pictures are RGBA with straight (unmultiplied) alpha. A picture that lasts is drawn and
handed over once; only its frames are counted on.

References
----------
ISO/IEC 14496-12 and QuickTime File Format: sample times. WebM: AlphaMode, BlockAdditional.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from pipeline.errors import MisuseError, StepError

Pixels = npt.NDArray[np.uint8]
Progress = Callable[[float], None]


@dataclass(frozen=True, slots=True)
class AlphaCodec:
    """How transparency is written.

    name : encoder; pixel_format : what it is fed; suffix : of the file; container : format
    intra : every frame stands for itself, so one that lasts is encoded once and repeated
    """

    name: str
    pixel_format: str
    suffix: str
    container: str
    options: tuple[tuple[str, str], ...] = ()
    intra: bool = False


# Fixed, because the bytes of some encoders (x264, VP9) depend on it, and never what the machine has.
# Two: measured on 1080p, four cost 3 to 6 % more of the processor and a third more memory than one,
# which a batch with a step on each core has no use for, while one alone leaves a lone lesson waiting.
THREADS: Final = 2

CODECS: Final[dict[str, AlphaCodec]] = {
    "rle": AlphaCodec("qtrle", "argb", ".mov", "mov"),
    "vp9": AlphaCodec("libvpx-vp9", "yuva420p", ".webm", "webm",
                      (("crf", "24"), ("b", "0"), ("deadline", "realtime"), ("cpu-used", "8"),
                       ("row-mt", "1"), ("threads", str(THREADS)),
                       # no frames looked ahead: nothing uses them here, and each fills memory
                       ("auto-alt-ref", "0"), ("lag-in-frames", "0"))),
    "prores": AlphaCodec("prores_ks", "yuva444p10le", ".mov", "mov",
                         (("profile", "4444"), ("vendor", "apl0"), ("alpha_bits", "16")), intra=True),
}  # fmt: skip


def codec_named(name: str) -> AlphaCodec:
    """Raises MisuseError for a name that is none of :data:`CODECS`."""
    if name not in CODECS:
        raise MisuseError(f"no overlay format {name!r}; there are {', '.join(CODECS)}")
    return CODECS[name]


def write_alpha_video(
    path: Path,
    pictures: Iterator[tuple[int, Pixels]],
    *,
    frames: int,
    fps: Fraction,
    size: tuple[int, int],
    codec: AlphaCodec = CODECS["rle"],
    progress: Progress | None = None,
) -> None:
    """Writes ``frames`` frames.

    pictures : (first frame, RGBA array of shape (height, width, 4)), ascending, from frame 0 on;
        each is shown until the next
    progress : called with the share done, 0..1

    Raises
    ------
    StepError : the encoder or the disk refuses.
    """
    import av

    try:
        with av.open(str(path), "w", format=codec.container, options={"fflags": "+bitexact"}) as container:
            stream: Any = container.add_stream(codec.name, rate=fps, options=dict(codec.options))
            stream.width, stream.height = size
            stream.pix_fmt = codec.pixel_format
            stream.time_base = stream.codec_context.time_base = 1 / fps
            stream.thread_count = THREADS
            # a whole picture every second, so that an editor can jump to any place
            stream.gop_size = max(1, round(fps))
            stream.codec_context.flags |= av.codec.context.Flags.bitexact
            if codec.container == "webm":
                stream.metadata["alpha_mode"] = "1"
            done = 0
            for frame, until in _timed(pictures, frames, codec.pixel_format):
                for number in range(done, done + 1 if codec.intra else until):
                    frame.pts, frame.time_base, data = number, 1 / fps, b""
                    for packet in stream.encode(frame):
                        packet.duration = packet.duration or 1
                        # a packet's data is read before it is handed over
                        data = bytes(packet) if codec.intra else b""
                        container.mux(packet)
                if codec.intra and not data:
                    raise StepError(f"{codec.name} holds frames back, though each stands for itself")
                for number in range(done + 1, until if codec.intra else 0):
                    container.mux(_repeated(data, number, stream))
                done = until
                if progress is not None:
                    progress(done / frames)
            container.mux(stream.encode(None))
    except (av.FFmpegError, OSError) as error:
        raise StepError(f"{path.name} could not be written with {codec.name}: {error}") from error


def _repeated(data: bytes, number: int, stream: Any) -> Any:
    """The encoded frame once more, as frame ``number``."""
    import av

    packet = av.Packet(data)
    packet.stream, packet.time_base = stream, stream.codec_context.time_base
    packet.pts = packet.dts = number
    packet.duration, packet.is_keyframe = 1, True
    return packet


def _timed(
    pictures: Iterator[tuple[int, Pixels]], frames: int, pixel_format: str
) -> Iterator[tuple[Any, int]]:
    """(frame in the encoder's pixel format, the frame it lasts until)."""
    import av

    held: Pixels | None = None
    for first, pixels in pictures:
        if held is not None:
            yield av.VideoFrame.from_ndarray(held, "rgba").reformat(format=pixel_format, threads=1), first
        held = pixels
    if held is not None:
        yield av.VideoFrame.from_ndarray(held, "rgba").reformat(format=pixel_format, threads=1), frames


def in_frame(picture: Pixels | None, box: tuple[int, int, int, int], size: tuple[int, int]) -> Pixels:
    """A picture at its place in an otherwise empty frame; None is the empty frame."""
    full = np.zeros((size[1], size[0], 4), dtype=np.uint8)
    if picture is not None:
        left, top, right, bottom = box
        full[top:bottom, left:right] = picture
    return full
