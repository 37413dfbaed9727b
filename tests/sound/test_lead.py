"""The guide lead: where each note falls and what its pitch does, in events and in sound."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction as F

import numpy as np
import numpy.typing as npt
import pytest

from pipeline.music.metre import Form
from pipeline.music.pitch import midi_to_hz
from pipeline.music.tab import Tab
from pipeline.music.technique import (
    Accent,
    Bend,
    Dead,
    Ghost,
    Grace,
    HammerOn,
    Harmonic,
    HarmonicKind,
    LetRing,
    PalmMute,
    PullOff,
    Slide,
    SlideKind,
    Staccato,
    Technique,
    TremoloPicking,
    Trill,
    Vibrato,
)
from pipeline.sound.backing import PRE_ROLL_S, arrange
from pipeline.sound.lead import Sound, strokes
from pipeline.sound.synth import render
from tests.samples import chart_of, lead_spans, lead_tab, tab_of, waltz_spans, waltz_tab

Row = tuple[F | int, F | int, int, int, tuple[Technique, ...]]
RATE = 48_000


def sounds(tab: Tab, semitones: int = 0) -> tuple[list[Sound], float]:
    """Strokes, and the second at which the piece starts; tempo as written."""
    spans = chart_of(*["Am"] * len(tab.form.bars)).spans(tab.form)
    band = arrange(
        tab, spans, groove="straight eighths", tempo_bpm=tab.tempo_bpm, semitones=semitones, seed=1
    )
    return strokes(band.stage, band.time_map, seed=1), band.time_map.seconds_at(0)


def one(*rows: Row, instrument: str = "electric guitar", bpm: float = 60.0) -> list[Sound]:
    found, start = sounds(tab_of(list(rows), form=Form.plain(2), bpm=bpm, instrument=instrument))
    for sound in found:
        sound.start_s -= start
        sound.end_s -= start
        sound.curve = [(t - start, h) for t, h in sound.curve]
    return found


def heard_hz(tab: Tab, second: float, *, near_hz: float) -> float:
    """Fundamental of the rendered lead around a second of the file (autocorrelation)."""
    spans = chart_of(*["Am"] * len(tab.form.bars)).spans(tab.form)
    band = arrange(tab, spans, groove="straight eighths", tempo_bpm=tab.tempo_bpm, seed=1)
    audio = render(band.lead[0].to_midi(), rate=RATE, seconds=band.seconds).mean(axis=1)
    at = round((band.time_map.seconds_at(0) + second) * RATE)
    frame = audio[at : at + 4096].astype(np.float64)
    return _pitch(frame, near_hz)


def _pitch(frame: npt.NDArray[np.float64], near_hz: float) -> float:
    frame = (frame - frame.mean()) * np.hanning(len(frame))
    spectrum = np.abs(np.fft.rfft(frame, 8 * len(frame))) ** 2
    correlation = np.fft.irfft(spectrum)
    low, high = int(RATE / (near_hz * 1.35)), int(RATE / (near_hz * 0.75))
    lag = low + int(np.argmax(correlation[low:high]))
    a, b, c = correlation[lag - 1 : lag + 2]
    return float(RATE / (lag + 0.5 * (a - c) / (a - 2 * b + c)))


def cents(hz: float, midi: float) -> float:
    return float(1200 * np.log2(hz / midi_to_hz(midi)))


def test_every_struck_note_is_there_on_its_time() -> None:
    tab = lead_tab()
    found, start = sounds(tab)
    slid = sum(1 for n in tab.sounding if (s := n.note.get(Slide)) and s.kind is SlideKind.LEGATO)
    assert len(found) == len(tab.sounding) - slid
    for note in tab.sounding:
        if note.note.has(Slide):
            continue
        second = start + float(note.onset) * 60 / 104
        assert any(
            abs(s.start_s - second) < 1e-6 and s.key == note.note.sounding_midi(tab.instrument) for s in found
        )


def test_repeats_are_played() -> None:
    tab = waltz_tab()
    band = arrange(tab, waltz_spans(), groove="waltz", tempo_bpm=132, seed=1)
    assert len(band.lead[0].notes()) == len(tab.sounding) == 19


def test_a_bend_rises_to_its_target_in_the_sound() -> None:
    tab = tab_of([(0, 2, 3, 7, (Bend.up(2),)), (2, 2, 3, 7, ())], form=Form.plain(2), bpm=60)
    assert abs(cents(heard_hz(tab, 1.2, near_hz=midi_to_hz(64)), 64)) < 12
    assert abs(cents(heard_hz(tab, 2.8, near_hz=midi_to_hz(62)), 62)) < 12


def test_prebend_and_release_in_the_sound() -> None:
    tab = tab_of([(0, 3, 2, 8, (Bend.pre_release(1),))], form=Form.plain(1), bpm=60)
    assert abs(cents(heard_hz(tab, 0.3, near_hz=midi_to_hz(68)), 68)) < 12
    assert abs(cents(heard_hz(tab, 2.5, near_hz=midi_to_hz(67)), 67)) < 12


def test_a_legato_slide_is_one_stroke_that_arrives_on_time() -> None:
    found = one((0, 1, 4, 5, ()), (1, 1, 4, 9, (Slide(SlideKind.LEGATO),)))
    assert len(found) == 1
    assert found[0].height_at(0.8) == 0 and found[0].height_at(1.0) == pytest.approx(4)
    assert found[0].end_s == pytest.approx(2)
    tab = tab_of([(0, 1, 4, 5, ()), (1, 1, 4, 9, (Slide(SlideKind.LEGATO),))], form=Form.plain(1), bpm=60)
    assert abs(cents(heard_hz(tab, 1.2, near_hz=midi_to_hz(59)), 59)) < 12


def test_a_shift_slide_is_struck_again() -> None:
    found = one((0, 1, 4, 5, ()), (1, 1, 4, 9, (Slide(SlideKind.SHIFT),)))
    assert [s.key for s in found] == [55, 59]
    assert found[0].height_at(0.999) == pytest.approx(4, abs=0.5) and found[1].height_at(1.0) == 0


def test_a_slide_further_than_the_wheel_is_struck_again() -> None:
    found = one((0, 1, 4, 2, ()), (1, 1, 4, 19, (Slide(SlideKind.LEGATO),)))
    assert [s.key for s in found] == [52, 69]


def test_slides_in_and_out() -> None:
    (sound,) = one((0, 2, 4, 7, (Slide(SlideKind.IN_BELOW),)))
    assert sound.height_at(0) == pytest.approx(-3) and sound.height_at(0.5) == 0
    (sound,) = one((0, 2, 4, 7, (Slide(SlideKind.OUT_DOWN),)))
    assert sound.height_at(1.0) == 0 and sound.height_at(1.999) < -5


def test_vibrato_stays_over_the_fret_and_wide_is_wider() -> None:
    depths = []
    for wide in (False, True):
        (sound,) = one((0, 3, 3, 7, (Vibrato(wide=wide),)))
        heights = [h for _, h in sound.curve]
        assert min(heights) >= 0
        depths.append(max(heights))
    assert depths == pytest.approx([1 / 3, 1], abs=0.03)


def test_hammer_and_pull_are_softer_than_the_pick() -> None:
    found = one((0, 1, 3, 5, ()), (1, 1, 3, 7, (HammerOn(),)), (2, 1, 3, 5, (PullOff(),)))
    assert [s.key for s in found] == [60, 62, 60]
    assert found[0].velocity > found[1].velocity > 40 and found[0].velocity > found[2].velocity > 40


def test_accent_ghost_staccato_dead_mute_and_harmonic() -> None:
    found = one(
        (0, 1, 3, 5, ()),
        (1, 1, 3, 5, (Accent(),)),
        (2, 1, 3, 5, (Ghost(),)),
        (3, 1, 3, 5, (Staccato(),)),
        (4, 1, 3, 5, (Dead(),)),
        (5, 1, 3, 5, (PalmMute(),)),
        (6, 1, 3, 12, (Harmonic(HarmonicKind.NATURAL, 12),)),
    )
    plain, accent, ghost, staccato, dead, mute, harmonic = found
    assert accent.velocity > plain.velocity > ghost.velocity
    assert staccato.end_s - staccato.start_s == pytest.approx(0.5)
    assert dead.end_s - dead.start_s < 0.06
    assert mute.program == dead.program == 28 and plain.program == 27  # GM electric guitar (muted)
    assert harmonic.key == 67


def test_let_ring_holds_to_the_bars_end_or_the_strings_next_note() -> None:
    found = one((0, 1, 5, 3, (LetRing(),)), (1, 1, 3, 0, (LetRing(),)), (2, 1, 3, 2, ()))
    by_start = {round(s.start_s): s for s in found}
    assert by_start[0].end_s == pytest.approx(4) and by_start[1].end_s == pytest.approx(2)


def test_trill_tremolo_and_grace() -> None:
    (trill,) = one((0, 2, 3, 5, (Trill(7),)))
    assert {round(h) for _, h in trill.curve} == {0, 2}
    tremolo = one((0, 2, 3, 5, (TremoloPicking(2),)))
    assert len(tremolo) == 8  # sixteenths over two quarters
    grace = one((1, 0, 3, 5, (Grace(),)), (1, 1, 3, 7, (HammerOn(),)))
    assert grace[0].start_s == pytest.approx(0.93) and grace[1].start_s == pytest.approx(1.0)
    on_beat = one((1, 0, 3, 5, (Grace(on_beat=True),)), (1, 1, 3, 7, ()))
    assert on_beat[0].start_s == pytest.approx(1.0) and on_beat[1].start_s == pytest.approx(1.07)


def test_grace_notes_are_struck_in_turn_or_together() -> None:
    """Two of them one after the other over two strings, then a double stop slid into."""
    run = one((1, 0, 4, 5, (Grace(),)), (1, 0, 3, 4, (Grace(),)), (1, 1, 2, 5, ()))
    assert [round(s.start_s, 2) for s in run] == [0.86, 0.93, 1.0]
    assert [s.string for s in run] == [4, 3, 2]
    both = one((1, 0, 4, 5, (Grace(),)), (1, 0, 3, 4, (Grace(together=True),)), (1, 1, 2, 5, ()))
    assert [round(s.start_s, 2) for s in both] == [0.93, 0.93, 1.0]


def test_transposition_moves_all_of_it() -> None:
    tab = lead_tab()
    here, there = sounds(tab)[0], sounds(tab, 3)[0]
    assert [s.key + 3 for s in here] == [s.key for s in there]


def test_swing_moves_eighths_and_leaves_written_triplets() -> None:
    third = F(1, 3)
    rows: list[Row] = [(0, F(1, 2), 3, 5, ()), (F(1, 2), F(1, 2), 3, 7, ())]
    rows += [(1 + i * third, third, 2, 5 + i, ()) for i in range(3)]
    tab = replace(tab_of(rows, form=Form.plain(1), bpm=60), swing=F(2, 3))
    found, start = sounds(tab)
    assert [s.start_s - start for s in found] == pytest.approx([0, 2 / 3, 1, 4 / 3, 5 / 3])


def test_strings_do_not_bend_each_other() -> None:
    tab = tab_of([(0, 2, 3, 7, (Bend.up(2),)), (0, 2, 2, 8, ())], form=Form.plain(1), bpm=60)
    spans = chart_of("Am").spans(tab.form)
    band = arrange(tab, spans, groove="straight eighths", tempo_bpm=60, seed=1)
    assert len({channel for _, channel, _, _ in band.lead[0].notes()}) == 2


def test_the_lead_is_exact_to_a_sample_where_the_time_map_says() -> None:
    band = arrange(lead_tab(), lead_spans(), groove="straight eighths", tempo_bpm=80, seed=9)
    first = band.lead[0].notes()[0][0]
    assert first == pytest.approx(PRE_ROLL_S + 4 * 60 / 80, abs=1 / RATE)


def test_a_lead_below_the_lowest_string_goes_up_an_octave() -> None:
    """A bass line in E, asked for in D, began below the open E string."""
    tab = tab_of([(0, 4, 4, 0, ()), (4, 4, 3, 2, ())], instrument="bass", form=Form.plain(2), key="Em")
    found, _ = sounds(tab, -2)
    assert [sound.key for sound in found] == [28 - 2 + 12, 35 - 2 + 12]
    spans = chart_of("Em", "Em").spans(tab.form)
    band = arrange(tab, spans, groove="straight eighths", tempo_bpm=104, semitones=-2, seed=1)
    assert any("an octave higher" in note for note in band.notes)
    assert [sound.key for sound in sounds(tab, 3)[0]] == [28 + 3, 35 + 3]
