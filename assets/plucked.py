"""A plucked string in numpy, and what stands between the string and the microphone.

One delay line for each string runs through the whole take, as on the instrument: a new
note is struck into what still rings, a bend or a slide changes the length of the line, a
palm or a lifted finger changes its loss. Nothing here is shared with the tool's own
synthesizers, so a take made with it is foreign to them.

Conventions
-----------
Arrays run at ``RATE`` samples a second. ``t60_s`` is the time in which a note falls by 60 dB.

References
----------
Karplus, K., Strong, A. (1983), "Digital synthesis of plucked-string and drum timbres",
Computer Music Journal 7(2). Jaffe, D., Smith, J. (1983), "Extensions of the Karplus-Strong
plucked-string algorithm", ibid. Laakso, T. et al. (1996), "Splitting the unit delay", IEEE
Signal Processing Magazine 13(1) (Lagrange interpolation of third order).
"""

from __future__ import annotations

from dataclasses import dataclass

import numba
import numpy as np
import numpy.typing as npt
from scipy import signal

RATE = 48_000
Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Build:
    """How an instrument is built, strung and heard.

    t60_s : of its lowest open string; higher notes die sooner
    loss : 0..0.5, how fast high partials die in the string
    pluck_at : place of the pluck as a share of the string
    contact_hz : how hard pick or flesh is (upper limit of what it excites)
    contact_noise : share of noise in the pluck
    body : resonances (hertz, quality, gain)
    pickup_at : place of a magnetic pickup as a share of the string, or None for a body
    drive : 0 for none, about 4 for an amplifier that sings
    lowest_hz, speaker_hz : where the speaker, or the microphone, begins and stops
    room_s, room : reverberation time and share of the room
    roll_s : between neighbouring strings of one chord
    """

    t60_s: float
    loss: float
    pluck_at: float
    contact_hz: float
    contact_noise: float
    body: tuple[tuple[float, float, float], ...]
    pickup_at: float | None
    drive: float
    speaker_hz: float
    room_s: float
    room: float
    roll_s: float
    vibrato_hz: float = 5.3
    hum_db: float | None = None
    lowest_hz: float = 60.0


# chosen by ear; the body resonances are near those measured on such instruments (from memory)
BUILDS = {
    "electric guitar": Build(
        5.0, 0.13, 0.11, 7500, 0.25, (), 0.22, 3.2, 4700, 0.35, 0.10, 0.006, hum_db=-70.0
    ),
    "nylon guitar": Build(
        3.2, 0.30, 0.21, 3200, 0.12, ((103, 12, 0.9), (205, 14, 0.7), (390, 16, 0.35), (950, 8, 0.2)),
        None, 0.0, 9000, 0.55, 0.20, 0.011, vibrato_hz=4.8,
    ),
    "bass": Build(6.0, 0.22, 0.16, 3000, 0.10, (), 0.15, 0.8, 3600, 0.25, 0.04, 0.006, hum_db=-74.0, lowest_hz=28.0),
    "ukulele": Build(
        2.8, 0.20, 0.18, 3800, 0.15, ((238, 10, 0.9), (420, 12, 0.7), (710, 12, 0.4), (1400, 8, 0.25)),
        None, 0.0, 10000, 0.40, 0.16, 0.013,
    ),
}  # fmt: skip


@numba.njit(cache=True)  # type: ignore[misc]
def run_string(excitation: Floats, period: Floats, gain: Floats, loss: Floats) -> Floats:
    """One string over the whole take; ``period`` in samples, ``gain`` a round trip, ``loss`` 0..0.5."""
    count = excitation.shape[0]
    size = 8192
    line = np.zeros(size)
    out = np.zeros(count)
    before = 0.0
    for n in range(count):
        # the two-point average behind the line is itself ``loss`` samples late
        delay = period[n] - loss[n]
        whole = int(np.floor(delay))
        f = delay - whole
        a = line[(n - whole + 1) % size]
        b = line[(n - whole) % size]
        c = line[(n - whole - 1) % size]
        d = line[(n - whole - 2) % size]
        value = (
            -a * f * (f - 1.0) * (f - 2.0) / 6.0
            + b * (f + 1.0) * (f - 1.0) * (f - 2.0) / 2.0
            - c * (f + 1.0) * f * (f - 2.0) / 2.0
            + d * (f + 1.0) * f * (f - 1.0) / 6.0
        )
        back = gain[n] * ((1.0 - loss[n]) * value + loss[n] * before)
        before = value
        line[n % size] = excitation[n] + back
        out[n] = line[n % size]
    return out


