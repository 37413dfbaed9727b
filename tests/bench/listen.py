"""How well and how fast takes are found, beside a plain chroma DTW.

Baseline: librosa's chroma (CQT) of the take against the tab's pitch classes at nominal
tempo, subsequence DTW, 23 ms frames: Müller (2015), ch. 3 and 7, without anything after it.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterator

import numpy as np

from pipeline.listen.align import align_take
from pipeline.listen.score import expected_notes
from pipeline.music.tab import Tab
from tests.bench.figures import Figure, seconds_of
from tests.listen import pieces, soundfont
from tests.listen.players import Take, after, clicks, drifting, render, speech_like


def baseline(tab: Tab, take: Take) -> np.ndarray:
    """Onset seconds by chroma DTW alone."""
    import librosa

    hop, rate = 512, 22050
    audio = librosa.resample(take.audio, orig_sr=take.rate, target_sr=rate)
    heard = librosa.feature.chroma_cqt(y=audio, sr=rate, hop_length=hop)
    notes = expected_notes(tab)
    count = int(max(note.end_s for note in notes) * rate / hop) + 1
    wanted = np.full((12, count), 1e-3)
    for note in notes:
        first, last = int(note.nominal_s * rate / hop), int(note.end_s * rate / hop)
        wanted[round(note.midi) % 12, first : max(first + 1, last)] += 1
    _, path = librosa.sequence.dtw(X=wanted, Y=heard + 1e-3, metric="cosine", subseq=True)
    rows, frames = path[::-1].T
    return np.asarray(np.interp([note.nominal_s for note in notes], rows * hop / rate, frames * hop / rate))


def cases() -> list[tuple[str, Tab, Take]]:
    lead, picked = pieces.lead(12, seed=1), pieces.picked(12, seed=1)
    bass = pieces.lead(12, seed=3, instrument="bass")
    clean = drifting(lead, drift=0.1)
    dirty = render(lead, drifting(lead, tempo=1.2, drift=0.15), drive=0.5, reverb=0.4, cents=-40)
    sampled = soundfont.render(lead, drifting(lead, tempo=0.75, drift=0.2))
    return [
        ("lead, clean", lead, render(lead, clean)),
        ("lead, talk, drive, reverb", lead, after(np.concatenate([speech_like(5), clicks(4, 110)]), dirty)),
        ("lead, sampled, slow", lead, after(speech_like(5), sampled)),
        ("picked chords", picked, render(picked, drifting(picked, drift=0.1), reverb=0.2)),
        ("bass", bass, render(bass, drifting(bass, drift=0.1))),
    ]


def found_in(tab: Tab, take: Take) -> tuple[np.ndarray, float]:
    """Milliseconds off for each note, and the seconds that finding them took."""
    found: list[np.ndarray] = []

    def find() -> None:
        notes = align_take(tab, take.audio, take.rate).notes
        found.append(1e3 * np.abs(np.array([note.seconds for note in notes]) - take.onsets))

    spent_s = seconds_of(find)
    return found[0], spent_s


def spread(off_ms: np.ndarray) -> str:
    return f"{np.median(off_ms):.1f}, {np.percentile(off_ms, 95):.1f}, {off_ms.max():.0f}"


def run() -> Iterator[Figure]:
    """For each case the time against the take's; then the errors in ms: median, 95 %, largest."""
    short = pieces.lead(1, seed=1)
    align_take(short, render(short, drifting(short)).audio, 48000)  # imports
    for name, tab, take in cases():
        off_ms, spent_s = found_in(tab, take)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            plain_ms = 1e3 * np.abs(baseline(tab, take) - take.onsets)
        said = f"ms off {spread(off_ms)}; chroma alone {spread(plain_ms)}"
        yield Figure(name, spent_s, len(take.audio) / take.rate, "the take", said)
    long = pieces.lead(48, seed=4)
    take = render(long, drifting(long, drift=0.1))
    off_ms, spent_s = found_in(long, take)
    yield Figure(
        "lead, four times as long",
        spent_s,
        len(take.audio) / take.rate,
        "the take",
        f"ms off {spread(off_ms)}",
    )
