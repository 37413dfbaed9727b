"""The finished track: what a listener with a meter and a stopwatch would find."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import replace
from fractions import Fraction as F
from pathlib import Path

import numpy as np
import pytest

from pipeline.music.metre import Form
from pipeline.music.pitch import midi_to_hz
from pipeline.sound.backing import RATE, RING_S, arrange, make_backing, make_backings, render_stem
from pipeline.sound.errors import SoundError
from pipeline.sound.files import write_mp3
from pipeline.sound.synth import find_synthesizer
from tests.samples import chart_of, lead_spans, lead_tab, tab_of, waltz_spans, waltz_tab


def test_both_tracks_meet_loudness_peak_and_length() -> None:
    made = make_backings(lead_tab(), lead_spans(), groove="shuffle", tempo_bpm=120, seed=5)
    assert set(made) == {"none", "guide"}
    for backing in made.values():
        assert backing.audio.dtype == np.float32 and backing.audio.shape[1] == 2
        assert backing.integrated_lufs == pytest.approx(-14.0, abs=0.3)
        assert backing.true_peak_dbtp <= -1.0
        # four bars of count-in, sixteen quarters and the ring after the closing hit
        assert backing.seconds == pytest.approx(0.15 + 2.0 + 8.0 + RING_S, abs=0.01)
        assert backing.time_map.seconds_at(0) == pytest.approx(2.15)
        assert backing.time_map.seconds_at(16) == pytest.approx(10.15)
    assert not np.array_equal(made["none"].audio, made["guide"].audio)


def test_one_alone_is_the_same_as_out_of_the_pair() -> None:
    tab, spans = waltz_tab(), waltz_spans()
    pair = make_backings(tab, spans, groove="waltz", tempo_bpm=132, seed=5)
    alone = make_backing(tab, spans, groove="waltz", tempo_bpm=132, lead="guide", seed=5)
    assert np.array_equal(pair["guide"].audio, alone.audio)
    other = make_backing(tab, spans, groove="waltz", tempo_bpm=132, lead="guide", seed=6)
    assert not np.array_equal(alone.audio, other.audio)


def test_no_click_at_either_end() -> None:
    audio = make_backing(lead_tab(), lead_spans(), groove="swing", tempo_bpm=104, seed=2).audio
    assert np.abs(audio[0]).max() < 1e-6 and np.abs(audio[-1]).max() < 1e-6
    assert np.abs(audio[: round(0.14 * RATE)]).max() < 1e-3
    assert np.abs(np.diff(audio[-RATE // 10 :], axis=0)).max() < 1e-3


def test_the_bass_is_heard_on_each_chords_downbeat() -> None:
    """In the sound, not in the notes: energy at the root's frequency rises right there."""
    tab = tab_of([(0, 1, 3, 5, ())], form=Form.plain(4), bpm=80)
    band = arrange(
        tab, chart_of("Am", "F", "C", "G").spans(tab.form), groove="half-time ballad", tempo_bpm=80, seed=1
    )
    audio = render_stem(band.stems["bass"], band.seconds, find_synthesizer()).mean(axis=1)
    for bar, pitch_class in enumerate((9, 5, 0, 7)):
        at = round(band.time_map.seconds_at(4 * bar) * RATE)
        frame = audio[at + 2400 : at + 2400 + 16384] * np.hanning(16384)
        spectrum = np.abs(np.fft.rfft(frame, 65536))
        hz = np.fft.rfftfreq(65536, 1 / RATE)
        # the bass note whose first six partials hold the most
        held = {
            midi: sum(np.sqrt(spectrum[np.abs(hz - k * midi_to_hz(midi)) < 3]).max() for k in range(1, 7))
            for midi in range(28, 51)
        }
        assert max(held, key=held.__getitem__) % 12 == pitch_class, bar
        before = np.abs(audio[at - 4800 : at - 1500]).mean()
        assert bar == 0 or np.abs(audio[at + 500 : at + 4800]).mean() > 0.8 * before


