"""What the band plays, note by note, before any sound."""

from __future__ import annotations

import io
import itertools
from dataclasses import replace
from fractions import Fraction as F

import mido
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from pipeline.music.chart import Chart, ChartBar, ChartChord, ChordSpan, Play
from pipeline.music.chord import Chord
from pipeline.music.metre import Bar, Form, Metre
from pipeline.music.tab import Phrase, Tab, TempoMark
from pipeline.music.technique import Slide, SlideKind, TremoloPicking
from pipeline.sound.backing import PRE_ROLL_S, Band, arrange
from pipeline.sound.bass import HIGHEST, LOWEST, bass_part
from pipeline.sound.comping import best_voicing, chord_part, chosen_tones, motion
from pipeline.sound.drums import drum_part
from pipeline.sound.errors import SoundError
from pipeline.sound.groove import DRUM_KEYS, groove_names, load_groove
from pipeline.sound.part import DRUM_CHANNEL, Hit
from pipeline.sound.stage import Harmony, Stage, set_stage
from tests.samples import chart_of, lead_spans, lead_tab, tab_of, waltz_spans, waltz_tab
from tests.strategies import tabs

BLUES = ["A7", "D7", "A7", "A7", "D7", "D7", "A7", "A7", "E7", "D7", "A7", "E7"]


def blues() -> tuple[Tab, tuple[ChordSpan, ...]]:
    tab = tab_of([(0, 1, 3, 5, ())], form=Form.plain(12), bpm=100, phrases=(Phrase("First", 1, 4),))
    return tab, chart_of(*BLUES).spans(tab.form)


def band_of(tab: Tab, spans: tuple[ChordSpan, ...], groove: str, **more: int) -> Band:
    return arrange(tab, spans, groove=groove, tempo_bpm=tab.tempo_bpm, seed=3, **more)


def played(band: Band, stem: str) -> list[tuple[float, int, int]]:
    """(quarter, key, velocity)"""
    return [(band.time_map.quarter_at(s), k, v) for s, _, k, v in band.stems[stem][0].notes()]


@pytest.mark.parametrize("groove", groove_names())
@pytest.mark.parametrize("semitones", [0, 3, -4])
def test_the_bass_strikes_each_chords_lowest_note_where_the_chord_falls(groove: str, semitones: int) -> None:
    for tab, spans in (blues(), (lead_tab(), lead_spans()), (waltz_tab(), waltz_spans())):
        stage = set_stage(tab, spans, groove=load_groove(groove), semitones=semitones)
        hits = bass_part(stage, seed=3).hits
        bars = {bar.placed.index: bar for bar in stage.bars}
        assert all(LOWEST <= hit.key <= HIGHEST for hit in hits)
        for span in spans:
            if span.bar.bar.pickup:
                continue
            assert span.chord is not None
            at = bars[span.bar.index].felt(span.start)
            here = [hit.key for hit in hits if abs(hit.quarter - at) < 1e-9]
            assert here, (groove, span.start)
            assert here[0] % 12 == (span.chord.lowest.pitch_class + semitones) % 12


def test_one_bass_note_at_a_time() -> None:
    tab, spans = blues()
    for groove in groove_names():
        hits = bass_part(set_stage(tab, spans, groove=load_groove(groove), semitones=0), seed=1).hits
        for one, two in itertools.pairwise(hits):
            assert one.quarter + one.length <= two.quarter + 1e-9


def test_a_walk_leads_into_each_new_chord_by_step_or_fifth() -> None:
    tab, spans = blues()
    stage = set_stage(tab, spans, groove=load_groove("swing"), semitones=0)
    hits = bass_part(stage, seed=5).hits
    for span in spans[1:]:
        at = next(i for i, h in enumerate(hits) if abs(h.quarter - float(span.start)) < 1e-9)
        assert abs(hits[at].key - hits[at - 1].key) in (1, 2, 7), (span.start, hits[at - 1], hits[at])


def test_voicings_hold_the_chord_and_move_little() -> None:
    player = load_groove("swing").chords[0]
    held = None
    moved = []
    for name in [
        "Cmaj7",
        "Am7",
        "Dm7",
        "G7",
        "Em7b5",
        "A7b9",
        "Dm9",
        "G13",
        "C6",
        "F#m7b5",
        "B7#9",
        "Em",
        "C5",
        "Caug",
        "Gsus4",
        "Bdim7",
    ]:
        harmony = Harmony(Chord.parse(name), 0)
        voicing = best_voicing(harmony, player, held)
        low, high = player.register
        assert low <= voicing[0] and voicing[-1] <= high and list(voicing) == sorted(voicing)
        assert {k % 12 for k in voicing} == set(chosen_tones(harmony, player.voices)) <= harmony.tones, name
        if held:
            moved.append(motion(held, voicing) / len(voicing))
        held = voicing
    assert sum(moved) / len(moved) < 2.5  # semitones a voice


