"""The mix: each stem cleaned, placed and balanced by loudness, then summed.

Levels are set by measured loudness (BS.1770), not by MIDI velocity, so that a quiet
SoundFont and a loud one give the same balance. Effects are pedalboard's.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from pipeline.sound.master import gated_lufs, k_power

Audio = npt.NDArray[np.float32]
_DRUMS_LUFS: Final = -20.0


@dataclass(frozen=True, slots=True)
class Channel:
    """How a stem sits in the mix. ``level_lu``: loudness against the drums; ``pan`` -1..1;
    ``low_cut_hz``, ``high_cut_hz``; ``room``: share of reverb, 0..1; ``squeeze_db``:
    threshold of its compressor under the stem's own level, None for none."""

    level_lu: float
    pan: float = 0.0
    low_cut_hz: float = 30.0
    high_cut_hz: float | None = None
    room: float = 0.0
    squeeze_db: float | None = None
    ratio: float = 2.2
    attack_ms: float = 12.0


COUNT_IN: Final = Channel(-6.0, low_cut_hz=100.0, room=0.05)
DRUMS: Final = Channel(0.0, low_cut_hz=30.0, room=0.07, squeeze_db=4.0, ratio=3.5, attack_ms=1.5)


def lead_channel(*, bass: bool) -> Channel:
    """In front of the band; a bass keeps its lowest octave and stays dry."""
    if bass:
        return Channel(1.0, low_cut_hz=32.0, room=0.02, squeeze_db=-3.0)
    return Channel(2.0, low_cut_hz=70.0, room=0.12, squeeze_db=-2.0)


def bass_channel(level_lu: float) -> Channel:
    return Channel(level_lu, low_cut_hz=32.0, high_cut_hz=5500.0, squeeze_db=-4.0)


def chord_channel(level_lu: float, pan: float) -> Channel:
    return Channel(level_lu, pan, low_cut_hz=140.0, room=0.14)


def dress(audio: Audio, rate: int, channel: Channel) -> Audio:
    """A stem ready to be summed: shape (n, 2) in and out. A silent stem stays silent."""
    import pedalboard

    active = np.maximum(np.abs(audio[:, 0]), np.abs(audio[:, 1])) > 1e-4
    if not active.any():
        return np.zeros_like(audio)
    level = _DRUMS_LUFS + channel.level_lu
    rough = 10.0 * math.log10(float(np.mean(np.square(audio[active]))) * 2.0)
    chain: list[Any] = [pedalboard.Gain(level - rough), pedalboard.HighpassFilter(channel.low_cut_hz)]
    if channel.high_cut_hz:
        chain.append(pedalboard.LowpassFilter(channel.high_cut_hz))
    if channel.squeeze_db is not None:
        chain.append(
            pedalboard.Compressor(
                threshold_db=level + channel.squeeze_db,
                ratio=channel.ratio,
                attack_ms=channel.attack_ms,
                release_ms=120.0,
            )
        )
    if channel.room:
        chain.append(
            pedalboard.Reverb(room_size=0.35, damping=0.6, wet_level=channel.room, dry_level=1.0, width=1.0)
        )
    board = pedalboard.Pedalboard(chain)  # type: ignore[attr-defined]  # its stubs leave it out
    wet = np.asarray(board(audio.T, rate).T, dtype=np.float32)
    # one channel of the middle is enough for balance: the sum of both is 3 dB over it
    after = gated_lufs(k_power(0.5 * (wet[:, 0] + wet[:, 1]), rate)) + 3.01
    gain = 10 ** ((level - after) / 20) if math.isfinite(after) else 1.0
    return _panned(wet * np.float32(gain), channel.pan)


def _panned(audio: Audio, pan: float) -> Audio:
    """Constant power: the middle keeps its level, a side loses what the other gains."""
    angle = (pan + 1.0) * math.pi / 4.0
    sides = np.array([math.cos(angle), math.sin(angle)]) * math.sqrt(2.0)
    return np.asarray(audio * sides.astype(np.float32), dtype=np.float32)


def glued(total: Audio, rate: int) -> Audio:
    """The sum of all stems with a touch of compression that holds it together."""
    import pedalboard

    glue = pedalboard.Compressor(threshold_db=_DRUMS_LUFS + 7.0, ratio=1.6, attack_ms=25.0, release_ms=220.0)
    board = pedalboard.Pedalboard([glue])  # type: ignore[attr-defined]  # its stubs leave it out
    return np.asarray(board(total.T, rate).T, dtype=np.float32)


def faded(audio: Audio, rate: int, *, fade_in_s: float, fade_out_s: float) -> Audio:
    """Raised-cosine fades at both ends, so that no file starts or stops with a click."""
    out = np.array(audio, dtype=np.float32)
    for seconds, end in ((fade_in_s, False), (fade_out_s, True)):
        count = min(len(out), max(2, round(seconds * rate)))
        curve = (0.5 - 0.5 * np.cos(np.pi * np.arange(count) / (count - 1))).astype(np.float32)[:, None]
        if end:
            out[-count:] *= curve[::-1]
        else:
            out[:count] *= curve
    return out
