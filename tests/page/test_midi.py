"""MIDI files: the notes where they belong, the wheel where the string is."""

from __future__ import annotations

import io
from fractions import Fraction as F

import mido
import pytest

from pipeline.music.errors import MusicError
from pipeline.music.technique import Bend, Grace, TremoloPicking, Trill
from pipeline.page.midi import BEND_RANGE, TICKS, write_midi
from tests.page.pieces import PIECES, techniques_tab
from tests.samples import lead_tab, tab_of, waltz_tab

ALL = {"lead": lead_tab, "waltz": waltz_tab, **PIECES}


def opened(data: bytes) -> mido.MidiFile:
    return mido.MidiFile(file=io.BytesIO(data))


def struck(data: bytes) -> list[tuple[int, int, int, int]]:
    """(tick, length, channel, note), every note that starts and ends."""
    found = []
    for track in opened(data).tracks:
        now, on = 0, {}
        for message in track:
            now += message.time
            if message.type == "note_on" and message.velocity:
                on[message.channel, message.note] = now
            elif message.type in ("note_off", "note_on"):
                start = on.pop((message.channel, message.note))
                found.append((start, now - start, message.channel, message.note))
        assert not on
    return sorted(found)


@pytest.mark.parametrize("name", ALL)
def test_notes_of_the_played_form(name: str) -> None:
    tab = ALL[name]()
    graces = {s.onset for s in tab.sounding if s.note.grace}
    expected = sorted(
        (round(s.onset * TICKS), s.note.sounding_midi(tab.instrument))
        for s in tab.sounding
        if s.onset not in graces
    )
    found = sorted((tick, note) for tick, _, _, note in struck(write_midi(tab)))
    assert [pair for pair in found if pair in set(expected)] == expected
    shaken = any(s.note.has(Trill, TremoloPicking) for s in tab.sounding)
    assert len(found) > len(tab.sounding) if shaken else len(found) == len(tab.sounding)


def test_one_channel_a_string_and_none_for_drums() -> None:
    for _, _, channel, _ in struck(write_midi(techniques_tab())):
        assert channel < 6 and channel != 9


def test_wheel_reaches_the_bend() -> None:
    tab = tab_of([(0, 4, 3, 7, (Bend.up_release(2),)), (4, 4, 3, 7, ())])
    now, places = 0, []
    for message in opened(write_midi(tab)).tracks[3]:
        now += message.time
        if message.type == "pitchwheel":
            places.append((now, message.pitch))
    assert max(p for _, p in places) == round(8192 * 2 / BEND_RANGE)
    assert places[-1][1] == 0 and places[-1][0] < 4 * TICKS


def test_moved_and_faster() -> None:
    plain, moved = struck(write_midi(lead_tab())), struck(write_midi(lead_tab(), semitones=3, tempo_bpm=60))
    assert sorted((t, n + 3) for t, _, _, n in plain) == sorted((t, n) for t, _, _, n in moved)
    tempos = [
        m.tempo for m in opened(write_midi(lead_tab(), tempo_bpm=60)).tracks[0] if m.type == "set_tempo"
    ]
    assert tempos == [1_000_000]


def test_out_of_range_is_refused() -> None:
    with pytest.raises(MusicError, match=r"bar \d, beat [\d.]+: moved by 90"):
        write_midi(lead_tab(), semitones=90)


def test_graces_take_their_time_from_the_note_before() -> None:
    tab = tab_of([(0, 1, 2, 5, ()), (1, 0, 2, 6, (Grace(),)), (1, 0, 2, 7, (Grace(),)), (1, 1, 2, 8, ())])
    found = [(tick, length) for tick, length, _, _ in struck(write_midi(tab))]
    eighth = F(1, 8) * TICKS
    assert found == [
        (0, TICKS - eighth),
        (TICKS - eighth, eighth / 2),
        (TICKS - eighth / 2, eighth / 2),
        (TICKS, TICKS),
    ]


def test_same_bytes_twice() -> None:
    assert write_midi(techniques_tab()) == write_midi(techniques_tab())


def test_repeats_are_unrolled_with_metre_and_key() -> None:
    file = opened(write_midi(waltz_tab()))
    kinds = {m.type: m for m in file.tracks[0]}
    assert (kinds["time_signature"].numerator, kinds["time_signature"].denominator) == (3, 4)
    assert kinds["key_signature"].key == "G"
    assert file.length == pytest.approx(float(waltz_tab().form.played.length) * 60 / 132, abs=1e-3)
