"""Alignment measured by the field's own evaluation library, and against published accuracy.

Sources
-------
mir_eval 0.8.2 (Raffel et al., ISMIR 2014): ``onset.f_measure`` with its default window of
50 ms; ``alignment.absolute_error`` and ``alignment.percentage_correct`` (window 0.3 s).
Raffel, C., Ellis, D. P. W. (2016), "Optimizing DTW-based audio-to-MIDI alignment and
matching", ICASSP: mean absolute error of the best system 0.0180 s, errors clipped at 0.5 s,
on synthetic corrupted pairs (figure from the authors' overview notebook). Another material
than ours, so only the order of magnitude is compared.
librosa 0.11: an independent reading of the tuning.
"""

from __future__ import annotations

import mir_eval
import numpy as np
import pytest

from pipeline.listen.align import align_take
from pipeline.music.tab import Tab
from tests.listen import pieces, soundfont
from tests.listen.players import Take, after, clicks, drifting, render, speech_like
from tests.samples import lead_tab


def _lead() -> tuple[Tab, Take]:
    tab = lead_tab()
    return tab, after(speech_like(3.0), render(tab, drifting(tab, tempo=0.85, drift=0.15), cents=-40))


def _sampled() -> tuple[Tab, Take]:
    tab = pieces.lead(6, seed=31)
    return tab, after(clicks(4, 104), soundfont.render(tab, drifting(tab, tempo=1.2, drift=0.1)))


def _dirty() -> tuple[Tab, Take]:
    tab = pieces.lead(6, seed=32)
    return tab, render(tab, drifting(tab, drift=0.2), drive=0.5, reverb=0.5, noise_db=-40)


@pytest.mark.parametrize("make", [_lead, _sampled, _dirty])
def test_onsets_and_alignment_by_mir_eval(make) -> None:
    tab, take = make()
    found = align_take(tab, take.audio, take.rate)
    truth, heard = np.unique(take.onsets), np.unique([note.seconds for note in found.notes])
    f_measure, precision, recall = mir_eval.onset.f_measure(truth, heard)
    assert f_measure > 0.97
    assert min(precision, recall) > 0.95
    order = np.argsort(take.onsets, kind="stable")
    ours = np.maximum.accumulate(np.array([note.seconds for note in found.notes])[order])
    median, mean = mir_eval.alignment.absolute_error(take.onsets[order], ours)
    assert median < 0.010
    assert mean < 0.018  # Raffel & Ellis (2016), see above
    assert mir_eval.alignment.percentage_correct(take.onsets[order], ours) == 1.0


@pytest.mark.filterwarnings("ignore")  # librosa's own
def test_tuning_agrees_with_librosa() -> None:
    import librosa

    from pipeline.listen.features import RATE, tuning_cents

    tab = lead_tab()
    take = render(tab, drifting(tab), cents=-25)
    audio = librosa.resample(take.audio, orig_sr=take.rate, target_sr=RATE)
    theirs = 100 * librosa.estimate_tuning(y=audio, sr=RATE)
    assert tuning_cents(audio) == pytest.approx(theirs, abs=6)
