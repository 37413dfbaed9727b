"""Scores and MIDI files against published schemas and other people's readers.

Sources: MusicXML 4.0 schema (W3C Music Notation Community Group, 2021), as shipped in the
PyPI wheel ``musicxml``; XLink schema as shipped in ``xmlschema``; readers: music21, mido.
"""

from __future__ import annotations

import io
import itertools
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction as F
from functools import lru_cache
from pathlib import Path

import mido
import musicxml
import pytest
import xmlschema
from defusedxml.ElementTree import fromstring
from hypothesis import HealthCheck, Phase, given, settings
from music21 import articulations, converter, harmony, stream

from pipeline.music.chart import ChordSpan
from pipeline.music.metre import Bar, Form, Jump, Metre, Signs
from pipeline.music.tab import Note, Tab
from pipeline.music.technique import Bend
from pipeline.page.midi import BEND_RANGE, write_midi
from pipeline.page.musicxml import write_musicxml
from tests.page.dressed import SEMITONES, dressed_tabs
from tests.page.pieces import PIECES
from tests.samples import chart_of, lead_spans, lead_tab, tab_of, waltz_spans, waltz_tab
from tests.wholetabs import whole_tabs

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


def check_schema(tab: Tab) -> None:
    root = fromstring(write_musicxml(tab))
    assert [f"{e.path}: {e.reason}" for e in schema().iter_errors(root)] == []


MADE_UP = {
    "deadline": None,
    "suppress_health_check": list(HealthCheck),
    "phases": [Phase.explicit, Phase.generate],
}


@settings(max_examples=20, **MADE_UP)  # type: ignore[arg-type]
@given(dressed_tabs())
def test_made_up_tabs_are_valid(tab: Tab) -> None:
    check_schema(tab)


@pytest.mark.slow
@settings(max_examples=200, **MADE_UP)  # type: ignore[arg-type]
@given(dressed_tabs())
def test_many_made_up_tabs_are_valid(tab: Tab) -> None:
    check_schema(tab)


@settings(max_examples=20, **MADE_UP)  # type: ignore[arg-type]
@given(whole_tabs())
def test_tabs_at_their_edges_are_valid(tab: Tab) -> None:
    check_schema(tab)


@pytest.mark.slow
@settings(max_examples=250, **MADE_UP)  # type: ignore[arg-type]
@given(whole_tabs())
def test_many_tabs_at_their_edges_are_valid(tab: Tab) -> None:
    check_schema(tab)


@pytest.mark.slow
@settings(max_examples=100, **MADE_UP)  # type: ignore[arg-type]
@given(dressed_tabs(odd=True))
def test_many_odd_tabs_are_valid(tab: Tab) -> None:
    check_schema(tab)


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
    """(onset, length, MIDI number) of what is struck, ties joined, grace notes left out."""
    done: list[tuple[Note, F]] = []
    for note in tab.notes:
        home = next(
            (
                i
                for i, (n, end) in enumerate(done)
                if note.tied and end == note.onset and (n.string, n.fret) == (note.string, note.fret)
            ),
            None,
        )
        if home is not None:
            done[home] = (done[home][0], note.end)
        elif not note.grace:
            done.append((note, note.end))
    return sorted((n.onset, end - n.onset, n.pitch.midi) for n, end in done)


@pytest.mark.parametrize("name", ALL)
def test_music21_reads_the_same_notes_on_both_staves(name: str) -> None:
    tab = ALL[name]()
    score = converter.parseData(write_musicxml(tab, spans_of(name, tab)).decode(), format="musicxml")
    assert len(score.parts) == 2
    for part in score.parts:
        assert joined(part) == written(tab)


def marks_of(part: stream.Stream) -> Iterator[tuple[F, list[articulations.Articulation]]]:
    """Onset and marks of what stands in a part; music21 keeps those of a chord together."""
    for element in part.recurse().notes:
        if not isinstance(element, harmony.ChordSymbol) and not element.duration.isGrace:
            onset = F(element.getOffsetInHierarchy(part)).limit_denominator(960)
            yield onset, list(element.articulations)


def places_of(part: stream.Stream) -> set[tuple[F, int, int]]:
    """(onset, string, fret) of every head."""
    found = set()
    for onset, marks in marks_of(part):
        strings = [a.number for a in marks if type(a) is articulations.StringIndication]
        frets = [a.number for a in marks if type(a) is articulations.FretIndication]
        found |= {(onset, string, fret) for string, fret in zip(strings, frets, strict=True)}
    return found


def bends_of(part: stream.Stream) -> list[tuple[F, F, bool]]:
    """(onset, semitones, bent before it is struck) of each move of a string."""
    return sorted(
        (onset, F(a.bendAlter.semitones).limit_denominator(60), a.preBend)
        for onset, marks in marks_of(part)
        for a in marks
        if isinstance(a, articulations.FretBend) and a.bendAlter.semitones
    )


def _unisons(tab: Tab) -> bool:
    """Whether a pitch sounds on two strings at once or one right after the other."""
    return any(
        one.pitch.midi == two.pitch.midi
        and one.string != two.string
        and max(one.onset, two.onset) <= min(one.end, two.end)
        for one, two in itertools.combinations(tab.notes, 2)
    )


def _lengths(played: Played) -> dict[int, F]:
    """MIDI number -> how long it sounds in all."""
    return {midi: sum((length for _, length, m in played if m == midi), F(0)) for _, _, midi in played}


