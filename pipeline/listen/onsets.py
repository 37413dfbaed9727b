"""The close look: when exactly each event starts.

Each event has a curve of evidence around its rough place: how much the predicted partials
rise there (spectral flux in the note's own bands), whether they stay (a step), and how much
everything rises (the stroke). The moments are then chosen together, as the best path
through all curves under a steady local tempo; last, a stroke is placed on the millisecond
where the waveform's energy jumps.

References
----------
Bello, J. P. et al. (2005), "A tutorial on onset detection in music signals", IEEE TSAP 13(5)
(spectral flux; centred frames). Müller (2015), ch. 6.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from pipeline.listen.features import RATE, midi_hz, spectra
from pipeline.listen.score import Event

Floats = npt.NDArray[np.float64]
Floats32 = npt.NDArray[np.float32]

HOP: Final = 110  # 5 ms
HOP_S: Final = HOP / RATE
REACH_S: Final = 0.32  # how far from its rough place an event is looked for
_FFT: Final = 2048
_SHARP: Final = 256  # 12 ms: the window of the last, sharp look


@dataclass(frozen=True)
class Curve:
    """Evidence for one event: ``value[k]`` at ``start_s + k * HOP_S``.

    rise : the part from the note's own partials, in nepers; stroke : from everything
    growth : how fast the partials' plain amplitude grows: logarithms favour the first faint
        trace of a note in the frame, amplitude its middle, so this is what places it
    """

    start_s: float
    value: Floats
    rise: Floats
    stroke: Floats
    growth: Floats


def _partial_levels(level: Floats32, midis: Sequence[float], a4_hz: float) -> tuple[Floats, Floats]:
    """Levels at the predicted partials, shape (frames, partials), and their weights."""
    columns, weights = [], []
    for midi in midis:
        base = float(midi_hz(midi, a4_hz=a4_hz))
        for partial in range(1, 11):
            hz = base * partial
            if hz > 6000.0:
                break
            place = hz * _FFT / RATE
            spread = max(1.0, 0.02 * place)
            low, high = int(np.floor(place - spread)), int(np.ceil(place + spread)) + 1
            columns.append(level[:, max(0, low) : high].max(axis=1))
            weights.append(1.0 / np.sqrt(partial))
    return np.asarray(columns, dtype=np.float64).T, np.asarray(weights)


def _rise(level: Floats, lag: int) -> Floats:
    """Half-wave rectified central difference over ``2 * lag`` frames."""
    out = np.zeros_like(level)
    out[lag:-lag] = np.maximum(0.0, level[2 * lag :] - level[: -2 * lag])
    return out


def _steps(level: Floats, span: int) -> Floats:
    """Mean of the ``span`` frames after minus that of those before, rectified."""
    total = np.cumsum(np.pad(level, ((span + 1, span), (0, 0)), mode="edge"), axis=0)
    n = len(level)
    after = total[2 * span + 1 :][:n] - total[span + 1 : span + 1 + n]
    before = total[span : span + n] - total[:n]
    return np.maximum(0.0, (after - before) / span)


def curve(audio: Floats32, event: Event, near_s: float, *, cents: float, a4_hz: float, noise: float) -> Curve:
    """Evidence for an event within :data:`REACH_S` of ``near_s``."""
    count = 2 * round(REACH_S / HOP_S) + 1
    first = round(near_s * RATE) - (count // 2) * HOP
    midis = [note.midi + cents / 100.0 for note in event.notes if note.pitched]
    window = 2048 if midis and min(midis) < 43 else 1024
    spectrum = np.concatenate(
        list(spectra(audio, fft=_FFT, window=window, hop=HOP, first=first, count=count))
    )
    floor = max(noise, 0.01 * float(spectrum.max()), 1e-7)
    level = np.log1p(spectrum / floor)
    lag = 2
    top = round(8000 * _FFT / RATE)
    stroke = _rise(level[:, 8:top].astype(np.float64), lag).mean(axis=1)
    if midis:
        partials, weights = _partial_levels(level, midis, a4_hz)
        share = weights / weights.sum()
        rise = _rise(partials, lag) @ share
        step = _steps(partials, 10) @ share
        plain, _ = _partial_levels(spectrum, midis, a4_hz)
        plain /= plain.max(axis=0, keepdims=True) + floor
        growth = _rise(plain, 1) @ share
    else:
        rise = step = np.zeros(count)
        growth = _rise(spectrum[:, 8:top].astype(np.float64), 1).mean(axis=1)

    def scaled(values: Floats, low: float) -> Floats:
        return values / (values.max() + low)

    heavy = 0.25 if event.slurred else 0.7
    if midis:
        value = scaled(rise, 0.15) + 0.4 * scaled(step, 0.2) + heavy * scaled(stroke, 0.1)
    else:
        value = 2.0 * scaled(stroke, 0.1)
    return Curve(first / RATE, value, rise, stroke, growth)


def steady(nominal: Floats, seconds: Floats, weights: Floats, *, reach_s: float) -> tuple[Floats, Floats]:
    """Local straight-line fit of ``seconds`` over ``nominal`` time, around each point, that point
    left out.

    Returns (where the neighbours put each point, local slope). Weighted by distance (Gaussian
    of ``reach_s``) and ``weights``; with fewer than three neighbours the reach grows.
    """
    count = len(nominal)
    places, slopes = np.empty(count), np.empty(count)
    whole = np.polyfit(nominal, seconds, 1)[0] if count > 1 and np.ptp(nominal) > 0 else 1.0
    for i in range(count):
        low, high = np.searchsorted(nominal, [nominal[i] - 3 * reach_s, nominal[i] + 3 * reach_s])
        low, high = min(low, max(0, i - 3)), max(high, min(count, i + 4))
        x, y = nominal[low:high] - nominal[i], seconds[low:high]
        w = weights[low:high] * np.exp(-0.5 * (x / reach_s) ** 2) + 1e-6
        w[i - low] = 0.0
        if w.sum() <= 0:
            places[i], slopes[i] = seconds[i], whole
            continue
        mean_x, mean_y = np.average(x, weights=w), np.average(y, weights=w)
        spread = np.average((x - mean_x) ** 2, weights=w)
        # a little of the overall tempo steadies fits that lean on near neighbours only
        pull = 0.02 * reach_s**2
        slope = (np.average((x - mean_x) * (y - mean_y), weights=w) + pull * whole) / (spread + pull)
        places[i], slopes[i] = mean_y - slope * mean_x, max(0.2 * whole, slope)
    return places, slopes


def choose(curves: Sequence[Curve], nominal: Floats, rough: Floats, slopes: Floats, *, loose_s: float,
           pull_s: float) -> Floats:  # fmt: skip
    """The moments of all events together: most evidence, steadiest tempo.

    loose_s : by how much an interval may differ from the local tempo at little cost
    pull_s : likewise for the distance from the rough place
    """
    states = len(curves[0].value)
    offsets = np.arange(states) * HOP_S
    pull = [0.5 * ((c.start_s + offsets - r) / pull_s) ** 2 for c, r in zip(curves, rough, strict=True)]
    best = curves[0].value - pull[0]
    back = np.zeros((len(curves), states), dtype=np.int32)
    for i in range(1, len(curves)):
        wanted = (nominal[i] - nominal[i - 1]) * 0.5 * (slopes[i] + slopes[i - 1])
        gaps = (curves[i].start_s + offsets)[:, None] - (curves[i - 1].start_s + offsets)[None, :]
        sigma = loose_s + 0.06 * wanted
        off = ((gaps - wanted) / sigma) ** 2
        # robust: beyond three sigma the cost grows slowly; backwards is out of the question
        penalty = np.where(off < 9.0, 0.12 * off, 1.08 + 0.24 * (np.sqrt(off) - 3.0))
        penalty[gaps < 0.012] = 1e3
        total = best[None, :] - penalty
        back[i] = total.argmax(axis=1)
        best = total[np.arange(states), back[i]] + curves[i].value - pull[i]
    state = int(best.argmax())
    found = np.empty(len(curves))
    for i in range(len(curves) - 1, -1, -1):
        found[i] = _place(curves[i], state)
        state = int(back[i, state])
    return found


def _place(curve: Curve, state: int) -> float:
    """The chosen moment, moved to where the amplitude grows fastest close by."""
    low = max(0, state - 2)
    near = curve.growth[low : state + 5]
    top = low + int(near.argmax())
    return curve.start_s + top * HOP_S + _between(curve.growth, top)


def _between(value: Floats, state: int) -> float:
    """Seconds to add: the top of the parabola through a maximum and its neighbours."""
    if not 0 < state < len(value) - 1:
        return 0.0
    a, b, c = value[state - 1 : state + 2]
    if not (b >= a and b >= c) or a - 2 * b + c > -1e-9:
        return 0.0
    return float(np.clip(0.5 * (a - c) / (a - 2 * b + c), -0.5, 0.5)) * HOP_S


def sharpen(audio: Floats32, second: float, *, reach_s: float = 0.015) -> float | None:
    """The millisecond near ``second`` at which the energy jumps, or None when no jump stands out."""
    step = 22  # 1 ms
    count = 2 * round((reach_s + 0.008) * RATE / step) + 1
    first = round(second * RATE) - (count // 2) * step
    begin = first - _SHARP
    need = (count - 1) * step + 2 * _SHARP
    piece = audio[max(0, begin) : max(0, begin + need)].astype(np.float64)
    piece = np.pad(piece, (max(0, min(-begin, need)), 0))
    piece = np.pad(piece, (0, max(0, need - len(piece))))
    # pre-emphasis: a stroke is bright, what rings on is not
    piece = np.diff(piece, prepend=piece[:1])
    total = np.concatenate([[0.0], np.cumsum(piece**2)])
    centre = np.arange(count) * step + _SHARP
    jump = np.zeros(count)
    # the long window knows a stroke from the pulses of a low string, the short one its place
    for span, weight in ((_SHARP, 0.6), (_SHARP // 4, 0.4)):
        after = total[np.minimum(centre + span, len(total) - 1)] - total[centre]
        before = total[centre] - total[centre - span]
        floor = 1e-3 * max(after.max(), before.max()) + 1e-14
        jump += weight * np.log((after + floor) / (before + floor))
    away = (np.arange(count) - count // 2) * step / RATE
    jump = jump - 0.5 * (away / (0.6 * reach_s)) ** 2
    top = int(jump.argmax())
    if jump[top] < 1.0 or top in (0, count - 1):
        return None
    return second + float(away[top])


def all_curves(audio: Floats32, events: Sequence[Event], rough: Floats, *, cents: float, a4_hz: float,
               noise: float, progress: Callable[[float], None] | None = None) -> list[Curve]:  # fmt: skip
    """:func:`curve` for every event."""
    found = []
    for place, (event, near) in enumerate(zip(events, rough, strict=True)):
        found.append(curve(audio, event, float(near), cents=cents, a4_hz=a4_hz, noise=noise))
        if progress is not None and place % 50 == 0:
            progress(place / len(events))
    return found
