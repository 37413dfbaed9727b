"""Pitch, frequency, the neck and the beat, against published figures and another library.

Sources
-------
- ISO 16:1975: A4 = 440 Hz. MusicXML 4.0: octave 4 starts at middle C; string 1 is the
  highest-pitched; ``staff-tuning``, ``capo``, ``fret``.
- Frequencies and fret places: the definition of twelve-tone equal temperament, worked out
  once with a calculator and written down here as figures.
- music21 (a general-purpose library for musicology) for metres and pitches.
- librosa for note numbers and frequencies.
"""

from __future__ import annotations

from fractions import Fraction

import pytest

from pipeline.music.instrument import INSTRUMENTS, Instrument
from pipeline.music.metre import Metre
from pipeline.music.pitch import Pitch, midi_to_hz

# string 1 first: (MIDI number, hertz to four places)
GUITAR = [(64, 329.6276), (59, 246.9417), (55, 195.9977), (50, 146.8324), (45, 110.0000), (40, 82.4069)]
BASS = [(43, 97.9989), (38, 73.4162), (33, 55.0000), (28, 41.2034)]


@pytest.mark.parametrize(("name", "strings"), [("guitar", GUITAR), ("bass", BASS)])
def test_open_strings(name: str, strings: list[tuple[int, float]]) -> None:
    """Standard tunings (the trade's; also parts P1 and P5 of the MusicXML suite file 71e)."""
    neck = INSTRUMENTS[name]
    assert len(neck.strings) == len(strings)
    for number, (midi, hertz) in enumerate(strings, start=1):
        assert neck.open_midi(number) == midi
        assert neck.strings[number - 1].hz() == pytest.approx(hertz, abs=5e-5)


@pytest.mark.parametrize(
    ("name", "midis"),
    [
        ("ukulele", [69, 64, 60, 67]),
        ("mandolin", [76, 69, 62, 55]),
        ("banjo", [62, 59, 55, 50, 67]),
        ("guitar drop D", [64, 59, 55, 50, 45, 38]),
        ("guitar DADGAD", [62, 57, 55, 50, 45, 38]),
        ("guitar half-step down", [63, 58, 54, 49, 44, 39]),
        ("7-string guitar", [64, 59, 55, 50, 45, 40, 35]),
        ("5-string bass", [43, 38, 33, 28, 23]),
    ],
)
def test_other_tunings(name: str, midis: list[int]) -> None:
    """Tunings: common practice; numbers by music21 from the names."""
    from music21.pitch import Pitch as OtherPitch

    neck = INSTRUMENTS[name]
    assert [neck.open_midi(s) for s in range(1, len(neck.strings) + 1)] == midis
    for pitch, midi in zip(neck.strings, midis, strict=True):
        assert OtherPitch(str(pitch).replace("b", "-")).midi == midi


@pytest.mark.parametrize(
    ("name", "rule"),
    [("guitar", [5, 5, 5, 4, 5]), ("guitar half-step down", [5, 5, 5, 4, 5]), ("bass", [5, 5, 5]),
     ("guitar drop D", [7, 5, 5, 4, 5]), ("mandolin", [7, 7, 7])],
)  # fmt: skip
def test_tuning_by_ear(name: str, rule: list[int]) -> None:
    """At fret 5 5 5 4 5, from the lowest string up, each string sounds the next one: common practice."""
    neck = INSTRUMENTS[name]
    lowest = len(neck.strings)
    for step, fret in enumerate(rule):
        assert neck.midi(lowest - step, fret) == neck.open_midi(lowest - step - 1)


@pytest.mark.parametrize(
    ("fret", "share", "millimetres"),
    [(1, 0.943874, 36.369), (2, 0.890899, 70.698), (3, 0.840896, 103.099), (5, 0.749154, 162.549),
     (7, 0.667420, 215.512), (12, 0.5, 324.0), (24, 0.25, 486.0)],
)  # fmt: skip
def test_places_of_the_frets(fret: int, share: float, millimetres: float) -> None:
    """Scale of 648 mm, twelve-tone equal temperament: remaining string and distance from the nut."""
    neck = INSTRUMENTS["electric guitar"]
    assert neck.scale_mm == 648.0
    assert 1 - neck.fret_mm(fret) / neck.scale_mm == pytest.approx(share, abs=5e-7)
    assert neck.fret_mm(fret) == pytest.approx(millimetres, abs=5e-4)


