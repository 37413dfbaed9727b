"""What can be measured once the notes are placed: the tuning to the cent, and the end."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from pipeline.listen import features
from pipeline.listen.features import RATE
from pipeline.listen.judge import Verdict
from pipeline.listen.score import Event, wavering
from pipeline.music.timemap import TimeMap

Floats = npt.NDArray[np.float64]
Floats32 = npt.NDArray[np.float32]


def refined_cents(
    sound: Floats32,
    happenings: Sequence[Event],
    seconds: Floats,
    verdicts: dict[int, Verdict],
    cents: float,
    a4_hz: float,
) -> float:
    """The tuning once more, now from the partials of notes whose pitch is known and still."""
    found: list[float] = []
    for place, event in enumerate(happenings):
        note = event.notes[0]
        if len(event.notes) > 1 or not note.pitched or wavering(note) or not verdicts[note.index].fits:
            continue
        centre = round((float(seconds[place]) + 0.11) * RATE)
        (spectrum,) = features.spectra(sound, fft=features.FFT, hop=1, first=centre, count=1)
        level = np.log(spectrum[0] + 1e-9)
        base = float(features.midi_hz(note.midi + cents / 100.0, a4_hz=a4_hz))
        for partial in (1, 2, 3):
            place_hz = partial * base
            if not 150.0 < place_hz < 2000.0:
                continue
            middle = place_hz * features.FFT / RATE
            low, high = int(middle * 0.97), int(middle * 1.03) + 2
            top = low + int(level[low:high].argmax())
            a, b, c = level[top - 1 : top + 2]
            if not (b > a and b >= c) or b < level.max() - 4.0:
                continue
            exact = top + 0.5 * (a - c) / (a - 2 * b + c)
            found.append(1200.0 * float(np.log2(exact / middle)))
    near = [c for c in found if abs(c) < 45.0]
    return cents + float(np.median(near)) if len(near) >= 5 else cents


def end_of_last(
    sound: Floats32,
    happenings: Sequence[Event],
    time_map: TimeMap,
    *,
    cents: float,
    a4_hz: float,
    noise: float,
    slope: float,
) -> float:
    """When the partials of the last notes have fallen 40 dB, or below the noise, for a tenth of a second."""
    latest = max(note.end_s for event in happenings for note in event.notes)
    last = [n for e in happenings for n in e.notes if n.end_s > latest - 0.05 and n.pitched]
    final = time_map.seconds_at(happenings[-1].quarter)
    total = len(sound) / RATE
    if not last:
        return float(min(total, final + 0.1))
    start = final
    hop_s = 0.01
    span = slope * (latest - happenings[-1].nominal_s) + 6.0
    count = max(1, int(min(span, total - start) / hop_s))
    size = 2048
    spectrum = np.concatenate(
        list(
            features.spectra(sound, fft=size, hop=round(hop_s * RATE), first=round(start * RATE), count=count)
        )
    )
    columns: set[int] = set()
    for note in last:
        for midi in {m for _, m in note.curve}:
            for partial in range(1, 7):
                hz = partial * float(features.midi_hz(midi + cents / 100.0, a4_hz=a4_hz))
                low, high = (hz * ratio * size / RATE for ratio in (0.97, 1.03))
                columns.update(range(max(1, int(low)), min(size // 2, int(high) + 2)))
    level = spectrum[:, np.array(sorted(columns))].max(axis=1)
    floor = max(0.01 * float(level[: max(1, round(0.5 / hop_s))].max()), noise)
    quiet = level < floor
    run = 10
    for frame in range(3, len(quiet)):
        if quiet[frame : frame + run].all():
            return float(min(total, start + frame * hop_s))
    return float(min(total, start + len(quiet) * hop_s))
