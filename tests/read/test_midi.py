"""MIDI files as tabs: what we write comes back, what others write is understood."""

from __future__ import annotations

import io
from dataclasses import fields
from fractions import Fraction as F
from pathlib import Path
from typing import Any

import mido
import pytest
from hypothesis import HealthCheck, given, settings

from pipeline.errors import Problems
from pipeline.music.errors import MusicError
from pipeline.music.instrument import INSTRUMENTS
from pipeline.music.key import Key
from pipeline.music.metre import Bar, Form, Metre
from pipeline.music.tab import KeyMark, Lyric, Phrase, Remark, Tab, TempoMark
from pipeline.music.technique import Bend, Grace, HammerOn, Slide, SlideKind, Vibrato
from pipeline.page.midi import lost_in_midi, write_midi
from pipeline.page.midi_maps import metre_of
from pipeline.read.midi import read_midi
from pipeline.read.places import Places
from tests.page.pieces import PIECES
from tests.samples import lead_tab, tab_of, waltz_tab
from tests.strategies import tabs
from tests.wholetabs import whole_tabs

ALL = {"lead": lead_tab, "waltz": waltz_tab, **PIECES}


def read(data: bytes, folder: Path, **how: Any) -> tuple[Tab | None, Problems]:
    path = folder / "x.mid"
    path.write_bytes(data)
    problems = Problems()
    return read_midi(path, problems, **how), problems


def good(data: bytes, folder: Path, **how: Any) -> Tab:
    tab, problems = read(data, folder, **how)
    assert tab is not None, [p.what for p in problems]
    return tab


def told(tab: Tab) -> list[tuple[object, ...]]:
    """All that is heard and meant of each struck note."""
    return [
        (s.onset, s.duration, n.string, n.fret, n.techniques, n.dynamic, n.finger, n.pluck, n.voice)
        for s in sorted(tab.sounding, key=lambda s: (s.onset, not s.note.grace))
        for n in (s.note,)
    ]


def mangled(tab: Tab) -> bool:
    """Whether playing its repeats cuts notes, or graces before and on one beat change places."""
    busy: dict[int, F] = {}
    ways: dict[F, bool] = {}
    for sound in tab.sounding:
        grace = sound.note.get(Grace)
        if grace is not None and ways.setdefault(sound.onset, grace.on_beat) != grace.on_beat:
            return True
        if busy.get(sound.note.string, F(0)) > sound.onset or sound.end > tab.form.played.length:
            return True
        busy[sound.note.string] = sound.end
    return not tab.sounding


@pytest.mark.parametrize("name", ALL)
def test_our_own_files_come_back(name: str, tmp_path: Path) -> None:
    tab = ALL[name]()
    again, problems = read(write_midi(tab), tmp_path)
    assert again is not None and not list(problems)
    assert sorted(told(again), key=str) == sorted(told(tab), key=str)
    assert (again.instrument, again.swing, again.title) == (tab.instrument, tab.swing, tab.title)
    assert [b.start for b in again.form.written.bars] == [b.start for b in tab.form.played.bars]


SETTINGS = settings(
    max_examples=25, deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture, HealthCheck.filter_too_much],
)  # fmt: skip


def comes_back(tab: Tab, folder: Path) -> Tab | None:
    if mangled(tab):
        return None
    try:
        data = write_midi(tab)
    except MusicError as error:
        assert "outside MIDI's range" in str(error)
        return None
    again = good(data, folder)
    if any(metre_of(bar.metre, bar.length) is None for bar in tab.form.bars):
        return again  # its end falls between ticks
    assert told(again) == told(tab)
    assert again.swing == tab.swing and again.instrument.strings == tab.instrument.strings
    assert again.instrument.capo == tab.instrument.capo
    assert [b.start for b in again.form.written.bars] == [b.start for b in tab.form.played.bars]
    return again


@SETTINGS
@given(tabs())
def test_made_up_tabs_come_back(tmp_path: Path, tab: Tab) -> None:
    again = comes_back(tab, tmp_path)
    if again is not None:
        assert again.instrument == tab.instrument
        assert again.tempo_bpm == pytest.approx(tab.tempo_bpm, rel=1e-5)


@SETTINGS
@given(whole_tabs())
def test_tabs_at_their_edges_come_back(tmp_path: Path, tab: Tab) -> None:
    comes_back(tab, tmp_path)


