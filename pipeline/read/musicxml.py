"""MusicXML scores read as tabs.

One part is read: the one asked for, else the first with a tab staff or with strings and frets,
otherwise the first. String and fret are taken as written; a part without them is laid on the neck,
and a caution says so. What has no place in a tab here is counted and named in a caution.

References
----------
MusicXML 4.0 (W3C Community Group): ``pitch`` is as written, ``transpose`` leads to the sound.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections import Counter
from collections.abc import Iterable, Iterator
from fractions import Fraction
from pathlib import Path
from typing import Final
from xml.etree.ElementTree import Element

from pipeline.errors import Problems
from pipeline.music.errors import MusicError
from pipeline.music.instrument import Instrument
from pipeline.music.key import Key
from pipeline.music.metre import Form
from pipeline.music.pitch import Pitch
from pipeline.music.tab import DYNAMICS, KeyMark, Note, Tab, TempoMark
from pipeline.music.technique import (
    Dead,
    HammerOn,
    Harmonic,
    HarmonicKind,
    PalmMute,
    PullOff,
    Slide,
    SlideKind,
    Technique,
)
from pipeline.read.musicxml_directions import MarkReader, Marks
from pipeline.read.musicxml_file import open_score
from pipeline.read.musicxml_instrument import choose_instrument, choose_part, field_of, part_names, tab_staff
from pipeline.read.musicxml_keys import Transpositions, keys_of
from pipeline.read.musicxml_ledger import Ledger, in_measures
from pipeline.read.musicxml_measures import Measure, MeasureReader, form_of
from pipeline.read.musicxml_neck import disentangle, fitted, into_range, place_raws
from pipeline.read.musicxml_notes import NoteReader, RawNote, close_ties, loosen_ties, pitched, twin
from pipeline.read.musicxml_signs import SignReader
from pipeline.read.musicxml_slides import lines_of, slides_of, tell_slurs
from pipeline.read.musicxml_techniques import TechniqueReader
from pipeline.read.musicxml_tree import place_of
from pipeline.read.musicxml_words import lyrics_of, phrases_of, remarks_of
from pipeline.read.places import Place, Places
from pipeline.read.texttab_heads import DEFAULT_BPM

# loudness of a note in percent of MIDI velocity 90 (MusicXML 4.0, note) for each dynamic, in even steps
_LOUDNESS: Final = {round((20 + 14 * n) / 90 * 100): name for n, name in enumerate(DYNAMICS)}
_MOST_PARTS: Final = 12  # that are looked through for the notation of a tab
_OWN: Final = "lessonwright"  # the software that our own scores name
_PART_OF: Final = re.compile(r"(t\d+)-\d+")  # heads that our own scores tie to head t12 because of its length


class _Spans:
    """Lines over notes (palm mute, let ring), to be asked for each of thousands of notes.

    Of each mark the starts in order, and the farthest end of the lines up to each.
    """

    def __init__(self, spans: Iterable[tuple[Fraction, Fraction, Technique]]) -> None:
        self._of: dict[Technique, tuple[list[Fraction], list[Fraction]]] = {}
        for start, end, mark in sorted(spans, key=lambda span: span[0]):
            starts, ends = self._of.setdefault(mark, ([], []))
            starts.append(start)
            ends.append(max(end, ends[-1]) if ends else end)

    def over(self, quarter: Fraction, *, to_end: bool) -> Iterator[Technique]:
        """The marks whose line covers a moment; ``to_end``: its last moment, too. Its first always does."""
        for mark, (starts, ends) in self._of.items():
            count = bisect_right(starts, quarter)
            if not count:
                continue
            begins = starts[count - 1] == quarter and not to_end
            if begins or ends[count - 1] > quarter or (to_end and ends[count - 1] == quarter):
                yield mark


class _PartReader:
    """Reads one part into a tab."""

    def __init__(self, root: Element, part: Element, path: Path, problems: Problems) -> None:
        self.root, self.part, self.path, self.problems = root, part, path, problems
        self.ledger = Ledger(path, problems)
        self.ours = _OWN in (root.findtext("identification/encoding/software") or "")

    def read(self, *, title: str, tempo_bpm: float | None, places: Places | None) -> Tab | None:
        before = len(self.problems.errors)
        signs = SignReader(self.ledger)
        measures, bars = MeasureReader(self.part, self.ledger, signs).read()
        notes = NoteReader(self.part, measures, self.ledger)
        raws = notes.read()
        if not notes.twins and tab_staff(self.part) is not None:
            self._read_notation_part(raws, len(measures))
        staves = frozenset({notes.staff, *notes.twins})
        marks = MarkReader(self.ledger, signs, staves, ours=self.ours).read(measures)
        form = None if bars is None else form_of(bars, measures, signs, self.ledger)
        if form is None or len(self.problems.errors) > before:
            return None
        if loose := loosen_ties(raws, measures):
            self.ledger.caution(
                f"ties that lead to another pitch ({len(loose)}) are read as slurs: the notes are struck"
                + in_measures(raw.measure.name for raw in loose),
                "", loose[0].element,
            )  # fmt: skip
        if closed := close_ties(raws):
            self.ledger.caution(
                f"ties without an end ({len(closed)}) are read to the next note of their pitch"
                + in_measures(raw.measure.name for raw in closed),
                "", closed[0].element,
            )  # fmt: skip
        instrument = self._instrument(raws, notes.staff)
        if len(self.problems.errors) > before:
            return None
        key, changes = keys_of(measures, notes.shifts, self.ledger, notes.staff, repeated=self.ours)
        key = key or Key.parse("C")
        made, where = self._notes(raws, instrument, key, changes, marks, form, measures)
        lyrics = lyrics_of(measures, staves if raws else None, self.ledger, exact=self.ours)
        tempos = self._tempos(marks, tempo_bpm, form)
        phrases = phrases_of(marks, form, self.ledger, field_of(self.root, "phrases"))
        remarks = remarks_of(marks, form)
        self.ledger.tell()
        if len(self.problems.errors) > before:
            return None
        if places is not None:
            places.bars.update((m.index, self._place(m.element)) for m in measures)
            places.notes.update(where)
        try:
            return Tab(
                instrument, form, tuple(made), key, tempos, phrases, title or self._title(), marks.swing,
                self._a4(), changes, lyrics, remarks,
            )  # fmt: skip
        except MusicError as error:
            self.problems.error(
                str(error), path=self.path, remedy="Correct what is named in the notation software."
            )
            return None

    def _read_notation_part(self, raws: list[RawNote], measures: int) -> None:
        """Marks from a part that has the same notes in notation: some programs write two parts."""
        quiet = Ledger(self.path, Problems())
        for part in self.root.findall("part")[:_MOST_PARTS]:
            if part is self.part or tab_staff(part) is not None or len(part.findall("measure")) != measures:
                continue
            found, _ = MeasureReader(part, quiet, SignReader(quiet)).read()
            if twin(raws, pitched(found, Transpositions(found, quiet)), whole=True):
                name = part_names(self.root).get(part.get("id", "")) or part.get("id", "")
                self.ledger.caution(
                    f"the part {name!r} has the same notes: its slurs, fingers and techniques are read too", "", part
                )  # fmt: skip
                return

    def _place(self, element: Element) -> Place:
        line, column = place_of(element)
        return Place(self.path, line or None, column or None)

    def _title(self) -> str:
        for name in ("movement-title", "work/work-title"):
            text = " ".join((self.root.findtext(name) or "").split())
            if text:
                return text
        return ""

    def _a4(self) -> float:
        text = field_of(self.root, "a4-hz")
        try:
            return float(text) if text and 380 <= float(text) <= 500 else 440.0
        except ValueError:
            return 440.0

    def _instrument(self, raws: list[RawNote], staff: str) -> Instrument:
        votes = Counter(
            (r.string, r.midi - r.fret)
            for r in raws
            if r.string is not None and r.fret is not None and r.fret <= 36 and r.midi >= 0
        )
        fewest = max((r.string for r in raws if r.string is not None), default=0)
        instrument = choose_instrument(
            self.root, self.part, staff, votes, fewest, self.ledger, exact=self.ours
        )
        into_range(raws, instrument, self.ledger)
        place_raws(raws, instrument, self.ledger)
        return fitted(raws, instrument, self.ledger)

    def _whole(self, raws: list[RawNote]) -> list[RawNote]:
        """Heads that our own writer tied only because of a barline or a note value made one note again."""
        firsts: dict[str, RawNote] = {}
        kept: list[RawNote] = []
        for raw in raws:
            name = raw.element.get("id", "")
            match = _PART_OF.fullmatch(name)
            first = firsts.get(match[1]) if match is not None else None
            if first is not None and raw.tied and first.onset + first.duration == raw.onset:
                first.duration += raw.duration
                first.tail += lines_of(raw)
                first.marks.others += [m for m in raw.marks.others if m.tag == "tied"]
                continue
            firsts[name] = raw
            kept.append(raw)
        return kept

    def _notes(
        self,
        raws: list[RawNote],
        instrument: Instrument,
        key: Key,
        changes: tuple[KeyMark, ...],
        marks: Marks,
        form: Form,
        measures: tuple[Measure, ...],
    ) -> tuple[list[Note], dict[tuple[Fraction, int], Place]]:
        if self.ours:
            raws = self._whole(raws)
        length = form.written.length
        late = [raw for raw in raws if raw.onset >= length]
        for raw in late:
            what = "grace note after the last note" if raw.grace else "note behind its measure's end"
            self.ledger.drop(what, raw.element, raw.measure.name)
        raws = disentangle([raw for raw in raws if raw.onset < length], self.ledger)
        slides = slides_of(raws, measures, self.ledger, guess=not self.ours)
        reader = TechniqueReader(key, instrument.highest_fret, self.ledger)
        levels = _Levels(marks, self.ledger)
        # notes of our own scores say themselves that they are muted, the words only show it
        spans = _Spans(s for s in marks.spans if not (self.ours and s[2] == PalmMute()))
        made: list[Note] = []
        where: dict[tuple[Fraction, int], Place] = {}
        off: list[RawNote] = []
        now, waiting = key, list(changes)
        graced: Fraction | None = None  # onset of the grace note before
        for index, raw in enumerate(raws):
            assert raw.string is not None
            assert raw.fret is not None
            while waiting and waiting[0].quarter <= raw.onset:
                now = reader.key = waiting.pop(0).key
            open_midi = instrument.open_midi(raw.string)
            midi = open_midi + raw.fret
            together = raw.grace and raw.chord and graced == raw.onset
            techniques = reader.read(raw, raw.fret, open_midi, slides.get(index, ()), together=together)
            graced = raw.onset if raw.grace else None
            # a line that ends where a note begins ends before it; in our own scores it ends on it
            covering = spans.over(raw.onset, to_end=self.ours)
            techniques = (*techniques, *(mark for mark in covering if mark not in techniques))
            if raw.bare:
                techniques = self._without_odd_harmonics(techniques, raw, open_midi)
            heard = next((t for t in techniques if isinstance(t, Harmonic)), None)
            if raw.midi >= 0 and (raw.midi - midi) % 12 and heard is None and Dead() not in techniques:
                off.append(raw)
            spelling = raw.spelling
            if spelling is None or spelling.pitch_class != midi % 12:
                spelling = now.spell(midi % 12)
            finger, pluck = reader.fingers(raw, raw.fret)
            made.append(
                Note(
                    raw.onset, min(raw.duration, length - raw.onset), raw.string, raw.fret,
                    Pitch.from_midi(midi, spelling), raw.tied, techniques, raw.voice, levels.of(raw), finger, pluck,
                )
            )  # fmt: skip
            where.setdefault((raw.onset, raw.string), self._place(raw.element))
        if off:
            self.ledger.caution(
                f"{len(off)} notes sound another pitch than their string and fret: string and fret are taken"
                + in_measures(raw.measure.name for raw in off),
                "", off[0].element,
            )  # fmt: skip
        joined = [n.has(HammerOn, PullOff) or Slide(SlideKind.LEGATO) in n.techniques for n in made]
        tell_slurs(raws, joined, self.ledger)
        return made, where

    def _without_odd_harmonics(
        self, techniques: tuple[Technique, ...], raw: RawNote, open_midi: int
    ) -> tuple[Technique, ...]:
        """A fret that we chose makes a harmonic only where it sounds the pitch of the file."""
        harmonic = next((t for t in techniques if isinstance(t, Harmonic)), None)
        if harmonic is None:
            return techniques
        if harmonic.kind is HarmonicKind.NATURAL and open_midi + harmonic.sounds == raw.midi:
            return techniques
        self.ledger.drop("harmonic without string and fret", raw.element, raw.measure.name)
        return tuple(t for t in techniques if t is not harmonic)

    def _tempos(self, marks: Marks, tempo_bpm: float | None, form: Form) -> tuple[TempoMark, ...]:
        found = {q: bpm for q, bpm in marks.tempos.items() if 10 <= bpm <= 500 and q < form.written.length}
        for bpm in marks.tempos.values():
            if not 10 <= bpm <= 500:
                self.ledger.caution(
                    f"a tempo of {bpm:g} quarter notes a minute is left out (10 to 500 are read)"
                )
        start = found.get(Fraction(0))
        if start is None:
            start = tempo_bpm or DEFAULT_BPM
            if tempo_bpm is None:
                self.ledger.caution(
                    f"no tempo is stated at the start: {start:g} quarter notes a minute are taken",
                    "State it in the lesson: tempo = 104.",
                )
        elif tempo_bpm is not None and abs(tempo_bpm - start) > 1e-9:
            self.ledger.caution(f"the score's tempo is {start:g}, the lesson's {tempo_bpm:g} is used")
            for bpm in sorted({bpm for bpm in found.values() if not 10 <= bpm * tempo_bpm / start <= 500}):
                self.ledger.error(
                    f"begun at {tempo_bpm:g}, the score's later tempo of {bpm:g} becomes "
                    f"{bpm * tempo_bpm / start:g} quarter notes a minute (10 to 500 are read)",
                    "Correct the tempo of the lesson, or that of the score.",
                )
            found = {
                quarter: min(500.0, max(10.0, bpm * tempo_bpm / start)) for quarter, bpm in found.items()
            }
            start = tempo_bpm
        found[Fraction(0)] = start
        return tuple(TempoMark(quarter, bpm) for quarter, bpm in sorted(found.items()))


class _Levels:
    """How loud a note is: as its own attribute says, else as the last dynamic before it does."""

    def __init__(self, marks: Marks, ledger: Ledger) -> None:
        self._ledger = ledger
        levels = sorted(marks.dynamics, key=lambda d: d[0])
        self._starts = [quarter for quarter, _ in levels]
        self._names = [name for _, name in levels]

    def of(self, raw: RawNote) -> str:
        own = number_of_attribute(raw.element, "dynamics")
        if own in _LOUDNESS:
            return _LOUDNESS[own]
        if raw.element.get("dynamics") is not None:
            self._ledger.drop("playback dynamics", raw.element, raw.measure.name)
        place = bisect_right(self._starts, raw.onset)
        return self._names[place - 1] if place else "mf"


def number_of_attribute(element: Element, name: str) -> int | None:
    """A whole number in an attribute, or None."""
    text = element.get(name)
    if text is None or len(text) > 12:
        return None
    try:
        return int(text) if text.isdecimal() else None
    except ValueError:
        return None


def read_musicxml(
    path: Path,
    problems: Problems,
    *,
    title: str = "",
    tempo_bpm: float | None = None,
    part: str | None = None,
    places: Places | None = None,
) -> Tab | None:
    """Read a plain or compressed MusicXML file.

    Parameters
    ----------
    title, tempo_bpm : before what the score says
    part : the part to read by its id or name (case apart); None: the first with a tab, else with notes
    places : filled with the place of each bar and note in the file

    Returns None when there are errors; all of them, and the cautions, are in ``problems``.
    """
    root = open_score(path, problems)
    if root is None:
        return None
    chosen = choose_part(root, part, path, problems)
    if chosen is None:
        return None
    if chosen.find(".//note") is None:
        problems.error(
            "the part holds no notes", path=path, line=place_of(chosen)[0] or None, remedy="Export a part with notes."
        )  # fmt: skip
        return None
    return _PartReader(root, chosen, path, problems).read(title=title, tempo_bpm=tempo_bpm, places=places)
