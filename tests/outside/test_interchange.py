"""Scores and MIDI files against published schemas and other people's readers.

Sources: MusicXML 4.0 schema (W3C Music Notation Community Group, 2021), as shipped in the
PyPI wheel ``musicxml``; XLink schema as shipped in ``xmlschema``; readers: music21, mido.
"""

from __future__ import annotations

import io
from fractions import Fraction as F
from functools import lru_cache
from pathlib import Path

import mido
import musicxml
import pytest
import xmlschema
from defusedxml.ElementTree import fromstring
from music21 import converter, harmony, stream

from pipeline.music.chart import ChordSpan
from pipeline.music.metre import Bar, Form, Metre
from pipeline.music.tab import Tab
from pipeline.music.technique import Dead
from pipeline.page.midi import BEND_RANGE, write_midi
from pipeline.page.musicxml import write_musicxml
from tests.page.pieces import PIECES
from tests.samples import chart_of, lead_spans, lead_tab, tab_of, waltz_spans, waltz_tab

ALL = {"lead": lead_tab, "waltz": waltz_tab, **PIECES}
Played = list[tuple[F, F, int]]


@lru_cache(maxsize=1)
def schema() -> xmlschema.XMLSchema:
    folder = Path(musicxml.__file__).parent / "generate_classes"
    xlink = Path(xmlschema.__file__).parent / "schemas" / "XLINK" / "xlink.xsd"
    return xmlschema.XMLSchema(
        str(folder / "musicxml_4_0.xsd"),
        locations={
            "http://www.w3.org/1999/xlink": str(xlink),
            "http://www.w3.org/XML/1998/namespace": str(folder / "xml.xsd"),
        },
        allow="local",
    )


def spans_of(name: str, tab: Tab) -> tuple[ChordSpan, ...]:
    if name == "lead":
        return lead_spans()
    if name == "waltz":
        return waltz_spans()
    bars = (["N.C. Am7", "F#m7b5/C", "Bbmaj9 E7#9", "Gsus4 Dadd9 A6/9"] * 8)[: len(tab.form.bars)]
    return chart_of(*bars).spans(tab.form)


def test_short_bars_of_rests_are_short_for_others_too() -> None:
    """music21 takes a whole-measure rest for as long as the metre: what followed a half bar came late."""
    bars = (
        Bar(1, Metre(4, 4), F(4)),
        Bar(2, Metre(4, 4), F(5, 2)),
        Bar(3, Metre(4, 4), F(3, 2)),
        Bar(4, Metre(4, 4), F(4)),
    )
    tab = tab_of([(0, 1, 1, 3, ()), (8, 1, 1, 5, ())], form=Form(bars))
    part = converter.parse(write_musicxml(tab).decode(), format="musicxml").parts[0]
    assert [float(note.offset) for note in part.flatten().notes] == [0.0, 8.0]


@pytest.mark.parametrize("name", ALL)
def test_valid_against_the_published_schema(name: str) -> None:
    tab = ALL[name]()
    root = fromstring(write_musicxml(tab, spans_of(name, tab), credit="A player", rights="own work"))
    assert [f"{e.path}: {e.reason}" for e in schema().iter_errors(root)] == []


def joined(part: stream.Stream) -> Played:
    """(onset, length, MIDI number) of a part, ties joined, grace notes left out."""
    pieces = []
    for element in part.recurse().notes:
        if isinstance(element, harmony.ChordSymbol) or element.duration.isGrace:
            continue
        onset = F(element.getOffsetInHierarchy(part)).limit_denominator(960)
        length = F(element.quarterLength).limit_denominator(960)
        for note in element.notes if element.isChord else [element]:
            back = note.tie is not None and note.tie.type in ("stop", "continue")
            pieces.append((onset, not back, length, note.pitch.midi))
    done: list[list[F | int]] = []
    for onset, struck, length, midi in sorted(pieces):
        home = next((d for d in done if not struck and d[2] == midi and d[0] + d[1] == onset), None)
        if home is not None:
            home[1] += length
        else:
            done.append([onset, length, midi])
    return sorted((F(a), F(b), int(c)) for a, b, c in done)


