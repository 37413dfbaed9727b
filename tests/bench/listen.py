"""How well and how fast takes are found, beside a plain chroma DTW. ``python -m tests.bench.listen``

Baseline: librosa's chroma (CQT) of the take against the tab's pitch classes at nominal
tempo, subsequence DTW, 23 ms frames: Müller (2015), ch. 3 and 7, without anything after it.
"""

from __future__ import annotations

import time
import warnings

import numpy as np

from pipeline.listen.align import align_take
from pipeline.listen.errors import ListenError
from pipeline.listen.score import expected_notes
from pipeline.music.tab import Tab
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
    return np.interp([note.nominal_s for note in notes], rows * hop / rate, frames * hop / rate)


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


def run() -> None:
    """Print, for each case: median, 95th percentile and largest error, ours and the baseline's."""
    print(
        f"{'':28}{'ours ms: median':>16}{'95 %':>8}{'most':>8}{'  baseline: median':>20}{'95 %':>8}{'s':>7}"
    )
    for name, tab, take in cases():
        begin = time.perf_counter()
        try:
            found = np.array([note.seconds for note in align_take(tab, take.audio, take.rate).notes])
        except ListenError as error:
            print(f"{name:28}{error.what}")
            continue
        took = time.perf_counter() - begin
        ours = 1e3 * np.abs(found - take.onsets)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            plain = 1e3 * np.abs(baseline(tab, take) - take.onsets)
        print(
            f"{name:28}{np.median(ours):16.1f}{np.percentile(ours, 95):8.1f}{ours.max():8.0f}"
            f"{np.median(plain):20.1f}{np.percentile(plain, 95):8.1f}{took:7.1f}"
        )
    long = pieces.lead(80, seed=4)
    take = render(long, drifting(long, drift=0.1))
    begin = time.perf_counter()
    found = np.array([note.seconds for note in align_take(long, take.audio, take.rate).notes])
    took = time.perf_counter() - begin
    off = 1e3 * np.abs(found - take.onsets)
    print(
        f"{len(take.audio) / take.rate:.0f} s, {len(found)} notes: {took:.1f} s; "
        f"median {np.median(off):.1f} ms, 95 % {np.percentile(off, 95):.1f}, most {off.max():.0f}"
    )


if __name__ == "__main__":
    run()