def test_a_small_voicing_keeps_third_seventh_and_bent_tones() -> None:
    tones = chosen_tones(Harmony(Chord.parse("C7b9"), 0), 3)
    assert set(tones) == {4, 10, 1}


def test_no_chord_silences_all_but_the_drums() -> None:
    form = Form.plain(3)
    tab = tab_of([(0, 1, 3, 5, ())], form=form)
    band = band_of(tab, chart_of("Am", "N.C.", "Dm").spans(form), "straight eighths")
    for stem in set(band.stems) - {"count-in"}:
        inside = [q for q, _, _ in played(band, stem) if 3.9 < q < 7.9]
        assert bool(inside) is (stem == "drums"), stem


def test_a_stop_is_one_stroke_and_then_silence_for_everyone() -> None:
    form = Form.plain(3)
    tab = tab_of([(0, 1, 3, 5, ())], form=form)
    a, d = Chord.parse("Am"), Chord.parse("Dm")
    bars = (
        ChartBar((ChartChord(F(0), a),)),
        ChartBar((ChartChord(F(0), d, play=Play.STOP),)),
        ChartBar((ChartChord(F(0), a),)),
    )
    band = band_of(tab, Chart(bars).spans(form), "straight eighths")
    for stem in set(band.stems) - {"count-in"}:
        quarters = [q for q, _, _ in played(band, stem)]
        assert any(abs(q - 4) < 0.05 for q in quarters), stem
        assert not [q for q in quarters if 4.1 < q < 7.9], stem
        assert any(abs(q - 8) < 0.05 for q in quarters), stem


def test_count_in_is_one_bar_and_goes_on_through_a_pickup() -> None:
    band = band_of(waltz_tab(), waltz_spans(), "waltz")
    clicks = [q for q, _, _ in played(band, "count-in")]
    # pickup of one beat: 1 2 3 | 1 2 and the click on the pickup itself
    assert clicks == pytest.approx([-5, -4, -3, -2, -1, 0], abs=0.03)
    assert band.count_in_s == pytest.approx(5 * 60 / 132)
    assert band.time_map.seconds_at(0) == pytest.approx(PRE_ROLL_S + band.count_in_s)


def test_short_bars_are_counted_twice() -> None:
    tab = tab_of([(0, 1, 3, 5, ())], form=Form.plain(4, Metre(2, 4)))
    band = band_of(tab, chart_of("Am", "Am", "Am", "Am").spans(tab.form), "straight eighths")
    assert band.count_in_s == pytest.approx(4 * 60 / 104)


def test_pickup_has_no_band() -> None:
    band = band_of(waltz_tab(), waltz_spans(), "waltz")
    for stem in band.stems:
        if stem != "count-in":
            assert min(q for q, _, _ in played(band, stem)) > 0.9


def test_closing_hit_stands_on_the_downbeat_after_the_last_bar() -> None:
    tab, spans = blues()
    band = band_of(tab, spans, "shuffle")
    crash = [q for q, k, _ in played(band, "drums") if k == DRUM_KEYS["crash"]]
    assert crash[-1] == pytest.approx(48, abs=0.03)
    bass = played(band, "bass")[-1]
    assert bass[0] == pytest.approx(48, abs=0.05) and bass[1] % 12 == 9  # the turnaround's E7 goes home to A


def test_a_fill_closes_each_section() -> None:
    form = Form.plain(8)
    tab = tab_of([(0, 1, 3, 5, ())], form=form)
    chart = chart_of(*["Am"] * 8)
    bars = tuple(replace(bar, section={0: "Verse", 4: "Chorus"}.get(i)) for i, bar in enumerate(chart.bars))
    band = band_of(tab, Chart(bars).spans(form), "straight eighths")
    toms = [q for q, k, _ in played(band, "drums") if k in (DRUM_KEYS["high_tom"], DRUM_KEYS["low_tom"])]
    assert [round(q * 2) / 2 for q in toms] == [15, 15.5, 31, 31.5]
    crashes = [round(q) for q, k, _ in played(band, "drums") if k == DRUM_KEYS["crash"]]
    assert crashes == [16, 32]