def of_one_string(part: stream.Stream) -> Played:
    """(onset, length, MIDI number) of a track that music21 has read from MIDI.

    It cuts notes at bar lines and ties them; after a pickup it puts the tied piece back at the
    onset, so a piece lengthens the last note of its pitch wherever it stands.
    """
    done: list[list[F | int]] = []
    for element in part.recurse().notes:
        onset = F(element.getOffsetInHierarchy(part)).limit_denominator(960)
        length = F(element.quarterLength).limit_denominator(960)
        for note in element.notes if element.isChord else [element]:
            if note.tie is not None and note.tie.type != "start":
                next(d for d in reversed(done) if d[2] == note.pitch.midi)[1] += length
            else:
                done.append([onset, length, note.pitch.midi])
    return [(F(a), F(b), int(c)) for a, b, c in done]


def written(tab: Tab) -> Played:
    return sorted((n.onset, n.duration, n.pitch.midi) for n in tab.notes if not n.grace)


@pytest.mark.parametrize("name", ALL)
def test_music21_reads_the_same_notes_on_both_staves(name: str) -> None:
    tab = ALL[name]()
    score = converter.parseData(write_musicxml(tab, spans_of(name, tab)).decode(), format="musicxml")
    assert len(score.parts) == 2
    for part in score.parts:
        assert joined(part) == written(tab)


def test_music21_reads_the_repeats() -> None:
    """Expanded by another reader, the form has as many bars as we say are played."""
    tab = waltz_tab()
    score = converter.parseData(write_musicxml(tab, waltz_spans()).decode(), format="musicxml")
    expanded = score.parts[0].expandRepeats()
    assert len(list(expanded.getElementsByClass(stream.Measure))) == len(tab.form.played.bars)


@pytest.mark.parametrize(
    "symbol", ["C", "Am7", "F#m7b5", "Bbmaj9", "G7", "Edim7", "D7/F#", "Asus4", "Cm(maj7)", "E7#9"]
)
def test_music21_hears_the_same_chord(symbol: str) -> None:
    tab = lead_tab()
    spans = chart_of(symbol, symbol, symbol, symbol).spans(tab.form)
    score = converter.parseData(write_musicxml(tab, spans).decode(), format="musicxml")
    found = next(iter(score.recurse().getElementsByClass(harmony.ChordSymbol)))
    assert spans[0].chord is not None
    assert {pitch.pitchClass for pitch in found.pitches} == set(spans[0].chord.pitch_classes)


@pytest.mark.parametrize("name", ["lead", "waltz", "triplets", "bass", "ukulele", "compound"])
def test_music21_reads_the_midi_file(name: str) -> None:
    tab = ALL[name]()
    score = converter.parseData(write_midi(tab), format="midi", quantizePost=False)
    found = sorted(note for part in score.parts for note in of_one_string(part))
    # a dead note is a click: the eighth of a quarter, whatever is written
    expected = sorted(
        (s.onset, min(s.duration, F(1, 8)) if s.note.has(Dead) else s.duration, s.note.pitch.midi)
        for s in tab.sounding
    )
    assert found == expected


def test_mido_reads_header_and_bend_range() -> None:
    """RP-001: format 1; MIDI 1.0: RPN 0 as CC 101, 100, 6, 38, closed by the null parameter."""
    data = write_midi(lead_tab())
    assert data[:4] == b"MThd" and data[8:10] == b"\x00\x01"
    file = mido.MidiFile(file=io.BytesIO(data))
    for track in file.tracks[1:]:
        controls = [(m.control, m.value) for m in track if m.type == "control_change"][:6]
        assert controls == [(101, 0), (100, 0), (6, BEND_RANGE), (38, 0), (101, 127), (100, 127)]
        assert track[-1].type == "end_of_track"
