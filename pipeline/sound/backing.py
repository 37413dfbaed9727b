"""The backing track: stage, players, synthesis and mix in one call.

Conventions
-----------
- lead "none": the student's own instrument is absent. When the tab is for a bass, the
  band has no bass: the student plays it.
- lead "guide": the tab itself is played by the synthesizer, in front of that same band.
- ``time_map`` gives the second *in the file* of each played quarter; the count-in comes
  before it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from pipeline.music.chart import ChordSpan
from pipeline.music.pitch import A4_HZ
from pipeline.music.tab import Tab
from pipeline.music.timemap import TimeMap
from pipeline.sound.bass import bass_part
from pipeline.sound.comping import chord_part
from pipeline.sound.drums import count_in, count_part, drum_part
from pipeline.sound.errors import SoundError
from pipeline.sound.events import Events
from pipeline.sound.groove import load_groove
from pipeline.sound.lead import play_lead
from pipeline.sound.loudness import Loudness
from pipeline.sound.master import master
from pipeline.sound.mix import (
    COUNT_IN,
    DRUMS,
    Channel,
    bass_channel,
    chord_channel,
    dress,
    faded,
    glued,
    lead_channel,
)
from pipeline.sound.part import Part, perform
from pipeline.sound.stage import Stage, set_stage
from pipeline.sound.synth import Synthesizer, find_synthesizer, render

Audio = npt.NDArray[np.float32]
Lead = Literal["none", "guide"]
Progress = Callable[[float, str], None]
RATE: Final = 48_000
PRE_ROLL_S: Final = 0.15
RING_S: Final = 3.2
FADE_OUT_S: Final = 1.6
TEMPO_RANGE: Final = (10.0, 500.0)
MAX_SEMITONES: Final = 24
MAX_SECONDS: Final = 40 * 60.0
_BASS_PROGRAMS: Final = range(32, 40)


@dataclass(frozen=True)
class Backing:
    """A finished track. ``audio`` float32 (n, 2) at ``rate``; ``notes`` what to tell the creator."""

    audio: Audio
    rate: int
    time_map: TimeMap
    integrated_lufs: float
    true_peak_dbtp: float
    seconds: float
    synthesizer: str
    notes: tuple[str, ...]


@dataclass(frozen=True)
class Band:
    """All that is played, before any sound: events by stem, and where they sit in the mix.

    ``stems``: name -> (events, channel). ``lead`` apart, so that the band is made once.
    """

    stage: Stage
    time_map: TimeMap
    seconds: float
    count_in_s: float
    stems: dict[str, tuple[Events, Channel]]
    lead: tuple[Events, Channel]
    notes: tuple[str, ...]


def _check(tab: Tab, tempo_bpm: float, semitones: int, groove: str) -> None:
    low, high = TEMPO_RANGE
    if not low <= tempo_bpm <= high:  # also refuses what is not a number
        raise SoundError(
            f"a tempo of {tempo_bpm:g} is outside {low:g} to {high:g} quarter notes a minute",
            "give a tempo in that range",
        )
    if abs(semitones) > MAX_SEMITONES:
        raise SoundError(f"a transposition of {semitones} semitones is beyond {MAX_SEMITONES} either way")
    load_groove(groove)
    ratio = tempo_bpm / tab.tempo_bpm
    for mark in tab.tempos:
        if not low <= mark.bpm * ratio <= high:
            raise SoundError(
                f"at {tempo_bpm:g} the tempo mark of {mark.bpm:g} would become {mark.bpm * ratio:g}, "
                f"outside {low:g} to {high:g} quarter notes a minute",
                "choose a tempo nearer to the written one",
            )


def _fine_tune_cents(tab: Tab) -> tuple[float, tuple[str, ...]]:
    cents = 1200.0 * float(np.log2(tab.a4_hz / A4_HZ))
    if abs(cents) > 99.0:
        return 0.0, (f"A4 = {tab.a4_hz:g} Hz is a semitone or more from 440; the band plays at 440 Hz",)
    return cents, ()


def arrange(
    tab: Tab, spans: Sequence[ChordSpan], *, groove: str, tempo_bpm: float, semitones: int = 0, seed: int
) -> Band:
    """Write out what every player plays, in seconds of the file.

    Parameters
    ----------
    tab, spans : the music and its chords over the played form, in the written key
    groove : a name of :func:`~pipeline.sound.groove.groove_names`
    tempo_bpm : quarter notes a minute at the start; later tempo marks keep their proportion
    semitones : how far all pitches move
    seed : humanising

    Raises
    ------
    SoundError : a tempo outside 10 to 500, no such groove, or more than forty minutes of music.
    """
    _check(tab, tempo_bpm, semitones, groove)
    tab = tab.with_tempo(tempo_bpm)
    music_s = TimeMap.of_tab(tab).seconds_at(tab.form.played.length)
    if music_s > MAX_SECONDS:
        raise SoundError(
            f"the track would last {music_s / 60:.0f} minutes, more than {MAX_SECONDS / 60:.0f}",
            "check the repeats and the tempo",
        )
    stage = set_stage(tab, spans, groove=load_groove(groove), semitones=semitones)
    counted = count_in(stage, bpm=tempo_bpm)
    count_in_s = float(counted.quarters) * 60.0 / tempo_bpm
    time_map = TimeMap.of_tab(tab, start_s=PRE_ROLL_S + count_in_s)
    seconds = time_map.seconds_at(stage.end) + RING_S
    cents, tuning_notes = _fine_tune_cents(tab)
    notes = [*stage.notes, *tuning_notes]

    def play(part: Part) -> Events:
        return perform(part, time_map, seed=seed, fine_tune_cents=cents)

    bass, players = stage.groove.bass, stage.groove.chords
    stems = {
        "count-in": (play(count_part(counted)), COUNT_IN),
        "drums": (play(drum_part(stage, seed=seed)), DRUMS),
    }
    if tab.instrument.program in _BASS_PROGRAMS:
        notes.append(f"the tab is for {tab.instrument.name}, so the band plays without a bass")
    else:
        stems["bass"] = (play(bass_part(stage, seed=seed)), bass_channel(bass.level_lu))
    for place, player in enumerate(players):
        part = chord_part(stage, place, seed=seed)
        stems[part.name] = (play(part), chord_channel(player.level_lu, player.pan))
    if stage.lead_note:
        notes.append(stage.lead_note)
    channel = lead_channel(bass=tab.instrument.program in _BASS_PROGRAMS)
    lead = (play_lead(stage, time_map, seed=seed, fine_tune_cents=cents), channel)
    return Band(stage, time_map, seconds, count_in_s, stems, lead, tuple(notes))


def render_stem(stem: tuple[Events, Channel], seconds: float, synthesizer: Synthesizer) -> Audio:
    """One stem as sound, dressed for the mix: float32 (n, 2)."""
    events, channel = stem
    audio = render(events.to_midi(), soundfont=synthesizer, rate=RATE, seconds=seconds)
    return dress(audio, RATE, channel)


def make_backings(
    tab: Tab,
    spans: Sequence[ChordSpan],
    *,
    groove: str,
    tempo_bpm: float,
    semitones: int = 0,
    leads: Sequence[Lead] = ("none", "guide"),
    target_lufs: float = -14.0,
    ceiling_dbtp: float = -1.0,
    seed: int,
    progress: Progress | None = None,
) -> dict[Lead, Backing]:
    """The track without and with the guide lead; the band is played once for both.

    ``progress`` is called with the share done, 0..1, and what is being done.

    Raises
    ------
    SoundError : see :func:`arrange`; also a lead that is neither "none" nor "guide".
    """
    unknown = [lead for lead in leads if lead not in ("none", "guide")]
    if unknown:
        raise SoundError(f"a lead is 'none' or 'guide', got {unknown[0]!r}")
    band = arrange(tab, spans, groove=groove, tempo_bpm=tempo_bpm, semitones=semitones, seed=seed)
    synthesizer = find_synthesizer()
    notes = (*band.notes, synthesizer.note) if synthesizer.note else band.notes
    tasks = len(band.stems) + 2 * len(leads)
    done = 0

    def tell(what: str) -> None:
        nonlocal done
        if progress:
            progress(done / tasks, what)
        done += 1

    together = np.zeros((round(band.seconds * RATE), 2), np.float32)
    for name, stem in band.stems.items():
        tell(name)
        if stem[0].sounding:
            together += render_stem(stem, band.seconds, synthesizer)
    found: dict[Lead, Backing] = {}
    for lead in leads:
        tell(f"lead: {lead}")
        with_lead = lead == "guide" and band.lead[0].sounding
        total = together + render_stem(band.lead, band.seconds, synthesizer) if with_lead else together
        tell("mix")
        mixed = faded(glued(total, RATE), RATE, fade_in_s=0.01, fade_out_s=FADE_OUT_S)
        audio, loudness = master(mixed, RATE, target_lufs=target_lufs, ceiling_dbtp=ceiling_dbtp)
        found[lead] = _finished(band, audio, loudness, target_lufs, str(synthesizer), notes)
    if progress:
        progress(1.0, "done")
    return found


def _finished(
    band: Band, audio: Audio, loudness: Loudness, target_lufs: float, synthesizer: str, notes: tuple[str, ...]
) -> Backing:
    off = loudness.integrated_lufs - target_lufs
    if abs(off) > 0.3:
        notes = (*notes, f"the mix came out {off:+.1f} LU from its target: its peaks leave no more room")
    return Backing(
        audio=audio,
        rate=RATE,
        time_map=band.time_map,
        integrated_lufs=round(loudness.integrated_lufs, 2),
        true_peak_dbtp=round(loudness.true_peak_dbtp, 2),
        seconds=len(audio) / RATE,
        synthesizer=synthesizer,
        notes=notes,
    )


def make_backing(
    tab: Tab,
    spans: Sequence[ChordSpan],
    *,
    groove: str,
    tempo_bpm: float,
    semitones: int = 0,
    lead: Lead = "none",
    target_lufs: float = -14.0,
    ceiling_dbtp: float = -1.0,
    seed: int,
    progress: Progress | None = None,
) -> Backing:
    """One track; see :func:`make_backings`."""
    made = make_backings(
        tab,
        spans,
        groove=groove,
        tempo_bpm=tempo_bpm,
        semitones=semitones,
        leads=(lead,),
        target_lufs=target_lufs,
        ceiling_dbtp=ceiling_dbtp,
        seed=seed,
        progress=progress,
    )
    return made[lead]