def test_the_old_lutemakers_rule_lies_close() -> None:
    """Each fret an eighteenth of what remains (rule of 18, common practice): within 2.5 mm up to the octave."""
    neck, remaining = INSTRUMENTS["electric guitar"], 648.0
    for fret in range(1, 13):
        remaining -= remaining / 18
        assert neck.fret_mm(fret) == pytest.approx(648.0 - remaining, abs=2.5)
    assert neck.fret_mm(12) > 648.0 - remaining  # and falls short of it, as it is known to


def test_every_note_number_and_frequency_as_another_library_has_them() -> None:
    import librosa

    for midi in range(12, 109):
        assert midi_to_hz(midi) == pytest.approx(float(librosa.midi_to_hz(midi)), rel=1e-12)
        name = librosa.midi_to_note(midi, unicode=False)
        assert Pitch.parse(name).midi == midi


def test_a4_and_a_semitone() -> None:
    """ISO 16: 440 Hz. The semitone: twelfth root of two, 1.0594631."""
    assert Pitch.parse("A4").hz() == 440.0
    assert Pitch.parse("A4").hz(a4_hz=442.0) == 442.0
    assert midi_to_hz(70) / midi_to_hz(69) == pytest.approx(1.0594631, abs=5e-8)


@pytest.mark.parametrize("text", ["2/4", "3/4", "4/4", "6/8", "9/8", "12/8", "2/2", "3/2", "6/16"])
def test_beats_of_metres_as_music21_counts_them(text: str) -> None:
    from music21.meter import TimeSignature

    metre, other = Metre.parse(text), TimeSignature(text)
    assert metre.quarters == Fraction(other.barDuration.quarterLength)
    assert metre.beat_quarters == Fraction(other.beatDuration.quarterLength)
    assert metre.quarters / metre.beat_quarters == other.beatCount


def test_places_in_a_compound_bar_as_music21_numbers_them() -> None:
    """The eighths of a 6/8 bar are beats 1, 1 1/3, 1 2/3, 2, 2 1/3, 2 2/3."""
    from music21.meter import TimeSignature

    from pipeline.music.metre import Form

    other = TimeSignature("6/8")
    bar = Form.plain(1, Metre(6, 8)).written.bars[0]
    for eighth in range(6):
        offset = Fraction(eighth, 2)
        assert float(bar.beat_of(offset)) == pytest.approx(float(other.getBeatProportion(offset)))


def test_where_we_differ_from_music21_on_purpose() -> None:
    """music21 feels 3/8 in one; the tab counts its three eighths, as a beginner's book does."""
    from music21.meter import TimeSignature

    assert TimeSignature("3/8").beatCount == 1
    assert Metre(3, 8).beat_quarters == Fraction(1, 2)


def test_string_and_fret_of_a_published_tab_sound_the_written_pitch() -> None:
    """MusicXML suite file 71e (shipped with music21): guitars, a bass, a banjo, a re-entrant ukulele.

    Our instruments with the tunings of the file give the pitch written beside each string and fret.
    """
    import xml.etree.ElementTree as ET
    from pathlib import Path

    import music21

    from pipeline.music.pitch import Spelling

    folder = Path(music21.__file__).parent
    found = list(folder.rglob("71e-TabStaves.xml"))
    assert found, "music21 ships its suite of MusicXML files"
    checked = 0
    for part in ET.parse(found[0]).getroot().findall("part"):
        opens: dict[int, Pitch] = {}
        capo = 0
        for measure in part.findall("measure"):
            details = measure.find("attributes/staff-details")
            if details is not None:
                lines = int(details.findtext("staff-lines", "6"))
                capo = int(details.findtext("capo", "0"))
                for tuning in details.findall("staff-tuning"):
                    alter = int(float(tuning.findtext("tuning-alter", "0")))
                    spelling = Spelling(tuning.findtext("tuning-step", ""), alter)
                    opens[lines + 1 - int(tuning.attrib["line"])] = Pitch(
                        spelling, int(tuning.findtext("tuning-octave", ""))
                    )
            if not opens:
                continue
            strings = tuple(opens[s] for s in sorted(opens))
            neck = Instrument("as in the file", strings, frets=30, scale_mm=648.0, program=25, capo=capo)
            for note in measure.findall("note"):
                string, fret = note.findtext(".//string"), note.findtext(".//fret")
                if string is None or fret is None:
                    continue
                step, octave = note.findtext("pitch/step", ""), int(note.findtext("pitch/octave", ""))
                alter = int(float(note.findtext("pitch/alter", "0")))
                assert neck.midi(int(string), int(fret)) == Pitch(Spelling(step, alter), octave).midi
                checked += 1
    assert checked == 65
