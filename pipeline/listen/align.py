"""Fitting a recorded take to its tab, note by note.

Stages: the tuning; where in the recording the tab is played and at which pitch and tempo
(subsequence DTW, twice: free, then at the tempo found); the moment of each event, chosen
jointly; what was played at each; the map from quarters to seconds, through the notes that
can be trusted.

``match`` is the share of the tab's pitched notes for which, at their moment, something
starts and the tab's pitch explains the sound at least as well as its neighbours do. Measured
on made takes: right ones 0.72 and more even when distorted and reverberant (clean lead lines
0.95 to 1; a take with one note in six wrong or left out 0.77 and more; one that stops at
seven tenths 0.68), with a residual below 10 ms. Takes of other pieces, most of them in the
tab's own key: 34 of 36 at 0.46 or less, the others (same chord shapes; a tab of 19 notes) 0.57
and 0.61 with residuals of 28 and 44 ms. Hence :data:`MATCH_NEEDED`, and more where the fit
is uneven.

References
----------
Müller, M. (2015), Fundamentals of Music Processing, ch. 3, 6, 7.
Ewert, S., Müller, M., Grosche, P. (2009), ICASSP.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from pipeline.listen import coarse, features, judge, onsets
from pipeline.listen.alignment import Alignment
from pipeline.listen.breaths import held_breaths
from pipeline.listen.errors import ListenError
from pipeline.listen.features import RATE
from pipeline.listen.measure import end_of_last, refined_cents
from pipeline.listen.placing import placed
from pipeline.listen.prepare import long_enough, noise_level, prepared
from pipeline.listen.score import Event, ExpectedNote, events, expected_notes
from pipeline.listen.warp import STEADY
from pipeline.music.tab import Tab

Floats = npt.NDArray[np.float64]
Floats32 = npt.NDArray[np.float32]
Progress = Callable[[float], None]

MATCH_NEEDED: Final = 0.5
# a fit that makes the playing uneven must match better: this residual, and this match
EVEN_MS: Final = (20.0, 40.0)
UNEVEN_MATCH_NEEDED: Final = 0.7
MOST_CELLS: Final = 40_000_000  # of the warping matrix, a byte each
HOP: Final = 1024
CUT_S: Final = 0.05  # a note found so little before the recording is its start
# the tempo is found by voting; where the tempo drifts a lot in a short take the vote can err,
# so paths through these multiples of it are looked at too, if they lead elsewhere
TEMPI: Final = (1.0, 0.85, 1.18, 0.72, 1.38)
APART_S: Final = 0.12  # paths that differ by less, at all events, are one
MOST_PATHS: Final = 3
MOST_COST: Final = 1.25  # times the cheapest path's cost


@dataclass(frozen=True)
class _Guess:
    """One way the take may lie: rough second of each event, the pauses before it, seconds to a
    nominal second."""

    rough: Floats
    held: Floats
    slope: float


@dataclass(frozen=True)
class _Reading:
    """A guess looked at closely. ``merit``: how plainly its notes start and fit, 0..1."""

    seconds: Floats
    held: Floats
    verdicts: dict[int, judge.Verdict]
    slope: float
    merit: float


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
    sound = prepared(audio, rate)
    long_enough(sound, happenings, tab)
    tell(0.05)
    fraction = features.tuning_cents(sound, a4_hz=tab.a4_hz)
    heard = features.hear(sound, cents=fraction, hop=_hop(len(sound), happenings), a4_hz=tab.a4_hz)
    noise = noise_level(sound, heard.loud)
    tell(0.2)
    shift, guesses = _guesses(notes, happenings, heard)
    cents = fraction + 100.0 * shift
    readings = []
    for place, guess in enumerate(guesses):
        tell(0.45 + 0.45 * place / len(guesses))
        readings.append(
            _read(sound, happenings, guess, cents=cents, a4_hz=tab.a4_hz, noise=noise, loud=heard.loud)
        )
    best = max(readings, key=lambda reading: reading.merit)
    match = _match(notes, best.verdicts)
    if match < MATCH_NEEDED:
        raise _another_piece(match, MATCH_NEEDED)
    tell(0.9)
    cents = refined_cents(sound, happenings, best.seconds, best.verdicts, cents, tab.a4_hz)
    time_map, heard_notes, bars, residual = placed(
        tab, happenings, best.seconds, best.held, best.verdicts, best.slope
    )
    needed = float(np.interp(residual, EVEN_MS, (MATCH_NEEDED, UNEVEN_MATCH_NEEDED)))
    if match < needed:
        raise _another_piece(match, needed)
    end_s = end_of_last(
        sound, happenings, time_map, cents=cents, a4_hz=tab.a4_hz, noise=noise, slope=best.slope
    )
    tell(1.0)
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


def _another_piece(match: float, needed: float) -> ListenError:
    return ListenError(
        f"this recording does not seem to be a take of this tab: only {match:.0%} of its notes could be "
        f"heard where they would have to be, at least {needed:.0%} are expected",
        "Check that tab and take belong together, and that the tuning and capo in the tab are right.",
    )


def _match(notes: Sequence[ExpectedNote], verdicts: dict[int, judge.Verdict]) -> float:
    fits = [verdicts[note.index].fits for note in notes if note.pitched]
    if not fits:  # nothing but dead notes
        fits = [verdict.status == "played" for verdict in verdicts.values()]
    return float(np.mean(fits))


def _hop(samples: int, happenings: Sequence[Event]) -> int:
    """Samples between frames: 46 ms, more where the warping matrix would grow too large."""
    span = (happenings[-1].nominal_s - happenings[0].nominal_s + 1.0) * RATE
    hop = HOP
    while (samples / hop) * (span / hop) > MOST_CELLS:
        hop += 256
    return hop


def _guesses(
    notes: Sequence[ExpectedNote], happenings: Sequence[Event], heard: features.Heard
) -> tuple[int, list[_Guess]]:
    """(semitones the take lies above the tab, ways it may lie, likeliest first)."""
    rows = coarse.score_rows(notes, happenings, hop_s=heard.hop_s)
    shift = coarse.find_shift(rows, heard)
    path = coarse.find(rows, heard, shift)
    if path is None:
        raise ListenError(
            "the recording is too short for this tab at any tempo that could be believed",
            "Check that the take is the right file and complete.",
        )
    voted = coarse.tempo_ratio(path, rows, heard)
    # from here on, only around where it was found: talk may be long
    margin = round(5.0 / heard.hop_s) + (int(path.frames[-1]) - int(path.frames[0])) // 3
    within = (max(0, int(path.frames[0]) - margin), min(len(heard.bands), int(path.frames[-1]) + margin))
    found: list[tuple[float, _Guess]] = []
    for multiple in TEMPI:
        slope = voted * multiple
        at_tempo = coarse.score_rows(notes, happenings, hop_s=heard.hop_s / slope)
        steady = coarse.find(at_tempo, heard, shift, moves=STEADY, within=within)
        if steady is None:
            continue
        rough, held = coarse.event_seconds(steady, at_tempo, heard, happenings)
        if any(np.abs(rough - guess.rough).max() < APART_S for _, guess in found):
            continue
        found.append((steady.cost, _Guess(rough, held, coarse.tempo_ratio(steady, at_tempo, heard))))
    if not found:
        found.append((path.cost, _Guess(*coarse.event_seconds(path, rows, heard, happenings), voted)))
    found.sort(key=lambda item: item[0])
    return shift, [guess for cost, guess in found[:MOST_PATHS] if cost <= MOST_COST * found[0][0]]


def _read(sound: Floats32, happenings: Sequence[Event], guess: _Guess, *, cents: float, a4_hz: float,
          noise: float, loud: float) -> _Reading:  # fmt: skip
    """The close look at a guess: moments, evidence, verdicts."""
    curves = onsets.all_curves(sound, happenings, guess.rough, cents=cents, a4_hz=a4_hz, noise=noise)
    seconds, held = _moments(sound, happenings, curves, guess)
    evidence = judge.gather(sound, happenings, seconds, curves, cents=cents, a4_hz=a4_hz, loud=loud)
    found = judge.verdicts(happenings, evidence)
    judge.drop_tail(happenings, seconds, found, total_s=len(sound) / RATE)
    merit = float(np.mean([min(1.0, v.attack) * (1.0 if v.fits else 0.5) for v in found.values()]))
    return _Reading(seconds, held, found, guess.slope, merit)


def _moments(
    sound: Floats32, happenings: Sequence[Event], curves: Sequence[onsets.Curve], guess: _Guess
) -> tuple[Floats, Floats]:
    """The moment of each event, chosen jointly, twice, then placed on the stroke; and the pauses."""
    rough, held = guess.rough, guess.held
    nominal = np.array([event.nominal_s for event in happenings])
    even = np.ones(len(nominal))
    _, slopes = onsets.steady(nominal, rough - held, even, reach_s=3.0)
    chosen = onsets.choose(curves, nominal, rough, slopes, held, loose_s=0.03, pull_s=0.2)
    held = held_breaths(nominal, chosen)
    _, slopes = onsets.steady(nominal, chosen - held, even, reach_s=1.5)
    chosen = onsets.choose(curves, nominal, chosen, slopes, held, loose_s=0.02, pull_s=0.3)
    found = chosen.copy()
    for place, event in enumerate(happenings):
        if not event.slurred:
            sharp = onsets.sharpen(sound, float(chosen[place]))
            found[place] = sharp.second if sharp.height >= onsets.PLAIN else chosen[place]
    for place in range(1, len(found)):  # sharpening may bring neighbours of a fast run together
        if found[place] <= found[place - 1]:
            found[place] = max(chosen[place], found[place - 1] + 0.005)
    # a take cut right at its first note begins with that note
    found = np.where((found < 0) & (found > -CUT_S), 0.0, found)
    return found, held_breaths(nominal, found)
