"""Steps that make the band play, and the files supporters play along to."""

from __future__ import annotations

import math
import shutil
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np

from pipeline.build.step import Facts, Given, Made, Result
from pipeline.errors import Problem, SourceError
from pipeline.music.chart import ChordSpan
from pipeline.music.tab import Tab
from pipeline.music.timemap import TimeMap
from pipeline.pack.tags import TrackChapter, TrackTags, write_tags

if TYPE_CHECKING:
    from pipeline.sound.backing import Backing

Lead = Literal["none", "guide"]
_BREATH_S: Final = 0.25  # silence that is left before the first beat


@dataclass(frozen=True)
class BackingParams:
    """One key and tempo.

    tab : without names that cannot be heard; its phrases are numbered
    synthesizer : what will play, as `pipeline.build.make_sound.synthesizer_here` names it
    names : (lead, file name) of each mix
    """

    tab: Tab
    spans: tuple[ChordSpan, ...]
    groove: str
    tempo_bpm: float
    semitones: int
    key: str
    count_in: bool
    target_lufs: float
    ceiling_dbtp: float
    seed: int
    synthesizer: str
    names: tuple[tuple[Lead, str], ...]


def synthesizer_here() -> str:
    """What would play the band on this machine: its bytes depend on it."""
    from pipeline.sound.synth import find_synthesizer

    found = find_synthesizer()
    return f"{found} ({found.bank.stat().st_size} bytes)"


def backing(params: BackingParams, given: Given) -> Result:
    """The band in one key and tempo, once without and once with the lead."""
    from pipeline.sound.backing import make_backings
    from pipeline.sound.errors import SoundError
    from pipeline.sound.files import write_wav

    facts: Facts = {"files": {}}
    notes: list[str] = []
    try:
        mixes = make_backings(
            params.tab,
            params.spans,
            groove=params.groove,
            tempo_bpm=params.tempo_bpm,
            semitones=params.semitones,
            leads=tuple(lead for lead, _ in params.names),
            target_lufs=params.target_lufs,
            ceiling_dbtp=params.ceiling_dbtp,
            seed=params.seed,
        )
        for lead, name in params.names:
            mix = mixes[lead] if params.count_in else _without_count_in(mixes[lead], params)
            write_wav(given.folder / name, mix.audio, mix.rate)
            facts["files"][name] = {
                "key": params.key,
                "tempo_bpm": params.tempo_bpm,
                "source": "chart",
                "lead": lead,
                "integrated_lufs": _rounded(mix.integrated_lufs),
                "true_peak_dbtp": _rounded(mix.true_peak_dbtp),
                "seconds": _rounded(mix.seconds),
                "starts_s": _rounded(mix.time_map.seconds_at(0)),
                "groove": params.groove,
                "synthesizer": mix.synthesizer,
                "phrases": _phrase_times(params.tab, mix.time_map, mix.seconds),
            }
            notes += mix.notes
    except SoundError as error:
        raise SourceError([Problem(error.what, error.remedy)]) from error
    return Result(facts, tuple(dict.fromkeys(notes)))


def _without_count_in(mix: Backing, params: BackingParams) -> Backing:
    """The same mix from shortly before its first beat, at its loudness again."""
    from pipeline.sound.master import master

    first = max(0, round((mix.time_map.seconds_at(0) - _BREATH_S) * mix.rate))
    audio = mix.audio[first:].copy()
    rise = min(len(audio), round(0.01 * mix.rate))
    audio[:rise] *= np.linspace(0.0, 1.0, rise, dtype=np.float32)[:, None]
    audio, loudness = master(
        audio, mix.rate, target_lufs=params.target_lufs, ceiling_dbtp=params.ceiling_dbtp
    )
    return replace(
        mix,
        audio=audio,
        time_map=mix.time_map.shifted(-first / mix.rate),
        integrated_lufs=loudness.integrated_lufs,
        true_peak_dbtp=loudness.true_peak_dbtp,
        seconds=len(audio) / mix.rate,
    )


