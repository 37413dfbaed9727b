"""Fitting a recorded take to its tab, note by note.

Stages: the tuning; where in the recording the tab is played and at which pitch and tempo
(subsequence DTW, twice: free, then at the tempo found); the moment of each event, chosen
jointly; what was played at each; the map from quarters to seconds, through the notes that
can be trusted.

``match`` is the share of the tab's pitched notes for which, at their moment, something
starts and the tab's pitch explains the sound at least as well as its neighbours do. Right
takes measured 0.63 and more (clean 0.85 to 1), wrong ones, in the tab's own key, 0.44 and
less; :data:`MATCH_NEEDED` lies between.

References
----------
Müller, M. (2015), Fundamentals of Music Processing, ch. 3, 6, 7.
Ewert, S., Müller, M., Grosche, P. (2009), ICASSP.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from pipeline.listen import coarse, features, judge, onsets
from pipeline.listen.alignment import Alignment, HeardBar, HeardNote
from pipeline.listen.errors import ListenError
from pipeline.listen.features import RATE
from pipeline.listen.score import (
    Event,
    ExpectedNote,
    events,
    expected_notes,
    nominal_map,
    swung_quarters,
    wavering,
)
from pipeline.listen.warp import STEADY
from pipeline.music.tab import Tab
from pipeline.music.timemap import TimeMap

Floats = npt.NDArray[np.float64]
Floats32 = npt.NDArray[np.float32]
Progress = Callable[[float], None]

MATCH_NEEDED: Final = 0.5
FASTEST: Final = 2.2  # a take at more than this times the tab's tempo is not believed
SILENCE: Final = 3e-4  # -70 dBFS: nothing was recorded
MOST_CELLS: Final = 40_000_000  # of the warping matrix, a byte each
HOP: Final = 1024
_HEARD: Final = 0.3  # attack, as a share of the take's typical one, that counts as a start
_OTHER: Final = 0.05  # another pitch must explain the sound better by this much


@dataclass(frozen=True)
class _Verdict:
    status: str
    attack: float
    fits: bool


def align_take(
    tab: Tab, audio: npt.NDArray[Any], rate: int, *, progress: Progress | None = None
) -> Alignment:
    """Find the performance of ``tab`` in a recording.

    Parameters
    ----------
    audio : shape (n,), mono, any float or integer type
    rate : its sample rate, Hz
    progress : called with the share done, 0..1

    Raises
    ------
    ListenError : silent, too short, not finite, not mono, or not a take of this tab.
    """
    tell: Progress = progress or (lambda _: None)
    notes = expected_notes(tab)
    if not notes:
        raise ListenError("the tab has no notes to listen for", "Check that the tab is the right file.")
    happenings = events(tab, notes)
    sound = _prepared(audio, rate)
    _long_enough(sound, happenings, tab)
    tell(0.05)
    fraction = features.tuning_cents(sound, a4_hz=tab.a4_hz)
    hop = _hop(len(sound), happenings)
    heard = features.hear(sound, cents=fraction, hop=hop, a4_hz=tab.a4_hz)
    tell(0.2)
    shift, rough, slope = _rough(notes, happenings, heard)
    tell(0.5)
    cents = fraction + 100.0 * shift
    noise = _noise(sound, heard.loud)

    def curving(share: float) -> None:
        tell(0.5 + 0.35 * share)

    curves = onsets.all_curves(
        sound, happenings, rough, cents=cents, a4_hz=tab.a4_hz, noise=noise, progress=curving
    )
    seconds = _moments(sound, happenings, curves, rough)
    evidence = judge.gather(sound, happenings, seconds, curves, cents=cents, a4_hz=tab.a4_hz, loud=heard.loud)
    tell(0.9)
    verdicts = _verdicts(happenings, evidence)
    pitched = [v.fits for note in notes if note.pitched for v in (verdicts[note.index],)]
    match = float(np.mean(pitched if pitched else [v.status == "played" for v in verdicts.values()]))
    if match < MATCH_NEEDED:
        raise ListenError(
            f"this recording does not seem to be a take of this tab: only {match:.0%} of its notes could be "
            f"heard where they would have to be, at least {MATCH_NEEDED:.0%} are expected",
            "Check that tab and take belong together, and that the tuning and capo in the tab are right.",
        )
    cents = _refined_cents(sound, happenings, seconds, verdicts, cents, tab.a4_hz)
    aligned = _assemble(tab, happenings, seconds, verdicts, slope)
    end_s = _end(sound, happenings, aligned[0], cents=cents, a4_hz=tab.a4_hz, noise=noise, slope=slope)
    tell(1.0)
    time_map, heard_notes, bars, residual = aligned
    return Alignment(
        time_map=time_map,
        lead_in_s=time_map.seconds_at(0),
        end_s=end_s,
        tuning_cents=round(cents, 1),
        notes=heard_notes,
        bars=bars,
        median_ms_residual=residual,
        match=match,
    )


def _prepared(audio: npt.NDArray[Any], rate: int) -> Floats32:
    """Checked, mono float at RATE."""
    import soxr

    if rate <= 0:
        raise ListenError(f"a sample rate is greater than nothing, got {rate}")
    data = np.asarray(audio)
    if data.ndim != 1:
        raise ListenError(f"listening wants one channel, got an array of shape {data.shape}")
    if np.issubdtype(data.dtype, np.integer):
        data = data / float(np.iinfo(data.dtype).max)
    if len(data) == 0:
        raise ListenError("the recording is empty", "Export the take again.")
    if not np.isfinite(data).all():
        where = float(np.argmin(np.isfinite(data))) / rate
        raise ListenError(
            f"the recording holds values that are no numbers, the first at {where:.3f} s",
            "Export the take again, as 24-bit WAV or FLAC.",
        )
    peak = float(np.abs(data).max())
    if peak < SILENCE:
        level = 20 * np.log10(max(peak, 1e-9))
        raise ListenError(
            f"the recording is silent: its loudest sample is at {level:.0f} dBFS",
            "Check the input that was recorded, and export the take again.",
        )
    mono = data.astype(np.float32) - np.float32(data.mean())
    if rate != RATE:
        mono = soxr.resample(mono, rate, RATE)
    return np.ascontiguousarray(mono, dtype=np.float32)


def _long_enough(sound: Floats32, happenings: Sequence[Event], tab: Tab) -> None:
    span = happenings[-1].nominal_s - happenings[0].nominal_s
    got = len(sound) / RATE
    if got < max(0.25, span / FASTEST):
        raise ListenError(
            f"the recording lasts {got:.1f} s, too short for this tab: from first to last note it takes "
            f"{span:.1f} s at its tempo of {tab.tempo_bpm:g}",
            "Check that the take is the right file and complete, and that the tab's tempo is right.",
        )


def _hop(samples: int, happenings: Sequence[Event]) -> int:
    """Samples between frames: 46 ms, more where the warping matrix would grow too large."""
    span = (happenings[-1].nominal_s - happenings[0].nominal_s + 1.0) * RATE
    hop = HOP
    while (samples / hop) * (span / hop) > MOST_CELLS:
        hop += 256
    return hop


def _rough(
    notes: Sequence[ExpectedNote], happenings: Sequence[Event], heard: features.Heard
) -> tuple[int, Floats, float]:
    """(semitones the take lies above the tab, rough second of each event, seconds to a nominal second)."""
    rows = coarse.score_rows(notes, happenings, hop_s=heard.hop_s)
    shift, _ = coarse.find_shift(rows, heard)
    path = coarse.find(rows, heard, shift)
    if path is None:
        raise ListenError(
            "the recording is too short for this tab at any tempo that could be believed",
            "Check that the take is the right file and complete.",
        )
    slope = coarse.tempo_ratio(path, rows, heard)
    steady_rows = coarse.score_rows(notes, happenings, hop_s=heard.hop_s / slope)
    steady = coarse.find(steady_rows, heard, shift, moves=STEADY)
    if steady is not None:
        path, rows = steady, steady_rows
        slope = coarse.tempo_ratio(path, rows, heard)
    return shift, coarse.event_seconds(path, rows, heard, happenings), slope


def _noise(sound: Floats32, loud: float) -> float:
    """What a spectral bin of the recording's quiet moments reads at most."""
    size = 1024
    blocks = sound[: len(sound) // size * size].reshape(-1, size)
    sigma = float(np.percentile(np.sqrt((blocks.astype(np.float64) ** 2).mean(axis=1)), 5))
    # a Hann frame of white noise: 2 sqrt(sum w^2) / sum w = 2.45 / sqrt(size); thrice that
    return min(3 * 2.45 / np.sqrt(size) * sigma, 0.01 * loud)


def _moments(
    sound: Floats32, happenings: Sequence[Event], curves: Sequence[onsets.Curve], rough: Floats
) -> Floats:
    """The moment of each event: chosen jointly, twice, then placed on the stroke."""
    nominal = np.array([event.nominal_s for event in happenings])
    even = np.ones(len(nominal))
    _, slopes = onsets.steady(nominal, rough, even, reach_s=3.0)
    chosen = onsets.choose(curves, nominal, rough, slopes, loose_s=0.03, pull_s=0.2)
    _, slopes = onsets.steady(nominal, chosen, even, reach_s=1.5)
    chosen = onsets.choose(curves, nominal, chosen, slopes, loose_s=0.02, pull_s=0.3)
    found = chosen.copy()
    for place, event in enumerate(happenings):
        if not event.slurred:
            sharp = onsets.sharpen(sound, float(chosen[place]))
            found[place] = sharp.second if sharp.height >= onsets.PLAIN else chosen[place]
    for place in range(1, len(found)):  # sharpening may bring neighbours of a fast run together
        if found[place] <= found[place - 1]:
            found[place] = max(chosen[place], found[place - 1] + 0.005)
    return found


def _verdicts(happenings: Sequence[Event], evidence: dict[int, judge.Evidence]) -> dict[int, _Verdict]:
    strokes = [evidence[n.index].stroke for e in happenings if not e.slurred for n in e.notes]
    rises = [evidence[n.index].rise for e in happenings for n in e.notes if n.pitched]
    typical_stroke = float(np.median(strokes)) if strokes else 1.0
    typical_rise = float(np.median(rises)) if rises else 1.0
    found = {}
    for event in happenings:
        for note in event.notes:
            seen = evidence[note.index]
            attack = seen.stroke / max(typical_stroke, 1e-6)
            if note.pitched:
                attack = max(attack, seen.rise / max(typical_rise, 1e-6))
            if seen.jump >= 1.5 * onsets.PLAIN:
                attack = max(attack, min(1.0, 0.3 * seen.jump))
            # a slur has hardly an attack, but a pitch that was not there before
            starts = attack >= _HEARD or (seen.gain > 0.1 and attack >= 0.1)
            if not starts or (note.pitched and seen.loudness < 0.02):
                status = "missing"
            elif note.pitched and seen.better > _OTHER:
                status = "wrong"
            else:
                status = "played"
            fits = status == "played" and seen.better <= 0.02 and seen.likeness > 0.5
            found[note.index] = _Verdict(status, attack, fits)
    return found


def _assemble(
    tab: Tab, happenings: Sequence[Event], seconds: Floats, verdicts: dict[int, _Verdict], slope: float
) -> tuple[TimeMap, tuple[HeardNote, ...], tuple[HeardBar, ...], float]:
    nominal = np.array([event.nominal_s for event in happenings])
    beat_s = 60.0 / tab.tempo_bpm
    attack = np.array([max(verdicts[n.index].attack for n in e.notes) for e in happenings])
    lost = np.array([all(verdicts[n.index].status == "missing" for n in e.notes) for e in happenings])
    trust = np.where(lost, 0.05, np.clip(attack, 0.1, 1.0))
    by_neighbours, _ = onsets.steady(nominal, seconds, trust, reach_s=2.0 * beat_s)
    residual = np.abs(seconds - by_neighbours)
    confidence = (1.0 - np.exp(-attack / 0.3)) / (1.0 + (residual / 0.08) ** 2)
    confidence = np.where(lost, np.minimum(confidence, 0.2), confidence)
    kept = [
        i for i, event in enumerate(happenings) if event.anchors and not lost[i] and confidence[i] >= 0.25
    ]
    if len(kept) < 2:
        kept = [i for i, event in enumerate(happenings) if event.anchors] or [0]
    time_map = _time_map(tab, happenings, seconds, kept, confidence, slope)
    notes = []
    for place, event in enumerate(happenings):
        for note in event.notes:
            source, verdict = note.source, verdicts[note.index]
            at = float(seconds[place])
            if verdict.status == "missing" and lost[place]:
                at = time_map.seconds_at(event.quarter)
            notes.append(
                HeardNote(
                    index=note.index,
                    bar=source.bar.ordinal,
                    beat=float(source.beat),
                    quarter=float(source.onset),
                    seconds=round(at, 4),
                    confidence=round(float(confidence[place]), 3),
                    status=verdict.status,
                )
            )
    notes.sort(key=lambda note: note.index)
    quarters = np.array([event.quarter for event in happenings])
    bars = []
    for bar in tab.form.played.bars:
        near = np.abs(quarters - float(bar.start))
        close = near <= 2.0
        sure = float(np.average(confidence[close], weights=1.0 / (0.1 + near[close]))) if close.any() else 0.2
        at_bar = round(time_map.seconds_at(bar.start), 4)
        bars.append(HeardBar(bar.ordinal, at_bar, round(sure, 3)))
    played = residual[~lost]
    median = 1e3 * float(np.median(played)) if len(played) else 0.0
    return time_map, tuple(notes), tuple(bars), round(median, 2)


def _time_map(
    tab: Tab,
    happenings: Sequence[Event],
    seconds: Floats,
    kept: Sequence[int],
    confidence: Floats,
    slope: float,
) -> TimeMap:
    """Through the events that are kept; ends go on at the local tempo."""
    best: dict[float, int] = {}
    for i in kept:
        quarter = happenings[i].quarter
        if quarter not in best or confidence[i] > confidence[best[quarter]]:
            best[quarter] = i
    points: list[tuple[float, float]] = []
    for quarter, i in sorted(best.items()):
        if not points or (seconds[i] - points[-1][1] > 1e-3 and quarter > points[-1][0]):
            points.append((quarter, float(seconds[i])))
    begin, end = Fraction(0), tab.form.played.length
    beats = [Fraction(q) for q in range(int(end) + 1)] + [bar.start for bar in tab.form.played.bars] + [end]
    have = {quarter for quarter, _ in points}
    missing = sorted(
        {q for q in beats if begin <= q <= end and not any(abs(float(q) - h) < 1e-6 for h in have)}
    )
    if missing:
        points += _between_points(tab, points, missing, slope)
    clean: list[tuple[float, float]] = []
    for quarter, second in sorted(points):
        if not clean or (quarter > clean[-1][0] and second > clean[-1][1] + 1e-4):
            clean.append((quarter, second))
    return TimeMap.from_points(clean)


def _nominal(tab: Tab, quarters: Sequence[Fraction]) -> Floats:
    return nominal_map(tab).to_seconds(swung_quarters(tab, list(quarters)))


def _between_points(
    tab: Tab, points: Sequence[tuple[float, float]], wanted: Sequence[Fraction], slope: float
) -> list[tuple[float, float]]:
    """Beats without a note of their own, so that swing and drift bend the map there too.

    Between notes: the local tempo's curve, tied to the notes on either side; before the first
    and after the last: on at the tempo there.
    """
    known = _nominal(tab, [Fraction(q).limit_denominator(960) for q, _ in points])
    seconds = np.array([s for _, s in points])
    at = _nominal(tab, wanted)
    reach_s = 120.0 / tab.tempo_bpm
    even = np.ones(len(known))
    smooth, _ = onsets.steady(known, seconds, even, reach_s=reach_s, at=at)
    smooth_known, _ = onsets.steady(known, seconds, even, reach_s=reach_s, at=known)
    found = smooth + np.interp(at, known, seconds - smooth_known)
    for edge, outside in ((0, at < known[0]), (-1, at > known[-1])):
        pace = _pace(known, seconds, slope, edge=edge, reach_s=2 * reach_s)
        found[outside] = seconds[edge] + pace * (at[outside] - known[edge])
    return [(float(q), float(s)) for q, s in zip(wanted, found, strict=True)]


def _pace(known: Floats, seconds: Floats, slope: float, *, edge: int, reach_s: float) -> float:
    """Seconds to a nominal second within ``reach_s`` of the first (edge 0) or last (-1) point."""
    near = np.abs(known - known[edge]) <= reach_s
    if np.count_nonzero(near) < 3:
        return slope
    fit = float(np.polyfit(known[near], seconds[near], 1)[0])
    return float(np.clip(fit, 0.6 * slope, 1.6 * slope))


def _refined_cents(
    sound: Floats32,
    happenings: Sequence[Event],
    seconds: Floats,
    verdicts: dict[int, _Verdict],
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


def _end(
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
    columns = set()
    for note in last:
        for midi in {m for _, m in note.curve}:
            for partial in range(1, 7):
                hz = partial * float(features.midi_hz(midi + cents / 100.0, a4_hz=a4_hz))
                low, high = (hz * ratio * size / RATE for ratio in (0.97, 1.03))
                columns.update(range(max(1, int(low)), min(size // 2, int(high) + 2)))
    level = spectrum[:, sorted(columns)].max(axis=1)
    floor = max(0.01 * float(level[: max(1, round(0.5 / hop_s))].max()), noise)
    quiet = level < floor
    run = 10
    for frame in range(3, len(quiet)):
        if quiet[frame : frame + run].all():
            return float(min(total, start + frame * hop_s))
    return float(min(total, start + len(quiet) * hop_s))