@pytest.mark.parametrize(
    "metre", ["5/4", "7/8", "6/8", "9/8", "12/8", "3/8", "2/2", "3/2", "5/8", "1/4", "15/16"]
)
@pytest.mark.parametrize("groove", groove_names())
def test_any_groove_plays_in_any_metre(groove: str, metre: str) -> None:
    form = Form.plain(3, Metre.parse(metre))
    tab = tab_of([(0, F(1, 2), 3, 5, ())], form=form, bpm=120)
    band = band_of(tab, chart_of("Am", "Dm", "E7").spans(form), groove)
    assert not load_groove(groove).fits(Metre.parse(metre)) or not band.notes
    length = float(form.played.length)
    for stem in band.stems:
        quarters = [q for q, _, _ in played(band, stem)]
        starts = [float(bar.start) for bar in form.played.bars] + [length]
        assert max(quarters) < length + 0.15  # a strum takes its time
        if stem in ("drums", "bass"):
            for start in starts:
                assert any(abs(q - start) < 0.06 for q in quarters), (stem, start)


def test_changes_of_metre_and_tempo_keep_the_downbeats() -> None:
    four, three = Metre(4, 4), Metre(3, 4)
    form = Form((Bar(1, four, F(4)), Bar(2, three, F(3)), Bar(3, Metre(7, 8), F(7, 2)), Bar(4, four, F(4))))
    tab = replace(
        tab_of([(0, 1, 3, 5, ())], form=form, bpm=100), tempos=(TempoMark(F(0), 100), TempoMark(F(4), 150))
    )
    band = arrange(
        tab, chart_of("Am", "Dm", "E7", "Am").spans(form), groove="straight eighths", tempo_bpm=50, seed=1
    )
    start = PRE_ROLL_S + 4 * 60 / 50
    expected = [start, start + 4.8, start + 4.8 + 3 * 60 / 75, start + 4.8 + 6.5 * 60 / 75]
    seconds = [s for s, *_ in band.stems["bass"][0].notes()]
    for moment in expected:
        assert min(abs(s - moment) for s in seconds) < 0.015


def test_triplet_grooves_follow_the_tabs_own_swing() -> None:
    tab, spans = blues()
    for share in (F(2, 3), F(3, 5)):
        stage = set_stage(replace(tab, swing=share), spans, groove=load_groove("shuffle"), semitones=0)
        offbeats = {round(float(stage.bars[0].felt(stage.bars[0].placed_at(F(2, 3), steps=3))), 6)}
        assert offbeats == {round(float(share), 6)}


def test_straight_grooves_swing_with_a_swung_tab() -> None:
    tab, spans = blues()
    straight = band_of(tab, spans, "straight eighths")
    swung = band_of(replace(tab, swing=F(2, 3)), spans, "straight eighths")
    hats = [
        sorted(round(q % 1, 1) for q, k, _ in played(b, "drums") if k == DRUM_KEYS["closed_hat"] and q < 4)
        for b in (straight, swung)
    ]
    assert 0.5 in hats[0] and 0.7 in hats[1] and 0.5 not in hats[1]


def test_a_bass_lesson_has_no_bass_in_the_band() -> None:
    tab = tab_of([(0, 1, 4, 5, ())], instrument="bass")
    band = band_of(tab, chart_of("Am", "Am", "Am", "Am").spans(tab.form), "straight eighths")
    assert "bass" not in band.stems
    assert any("without a bass" in note for note in band.notes)
    assert band.lead[0].sounding


def test_same_seed_same_events_other_seed_other_hands() -> None:
    tab, spans = blues()
    one, two = band_of(tab, spans, "swing"), band_of(tab, spans, "swing")
    other = arrange(tab, spans, groove="swing", tempo_bpm=100, seed=4)
    for stem in one.stems:
        assert one.stems[stem][0].to_midi() == two.stems[stem][0].to_midi()
        if stem != "count-in":
            assert one.stems[stem][0].to_midi() != other.stems[stem][0].to_midi()


def test_drums_keep_to_their_channel_and_pitched_players_off_it() -> None:
    tab, spans = blues()
    band = band_of(tab, spans, "funk sixteenths")
    for name, (events, _) in {**band.stems, "lead": band.lead}.items():
        channels = {c for _, c, _, _ in events.notes()}
        assert (
            (channels == {DRUM_CHANNEL}) if name in ("drums", "count-in") else (DRUM_CHANNEL not in channels)
        )


@pytest.mark.parametrize("bpm", [60, 240, 480])
def test_no_key_is_struck_while_it_is_down(bpm: float) -> None:
    """A strum's last string was still ringing when the next stroke came; its note-off then
    silenced the new stroke."""
    tab, spans = blues()
    for groove in groove_names():
        band = arrange(tab, spans, groove=groove, tempo_bpm=bpm, seed=2)
        for name, (events, _) in {**band.stems, "lead": band.lead}.items():
            down: set[tuple[int, int]] = set()
            for message in mido.MidiFile(file=io.BytesIO(events.to_midi())):
                if message.type == "note_on":
                    assert (message.channel, message.note) not in down, (groove, name)
                    down.add((message.channel, message.note))
                elif message.type == "note_off":
                    down.remove((message.channel, message.note))
            assert not down


