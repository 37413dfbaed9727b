"""MIDI files against the standard, other people's readers and writers, and synthesizers.

Sources: Standard MIDI Files 1.0 (RP-001, 1996): variable-length table, header, tempo and
time signature events, the worked example, 6144 ticks at 96 a quarter are 32 s. MIDI 1.0:
pitch bend sensitivity. Readers and writers: mido, pretty_midi, music21.
"""

from __future__ import annotations

import io
import warnings
from collections import Counter
from fractions import Fraction as F
from pathlib import Path
from typing import Any, cast

import librosa
import mido
import music21
import numpy as np
import pretty_midi
import pytest
from music21 import converter, stream

from pipeline.errors import Problems
from pipeline.music.tab import Tab
from pipeline.music.technique import Bend, Slide, SlideKind
from pipeline.page.midi import write_midi
from pipeline.read.midi import read_midi
from pipeline.read.midi_chunks import parse_chunks
from pipeline.read.midi_form import bpm_of
from pipeline.read.midi_song import gather
from pipeline.sound.synth import Synthesizer, find_synthesizer, packaged_bank, render
from tests.debian import needs
from tests.page.pieces import PIECES
from tests.samples import lead_tab, tab_of, waltz_tab

ALL = {"lead": lead_tab, "waltz": waltz_tab, **PIECES}

# RP-001, "Some examples of numbers represented as variable-length quantities"
QUANTITIES = {
    "00": 0x0, "40": 0x40, "7F": 0x7F, "81 00": 0x80, "C0 00": 0x2000, "FF 7F": 0x3FFF, "81 80 00": 0x4000,
    "C0 80 00": 0x100000, "FF FF 7F": 0x1FFFFF, "81 80 80 00": 0x200000, "C0 80 80 00": 0x8000000,
    "FF FF FF 7F": 0xFFFFFFF,
}  # fmt: skip
# RP-001, the example of a format 0 file, with running status
EXAMPLE = bytes.fromhex(
    "4D546864 00000006 0000 0001 0060 4D54726B 0000003B 00FF580404021808 00FF510307A120 00C005 00C12E 00C246"
    "00923060 003C60 60914340 60904C20 8140823040 003C40 00814340 00804C40 00FF2F00"
)


@pytest.mark.parametrize(("text", "value"), QUANTITIES.items())
def test_variable_length_table(text: str, value: int) -> None:
    body = bytes.fromhex(text + "90 40 50 00 FF 2F 00")
    data = bytes.fromhex("4D546864 00000006 0000 0001 0060") + b"MTrk" + len(body).to_bytes(4, "big") + body
    raw = parse_chunks(data, Path("x"), Problems())
    assert raw is not None and raw.tracks[0][0].tick == value


def test_worked_example(tmp_path: Path) -> None:
    raw = parse_chunks(EXAMPLE, Path("x"), Problems())
    assert raw is not None and (raw.format, raw.division, raw.ends) == (0, 96, (384,))
    song = gather(raw)
    assert song.tempos == [(F(0), 500_000)] and song.metres == [(F(0), (4, 2))]
    notes = [(n.channel, n.onset, n.end, n.midi, n.velocity) for part in song.parts for n in part.notes]
    assert sorted(notes) == [
        (0, F(2), F(4), 0x4C, 0x20), (1, F(1), F(4), 0x43, 0x40), (2, F(0), F(4), 0x30, 0x60), (2, F(0), F(4), 0x3C, 0x60),
    ]  # fmt: skip
    path = tmp_path / "example.mid"
    path.write_bytes(EXAMPLE)
    tab = read_midi(path, Problems(), track="channel 3")
    assert tab is not None and [(n.onset, n.duration, n.pitch.midi) for n in tab.notes] == [
        (F(0), F(4), 0x3C), (F(0), F(4), 0x30),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("bpm", "code"), [(120, "07A120"), (60, "0F4240"), (90, "0A2C2B"), (100, "0927C0"), (140, "068A1B")]
)
def test_tempo_events(bpm: int, code: str) -> None:
    assert bytes.fromhex("FF5103" + code) in write_midi(lead_tab(), tempo_bpm=bpm)
    assert bpm_of(int(code, 16)) == bpm