# the words of lost_in_midi for what stands in each field of a tab
LOST = {
    "instrument": ("instrument's", "letters"), "form": ("bar", "repeats"), "notes": ("spelling", "ties", "length of"),
    "key": ("mode",), "tempos": ("tempo",), "phrases": ("phrases", "letters"), "title": ("letters",), "swing": (),
    "a4_hz": ("tuning pitch",), "key_changes": ("mode",), "lyrics": ("verse", "letters", "places of words"),
    "remarks": ("letters", "places of words"), "comments": ("comment",),
}  # fmt: skip
FOLLOW = (
    "tempos",
    "phrases",
    "key_changes",
    "lyrics",
    "remarks",
    "notes",
)  # stand at bars, and move with them


def unheard(tab: Tab, again: Tab) -> list[str]:
    """The fields that did not come back and are not told as lost."""
    lost = lost_in_midi(tab)
    unrolled = any("repeats" in line for line in lost) or any("length of" in line for line in lost)
    renumbered = any("numbers" in line or "pickup" in line for line in lost)
    missing = []
    for field in fields(Tab):
        name = field.name
        if getattr(again, name) == getattr(tab, name) or any(w in line for w in LOST[name] for line in lost):
            continue
        if (name in FOLLOW and unrolled) or (name == "phrases" and renumbered):
            continue
        missing.append(name)
    return missing


@SETTINGS
@given(whole_tabs())
def test_each_field_of_a_tab_comes_back_or_is_told_as_lost(tmp_path: Path, tab: Tab) -> None:
    """The instrument's clef, metres of short bars and names of phrases once went missing unsaid."""
    if mangled(tab):
        return
    try:
        data = write_midi(tab)
    except MusicError:
        return
    assert not unheard(tab, good(data, tmp_path)), lost_in_midi(tab)


def test_words_keys_and_tempos_come_back(tmp_path: Path) -> None:
    bars = [Bar(0, Metre(4, 4), F(1), pickup=True), *(Bar(n, Metre(4, 4), F(4)) for n in (1, 2, 3))]
    bars.append(Bar(4, Metre(4, 4), F(3)))
    tab = tab_of([(F(q), 1, 2, 5, ()) for q in range(16)])
    whole = Tab(
        tab.instrument, Form(tuple(bars)), tab.notes, Key.parse("Am"),
        (TempoMark(F(0), 97.5), TempoMark(F(5), 120.0), TempoMark(F(11, 2), 133.0)),
        (Phrase("Call", 0, 2), Phrase("Answer", 3, 4)), "A tune",
        key_changes=(KeyMark(F(9), Key.parse("E")),), lyrics=(Lyric(F(1), "la-"), Lyric(F(2), "la")),
        remarks=(Remark(F(9), "softly"),),
    )  # fmt: skip
    again = good(write_midi(whole), tmp_path)
    assert again == whole
    assert not lost_in_midi(whole)


# what others write ------------------------------------------------------------------------


def midi_of(notes: list[tuple[float, float, int]], *, ppq: int = 480, channel: int = 0, **how: Any) -> bytes:
    """(onset, length, note) in quarters, of one track; ``before``: messages at the start."""
    file = mido.MidiFile(type=how.get("type", 1), ticks_per_beat=ppq)
    events: list[tuple[int, int, Any]] = [(0, 0, m) for m in how.get("before", ())]
    for onset, length, note in notes:
        events.append(
            (round(onset * ppq), 2, mido.Message("note_on", channel=channel, note=note, velocity=80))
        )
        events.append(
            (round((onset + length) * ppq), 1, mido.Message("note_off", channel=channel, note=note))
        )
    events += [(round(q * ppq), 1, m) for q, m in how.get("between", ())]
    track = mido.MidiTrack()
    now = 0
    for tick, _, message in sorted(events, key=lambda e: e[:2]):
        track.append(message.copy(time=tick - now))
        now = tick
    file.tracks.append(track)
    buffer = io.BytesIO()
    file.save(file=buffer)
    return buffer.getvalue()


def lengths(tab: Tab) -> list[tuple[F, F]]:
    return [(n.onset, n.duration) for n in tab.notes]


