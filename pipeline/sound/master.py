"""Bringing a mix to its loudness with its true peak under a ceiling.

The limiter's gain is an explicit curve, one point each :data:`_BLOCK` samples. Because that
curve is slow beside the wave, the K-weighted power of the limited mix is the power of the
mix times the curve squared: the gain that gives the wanted loudness is found on those few
numbers, and the audio itself is touched once. The result is then measured for itself.

References
----------
ITU-R BS.1770-4: K-weighting, 400 ms blocks with 75 % overlap, gates at -70 LUFS and 10 LU
under the mean of what passes the first.
"""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from pipeline.sound.errors import SoundError
from pipeline.sound.loudness import Loudness, gap_peaks, measure, true_peak_dbtp

Audio = npt.NDArray[np.float32]
Floats = npt.NDArray[np.float64]
TARGET_RANGE: Final = (-60.0, -5.0)  # LUFS
_BLOCK: Final = 128
_LOOK_BLOCKS: Final = 2  # the gain moves over five blocks, 13 ms at 48 kHz
_RELEASE_S: Final = 0.09
_MARGIN_DB: Final = 0.05  # other meters interpolate a little differently


def k_power(audio: npt.NDArray[Any], rate: int) -> Floats:
    """K-weighted power, channels summed, in steps of 10 ms: shape (n / (rate / 100),)."""
    from pyloudnorm.iirfilter import IIRfilter
    from scipy.signal import sosfilt

    # the two stages of BS.1770-4 as pyloudnorm's class "DeMan" states them, for any rate
    shelf = IIRfilter(3.99984385397, 0.7071752369554193, 1681.9744509555319, rate, "high_shelf_DeMan")
    low_cut = IIRfilter(0.0, 0.5003270373253953, 38.13547087613982, rate, "high_pass_DeMan")
    stages = np.array([np.concatenate([f.b, f.a]) for f in (shelf, low_cut)], dtype=np.float64)
    step = rate // 100
    data = audio[:, None] if audio.ndim == 1 else audio
    total = np.zeros(-(-len(data) // step))
    for channel in data.T:
        wave = sosfilt(stages, np.ascontiguousarray(channel, dtype=np.float64))
        wave = np.pad(wave, (0, len(total) * step - len(wave)))
        total += np.square(wave).reshape(-1, step).mean(axis=1)
    return np.asarray(total, dtype=np.float64)


def gated_lufs(power: Floats) -> float:
    """Integrated loudness from :func:`k_power`; -inf under the absolute gate."""
    if len(power) < 40:
        power = np.tile(power, math.ceil(40 / max(1, len(power))))
    sums = np.concatenate([[0.0], np.cumsum(power)])
    blocks = (sums[40::10] - sums[:-40:10][: len(sums[40::10])]) / 40.0
    levels = -0.691 + 10.0 * np.log10(np.maximum(blocks, 1e-20))
    loud = blocks[levels > -70.0]
    if not len(loud):
        return -math.inf
    gate = -0.691 + 10.0 * math.log10(float(loud.mean())) - 10.0
    kept = blocks[(levels > -70.0) & (levels > gate)]
    return float(-0.691 + 10.0 * math.log10(float(kept.mean())))


def block_peaks_db(audio: Audio) -> Floats:
    """True peak of each block of :data:`_BLOCK` samples, decibels."""
    edges = np.arange(0, len(audio), _BLOCK)
    peaks = np.maximum.reduceat(np.abs(audio), edges, axis=0).max(axis=1).astype(np.float64)
    for places, heights in gap_peaks(audio):
        np.maximum.at(peaks, places // _BLOCK, heights)
    return np.asarray(20.0 * np.log10(np.maximum(peaks, 1e-9)), dtype=np.float64)


def _reduction_db(over_db: Floats, rate: int) -> Floats:
    """The limiter's curve: at each block at least what it and its neighbours need, risen to
    smoothly before the peak, and let go slowly after it."""
    from scipy.ndimage import maximum_filter1d, uniform_filter1d

    need = np.maximum(over_db, 0.0)
    if not need.any():
        return need
    # each mean below runs over values that all hold the block's need and its neighbours'
    # (between two points the gain is a straight line)
    need = maximum_filter1d(need, 2 * _LOOK_BLOCKS + 3, mode="nearest")
    decay = math.exp(-_BLOCK / rate / _RELEASE_S)
    held = 0.0
    out = []
    for value in need.tolist():
        held = max(value, held * decay)
        out.append(held)
    return np.asarray(uniform_filter1d(out, 2 * _LOOK_BLOCKS + 1, mode="nearest"), dtype=np.float64)


def _applied(audio: Audio, gain_db: float, reduction_db: Floats) -> Audio:
    if not reduction_db.any():
        return np.asarray(audio * np.float32(10 ** (gain_db / 20)), dtype=np.float32)
    centres = (np.arange(len(reduction_db)) + 0.5) * _BLOCK
    curve = 10 ** ((gain_db - reduction_db) / 20)
    gains = np.interp(np.arange(len(audio)), centres, curve).astype(np.float32)
    return np.asarray(audio * gains[:, None], dtype=np.float32)


def limit(
    audio: Audio, rate: int, *, ceiling_dbtp: float, gain_db: float = 0.0, peaks_db: Floats | None = None
) -> Audio:
    """Audio (n, channels) with ``gain_db`` and its true peak at or under ``ceiling_dbtp``;
    length and start stay as they are. ``peaks_db``: its block peaks, where already known."""
    peaks = (block_peaks_db(audio) if peaks_db is None else peaks_db) + gain_db
    aim = ceiling_dbtp - _MARGIN_DB
    out = audio
    for _ in range(4):
        out = _applied(audio, gain_db, _reduction_db(peaks - aim, rate))
        over = true_peak_dbtp(out, rate) - ceiling_dbtp
        if over <= -0.2 * _MARGIN_DB:
            return out
        aim -= max(0.0, over) + 0.02
    return np.asarray(out * np.float32(10 ** (-(over + 0.01) / 20)), dtype=np.float32)


def master(audio: Audio, rate: int, *, target_lufs: float, ceiling_dbtp: float) -> tuple[Audio, Loudness]:
    """The mix (n, 2) at its target loudness, true peak under the ceiling, and its measure.

    When the limiter would have to take off more than 12 dB the result stays quieter.

    Raises
    ------
    SoundError : a target or ceiling that makes no sense, or a silent mix.
    """
    if not TARGET_RANGE[0] <= target_lufs <= TARGET_RANGE[1]:
        raise SoundError(f"a target loudness is between -60 and -5 LUFS, got {target_lufs:g}")
    if not -20.0 <= ceiling_dbtp <= 0.0:
        raise SoundError(f"a true-peak ceiling is between -20 and 0 dBTP, got {ceiling_dbtp:g}")
    power = k_power(audio, rate)
    now = gated_lufs(power)
    if not math.isfinite(now):
        raise SoundError("the mix is silent", "give the chart at least one chord or the band drums")
    peaks = block_peaks_db(audio)
    centres = (np.arange(len(peaks)) + 0.5) * _BLOCK
    steps = (np.arange(len(power)) + 0.5) * (rate // 100)
    gain_db = target_lufs - now
    most_db = ceiling_dbtp + 12.0 - float(peaks.max())
    for _ in range(12):
        reduction = _reduction_db(peaks + gain_db - ceiling_dbtp, rate)
        shaped = power * 10 ** ((gain_db - np.interp(steps, centres, reduction)) / 10)
        missing = target_lufs - gated_lufs(shaped)
        if abs(missing) < 0.01 or (missing > 0 and gain_db >= most_db):
            break
        gain_db = min(most_db, gain_db + 1.1 * missing) if missing > 0 else gain_db + missing
    out = limit(audio, rate, ceiling_dbtp=ceiling_dbtp, gain_db=gain_db, peaks_db=peaks)
    return out, measure(out, rate)
