"""The one door to synthesis: MIDI bytes and a SoundFont in, float audio out.

FluidSynth plays when its library and a General MIDI bank are there; otherwise the renderer
that comes with the package's own dependencies does, with the bank inside pretty_midi.
The environment variable ``LESSONWRIGHT_SYNTH=pip`` asks for the second in any case.
"""

from __future__ import annotations

import ctypes
import importlib.util
import io
import os
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from pipeline.errors import MissingError, MisuseError
from pipeline.sound.banks import BANKS

Audio = npt.NDArray[np.float32]
_GAIN: Final = 0.4


@dataclass(frozen=True, slots=True)
class Synthesizer:
    """Which player and which bank. ``player``: "FluidSynth" or "midirenderer"."""

    player: str
    bank: Path
    note: str = ""

    def __str__(self) -> str:
        return f"{self.player} with {self.bank.name}"


@cache
def _fluid() -> Any:
    """The pyfluidsynth module with its library loaded, or None when there is none."""
    try:
        import fluidsynth
    except (ImportError, OSError):  # pyfluidsynth raises either when the library is not there
        return None
    return fluidsynth


def packaged_bank() -> Path:
    """The General MIDI bank that comes with pretty_midi.

    Raises
    ------
    MissingError : the package is damaged.
    """
    # found without importing the package, which is slow and not needed
    spec = importlib.util.find_spec("pretty_midi")
    folders = list(spec.submodule_search_locations or ()) if spec else []
    for folder in folders:
        bank = Path(folder) / "TimGM6mb.sf2"
        if bank.is_file():
            return bank
    raise MissingError("the SoundFont that comes with pretty_midi is not there; install pretty_midi again")


def find_synthesizer() -> Synthesizer:
    """The best synthesizer here, honouring ``LESSONWRIGHT_SYNTH``.

    Raises
    ------
    MisuseError : the variable holds something else than ``pip`` or ``fluidsynth``.
    MissingError : FluidSynth was asked for and is not here.
    """
    wanted = os.environ.get("LESSONWRIGHT_SYNTH", "").strip().lower()
    if wanted not in ("", "pip", "fluidsynth"):
        raise MisuseError(f"LESSONWRIGHT_SYNTH is pip or fluidsynth, got {wanted!r}")
    bank = next((b for b in BANKS if b.is_file()), None)
    if wanted != "pip" and bank is not None and _fluid() is not None:
        return Synthesizer("FluidSynth", bank)
    if wanted == "fluidsynth":
        raise MissingError(
            "FluidSynth or its SoundFont is not installed; on Debian: "
            "apt install libfluidsynth3 fluid-soundfont-gm"
        )
    note = "" if wanted == "pip" else (
        "FluidSynth and a large SoundFont are not installed, so the smaller built-in bank played"
    )  # fmt: skip
    return Synthesizer("midirenderer", packaged_bank(), note)


def render(
    midi: bytes, *, soundfont: Synthesizer | None = None, rate: int = 48_000, seconds: float | None = None
) -> Audio:
    """Play a MIDI file.

    Parameters
    ----------
    midi : a Standard MIDI File
    soundfont : as found by :func:`find_synthesizer`, which is asked when None
    rate : samples a second of the result
    seconds : length of the result; by default the file's own

    Returns
    -------
    float32, shape (n, 2). The same input gives the same samples.

    Raises
    ------
    MissingError : the SoundFont cannot be loaded.
    """
    chosen = soundfont or find_synthesizer()
    if chosen.player == "FluidSynth":
        audio = _by_fluidsynth(midi, chosen.bank, rate, seconds)
    else:
        audio = _by_renderer(midi, chosen.bank, rate)
    if seconds is None:
        return audio
    wanted = round(seconds * rate)
    if len(audio) < wanted:
        audio = np.concatenate([audio, np.zeros((wanted - len(audio), 2), np.float32)])
    return np.ascontiguousarray(audio[:wanted])


def _by_fluidsynth(midi: bytes, bank: Path, rate: int, seconds: float | None) -> Audio:
    import mido

    fluid = _fluid()
    write = _writer(fluid)
    file = mido.MidiFile(file=io.BytesIO(midi))
    settings = {
        "synth.reverb.active": 0,
        "synth.chorus.active": 0,
        "synth.dynamic-sample-loading": 1,  # only the programs that play: loads in an instant
        "synth.cpu-cores": 1,
    }
    synth = fluid.Synth(gain=_GAIN, samplerate=float(rate), channels=16, **settings)
    try:
        if synth.sfload(str(bank)) < 0:
            raise MissingError(f"the SoundFont {bank} cannot be loaded")
        synth.program_reset()
        total = round((seconds if seconds is not None else file.length) * rate)
        audio = np.zeros((total, 2), np.float32)
        base, width = audio.ctypes.data, audio.itemsize * 2
        done, now = 0, 0.0
        for message in file:
            now += message.time
            until = min(total, round(now * rate))
            if until > done:
                write(synth.synth, until - done, base + done * width, 0, 2, base + done * width, 1, 2)
                done = until
            _send(synth, message)
        if total > done:
            write(synth.synth, total - done, base + done * width, 0, 2, base + done * width, 1, 2)
    finally:
        synth.delete()
    return audio


def _writer(fluid: Any) -> Any:
    """FluidSynth's float output, which pyfluidsynth leaves out (it offers 16 bits)."""
    pointer, integer = ctypes.c_void_p, ctypes.c_int
    kinds = [pointer, integer, pointer, integer, integer, pointer, integer, integer]
    names = ["synth", "len", "left", "left_offset", "left_step", "right", "right_offset", "right_step"]
    arguments = [(name, kind, 1) for name, kind in zip(names, kinds, strict=True)]
    return fluid.cfunc("fluid_synth_write_float", integer, *arguments)


def _send(synth: Any, message: Any) -> None:
    if message.type == "note_on" and message.velocity:
        synth.noteon(message.channel, message.note, message.velocity)
    elif message.type in ("note_on", "note_off"):
        synth.noteoff(message.channel, message.note)
    elif message.type == "pitchwheel":
        synth.pitch_bend(message.channel, message.pitch)
    elif message.type == "control_change":
        synth.cc(message.channel, message.control, message.value)
    elif message.type == "program_change":
        synth.program_change(message.channel, message.program)


def _by_renderer(midi: bytes, bank: Path, rate: int) -> Audio:
    import midirenderer
    import soundfile

    wave = midirenderer.render_wave_from(_bank_bytes(bank), midi)
    audio, made_rate = soundfile.read(io.BytesIO(wave), dtype="float32", always_2d=True)
    if audio.shape[1] == 1:
        audio = np.repeat(audio, 2, axis=1)
    if made_rate != rate:
        import soxr

        audio = soxr.resample(audio, made_rate, rate)
    return np.asarray(audio, dtype=np.float32)


@cache
def _bank_bytes(bank: Path) -> bytes:
    return bank.read_bytes()
