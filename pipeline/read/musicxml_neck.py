"""Every note of a MusicXML part on its string and fret, and what cannot be there told."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from pipeline.music.fingering import Unplaced, place_notes
from pipeline.music.instrument import Instrument
from pipeline.music.key import Key
from pipeline.music.pitch import Pitch
from pipeline.read.musicxml_instrument import harmonic_place
from pipeline.read.musicxml_ledger import Ledger, in_measures
from pipeline.read.musicxml_notes import RawNote

_LONGEST_NECK = 36  # frets


def into_range(raws: Sequence[RawNote], instrument: Instrument, ledger: Ledger) -> None:
    """A part written for another instrument moved by whole octaves, all of it, where that serves."""
    midis = [raw.midi for raw in raws if raw.bare]
    if not midis or len(midis) < len(raws):
        return
    low, high = instrument.midi_range
    if low <= min(midis) and max(midis) <= high:
        return
    fitting = [o for o in (-1, 1, -2, 2, -3, 3) if low <= min(midis) + 12 * o and max(midis) + 12 * o <= high]
    if not fitting:
        return
    octaves = fitting[0]
    for raw in raws:
        raw.midi += 12 * octaves
    count = "an octave" if abs(octaves) == 1 else f"{abs(octaves)} octaves"
    where = "lower" if octaves < 0 else "higher"
    ledger.caution(
        f"the notes go beyond the {instrument.name}: all of them are read {count} {where}",
        "Write it where it is played if that is not meant.", raws[0].element,
    )  # fmt: skip


def place_raws(raws: Sequence[RawNote], instrument: Instrument, ledger: Ledger) -> None:
    """Give string and fret to the notes that state none."""
    bare = [r for r in raws if r.string is None or r.fret is None]
    if not bare:
        return
    unplaced: list[Unplaced] = []
    home: list[int] = []  # for each raw note its place in ``unplaced``; what is tied shares one
    voices: list[int] = []  # of the notes in ``unplaced``
    sounding: dict[int, list[int]] = {}  # MIDI number -> notes that a tie may go on from, the last one last
    for raw in raws:
        held = sounding.setdefault(raw.midi, [])
        if raw.bare and raw.tied and held:
            ended = [i for i in held if unplaced[i].end == raw.onset]
            place = next((i for i in ended if voices[i] == raw.voice), ended[-1] if ended else held[-1])
            if unplaced[place].end == raw.onset:
                unplaced[place] = replace(unplaced[place], end=raw.onset + raw.duration)
            home.append(place)
            continue
        node = None
        if raw.bare and raw.marks.one("harmonic") is not None:
            node = harmonic_place(raw.midi, instrument)
        string, fret = node or (raw.string, raw.fret)
        if not raw.grace:
            held.append(len(unplaced))
            del held[:-8]
        home.append(len(unplaced))
        voices.append(raw.voice)
        unplaced.append(
            Unplaced(
                raw.onset, raw.onset + raw.duration, raw.midi, string, fret, raw.marks.one("bend") is not None,
                raw.grace and raw.chord,
            )
        )  # fmt: skip
    places = place_notes(unplaced, instrument)
    hinted = {
        i
        for i, place in enumerate(places)
        if place is None and (unplaced[i].string is not None or unplaced[i].fret is not None)
    }
    if hinted:  # a string or a fret alone, where the note does not lie
        for raw, index in zip(raws, home, strict=True):
            if index in hinted and raw.bare:
                unplaced[index] = replace(unplaced[index], string=None, fret=None)
                if raw.string is not None or raw.fret is not None:
                    ledger.drop("string or fret where the note does not lie", raw.element, raw.measure.name)
                raw.string = raw.fret = None
        places = place_notes(unplaced, instrument)
    lost: dict[tuple[str, str], list[RawNote]] = {}
    for raw, index in zip(raws, home, strict=True):
        if raw.string is not None and raw.fret is not None:
            continue
        found = places[index]
        if found is None:
            lost.setdefault(_no_place(raw, instrument), []).append(raw)
        else:
            raw.string, raw.fret = found
    for (what, remedy), some in lost.items():
        others = in_measures(r.measure.name for r in some[1:] if r.measure is not some[0].measure)
        ledger.error(
            f"{what}{others.replace('(', '(also in ')}", remedy, some[0].element, some[0].measure.name
        )
    how = "all notes" if len(bare) == len(raws) else f"{len(bare)} of {len(raws)} notes"
    ledger.caution(
        f"{how} lack string and fret: they are laid where the hand moves least",
        "Look them through, or write strings and frets in the notation software.", bare[0].element,
    )  # fmt: skip


def _no_place(raw: RawNote, instrument: Instrument) -> tuple[str, str]:
    """Why the note has no place, and what to do."""
    spelling = raw.spelling if raw.spelling is not None else Key.parse("C").spell(raw.midi % 12)
    name = str(Pitch.from_midi(raw.midi, spelling))
    if instrument.places(raw.midi):
        what = f"{name} has no free string on the {instrument.name}"
        remedy = "Write strings and frets in the notation software."
    else:
        low, high = (Pitch.from_midi(m, Key.parse("C").spell(m % 12)) for m in instrument.midi_range)
        what = f"{name} is beyond the {instrument.name} ({low} to {high})"
        remedy = "Move it by octaves, or export a part written for the instrument."
    return what, remedy


def fitted(raws: Sequence[RawNote], instrument: Instrument, ledger: Ledger) -> Instrument:
    """The neck long enough for the frets written; strings that do not exist are told."""
    for raw in raws:
        if raw.string is not None and not 1 <= raw.string <= len(instrument.strings):
            ledger.error(
                f"string {raw.string}, but the {instrument.name} has {len(instrument.strings)}",
                "Correct the string or the tuning of the tab staff.", raw.element, raw.measure.name,
            )  # fmt: skip
        if raw.fret is not None and raw.fret < 0:
            ledger.error(
                f"fret {raw.fret}", "Correct the fret: 0 is the open string.", raw.element, raw.measure.name
            )
    highest = max((r.fret for r in raws if r.fret is not None), default=0)
    if highest <= instrument.highest_fret:
        return instrument
    worst = next(r for r in raws if r.fret == highest)
    if highest + instrument.capo > _LONGEST_NECK:
        ledger.error(
            f"fret {highest} is beyond any neck", "Correct the fret.", worst.element, worst.measure.name
        )
        return instrument
    ledger.caution(
        f"fret {highest} is written: the neck is taken with {highest + instrument.capo} frets",
        "", worst.element, worst.measure.name,
    )  # fmt: skip
    return replace(instrument, frets=highest + instrument.capo)


def disentangle(raws: Sequence[RawNote], ledger: Ledger) -> list[RawNote]:
    """One note at a time on a string: doubled ones dropped, overlapping ones shortened, both told."""
    kept: list[RawNote] = []
    last: dict[int, RawNote] = {}
    doubled: list[RawNote] = []
    shortened: list[RawNote] = []
    for raw in sorted(raws, key=lambda n: (n.onset, not n.grace, 0 if n.grace else n.string, -n.duration)):
        assert raw.string is not None
        if raw.grace:
            kept.append(raw)
            continue
        before = last.get(raw.string)
        if raw.duration <= 0 or (before is not None and before.onset == raw.onset):
            doubled.append(raw)
            continue
        if before is not None and before.onset + before.duration > raw.onset:
            before.duration = raw.onset - before.onset
            shortened.append(before)
        last[raw.string] = raw
        kept.append(raw)
    for found, what in (
        (doubled, "notes are left out: their string sounds another note at that moment"),
        (shortened, "notes are shortened: their string is struck again while they sound"),
    ):
        if found:
            ledger.caution(
                f"{len(found)} {what}{in_measures(r.measure.name for r in found)}", "", found[0].element
            )
    return kept