def pluck(period: float, *, at: float, contact_hz: float, noise: float, rng: np.random.Generator) -> Floats:
    """What one stroke puts into the string: two opposite pulses as far apart as the place of the pluck."""
    width = max(3, int(RATE / contact_hz))
    pulse = np.hanning(width + 2)[1:-1]
    pulse = pulse / np.sqrt(np.sum(pulse**2))
    gap = max(1, round(at * period))
    stroke = np.zeros(int(period) + width + gap + 2)
    stroke[:width] += pulse
    stroke[gap : gap + width] -= pulse
    grain = rng.standard_normal(int(period))
    grain = signal.lfilter(*signal.butter(2, min(0.9, 2 * contact_hz / RATE)), grain)
    grain -= grain.mean()
    stroke[: len(grain)] += noise * 1.4 * grain / np.sqrt(np.sum(grain**2) + 1e-12)
    return np.asarray(stroke, dtype=np.float64)


def tilted(sound: Floats, corner_hz: float) -> Floats:
    """Falling by 6 dB an octave above the corner."""
    return np.asarray(signal.lfilter(*signal.butter(1, 2 * corner_hz / RATE), sound))


def through_body(strings: Floats, build: Build) -> Floats:
    """The wood: its resonances beside the plain string."""
    plain = signal.lfilter(*signal.butter(1, 2 * 70 / RATE, "high"), strings)
    out = 0.55 * plain
    for hz, quality, gain in build.body:
        out = out + gain * 2.0 * signal.lfilter(*signal.iirpeak(hz, quality, fs=RATE), plain)
    return np.asarray(signal.sosfilt(signal.butter(3, build.speaker_hz, fs=RATE, output="sos"), out))


def through_amplifier(strings: Floats, build: Build) -> Floats:
    """Valves and a speaker: soft clipping at four times the rate, then a band of the speaker's width."""
    level = strings / (np.percentile(np.abs(strings), 99.5) + 1e-9)
    fast = signal.resample_poly(level, 4, 1)
    fast = np.tanh(build.drive * (fast + 0.08)) - np.tanh(build.drive * 0.08) if build.drive else fast
    out = signal.resample_poly(fast, 1, 4)[: len(strings)]
    low = signal.butter(2, build.lowest_hz, "high", fs=RATE, output="sos")
    high = signal.butter(4, build.speaker_hz, fs=RATE, output="sos")
    out = signal.sosfilt(high, signal.sosfilt(low, out))
    return np.asarray(out + 0.4 * signal.lfilter(*signal.iirpeak(2300, 1.5, fs=RATE), out))


def in_a_room(dry: Floats, *, seconds: float, share: float, rng: np.random.Generator) -> Floats:
    """(n,) dry -> (n, 2): early reflections and a tail of decaying noise, one of its own on each side."""
    time = np.arange(int(RATE * seconds)) / RATE
    sides = []
    for _ in range(2):
        tail = rng.standard_normal(len(time)) * 10 ** (-3 * time / seconds)
        tail[: int(0.012 * RATE)] = 0
        tail = signal.lfilter(*signal.butter(1, 2 * 3500 / RATE), tail)
        for _ in range(5):
            tail[int(rng.uniform(0.006, 0.035) * RATE)] += rng.uniform(1.5, 3.0)
        tail /= np.sqrt(np.sum(tail**2))
        sides.append(dry + share * 2.0 * signal.fftconvolve(dry, tail)[: len(dry)])
    return np.stack(sides, axis=1)


def room_noise(count: int, *, hum_db: float | None, rng: np.random.Generator) -> Floats:
    """(n, 2): air, street and, with an amplifier, its hum."""
    air = rng.standard_normal((count, 2))
    air = signal.lfilter(*signal.butter(1, 2 * 400 / RATE), air, axis=0)
    air *= 10 ** (-66 / 20) / np.sqrt(np.mean(air**2))
    if hum_db is not None:
        time = np.arange(count) / RATE
        hum = sum(np.sin(2 * np.pi * hz * time) / k for k, hz in ((1, 50), (2, 100), (2, 150), (4, 250)))
        air += 10 ** (hum_db / 20) * np.asarray(hum)[:, None]
    return np.asarray(air)


def knock(rng: np.random.Generator, *, hz: float = 210.0) -> Floats:
    """A knuckle on wood."""
    time = np.arange(int(0.12 * RATE)) / RATE
    wood = sum(np.sin(2 * np.pi * hz * r * time) * np.exp(-time * 45 * r) / r for r in (1, 1.62, 2.7))
    skin = rng.standard_normal(len(time)) * np.exp(-time * 600)
    return np.asarray(0.5 * wood + 0.25 * skin)


def creak(rng: np.random.Generator) -> Floats:
    """A chair."""
    time = np.arange(int(0.5 * RATE)) / RATE
    grain = signal.lfilter(
        *signal.iirpeak(330 + 60 * rng.random(), 4, fs=RATE), rng.standard_normal(len(time))
    )
    steps = np.clip(np.sin(2 * np.pi * (9 + 14 * time) * time), 0, None) ** 3
    return np.asarray(grain * steps * np.hanning(len(time)))
