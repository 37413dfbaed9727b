"""Loudness and true peak, and bringing a mix to a target of both.

References
----------
ITU-R BS.1770-4: K-weighting, gates, Annex 2 (true peak from at least four-fold
oversampling). EBU R 128 and EBU Tech 3341. The meter's filter class "DeMan" of pyloudnorm
keeps the standard's coefficients at 48 kHz (Tech 3341 cases within 0.03 LU).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from pipeline.sound.errors import SoundError

Audio = npt.NDArray[np.float32]
SILENT_LUFS: Final = -70.0  # BS.1770 absolute gate
_OVERSAMPLING: Final = 4
_BLOCK_S: Final = 0.4


@dataclass(frozen=True, slots=True)
class Loudness:
    """``integrated_lufs`` is -inf and ``true_peak_dbtp`` -inf for silence."""

    integrated_lufs: float
    true_peak_dbtp: float


def _checked(audio: npt.NDArray[Any]) -> npt.NDArray[Any]:
    if audio.ndim not in (1, 2) or audio.shape[0] == 0:
        raise SoundError(f"audio has the shape (samples,) or (samples, channels), got {audio.shape}")
    if not np.isfinite(audio).all():
        raise SoundError("the audio holds values that are not numbers")
    return audio


def integrated_lufs(audio: npt.NDArray[Any], rate: int) -> float:
    """Integrated loudness, LUFS; -inf when everything is under the absolute gate.

    Audio shorter than one gating block (400 ms) is measured as if repeated.

    Raises
    ------
    SoundError : empty audio, or values that are not finite.
    """
    import pyloudnorm

    data = np.asarray(_checked(audio), dtype=np.float64)
    needed = math.ceil(_BLOCK_S * rate) + 1
    if len(data) < needed:
        data = np.concatenate([data] * math.ceil(needed / len(data)))
    if not np.any(data):
        return -math.inf
    meter = pyloudnorm.Meter(rate, filter_class="DeMan")
    value = float(meter.integrated_loudness(data))
    return value if math.isfinite(value) and value > SILENT_LUFS else -math.inf


def true_peak_dbtp(audio: npt.NDArray[Any], rate: int) -> float:
    """True peak in dBTP, by four-fold oversampling; -inf for silence.

    Only stretches near the sample peak are oversampled: elsewhere the wave between samples
    cannot reach it (an inter-sample peak exceeds its neighbours by at most about 6 dB).

    Raises
    ------
    SoundError : see :func:`integrated_lufs`.
    """
    from scipy.signal import resample_poly

    data = np.asarray(_checked(audio), dtype=np.float32)
    if data.ndim == 1:
        data = data[:, None]
    highest = float(np.max(np.abs(data)))
    if highest == 0.0:
        return -math.inf
    block, edge = 8192, 256
    peak = highest
    for start in range(0, len(data), block):
        window = data[max(0, start - edge) : start + block + edge]
        if float(np.max(np.abs(window))) < 0.5 * highest:
            continue
        for channel in range(window.shape[1]):
            wave = resample_poly(window[:, channel], _OVERSAMPLING, 1)
            cut_low = (min(start, edge)) * _OVERSAMPLING
            cut_high = cut_low + block * _OVERSAMPLING
            peak = max(peak, float(np.max(np.abs(wave[cut_low:cut_high]), initial=0.0)))
    return 20.0 * math.log10(peak)


def measure(audio: npt.NDArray[Any], rate: int) -> Loudness:
    """Integrated loudness and true peak of audio, shape (n,) or (n, channels).

    Raises
    ------
    SoundError : empty audio, or values that are not finite.
    """
    return Loudness(integrated_lufs(audio, rate), true_peak_dbtp(audio, rate))


def limit(audio: Audio, rate: int, *, ceiling_dbtp: float) -> Audio:
    """Keep the true peak at or under ``ceiling_dbtp``; the length and start stay as they are.

    The limiter looks ahead and lets go slowly, so that the level does not pump; what its
    estimate of the peak between samples misses is taken off by a smaller ceiling.
    """
    import pedalboard

    if true_peak_dbtp(audio, rate) <= ceiling_dbtp:
        return audio
    aim = ceiling_dbtp - 0.1
    limited = audio
    for _ in range(4):
        limiter = pedalboard.BrickwallLimiter(
            ceiling_db=aim, release_ms=120.0, lookahead_ms=5.0, true_peak=True
        )
        limited = np.ascontiguousarray(limiter(audio.T, rate).T, dtype=np.float32)[: len(audio)]
        over = true_peak_dbtp(limited, rate) - ceiling_dbtp
        if over <= 0:
            return limited
        aim -= over + 0.05
    excess = true_peak_dbtp(limited, rate) - ceiling_dbtp
    return np.asarray(limited * 10 ** (-max(0.0, excess) / 20), dtype=np.float32)


def master(audio: Audio, rate: int, *, target_lufs: float, ceiling_dbtp: float) -> tuple[Audio, Loudness]:
    """The mix at its target loudness, true peak under the ceiling.

    Gain and limiter are repeated until the loudness is within 0.1 LU; when the limiter
    would have to work too hard the result stays as loud as it can be.

    Raises
    ------
    SoundError : a target or ceiling that makes no sense, or a silent mix.
    """
    if not -60.0 <= target_lufs <= -5.0:
        raise SoundError(f"a target loudness is between -60 and -5 LUFS, got {target_lufs:g}")
    if not -20.0 <= ceiling_dbtp <= 0.0:
        raise SoundError(f"a true-peak ceiling is between -20 and 0 dBTP, got {ceiling_dbtp:g}")
    now = integrated_lufs(audio, rate)
    if not math.isfinite(now):
        raise SoundError("the mix is silent", "give the chart at least one chord or the band drums")
    gain_db = target_lufs - now
    best = audio
    for _ in range(6):
        best = limit(
            np.asarray(audio * 10 ** (gain_db / 20), dtype=np.float32), rate, ceiling_dbtp=ceiling_dbtp
        )
        missing = target_lufs - integrated_lufs(best, rate)
        if abs(missing) <= 0.1:
            break
        gain_db += missing * 1.15
    return best, measure(best, rate)
