"""The one way to the ffmpeg program: how it is called, and how its failures are told."""

from __future__ import annotations

from collections.abc import Iterable

from pipeline.errors import MissingError, StepError


def ffmpeg_binary() -> str:
    """Raises MissingError when there is none."""
    import imageio_ffmpeg

    try:
        return str(imageio_ffmpeg.get_ffmpeg_exe())
    except RuntimeError as error:
        raise MissingError(
            f"there is no ffmpeg ({error}); get it again with: pip install --force-reinstall imageio-ffmpeg"
        ) from error


def ffmpeg_command(arguments: Iterable[str]) -> list[str]:
    """The whole command: it overwrites its output, and says nothing but errors."""
    return [ffmpeg_binary(), "-nostdin", "-hide_banner", "-loglevel", "error", "-y", *arguments]


def ffmpeg_failure(what: str, code: int, said: str) -> StepError:
    """``what`` could not be done; with the exit code and the program's last words."""
    last = (said.strip().splitlines() or ["without a word"])[-1]
    return StepError(f"{what}; ffmpeg stopped ({code}): {last}")