def test_head_metre_key_and_end() -> None:
    data = write_midi(PIECES["compound"]())
    assert data[:14] == bytes.fromhex("4D546864 00000006 0001") + data[10:12] + bytes.fromhex("03C0")
    assert bytes.fromhex("FF5804") + bytes([12 if b"\xff\x58\x04\x0c" in data else 6, 3, 36, 8]) in data
    assert bytes.fromhex("FF590201 00") in write_midi(waltz_tab())  # G major: one sharp
    assert data.endswith(bytes.fromhex("FF2F00"))
    # RPN 0: twelve semitones; the status byte runs on
    assert bytes.fromhex("B06500 006400 00060C 002600") in data


@pytest.mark.parametrize("name", ALL)
def test_three_readers_agree(name: str) -> None:
    tab = ALL[name]()
    data = write_midi(tab)
    raw = parse_chunks(data, Path("x"), Problems())
    assert raw is not None
    song = gather(raw)
    ours = Counter((n.onset, n.midi) for p in song.parts for n in p.notes)
    file = mido.MidiFile(file=io.BytesIO(data))
    theirs: Counter[tuple[F, int]] = Counter()
    for track in file.tracks:
        now = 0
        for message in track:
            now += message.time
            if message.type == "note_on" and message.velocity:
                theirs[F(now, 960), message.note] += 1
    assert ours == theirs
    pretty = pretty_midi.PrettyMIDI(io.BytesIO(data))
    heard = sorted((n.start, n.pitch) for i in pretty.instruments for n in i.notes)
    ticks = sorted(
        (pretty.tick_to_time(round(onset * 960)), midi) for (onset, midi), k in ours.items() for _ in range(k)
    )
    assert [m for _, m in heard] == [m for _, m in ticks]
    assert np.allclose([t for t, _ in heard], [t for t, _ in ticks], atol=1e-4)


def test_music21_reads_the_same_notes() -> None:
    tab = PIECES["triplets"]()
    score = converter.parseData(write_midi(tab), format="midi", quantizePost=False)
    found = Counter(
        (round(float(e.getOffsetInHierarchy(score)), 3), p.midi)
        for e in score.recurse().notes
        for p in e.pitches
        if not (e.tie is not None and e.tie.type in ("continue", "stop"))
    )
    expected = Counter((round(float(s.onset), 3), s.note.sounding_midi(tab.instrument)) for s in tab.sounding)
    assert found == expected


def test_music21_writes_and_we_read(tmp_path: Path) -> None:
    """Its own export of a scale with dots, triplets and a tie across a bar comes in exactly."""
    part: Any = cast(Any, stream.Part)()
    lengths = [F(1), F(1, 2), F(3, 2), F(1, 3), F(1, 3), F(1, 3), F(3, 4), F(1, 4), F(2), F(2)] * 3
    part.append(music21.meter.TimeSignature("3/4"))
    part.append(music21.key.Key("D"))
    part.append(music21.tempo.MetronomeMark(number=93))
    for place, length in enumerate(lengths):
        part.append(music21.note.Note(62 + place % 9, quarterLength=length))
    path = tmp_path / "x.mid"
    part.write("midi", path)
    tab = read_midi(path, Problems())
    assert tab is not None
    onsets = [sum(lengths[:i], F(0)) for i in range(len(lengths))]
    assert [(n.onset, n.duration, n.pitch.midi) for n in tab.notes] == [
        (o, length, 62 + i % 9) for i, (o, length) in enumerate(zip(onsets, lengths, strict=True))
    ]
    assert str(tab.form.bars[1].metre) == "3/4" and tab.key.text() == "D" and tab.tempo_bpm == 93


