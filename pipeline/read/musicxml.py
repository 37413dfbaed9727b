"""MusicXML scores read as tabs.

One part is read: the first with a tab staff or with strings and frets, otherwise the first.
Of a part with a notation and a tab staff the tab staff counts. String and fret are taken as
written; a part without them is laid as low on the neck as it goes, and a caution says so.
What has no place in a tab here is counted and named in a caution.

References
----------
MusicXML 4.0 (W3C Community Group): ``pitch`` is as written, ``transpose`` leads to the sound.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from xml.etree.ElementTree import Element

from pipeline.errors import Problems
from pipeline.music.errors import MusicError
from pipeline.music.instrument import Instrument
from pipeline.music.key import Key
from pipeline.music.metre import Form
from pipeline.music.pitch import STEP_SEMITONES, Interval, Pitch, Spelling
from pipeline.music.tab import Note, Phrase, Tab, TempoMark
from pipeline.music.technique import Dead, Harmonic, HarmonicKind, Slide, Technique
from pipeline.read.musicxml_directions import Marks, key_of, read_marks, transposition
from pipeline.read.musicxml_file import open_score
from pipeline.read.musicxml_instrument import (
    choose_instrument,
    choose_part,
    harmonic_place,
    place_on_neck,
    tab_staff,
)
from pipeline.read.musicxml_measures import Measure, MeasureReader, number_of, timed
from pipeline.read.musicxml_slides import RawNote, loosen_ties, slides_of
from pipeline.read.musicxml_techniques import TechniqueReader
from pipeline.read.texttab_heads import DEFAULT_BPM


class _PartReader:
    """Reads one part into a tab."""

    def __init__(self, root: Element, part: Element, path: Path, problems: Problems) -> None:
        self.root, self.part, self.path, self.problems = root, part, path, problems
        self.staff = tab_staff(part)
        self.dropped: Counter[str] = Counter()
        self.measures: tuple[Measure, ...] = ()

    def caution(self, what: str, remedy: str = "") -> None:
        self.problems.caution(what, path=self.path, remedy=remedy)

    def read(self, *, title: str, tempo_bpm: float | None) -> Tab | None:
        before = len(self.problems.errors)
        measures, form = MeasureReader(self.part, self.path, self.problems).read()
        self.measures = measures
        key = self._key(measures)
        raws = self._raws(measures)
        if form is None or len(self.problems.errors) > before:
            return None
        if loose := loosen_ties(raws, measures):
            self.caution(f"ties that lead to another pitch ({loose}) are read as slurs: the notes are struck")
        votes = Counter(
            (r.string, r.midi - r.fret)
            for r in raws
            if r.string is not None and r.fret is not None and r.fret <= 36 and r.midi >= 0
        )
        fewest = max((r.string for r in raws if r.string is not None), default=0)
        instrument = choose_instrument(
            self.root, self.part, self.staff, votes, fewest, self.path, self.problems
        )
        self._into_range(raws, instrument)
        self._place(raws, instrument)
        instrument = self._fitted(raws, instrument)
        if len(self.problems.errors) > before:
            return None
        marks = read_marks(measures)
        notes = self._notes(raws, instrument, key, marks, form)
        self.dropped += marks.dropped
        if self.dropped:
            listed = ", ".join(f"{count} × {name}" for name, count in sorted(self.dropped.items()))
            self.caution(f"not kept from the score: {listed}")
        tempos = self._tempos(marks, tempo_bpm)
        phrases = self._phrases(marks, form)
        try:
            return Tab(
                instrument, form, tuple(notes), key, tempos, phrases, title or self._title(), marks.swing
            )
        except MusicError as error:
            self.problems.error(
                str(error),
                path=self.path,
                remedy="Correct the notes that are named in the notation software.",
            )
            return None

    def _title(self) -> str:
        for name in ("movement-title", "work/work-title"):
            text = " ".join((self.root.findtext(name) or "").split())
            if text:
                return text
        return ""

    def _key(self, measures: tuple[Measure, ...]) -> Key:
        elements = [
            key for _, _, item in timed(measures, "attributes") for key in item.element.findall("key")
        ]
        chosen = elements[0] if elements else None
        if any(
            (e.findtext("fifths"), e.findtext("mode"))
            != (elements[0].findtext("fifths"), elements[0].findtext("mode"))
            for e in elements
        ):
            self.caution("the key changes on the way: the first one is kept for the names of the notes")
        try:
            key = key_of(chosen)
        except MusicError as error:
            self.caution(f"{error} is read as C major")
            return Key.parse("C")
        if chosen is not None and not (chosen.findtext("mode") or "").strip():
            self.caution(f"the key signature does not say its mode: taken as {key.symbol()}")
        shift = transposition(measures)
        return key.transposed(shift) if shift.semitones % 12 else key

    def _raws(self, measures: tuple[Measure, ...]) -> list[RawNote]:
        shift = transposition(measures)
        found: list[RawNote] = []
        voices: list[str] = []
        staves = {e.findtext("staff") or "1" for _, _, i in timed(measures, "note") for e in [i.element]}
        staff = str(self.staff) if self.staff is not None else min(staves, default="1")
        if self.staff is None and len(staves) > 1:
            self.caution(f"the part has {len(staves)} staves: staff {staff} is read")
        for measure, quarter, item in timed(measures, "note"):
            element = item.element
            if (element.findtext("staff") or "1") != staff or element.find("rest") is not None:
                continue
            if element.find("cue") is not None:
                self.dropped["cue note"] += 1
                continue
            raw = self._raw(element, measure, quarter, item.duration, shift, voices)
            if raw is not None:
                found.append(raw)
        return found

    def _raw(
        self,
        element: Element,
        measure: Measure,
        quarter: Fraction,
        duration: Fraction,
        shift: Interval,
        voices: list[str],
    ) -> RawNote | None:
        voice = element.findtext("voice") or "1"
        if voice not in voices:
            voices.append(voice)
        string, fret = (number_of(element, f"notations/technical/{name}") for name in ("string", "fret"))
        step = (element.findtext("pitch/step") or "").strip()
        octave = number_of(element, "pitch/octave")
        alter = number_of(element, "pitch/alter", Fraction(0)) or Fraction(0)
        spelling: Spelling | None = None
        if step in STEP_SEMITONES and octave is not None:
            if alter.denominator != 1:
                self.dropped["quarter tone"] += 1
            spelling = Spelling(step, max(-3, min(3, int(alter))))
            midi = Pitch(spelling, int(octave)).midi + shift.semitones
            spelling = spelling.transposed(shift) if shift.semitones % 12 else spelling
        elif string is not None and fret is not None:
            midi = -1  # told by string and fret alone
        else:
            self.dropped["note without a pitch"] += 1
            return None
        grace = element.find("grace") is not None
        ties = {t.get("type") for t in [*element.findall("tie"), *element.findall("notations/tied")]}
        return RawNote(
            element, measure.name, quarter, Fraction(0) if grace else duration, midi, spelling,
            int(string) if string is not None else None, int(fret) if fret is not None else None,
            "stop" in ties, 1 if voice == voices[0] else 2, grace, string is None or fret is None,
        )  # fmt: skip

    def _into_range(self, raws: list[RawNote], instrument: Instrument) -> None:
        """A part written for another instrument moved by whole octaves, all of it, where that serves."""
        midis = [raw.midi for raw in raws if raw.bare]
        if not midis or len(midis) < len(raws):
            return
        low, high = instrument.midi_range
        if low <= min(midis) and max(midis) <= high:
            return
        fitting = [
            o for o in (-1, 1, -2, 2, -3, 3) if low <= min(midis) + 12 * o and max(midis) + 12 * o <= high
        ]
        if not fitting:
            return
        octaves = fitting[0]
        for raw in raws:
            raw.midi += 12 * octaves
        count = "an octave" if abs(octaves) == 1 else f"{abs(octaves)} octaves"
        self.caution(
            f"the notes go beyond the {instrument.name}: all of them are read {count} {'lower' if octaves < 0 else 'higher'}",
            "Write it where it is played if that is not meant.",
        )

    def _place(self, raws: list[RawNote], instrument: Instrument) -> None:
        """Give string and fret to the notes that state none."""
        bare = [r for r in raws if r.string is None or r.fret is None]
        if not bare:
            return
        groups: dict[tuple[Fraction, bool, int], list[RawNote]] = defaultdict(list)
        turn = 0  # grace notes come one after another, unless they are a chord
        for raw in raws:
            turn += raw.grace and raw.element.find("chord") is None
            groups[raw.onset, not raw.grace, turn if raw.grace else 0].append(raw)
        ends: dict[int, Fraction] = {}
        held: dict[int, tuple[int, int]] = {}  # MIDI number -> its last place, for ties
        for (onset, _, _), group in sorted(groups.items(), key=lambda g: g[0]):
            free: list[RawNote] = []
            taken = {r.string for r in group if r.string is not None and r.fret is not None}
            for raw in group:
                if raw.bare and raw.element.find("notations/technical/harmonic") is not None:
                    node = harmonic_place(raw.midi, instrument)
                    if node is not None and node[0] not in taken:
                        raw.string, raw.fret = node
                        taken.add(raw.string)
                if raw.string is None or raw.fret is None:
                    if raw.tied and raw.midi in held and held[raw.midi][0] not in taken:
                        raw.string, raw.fret = held[raw.midi]
                        taken.add(raw.string)
                    else:
                        free.append(raw)
            busy = frozenset(
                {s for s, end in ends.items() if end > onset} | {s for s in taken if s is not None}
            )
            for raw, place in zip(free, place_on_neck([r.midi for r in free], instrument, busy), strict=True):
                if place is None or place[0] in taken:
                    self._no_place(raw, instrument)
                    continue
                raw.string, raw.fret = place
            for raw in group:
                if raw.string is not None and raw.fret is not None:
                    ends[raw.string] = raw.onset + raw.duration
                    held[raw.midi] = (raw.string, raw.fret)
        how = "all notes" if len(bare) == len(raws) else f"{len(bare)} of {len(raws)} notes"
        self.caution(
            f"{how} lack string and fret: each is laid as low on the neck as it goes",
            "Ask lessonwright study for fingerings, or write them in the notation software.",
        )

    def _no_place(self, raw: RawNote, instrument: Instrument) -> None:
        spelling = raw.spelling if raw.spelling is not None else Key.parse("C").spell(raw.midi % 12)
        name = str(Pitch.from_midi(raw.midi, spelling))
        if instrument.places(raw.midi):
            what = f"{name} has no free string on the {instrument.name}"
            remedy = "Write strings and frets in the notation software."
        else:
            low, high = (Pitch.from_midi(m, Key.parse("C").spell(m % 12)) for m in instrument.midi_range)
            what = f"{name} is beyond the {instrument.name} ({low} to {high})"
            remedy = "Move it by octaves, or export a part written for the instrument."
        self.problems.error(f"measure {raw.measure}: {what}", path=self.path, remedy=remedy)

    def _fitted(self, raws: list[RawNote], instrument: Instrument) -> Instrument:
        """The neck long enough for the frets written; strings that do not exist are told."""
        for raw in raws:
            if raw.string is not None and not 1 <= raw.string <= len(instrument.strings):
                self.problems.error(
                    f"measure {raw.measure}: string {raw.string}, but the {instrument.name} has {len(instrument.strings)}",
                    path=self.path, remedy="Correct the string or the tuning of the tab staff.",
                )  # fmt: skip
            if raw.fret is not None and raw.fret < 0:
                self.problems.error(
                    f"measure {raw.measure}: fret {raw.fret}",
                    path=self.path,
                    remedy="Correct the fret: 0 is the open string.",
                )
        highest = max((r.fret for r in raws if r.fret is not None), default=0)
        if highest <= instrument.highest_fret:
            return instrument
        if highest + instrument.capo > 36:
            worst = next(r for r in raws if r.fret == highest)
            self.problems.error(
                f"measure {worst.measure}: fret {highest} is beyond any neck", path=self.path, remedy="Correct the fret."
            )  # fmt: skip
            return instrument
        self.caution(f"fret {highest} is written: the neck is taken with {highest + instrument.capo} frets")
        return replace(instrument, frets=highest + instrument.capo)

    def _notes(
        self, raws: list[RawNote], instrument: Instrument, key: Key, marks: Marks, form: Form
    ) -> list[Note]:
        reader = TechniqueReader(key)
        slides = slides_of(raws, self.measures, self.dropped)
        length = form.written.length
        made: list[Note] = []
        off = 0
        level, levels = "mf", sorted(marks.dynamics, key=lambda d: d[0])
        for index, raw in sorted(enumerate(raws), key=lambda pair: (pair[1].onset, not pair[1].grace)):
            if raw.grace and raw.onset >= length:
                self.dropped["grace note after the last note"] += 1
                continue
            assert raw.string is not None
            assert raw.fret is not None
            while levels and levels[0][0] <= raw.onset:
                level = levels.pop(0)[1]
            midi = instrument.midi(raw.string, raw.fret)
            techniques = reader.read(raw.element, raw.fret, midi, tied=raw.tied)
            techniques = slides.get(index, [])[:1] + techniques + slides.get(index, [])[1:]
            for start, end, mark in marks.spans:
                if start <= raw.onset <= end and mark not in techniques:
                    techniques.append(mark)
            if raw.bare:
                techniques = self._without_odd_harmonics(techniques, raw, instrument)
            natural = any("Harmonic" in type(t).__name__ for t in techniques)
            if (
                raw.midi >= 0
                and (raw.midi - midi) % 12
                and not natural
                and not any(isinstance(t, Dead) for t in techniques)
            ):
                off += 1
            spelling = (
                raw.spelling
                if raw.spelling is not None and raw.spelling.pitch_class == midi % 12
                else key.spell(midi % 12)
            )
            finger = number_of(raw.element, "notations/technical/fingering")
            made.append(
                Note(
                    raw.onset, min(raw.duration, length - raw.onset), raw.string, raw.fret,
                    Pitch.from_midi(midi, spelling), raw.tied, tuple(_once(techniques)), raw.voice, level,
                    int(finger) if finger is not None and 1 <= finger <= 4 else None,
                )
            )  # fmt: skip
        self.dropped += reader.dropped
        if off:
            self.caution(
                f"{off} notes sound another pitch than their string and fret: string and fret are taken"
            )
        return self._disentangled(made)

    def _without_odd_harmonics(
        self, techniques: list[Technique], raw: RawNote, instrument: Instrument
    ) -> list[Technique]:
        """A fret that we chose makes a harmonic only where it sounds the pitch of the file."""
        assert raw.string is not None
        harmonic = next((t for t in techniques if isinstance(t, Harmonic)), None)
        if harmonic is None:
            return techniques
        open_string = instrument.open_midi(raw.string)
        if harmonic.kind is HarmonicKind.NATURAL and open_string + harmonic.sounds == raw.midi:
            return techniques
        self.dropped["harmonic without string and fret"] += 1
        return [t for t in techniques if t is not harmonic]

    def _disentangled(self, notes: list[Note]) -> list[Note]:
        """One note at a time on a string: doubled ones dropped, overlapping ones shortened, both told."""
        kept: list[Note] = []
        last: dict[int, int] = {}
        doubled = shortened = 0
        for note in sorted(notes, key=lambda n: (n.onset, not n.grace, n.string, -n.duration)):
            if note.grace:
                kept.append(note)
                continue
            before = kept[last[note.string]] if note.string in last else None
            if note.duration == 0 or (before is not None and before.onset == note.onset):
                doubled += 1
                continue
            if before is not None and before.end > note.onset:
                kept[last[note.string]] = replace(before, duration=note.onset - before.onset)
                shortened += 1
            last[note.string] = len(kept)
            kept.append(note)
        if doubled:
            self.caution(f"{doubled} notes are left out: their string sounds another note at that moment")
        if shortened:
            self.caution(f"{shortened} notes are shortened: their string is struck again while they sound")
        return kept

    def _tempos(self, marks: Marks, tempo_bpm: float | None) -> tuple[TempoMark, ...]:
        found = {quarter: bpm for quarter, bpm in marks.tempos.items() if 10 <= bpm <= 500}
        for bpm in marks.tempos.values():
            if not 10 <= bpm <= 500:
                self.caution(f"a tempo of {bpm:g} quarter notes a minute is left out (10 to 500 are read)")
        start = found.get(Fraction(0))
        if start is None:
            start = tempo_bpm or DEFAULT_BPM
            if tempo_bpm is None:
                self.caution(
                    f"no tempo is stated at the start: {start:g} quarter notes a minute are taken",
                    "State it in the lesson: tempo = 104.",
                )
        elif tempo_bpm is not None and abs(tempo_bpm - start) > 1e-9:
            self.caution(f"the score's tempo is {start:g}, the lesson's {tempo_bpm:g} is used")
            found = {
                quarter: min(500.0, max(10.0, bpm * tempo_bpm / start)) for quarter, bpm in found.items()
            }
            start = tempo_bpm
        found[Fraction(0)] = start
        return tuple(TempoMark(quarter, bpm) for quarter, bpm in sorted(found.items()))

    def _phrases(self, marks: Marks, form: Form) -> tuple[Phrase, ...]:
        """From one rehearsal mark's bar to the bar before the next one's."""
        starts: dict[int, str] = {}
        for quarter, name in marks.names:
            starts.setdefault(form.written.bar_at(quarter).index, name)
        places = sorted(starts)
        if not places:
            return ()
        numbers = [bar.number for bar in form.bars]
        found: list[Phrase] = []
        taken: Counter[str] = Counter()
        for place, after in zip(places, [*places[1:], len(numbers)], strict=True):
            name = starts[place]
            taken[name] += 1
            if taken[name] > 1:
                name = f"{name} ({taken[name]})"
            found.append(Phrase(name, numbers[place], numbers[after - 1]))
        return tuple(found)


def _once(techniques: list[Technique]) -> list[Technique]:
    """Each kind once (slides in and out apart)."""
    kept: list[Technique] = []
    for technique in techniques:
        if not any(type(t) is type(technique) and (not isinstance(t, Slide) or t == technique) for t in kept):
            kept.append(technique)
    return kept


def read_musicxml(
    path: Path, problems: Problems, *, title: str = "", tempo_bpm: float | None = None
) -> Tab | None:
    """Read a plain or compressed MusicXML file.

    title, tempo_bpm : before what the score says

    Returns None when there are errors; all of them, and the cautions, are in ``problems``.
    """
    root = open_score(path, problems)
    if root is None:
        return None
    part = choose_part(root, path, problems)
    if part.find(".//note") is None:
        problems.error("the part holds no notes", path=path, remedy="Export a part with notes.")
        return None
    return _PartReader(root, part, path, problems).read(title=title, tempo_bpm=tempo_bpm)
