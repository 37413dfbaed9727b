"""What is heard: spectra, semitone bands, their attacks, and the tuning.

Conventions
-----------
- Audio is mono float at :data:`RATE`; frames are centred on ``i * hop`` samples.
- Bands are semitones; band b is MIDI number ``LOWEST + b``, shifted by the tuning.
- Features are rows: shape (frames, bands).

References
----------
Müller, M. (2015), Fundamentals of Music Processing, ch. 3 (log-frequency spectrograms,
chroma, logarithmic compression), ch. 6 (spectral flux).
Ewert, S., Müller, M., Grosche, P. (2009), "High resolution audio synchronization using
chroma onset features", ICASSP (decaying chroma onset features).
"""

from __future__ import annotations

import functools
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import scipy.fft
import scipy.signal

Floats = npt.NDArray[np.float64]
Floats32 = npt.NDArray[np.float32]

RATE: Final = 22050
LOWEST: Final = 28
HIGHEST: Final = 112
BANDS: Final = HIGHEST - LOWEST + 1
FFT: Final = 4096  # 186 ms: parts semitones from 130 Hz up; below, the partials do
PARTIALS: Final = 10
GAMMA: Final = 60.0  # strength of the logarithmic compression
_BLOCK: Final = 512


def midi_hz(midi: float | Floats, *, a4_hz: float = 440.0) -> Floats:
    """MIDI numbers to hertz, vectorised."""
    return np.asarray(a4_hz * 2.0 ** ((np.asarray(midi, dtype=np.float64) - 69.0) / 12.0))


@functools.cache
def _hann(length: int) -> Floats32:
    return np.asarray(scipy.signal.get_window("hann", length), dtype=np.float32)


def spectra(audio: Floats32, *, fft: int, hop: int, first: int = 0, count: int | None = None,
            window: int | None = None) -> Iterator[Floats32]:  # fmt: skip
    """Magnitude spectra in blocks of rows, of frames centred on ``first + i * hop`` samples.

    ``window`` <= ``fft`` is the length of the Hann window (zero-padded to ``fft``). Beyond
    the recording there is silence. Magnitudes are such that a sine of amplitude 1 reads 1.
    """
    window = window or fft
    shape = _hann(window)
    scale = np.float32(2.0 / shape.sum())
    if count is None:
        count = 1 + (len(audio) - 1 - first) // hop if len(audio) > first else 0
    for start in range(0, count, _BLOCK):
        rows = min(_BLOCK, count - start)
        begin = first + start * hop - window // 2
        end = begin + (rows - 1) * hop + window
        piece = audio[max(0, begin) : max(0, end)]
        piece = np.pad(piece, (max(0, min(-begin, end - begin)), 0))
        piece = np.pad(piece, (0, max(0, end - begin - len(piece))))
        frames = np.lib.stride_tricks.sliding_window_view(piece, window)[::hop][:rows]
        yield np.abs(scipy.fft.rfft(frames * shape, fft, axis=1)) * scale