def test_the_packaged_synthesizer_makes_whole_tracks_too(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LESSONWRIGHT_SYNTH", "pip")
    backing = make_backing(
        lead_tab(), lead_spans(), groove="funk sixteenths", tempo_bpm=104, lead="guide", seed=5
    )
    assert backing.synthesizer.startswith("midirenderer")
    assert backing.integrated_lufs == pytest.approx(-14.0, abs=0.3) and backing.true_peak_dbtp <= -1.0


@pytest.mark.parametrize(
    ("change", "complaint"),
    [
        ({"tempo_bpm": 9.0}, "a tempo of 9 is outside 10 to 500"),
        ({"tempo_bpm": 501.0}, "a tempo of 501 is outside 10 to 500"),
        ({"tempo_bpm": float("nan")}, "a tempo of nan"),
        ({"groove": "shufle"}, "Did you mean 'shuffle'"),
        ({"semitones": 30}, "30 semitones"),
        ({"lead": "loud"}, "'none' or 'guide', got 'loud'"),
        ({"target_lufs": 3.0}, "-60 and -5 LUFS, got 3"),
        ({"ceiling_dbtp": 2.0}, "-20 and 0 dBTP, got 2"),
    ],
)
def test_what_makes_no_sense_is_refused_in_plain_words(change: dict[str, object], complaint: str) -> None:
    options: dict[str, object] = {"groove": "shuffle", "tempo_bpm": 104.0, "seed": 1, **change}
    with pytest.raises(SoundError, match=complaint):
        make_backing(lead_tab(), lead_spans(), **options)  # type: ignore[arg-type]


def test_a_chart_without_any_chord_still_has_drums() -> None:
    tab = lead_tab()
    backing = make_backing(
        tab, chart_of(*["N.C."] * 4).spans(tab.form), groove="shuffle", tempo_bpm=104, seed=1
    )
    assert backing.integrated_lufs == pytest.approx(-14.0, abs=0.3)


def test_progress_runs_from_nothing_to_done() -> None:
    seen: list[tuple[float, str]] = []
    make_backing(
        lead_tab(), lead_spans(), groove="bossa", tempo_bpm=200, seed=1, progress=lambda *a: seen.append(a)
    )
    shares = [share for share, _ in seen]
    assert shares == sorted(shares) and shares[0] == 0 and seen[-1] == (1.0, "done")


def test_a_band_tuned_elsewhere() -> None:
    band = arrange(replace(lead_tab(), a4_hz=432.0), lead_spans(), groove="swing", tempo_bpm=104, seed=1)
    assert not band.notes
    far = arrange(replace(lead_tab(), a4_hz=392.0), lead_spans(), groove="swing", tempo_bpm=104, seed=1)
    assert any("392" in note for note in far.notes)


def test_a_tab_without_a_note_and_one_bar_alone() -> None:
    tab = replace(tab_of([(0, F(1), 3, 5, ())], form=Form.plain(1)), notes=())
    made = make_backings(tab, chart_of("Am").spans(tab.form), groove="shuffle", tempo_bpm=104, seed=1)
    assert np.array_equal(made["none"].audio, made["guide"].audio)


def test_count_in_and_lead_are_heard_where_the_time_map_says() -> None:
    """Onsets in the finished sound, within the few milliseconds that a sample takes to speak."""
    tab = tab_of([(2, 1, 3, 5, ())], form=Form.plain(1), bpm=60)
    spans = chart_of("N.C.").spans(tab.form)
    made = make_backings(tab, spans, groove="half-time ballad", tempo_bpm=60, seed=1)
    time_map = made["none"].time_map
    level = np.abs(made["none"].audio).max(axis=1)
    for beat in (-4, -3, -2, -1):
        at = round(time_map.seconds_at(beat) * RATE)
        assert level[at - 480 : at].max() < 0.25 * level[at : at + 960].max()
    band = arrange(tab, spans, groove="half-time ballad", tempo_bpm=60, seed=1)
    lead = np.abs(render_stem(band.lead, band.seconds, find_synthesizer())).max(axis=1)
    first = int(np.argmax(lead > 0.1 * lead.max())) / RATE
    assert 0 <= first - time_map.seconds_at(2) < 0.015


def test_another_process_makes_the_same_bytes() -> None:
    """Nothing depends on the process: hash seeds, caches, what was rendered before."""
    code = (
        "import hashlib\n"
        "from pipeline.sound.backing import make_backing\n"
        "from tests.samples import lead_spans, lead_tab\n"
        "made = make_backing(lead_tab(), lead_spans(), groove='swing', tempo_bpm=150, lead='guide', seed=8)\n"
        "print(hashlib.sha256(made.audio.tobytes()).hexdigest())\n"
    )
    found = set()
    for seed in ("1", "2"):
        done = subprocess.run(
            [sys.executable, "-c", code],
            env={**os.environ, "PYTHONHASHSEED": seed},
            cwd=Path(__file__).parents[2],
            capture_output=True,
            text=True,
            check=True,
        )
        assert done.stderr == ""
        found.add(done.stdout)
    assert len(found) == 1


def test_mp3_of_a_strummed_track_keeps_its_loudness_under_the_ceiling(tmp_path: Path) -> None:
    """Coding lifts the peaks of such a track; limiting it again for the second try used to
    cost a third of a decibel of loudness."""
    made = make_backing(lead_tab(), lead_spans(), groove="acoustic strum", tempo_bpm=104, seed=3)
    after = write_mp3(tmp_path / "a.mp3", made.audio, made.rate)
    assert after.true_peak_dbtp <= -1.0
    assert after.integrated_lufs == pytest.approx(made.integrated_lufs, abs=0.15)