@pytest.mark.parametrize("ppq", [96, 120, 480, 960])
@pytest.mark.parametrize("count", [3, 5, 7, 9])
def test_tuplets_of_notation_software(ppq: int, count: int, tmp_path: Path) -> None:
    notes = [(i / count, 1 / count, 60 + i % 3) for i in range(4 * count)]
    assert lengths(good(midi_of(notes, ppq=ppq), tmp_path)) == [
        (F(i, count), F(1, count)) for i in range(4 * count)
    ]


def test_gaps_of_notation_software_are_filled(tmp_path: Path) -> None:
    """Notes that are let go a little early, as many programs export them: common practice."""
    steps = [F(1), F(1, 2), F(1, 2), F(3, 2), F(1, 2), F(1, 3), F(1, 3), F(1, 3), F(3)]
    onsets = [sum(steps[:i], F(0)) for i in range(len(steps))]
    notes = [
        (float(o), float(s) * 0.95 - 1 / 480, 60 + i)
        for i, (o, s) in enumerate(zip(onsets, steps, strict=True))
    ]
    assert lengths(good(midi_of(notes), tmp_path)) == list(zip(onsets, steps, strict=True))


def test_channels_are_strings(tmp_path: Path) -> None:
    """The lowest channel is the first string (common practice of guitar synthesizers)."""
    places = [(1, 5), (2, 5), (3, 7), (4, 7), (5, 7), (6, 8)]
    guitar = INSTRUMENTS["guitar"]
    file = mido.MidiFile(type=0, ticks_per_beat=480)
    track = mido.MidiTrack()
    for string, _ in places:
        track.append(mido.Message("program_change", channel=string + 9, program=25) if string > 6 else
                     mido.Message("program_change", channel=string - 1, program=25))  # fmt: skip
    for string, fret in places:
        track.append(mido.Message("note_on", channel=string - 1, note=guitar.midi(string, fret), velocity=90))
        track.append(mido.Message("note_off", channel=string - 1, note=guitar.midi(string, fret), time=480))
    file.tracks.append(track)
    buffer = io.BytesIO()
    file.save(file=buffer)
    assert [(n.string, n.fret) for n in good(buffer.getvalue(), tmp_path).notes] == places


def wheel(semitones: float, *, reach: float = 2.0) -> Any:
    return mido.Message("pitchwheel", pitch=max(-8192, min(8191, round(semitones * 8192 / reach))))


def test_a_wheel_without_a_stated_range_reaches_two_semitones(tmp_path: Path) -> None:
    rise = [(step / 32, wheel(2 * step / 32)) for step in range(33)]
    between = [*rise, (1.99, wheel(2)), (2.0, wheel(0))]
    tab = good(midi_of([(0, 2, 62), (2, 2, 60)], between=between), tmp_path)
    assert [n.get(Bend) for n in tab.notes] == [Bend.up(2), None]


@pytest.mark.parametrize(
    ("shape", "bend"),
    [
        ([0, 1, 1, 0.01], Bend.up_release(1)),
        ([1.5, 1.5, 1.5, 1.5], Bend.pre(F(3, 2))),
        ([2, 2, 0, 0], Bend.pre_release(2)),
        ([0, 0.5, 0.48, 0.5], Bend.up(F(1, 2))),
        ([0, 0.05, 0.1, 0.0], None),
    ],
)
def test_shapes_of_the_wheel(shape: list[float], bend: Bend | None, tmp_path: Path) -> None:
    between = [(i / 4 * 2, wheel(height)) for i, height in enumerate(shape)]
    tab = good(midi_of([(0, 2, 62), (2, 2, 64)], between=[*between, (2, wheel(0))]), tmp_path)
    assert [n.get(Bend) for n in tab.notes] == [bend, None]


def test_vibrato_by_wheel_and_by_controller(tmp_path: Path) -> None:
    shake = [(0.5 + i / 12, wheel(0.3 * (i % 2))) for i in range(17)]
    modulation = [
        (2, mido.Message("control_change", control=1, value=60)),
        (4, mido.Message("control_change", control=1, value=0)),
    ]
    tab = good(
        midi_of([(0, 2, 62), (2, 2, 64), (4, 1, 65)], between=[*shake, (1.95, wheel(0)), *modulation]),
        tmp_path,
    )
    assert [n.get(Vibrato) for n in tab.notes] == [Vibrato(), Vibrato(), None]
    assert not any(n.has(Bend) for n in tab.notes)