@settings(max_examples=15, phases=[Phase.generate], deadline=None, suppress_health_check=list(HealthCheck))
@given(tab=tabs(), seed=st.integers(0, 2**31), data=st.data())
def test_any_tab_makes_a_band(tab: Tab, seed: int, data: st.DataObject) -> None:
    """Every struck note of any tab is heard once (slid-to notes with theirs), inside the file."""
    names = data.draw(
        st.lists(st.sampled_from(["Am7", "D9", "N.C.", "F#m7b5/C", "E7#9"]), min_size=1, max_size=3)
    )
    spans = chart_of(*[" ".join(names)] * len(tab.form.bars)).spans(tab.form)
    groove = data.draw(st.sampled_from(groove_names()))
    band = arrange(tab, spans, groove=groove, tempo_bpm=tab.tempo_bpm, seed=seed)
    for events in [band.lead[0], *(events for events, _ in band.stems.values())]:
        assert all(0 <= s < band.seconds and 0 <= k <= 127 and 1 <= v <= 127 for s, _, k, v in events.notes())
    slid = sum(1 for n in tab.sounding if (s := n.note.get(Slide)) and s.kind is SlideKind.LEGATO)
    many = any(n.note.has(TremoloPicking) for n in tab.sounding)
    count = len(band.lead[0].notes())
    assert count >= len(tab.sounding) - slid and (many or count <= len(tab.sounding))


def test_a_track_of_hours_is_refused_before_any_work() -> None:
    tab = tab_of([(0, 1, 3, 5, ())], form=Form.plain(2000), bpm=100)
    with pytest.raises(SoundError, match="would last 80 minutes, more than 40"):
        arrange(tab, chart_of(*["Am"] * 2000).spans(tab.form), groove="swing", tempo_bpm=100, seed=1)


def _playing(play: Play, push: F = F(0)) -> Stage:
    """Two bars of a chord, then a bar in which the second chord is played so, then one more bar."""
    am, dm = Chord.parse("Am"), Chord.parse("Dm")
    bars = [
        (ChartChord(F(0), am),),
        (),
        (ChartChord(F(0), am), ChartChord(F(1, 2), dm, play, push)),
        (ChartChord(F(0), am),),
    ]
    chart = Chart(tuple(ChartBar(chords) for chords in bars))
    tab = lead_tab()
    return set_stage(tab, chart.spans(tab.form), groove=load_groove("straight eighths"), semitones=0)


def _struck(stage: Stage, start: float, end: float) -> dict[str, list[Hit]]:
    parts = {
        "drums": drum_part(stage, seed=1),
        "bass": bass_part(stage, seed=1),
        "chords": chord_part(stage, 0, seed=1),
    }
    return {name: [h for h in part.hits if start <= h.quarter < end] for name, part in parts.items()}


def test_a_hit_is_struck_by_all_and_the_groove_goes_on() -> None:
    plain, hit = _struck(_playing(Play.ON), 10, 12), _struck(_playing(Play.HIT), 10, 12)
    crash = [h for h in hit["drums"] if h.quarter == 10 and h.key == DRUM_KEYS["crash"]]
    assert crash and not any(h.key == DRUM_KEYS["crash"] for h in plain["drums"])
    assert len(hit["drums"]) > 2 and any(h.quarter > 10.4 for h in hit["drums"])
    strongest = {
        name: max(h.velocity for h in found["chords"] if h.quarter == 10)
        for name, found in (("plain", plain), ("hit", hit))
        if any(h.quarter == 10 for h in found["chords"])
    }
    assert strongest["hit"] > strongest.get("plain", 0)


def test_a_chord_that_is_held_rings_to_the_next_one_and_nothing_else_sounds() -> None:
    held = _struck(_playing(Play.HOLD), 10, 12)
    for name in ("bass", "chords"):
        assert {h.quarter for h in held[name]} == {10.0}, name
        assert all(h.length > 1.8 for h in held[name]), name
    assert {h.quarter for h in held["drums"]} == {10.0}


def test_a_pushed_chord_is_struck_early() -> None:
    """Dm on beat 3, pushed by an eighth: bass and chords strike it on the and of two."""
    pushed = _playing(Play.ON, F(1, 2))
    found = _struck(pushed, 9.5, 10)
    assert {h.key % 12 for h in found["bass"] if h.quarter == 9.5} == {2}
    assert {h.key % 12 for h in found["chords"] if h.quarter == 9.5} <= {2, 5, 9}
    assert any(h.quarter == 9.5 for h in found["chords"])
