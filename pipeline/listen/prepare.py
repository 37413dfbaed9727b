"""The recording made ready to be listened to: checked, mono, at one rate."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from pipeline.listen.errors import ListenError
from pipeline.listen.features import RATE
from pipeline.listen.score import Event
from pipeline.music.tab import Tab

Floats32 = npt.NDArray[np.float32]

FASTEST: Final = 2.2  # a take at more than this times the tab's tempo is not believed
SILENCE: Final = 3e-4  # -70 dBFS: nothing was recorded


def prepared(audio: npt.NDArray[Any], rate: int) -> Floats32:
    """Checked, mono float at RATE."""
    import soxr

    if rate <= 0:
        raise ListenError(f"a sample rate is greater than nothing, got {rate}")
    data = np.asarray(audio)
    if data.ndim != 1:
        raise ListenError(f"listening wants one channel, got an array of shape {data.shape}")
    if np.issubdtype(data.dtype, np.integer):
        data = data / float(np.iinfo(data.dtype).max)
    if len(data) == 0:
        raise ListenError("the recording is empty", "Export the take again.")
    if not np.isfinite(data).all():
        where = float(np.argmin(np.isfinite(data))) / rate
        raise ListenError(
            f"the recording holds values that are no numbers, the first at {where:.3f} s",
            "Export the take again, as 24-bit WAV or FLAC.",
        )
    mono = (data - data.mean()).astype(np.float32)  # a constant offset is no sound
    peak = float(np.abs(mono).max())
    if peak < SILENCE:
        level = 20 * np.log10(max(peak, 1e-9))
        raise ListenError(
            f"the recording is silent: its loudest sample is at {level:.0f} dBFS",
            "Check the input that was recorded, and export the take again.",
        )
    if rate != RATE:
        mono = soxr.resample(mono, rate, RATE)
    return np.ascontiguousarray(mono, dtype=np.float32)


def long_enough(sound: Floats32, happenings: Sequence[Event], tab: Tab) -> None:
    span = happenings[-1].nominal_s - happenings[0].nominal_s
    got = len(sound) / RATE
    if got < max(0.25, span / FASTEST):
        raise ListenError(
            f"the recording lasts {got:.1f} s, too short for this tab: from first to last note it takes "
            f"{span:.1f} s at its tempo of {tab.tempo_bpm:g}",
            "Check that the take is the right file and complete, and that the tab's tempo is right.",
        )


def noise_level(sound: Floats32, loud: float) -> float:
    """What a spectral bin of the recording's quiet moments reads at most."""
    size = 1024
    blocks = sound[: len(sound) // size * size].reshape(-1, size)
    sigma = float(np.percentile(np.sqrt((blocks.astype(np.float64) ** 2).mean(axis=1)), 5))
    # a Hann frame of white noise: 2 sqrt(sum w^2) / sum w = 2.45 / sqrt(size); thrice that
    return float(min(3 * 2.45 / np.sqrt(size) * sigma, 0.01 * loud))
