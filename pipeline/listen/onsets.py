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

from collections.abc import Sequence
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
_UNSURE_S: Final = 0.15  # how well the length of a pause is known at most
_SHARP: Final = 256  # 12 ms: the window of the last, sharp look


@dataclass(frozen=True)
class Curve:
    """Evidence for one event: ``value[k]`` at ``start_s + k * HOP_S``.

    rise : the part from the note's own partials, in nepers; stroke : from everything
    window_s : length of the frame
    growth : how fast the partials' plain amplitude grows: logarithms favour the first faint
        trace of a note in the frame, amplitude its middle, so this is what places it
    """

    start_s: float
    value: Floats
    rise: Floats
    stroke: Floats
    growth: Floats
    window_s: float


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
    return np.asarray(np.maximum(0.0, (after - before) / span))


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
        return np.asarray(values / (values.max() + low))

    heavy = 0.25 if event.slurred else 0.7
    if midis:
        value = scaled(rise, 0.15) + 0.4 * scaled(step, 0.2) + heavy * scaled(stroke, 0.1)
    else:
        value = 2.0 * scaled(stroke, 0.1)
    return Curve(first / RATE, value, rise, stroke, growth, window / RATE)


def _fit(x: Floats, y: Floats, w: Floats, whole: float) -> tuple[float, float]:
    """(value, slope) at x = 0 of a weighted parabola through the points; a straight line if they
    are few, drawn a little towards the slope ``whole``."""
    total = w.sum()
    mean_x, mean_y = float((w * x).sum() / total), float((w * y).sum() / total)
    spread = float((w * (x - mean_x) ** 2).sum() / total)
    pull = 1e-3 + 0.05 * spread
    slope = float((w * (x - mean_x) * (y - mean_y)).sum() / total + pull * whole) / (spread + pull)
    left = y - mean_y - slope * (x - mean_x)
    if np.count_nonzero(w > 0.1 * w.max()) < 5 or spread <= 0:
        return mean_y - slope * mean_x, slope
    # what the line leaves, explained by the curvature; ridge: a drift of tempo is gentle
    basis = np.stack([np.ones_like(x), x - mean_x, (x - mean_x) ** 2])
    normal = (basis * w) @ basis.T / total
    normal[2, 2] += 0.1 * spread**2
    normal[1, 1] += pull
    constant, tilt, curvature = np.linalg.solve(normal, (basis * w) @ left / total)
    value = mean_y - slope * mean_x + constant - tilt * mean_x + curvature * mean_x**2
    return float(value), float(slope + tilt - 2 * curvature * mean_x)


def steady(nominal: Floats, seconds: Floats, weights: Floats, *, reach_s: float,
           at: Floats | None = None) -> tuple[Floats, Floats]:  # fmt: skip
    """Local fit of ``seconds`` over ``nominal`` time: (places, slopes).

    at : nominal times to fit at; None: at each point itself, that point left out, so that
        ``places`` are where its neighbours put it

    Weighted by distance (Gaussian of ``reach_s``) and by ``weights``.
    """
    own = at is None
    targets = nominal if at is None else at
    places, slopes = np.empty(len(targets)), np.empty(len(targets))
    whole = float(np.polyfit(nominal, seconds, 1)[0]) if len(nominal) > 1 and np.ptp(nominal) > 0 else 1.0
    for i, target in enumerate(targets):
        middle = int(np.searchsorted(nominal, target))
        low, high = np.searchsorted(nominal, [target - 3 * reach_s, target + 3 * reach_s])
        low, high = min(int(low), max(0, middle - 3)), max(int(high), min(len(nominal), middle + 4))
        x, y = nominal[low:high] - target, seconds[low:high]
        reach = max(reach_s, 0.5 * float(np.sort(np.abs(x))[min(3, len(x) - 1)]))
        w = weights[low:high] * np.exp(-0.5 * (x / reach) ** 2) + 1e-6
        if own:
            w[i - low] = 0.0
        if w.sum() <= 0:
            places[i], slopes[i] = seconds[i] if own else seconds[low] + whole * -x[0], whole
            continue
        places[i], slope = _fit(x, y, w, whole)
        slopes[i] = float(np.clip(slope, 0.4 * whole, 2.5 * whole))
    return places, slopes