def check_music21(tab: Tab) -> None:
    score = converter.parseData(write_musicxml(tab).decode(), format="musicxml")
    first, second = score.parts
    for part in (first, second):
        found, expected = joined(part), written(tab)
        if _unisons(tab):  # which of them a tie goes on from is told by the string alone
            assert sorted((on, midi) for on, _, midi in found) == sorted(
                (on, midi) for on, _, midi in expected
            )
            assert _lengths(found) == _lengths(expected)
        else:
            assert found == expected
    notes = [note for note in tab.notes if not note.grace]
    places = places_of(second)
    assert {(n.onset, n.string, n.fret) for n in notes} <= places
    for onset, string, fret in places:  # further heads belong to notes that still sound
        assert any((n.string, n.fret) == (string, fret) and n.onset <= onset < n.end for n in notes)
    moves = []
    for note in notes:
        bend = note.get(Bend)
        if bend is not None:
            heights = [height for _, height in bend.points]
            moves += [(note.onset, heights[0], True)] * bend.prebent
            moves += [(note.onset, b - a, False) for a, b in itertools.pairwise(heights) if a != b]
    assert bends_of(second) == sorted(moves)


@settings(max_examples=8, **MADE_UP)  # type: ignore[arg-type]
@given(dressed_tabs(heights=SEMITONES))  # it knows no release by less than a semitone
def test_music21_reads_made_up_tabs(tab: Tab) -> None:
    check_music21(tab)


@pytest.mark.slow
@settings(max_examples=80, **MADE_UP)  # type: ignore[arg-type]
@given(dressed_tabs(heights=SEMITONES))  # it knows no release by less than a semitone
def test_music21_reads_many_made_up_tabs(tab: Tab) -> None:
    check_music21(tab)


def form_of(count: int, **signs: Signs) -> Form:
    return Form(
        tuple(Bar(n, Metre(), F(4), signs=signs.get(f"bar_{n}", Signs())) for n in range(1, count + 1))
    )


JUMPS = {
    "da capo": form_of(3, bar_3=Signs(jump=Jump())),
    "da capo al fine": form_of(4, bar_2=Signs(fine=True), bar_4=Signs(jump=Jump("start", "fine"))),
    "da capo al coda": form_of(6, bar_2=Signs(to_coda=True), bar_4=Signs(jump=Jump("start", "coda")), bar_5=Signs(coda=True)),
    "dal segno": form_of(4, bar_2=Signs(segno=True), bar_4=Signs(jump=Jump("segno"))),
    "dal segno al fine": form_of(5, bar_2=Signs(segno=True), bar_3=Signs(fine=True), bar_5=Signs(jump=Jump("segno", "fine"))),
    "dal segno al coda": form_of(
        6, bar_2=Signs(segno=True), bar_3=Signs(to_coda=True), bar_4=Signs(jump=Jump("segno", "coda")), bar_5=Signs(coda=True)
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", JUMPS)
def test_music21_jumps_where_we_do(name: str) -> None:
    form = JUMPS[name]
    tab = tab_of([(4 * n, 4, 1, n, ()) for n in range(len(form.bars))], form=form)
    score = converter.parseData(write_musicxml(tab).decode(), format="musicxml")
    played = [note.pitch.midi - 64 for note in score.parts[0].expandRepeats().recurse().notes]
    assert played == [bar.written for bar in form.played.bars]


def test_music21_reads_keys_words_and_fingers() -> None:
    tab = PIECES["all marks"]()
    score = converter.parseData(write_musicxml(tab).decode(), format="musicxml")
    part = score.parts[0]
    assert [k.sharps for k in part.recurse().getElementsByClass("KeySignature")] == [1, 4, -3]
    for verse in (1, 2):
        sung = [
            lyric.text + ("-" if lyric.syllabic in ("begin", "middle") else "")
            for note in part.recurse().notes
            for lyric in note.lyrics
            if lyric.number == verse
        ]
        assert sung == [lyric.text for lyric in tab.lyrics if lyric.verse == verse]
    fingers = [a.fingerNumber for n in score.parts[1].recurse().notes for a in n.articulations
               if isinstance(a, articulations.Fingering)]  # fmt: skip
    wanted = ["T" if n.finger == 0 else n.finger for n in tab.notes if n.finger is not None]
    assert Counter(finger for finger in fingers if finger is not None) == Counter(wanted)


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


def plain(tab: Tab) -> Tab:
    """The notes alone: techniques are played, and sound in MIDI otherwise than they are written."""
    return replace(tab, notes=tuple(replace(note, techniques=()) for note in tab.notes if not note.grace))


@pytest.mark.parametrize("name", ["lead", "waltz", "triplets", "bass", "ukulele", "compound", "all marks"])
def test_music21_reads_the_midi_file(name: str) -> None:
    tab = plain(ALL[name]())
    score = converter.parseData(write_midi(tab), format="midi", quantizePost=False)
    found = sorted(note for part in score.parts for note in of_one_string(part))
    assert found == sorted((s.onset, s.duration, s.note.pitch.midi) for s in tab.sounding)


def test_mido_reads_header_and_bend_range() -> None:
    """RP-001: format 1; MIDI 1.0: RPN 0 as CC 101, 100, 6, 38, closed by the null parameter."""
    data = write_midi(lead_tab())
    assert data[:4] == b"MThd" and data[8:10] == b"\x00\x01"
    file = mido.MidiFile(file=io.BytesIO(data))
    for track in file.tracks[1:]:
        controls = [(m.control, m.value) for m in track if m.type == "control_change"][:6]
        assert controls == [(101, 0), (100, 0), (6, BEND_RANGE), (38, 0), (101, 127), (100, 127)]
        assert track[-1].type == "end_of_track"