BUNDLED = sorted((Path(music21.__file__).parent / "midi" / "testPrimitive").glob("*.mid"))


def test_the_bundled_files_are_there() -> None:
    assert len(BUNDLED) >= 15


@pytest.mark.parametrize("path", BUNDLED, ids=lambda path: path.name)
def test_files_of_others(path: Path) -> None:
    """music21's own test files: the same notes as mido finds, and a tab or a reason."""
    problems = Problems()
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            file = mido.MidiFile(path)
    except (OSError, EOFError, ValueError, KeyError, IndexError):
        file = None
    raw = parse_chunks(path.read_bytes(), path, problems)
    if raw is None:
        assert problems.errors
        return
    song = gather(raw)
    ours = Counter((n.onset, n.midi) for p in song.parts for n in p.notes)
    if file is not None:
        theirs: Counter[tuple[F, int]] = Counter()
        for track in file.tracks:
            now = 0
            for message in track:
                now += message.time
                if message.type == "note_on" and message.velocity:
                    theirs[F(now, file.ticks_per_beat), message.note] += 1
        assert ours == theirs
    problems = Problems()
    tab = read_midi(path, problems)
    assert (tab is None) == bool(problems.errors)


RATE = 22_050
HERE = find_synthesizer()


def heard_cents(tab: Tab, player: Synthesizer, midi: int, moments_s: list[float]) -> list[float]:
    """How far above ``midi`` the sound is at moments, by pYIN."""
    audio = np.asarray(render(write_midi(tab, tempo_bpm=60), soundfont=player, rate=RATE)).mean(axis=1)
    found = []
    for moment in moments_s:
        piece = audio[round((moment - 0.1) * RATE) : round((moment + 0.1) * RATE)]
        pitch, _, _ = librosa.pyin(
            piece, fmin=240, fmax=400, sr=RATE, frame_length=2048, hop_length=256, resolution=0.02
        )
        middle = len(pitch) // 2
        found.append(100 * (69 + 12 * np.log2(np.nanmedian(pitch[middle - 2 : middle + 3]) / 440) - midi))
    return found


@pytest.mark.slow
@pytest.mark.parametrize(
    "player",
    [
        pytest.param(HERE, id="FluidSynth", marks=needs(HERE.player == "FluidSynth", "libfluidsynth3")),
        pytest.param(Synthesizer("midirenderer", packaged_bank()), id="midirenderer"),
    ],
)
def test_bends_and_slides_arrive_on_any_player(player: Synthesizer) -> None:
    """A bend of two semitones arrives at 200 cents, a release comes back, a slide glides."""
    tab = tab_of(
        [
            (0, 2, 3, 7, ()), (2, 3, 3, 7, (Bend.up(2),)), (5, 4, 3, 7, (Bend.up_release(2),)),
            (9, 3, 3, 7, (Bend.pre_release(1),)), (12, 2, 3, 7, ()), (14, 2, 3, 9, (Slide(SlideKind.LEGATO),)),
        ]
    )  # fmt: skip
    moments = [1, 2.7, 4.5, 6.5, 8.5, 9.5, 11.5, 13, 13.6, 13.9, 15]
    plain, rising, bent, up, back, pre, released, before, gliding, nearly, slid = heard_cents(
        tab, player, 62, moments
    )
    near = pytest.approx
    assert plain == near(0, abs=15)
    assert 100 < rising - plain < 190
    assert bent - plain == near(200, abs=15)
    assert up - plain == near(200, abs=15) and back - plain == near(0, abs=15)
    assert pre - plain == near(100, abs=15) and released - plain == near(0, abs=15)
    assert before - plain == near(0, abs=15) and slid - plain == near(200, abs=15)
    assert 30 < gliding - plain < 120 and 120 < nearly - plain < 205