def choose(curves: Sequence[Curve], nominal: Floats, rough: Floats, slopes: Floats, held: Floats, *,
           loose_s: float, pull_s: float) -> Floats:  # fmt: skip
    """The moments of all events together: most evidence, steadiest tempo.

    loose_s : by how much an interval may differ from the local tempo at little cost
    pull_s : likewise for the distance from the rough place
    held : pauses before each event, see ``pipeline.listen.breaths``
    """
    states = len(curves[0].value)
    offsets = np.arange(states) * HOP_S
    pull = [0.5 * ((c.start_s + offsets - r) / pull_s) ** 2 for c, r in zip(curves, rough, strict=True)]
    best = curves[0].value - pull[0]
    back = np.zeros((len(curves), states), dtype=np.int32)
    for i in range(1, len(curves)):
        wanted = (nominal[i] - nominal[i - 1]) * 0.5 * (slopes[i] + slopes[i - 1])
        pause = held[i] - held[i - 1]
        gaps = (curves[i].start_s + offsets)[:, None] - (curves[i - 1].start_s + offsets)[None, :]
        sigma = loose_s + 0.06 * wanted
        wanted += pause
        sigma += min(_UNSURE_S, 0.3 * pause)
        off = ((gaps - wanted) / sigma) ** 2
        # late (a hesitation) is easier believed than early (two notes on one stroke)
        slow = 1.08 + 0.24 * (np.sqrt(off) - 3.0)
        penalty = np.where(off < 9.0, 0.12 * off, np.where(gaps > wanted, slow, np.minimum(0.12 * off, 6.0)))
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
    peak_s = curve.start_s + top * HOP_S + _between(curve.growth, top)
    # of a sudden start the growth is the frame's own shape, a quarter as high a third of the frame
    # earlier; a start that swells begins a third of a frame after the quarter height, not at the top
    quarter = 0.25 * curve.growth[top]
    for frame in range(top, max(0, top - round(0.7 * curve.window_s / HOP_S)), -1):
        above, below = curve.growth[frame], curve.growth[frame - 1]
        if below < quarter:
            at_s = curve.start_s + (frame - (above - quarter) / (above - below)) * HOP_S
            return float(min(peak_s, at_s + curve.window_s / 3))
    return float(peak_s)


def _between(value: Floats, state: int) -> float:
    """Seconds to add: the top of the parabola through a maximum and its neighbours."""
    if not 0 < state < len(value) - 1:
        return 0.0
    a, b, c = value[state - 1 : state + 2]
    if not (b >= a and b >= c) or a - 2 * b + c > -1e-9:
        return 0.0
    return float(np.clip(0.5 * (a - c) / (a - 2 * b + c), -0.5, 0.5)) * HOP_S


@dataclass(frozen=True, slots=True)
class Jump:
    """Where the energy jumps, and how far, in nepers of energy; below :data:`PLAIN` it may be chance."""

    second: float
    height: float


PLAIN: Final = 1.0


def sharpen(audio: Floats32, second: float, *, reach_s: float = 0.015, early_s: float = 0.03) -> Jump:
    """The millisecond near ``second`` at which the energy jumps most."""
    step = 22  # 1 ms
    count = 2 * round((max(reach_s, early_s) + 0.008) * RATE / step) + 1
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
    # an overdriven note swells for 20 ms after its stroke: rather look before than after
    jump = jump - 0.5 * (away / np.where(away < 0, 0.6 * early_s, 0.6 * reach_s)) ** 2
    top = int(jump.argmax())
    height = float(jump[top]) if 0 < top < count - 1 else 0.0
    return Jump(second + float(away[top]), height)


def all_curves(audio: Floats32, events: Sequence[Event], rough: Floats, *, cents: float, a4_hz: float,
               noise: float) -> list[Curve]:  # fmt: skip
    """:func:`curve` for every event."""
    return [
        curve(audio, event, float(near), cents=cents, a4_hz=a4_hz, noise=noise)
        for event, near in zip(events, rough, strict=True)
    ]