@functools.lru_cache(maxsize=16)
def band_bank(cents: float, *, fft: int = FFT, a4_hz: float = 440.0) -> Floats32:
    """Semitone bands over FFT bins, shape (bins, BANDS): triangles in log frequency, a semitone
    to either side, never narrower than a bin."""
    bins_hz = np.arange(fft // 2 + 1) * RATE / fft
    centres = midi_hz(np.arange(LOWEST, HIGHEST + 1, dtype=np.float64) + cents / 100.0, a4_hz=a4_hz)
    reach = np.maximum(centres * (2 ** (1 / 12) - 1), RATE / fft)
    return np.maximum(0.0, 1.0 - np.abs(bins_hz[:, None] - centres) / reach).astype(np.float32)


@functools.cache
def templates(*, fft: int = FFT) -> Floats32:
    """Band amplitudes of one plucked note of each pitch LOWEST..HIGHEST, shape (BANDS, BANDS).

    Partials fall as 1/h (an ideal string plucked near its end: about); each is smeared by the
    Hann window as in :func:`band_bank`'s spectra, so that low notes blur here as they do there.
    """
    bank = band_bank(0.0, fft=fft)
    bins_hz = np.arange(fft // 2 + 1) * RATE / fft
    rows = []
    for pitch in range(LOWEST, HIGHEST + 1):
        spectrum = np.zeros(len(bins_hz))
        for partial in range(1, PARTIALS + 1):
            distance = np.abs(bins_hz - partial * midi_hz(float(pitch))) * fft / RATE
            # main lobe of the Hann window: sinc(d) / (1 - d^2), zero from 2 bins on
            near = distance < 2.0
            d = np.where(np.isclose(distance, 1.0), 1.0 + 1e-6, distance)
            lobe = np.where(near, np.abs(np.sinc(d) / (1.0 - d**2)), 0.0)
            spectrum = np.maximum(spectrum, lobe / partial)
        rows.append(spectrum @ bank)
    return np.asarray(rows, dtype=np.float32)


def compress(bands: npt.NDArray[np.floating], loud: float) -> Floats32:
    """Logarithmic compression against the ``loud`` level, about 0..log(1 + GAMMA)."""
    return np.asarray(np.log1p(GAMMA * bands / max(loud, 1e-9)), dtype=np.float32)


def fold(bands: npt.NDArray[np.floating]) -> Floats32:
    """Semitone bands to twelve pitch classes (C first), shape (n, BANDS) -> (n, 12)."""
    chroma = np.zeros((len(bands), 12), dtype=np.float32)
    for band in range(bands.shape[1]):
        chroma[:, (LOWEST + band) % 12] += bands[:, band]
    return chroma


def unit_rows(rows: npt.NDArray[np.floating], floor: float) -> Floats32:
    """Rows scaled to length 1; those shorter than ``floor`` stay proportionally shorter."""
    lengths = np.linalg.norm(rows, axis=1, keepdims=True)
    return np.asarray(rows / np.maximum(lengths, floor), dtype=np.float32)


@dataclass(frozen=True)
class Heard:
    """Band energies of a recording, before the pitch shift is known.

    bands : (frames, BANDS) amplitudes
    fast : (frames, BANDS) amplitudes of a quarter of the window, for attacks
    loud : the level of its loud moments
    hop_s : seconds between frames
    """

    bands: Floats32
    fast: Floats32
    loud: float
    hop_s: float


def hear(audio: Floats32, *, cents: float, hop: int, a4_hz: float) -> Heard:
    """Band energies of the whole recording, in bounded memory."""
    bank = band_bank(cents, a4_hz=a4_hz)
    quick = band_bank(cents, fft=FFT // 4, a4_hz=a4_hz)
    slow = np.concatenate([block @ bank for block in spectra(audio, fft=FFT, hop=hop)])
    # attacks are taken at twice the frame rate and joined, lest one falls between two frames
    half = hop // 2
    rows = np.concatenate([block @ quick for block in spectra(audio, fft=FFT // 4, hop=half)])
    loud = float(np.percentile(slow.max(axis=1), 95))
    level = np.log1p(GAMMA * rows / max(loud, 1e-9))
    rise = np.maximum(0.0, np.diff(level, axis=0, prepend=level[:1]))
    rise = rise[: 2 * (len(rise) // 2)]
    fast = rise.reshape(-1, 2, BANDS).sum(axis=1)
    fast = np.pad(fast, ((0, max(0, len(slow) - len(fast))), (0, 0)))[: len(slow)]
    return Heard(slow, fast.astype(np.float32), loud, hop / RATE)


def decaying(onsets: npt.NDArray[np.floating], *, tail: int) -> Floats32:
    """Each row's peaks handed on to the next ``tail`` rows, weakening as sqrt(1 - k / (tail + 1))."""
    out = onsets.astype(np.float32)
    for step in range(1, tail + 1):
        weight = np.float32(np.sqrt(1.0 - step / (tail + 1)))
        out[step:] = np.maximum(out[step:], weight * onsets[:-step])
    return out


def tuning_cents(audio: Floats32, *, a4_hz: float = 440.0) -> float:
    """How far the sounding pitches lie from the semitones of ``a4_hz``: -50 up to 50 cents.

    Spectral peaks between 100 and 1600 Hz, placed between bins by a parabola through their
    logarithms, vote with their amplitude; the densest place wins.
    """
    low, high = (int(hz * FFT / RATE) for hz in (100.0, 1600.0))
    votes = np.zeros(100)
    for block in spectra(audio, fft=FFT, hop=FFT):
        level = np.log(block[:, low - 1 : high + 2] + 1e-9)
        middle, left, right = level[:, 1:-1], level[:, :-2], level[:, 2:]
        strong = middle > level.max(axis=1, keepdims=True) - 3.0
        peaks = (middle > left) & (middle >= right) & strong
        row, column = np.nonzero(peaks)
        if not len(row):
            continue
        a, b, c = left[peaks], middle[peaks], right[peaks]
        place = column + low + 0.5 * (a - c) / np.minimum(a - 2 * b + c, -1e-9)
        midi = 69.0 + 12.0 * np.log2(place * RATE / FFT / a4_hz)
        cents = 100.0 * (midi - np.round(midi))
        np.add.at(votes, np.floor(cents + 50.0).astype(int) % 100, np.exp(b))
    if not votes.any():
        return 0.0
    reach = np.arange(-50, 50)
    kernel = np.exp(-0.5 * (reach / 6.0) ** 2)
    smooth = np.real(np.fft.ifft(np.fft.fft(votes) * np.fft.fft(np.fft.ifftshift(kernel))))
    return float(np.argmax(smooth)) - 49.5