def _rounded(value: float) -> float | None:
    return round(float(value), 3) if math.isfinite(value) else None


def _phrase_times(tab: Tab, time_map: TimeMap, end_s: float) -> list[dict[str, Any]]:
    """Where each phrase sounds in the file, every time it does, in order; ``phrase`` counts the
    tab's phrases from 0."""
    spans = [
        (start, end, place)
        for place, phrase in enumerate(tab.phrases)
        for start, end in tab.phrase_spans(phrase)
    ]
    found = []
    for start, end, place in sorted(spans):
        start_s, until_s = (min(end_s, max(0.0, time_map.seconds_at(q))) for q in (start, end))
        if until_s > start_s:
            found.append({"phrase": place, "start_s": round(start_s, 3), "end_s": round(until_s, 3)})
    return found


@dataclass(frozen=True)
class Mp3Params:
    """``names``: (WAV of the step ``backing``, MP3 to make)."""

    names: tuple[tuple[str, str], ...]
    backing: str
    ceiling_dbtp: float


def mp3(params: Mp3Params, given: Given) -> Result:
    """The MP3 of each mix, still without tags."""
    import soundfile

    from pipeline.sound.files import write_mp3

    band = given.made[params.backing]
    facts: Facts = {"files": {}}
    for wav, name in params.names:
        audio, rate = soundfile.read(band.path(wav), dtype="float32", always_2d=True)
        loudness = write_mp3(given.folder / name, audio, rate, ceiling_dbtp=params.ceiling_dbtp)
        measured = {
            "integrated_lufs": _rounded(loudness.integrated_lufs),
            "true_peak_dbtp": _rounded(loudness.true_peak_dbtp),
        }
        facts["files"][name] = {**band.facts["files"][wav], **measured, "of": wav}
    return Result(facts)


@dataclass(frozen=True)
class Track:
    """An MP3 of the step ``mp3``, its title, and the text that sorts it among the others."""

    name: str
    title: str
    sorted_by: str


@dataclass(frozen=True)
class TagParams:
    """``phrases``: names of the tab's phrases, in its order. The rest as in :class:`TrackTags`."""

    tracks: tuple[Track, ...]
    phrases: tuple[str, ...]
    mp3: str
    key_tag: str
    tempo_bpm: float
    album: str
    artist: str
    composer: str
    rights: str


def tag(params: TagParams, given: Given) -> Result:
    """Each MP3 with cover, key, tempo and a chapter for each phrase."""
    source = given.made[params.mp3]
    cover = _cover(given.made.get("cover"))
    facts: Facts = {"files": {}}
    for track in params.tracks:
        path = given.folder / track.name
        shutil.copyfile(source.path(track.name), path)
        known = source.facts["files"][track.name]
        phrases = [{**p, "name": params.phrases[p["phrase"]]} for p in known["phrases"]]
        facts["files"][track.name] = {**known, "phrases": phrases}
        tags = TrackTags(
            title=track.title,
            sorted_by=track.sorted_by,
            album=params.album,
            artist=params.artist,
            composer=params.composer,
            rights=params.rights,
            key=params.key_tag,
            tempo_bpm=params.tempo_bpm,
            seconds=known["seconds"],
            cover=cover,
            integrated_lufs=known["integrated_lufs"],
            true_peak_dbtp=known["true_peak_dbtp"],
            chapters=_chapters(phrases),
        )
        write_tags(path, tags)
    return Result(facts)


def _cover(made: Made | None) -> bytes | None:
    return made.path(made.files[0].name).read_bytes() if made is not None else None


def _chapters(phrases: Sequence[dict[str, Any]]) -> tuple[TrackChapter, ...]:
    return tuple(TrackChapter(p["start_s"], p["end_s"], p["name"]) for p in phrases)