def test_a_glide_into_the_next_note_is_a_slide(tmp_path: Path) -> None:
    glide = [(0.7 + 0.3 * step / 10, wheel(2 * step / 10)) for step in range(10)]
    tab = good(midi_of([(0, 1, 62), (1, 1, 64)], between=[*glide, (1, wheel(0))]), tmp_path)
    assert tab.notes[0].techniques == () and tab.notes[1].get(Slide) == Slide(SlideKind.LEGATO)


def test_parts_are_chosen_and_the_others_told(tmp_path: Path) -> None:
    file = mido.MidiFile(type=1, ticks_per_beat=480)
    for name, program, channel, note in (("Keys", 0, 0, 72), ("Lead guitar", 27, 1, 64), ("Kit", 0, 9, 38)):
        track = mido.MidiTrack([mido.MetaMessage("track_name", name=name)])
        track.append(mido.Message("program_change", channel=channel, program=program))
        for _ in range(4):
            track.append(mido.Message("note_on", channel=channel, note=note, velocity=80))
            track.append(mido.Message("note_off", channel=channel, note=note, time=480))
        file.tracks.append(track)
    buffer = io.BytesIO()
    file.save(file=buffer)
    tab, problems = read(buffer.getvalue(), tmp_path)
    assert tab is not None and tab.notes[0].pitch.midi == 64 and tab.instrument.name == "electric guitar"
    assert "'Lead guitar' is read; not read: Keys, Kit (percussion)" in [p.what for p in problems]
    assert good(buffer.getvalue(), tmp_path, track="keys").notes[0].pitch.midi == 72
    assert good(buffer.getvalue(), tmp_path, track="1").notes[0].pitch.midi == 72
    nothing, problems = read(buffer.getvalue(), tmp_path, track="harp")
    assert nothing is None
    assert "there are: 1 Keys, 2 Lead guitar" in problems.errors[0].what


def test_out_of_range_as_a_whole_or_not_at_all(tmp_path: Path) -> None:
    tab, problems = read(midi_of([(0, 1, 30), (1, 1, 35)]), tmp_path, instrument=INSTRUMENTS["guitar"])
    assert tab is not None and [n.pitch.midi for n in tab.notes] == [42, 47]
    assert any("all of them are read an octave higher" in p.what for p in problems)
    tab, problems = read(midi_of([(0, 1, 20), (1, 1, 110)]), tmp_path, instrument=INSTRUMENTS["guitar"])
    assert tab is None and "2 of 2 notes lie beyond the guitar" in problems.errors[0].what


def test_key_metre_and_tempo_that_are_not_stated_are_told(tmp_path: Path) -> None:
    scale = [57, 59, 60, 62, 64, 65, 68, 69, 57, 60, 64, 69, 64, 60, 57, 57]
    tab, problems = read(midi_of([(i, 1, m) for i, m in enumerate(scale)]), tmp_path)
    assert tab is not None and tab.key == Key.parse("Am")
    said = " / ".join(p.what for p in problems)
    assert "states no metre" in said and "states no tempo" in said and "suggest A minor" in said


def test_lesson_says_the_tempo_and_places_are_filled(tmp_path: Path) -> None:
    path = tmp_path / "x.mid"
    path.write_bytes(write_midi(lead_tab()))
    places = Places(path)
    tab = read_midi(path, Problems(), tempo_bpm=77, title="Mine", places=places)
    assert tab is not None and tab.tempo_bpm == 77 and tab.title == "Mine"
    assert len(places.bars) == len(tab.form.bars) and len(places.notes) == len(tab.notes)


def test_texts_that_no_longer_fit_are_passed_over(tmp_path: Path) -> None:
    data = write_midi(tab_of([(0, 1, 3, 5, ()), (1, 1, 3, 7, (HammerOn(),)), (2, 2, 3, 5, ())]))
    assert b"written: hammer-on, mf" in data
    for wrong in (
        b"written: hamster-on,mf",
        b"written: at 9/1000, mf",
        b"written: bend 1/0, m",
        b"written: at 33333, mf",
    ):
        moved = data.replace(b"written: hammer-on, mf", wrong[:22].ljust(22))
        assert next((n.onset, n.fret) for n in good(moved, tmp_path).notes) == (F(0), 5)
