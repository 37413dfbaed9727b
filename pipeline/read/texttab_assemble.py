"""From scanned systems to the tab: bars that add up, notes in exact time, ties and phrases."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Final

from pipeline.music.errors import MusicError
from pipeline.music.metre import Metre
from pipeline.music.pitch import Pitch
from pipeline.music.tab import Comment, KeyMark, Lyric, Note, Remark, Tab, TempoMark
from pipeline.music.technique import (
    LEAVING,
    Dead,
    Ghost,
    Grace,
    LetRing,
    PalmMute,
    Slide,
    SlideKind,
    Stroke,
    Tap,
    Technique,
    conflicts,
    reaches,
)
from pipeline.read.places import Place, Places
from pipeline.read.source import SourceText
from pipeline.read.texttab_beside import Beside
from pipeline.read.texttab_columns import Column, read_marks, spread_columns, timed_columns
from pipeline.read.texttab_form import BarInfo, FormReader
from pipeline.read.texttab_heads import Heads, read_key, read_metre, read_tempo
from pipeline.read.texttab_marks import MarkReader
from pipeline.read.texttab_notes import TabNote
from pipeline.read.texttab_sheet import Sheet, System
from pipeline.read.texttab_strings import ScannedSystem, StringState, scan_system, tell_joint
from pipeline.read.texttab_ways import read_endings, read_signs

_MARGIN: Final = 2  # dashes in front of a first note that are no rest
_NOTHING: Final = Fraction(0)  # how long a grace note lasts


@dataclass(slots=True)
class _Tie:
    """A column tied on: (end, fret) by string, the place of its mark, and whether it is met."""

    notes: dict[int, tuple[Fraction, int]]
    line: int
    column: int
    met: bool = False


class Assembler:
    """Puts a sheet together; ``tab`` gives the result or None with the problems told."""

    def __init__(self, source: SourceText, sheet: Sheet, heads: Heads, places: Places | None = None) -> None:
        self.source, self.sheet, self.heads, self.places = source, sheet, heads, places
        self.instrument = heads.instrument
        self.marks = MarkReader(source, heads.instrument)
        self.states = [StringState() for _ in heads.instrument.strings]
        self.bars: list[BarInfo] = []
        self.notes: list[Note] = []
        self.tempos: list[TempoMark] = []
        self.key = heads.key
        self.keys: list[KeyMark] = []
        self.lyrics: list[Lyric] = []
        self.remarks: list[Remark] = []
        self.comments: list[Comment] = []
        self.phrase_starts: list[tuple[str, int, int]] = []  # name, line, bar index
        self.ties: list[_Tie] = []
        self.busy: dict[int, tuple[Fraction, int]] = {}
        self.hands: dict[int, int] = {}
        self.hand = 0
        self.dynamic = "mf"
        self.pitches: dict[tuple[int, int], Pitch] = {}
        self.now = Fraction(0)
        self.metre = Metre()
        self.untimed: list[int] = []

    def read(self) -> None:
        """Read every system in turn."""
        for system in self.sheet.systems:
            self._changes(system)
            self.comments += (Comment(len(self.bars), text) for text in system.comments)
            if system.phrase is not None:
                self.phrase_starts.append((*system.phrase, len(self.bars)))
            if system.damaged or len(system.strings) != len(self.instrument.strings):
                self._skip(system)
            else:
                self._system(scan_system(self.source, system, self.states))
        self.comments += (Comment(len(self.bars), text) for text in self.sheet.comments)
        self._slides_left()
        self._ties_left(None)
        if self.untimed:
            more = f" ({len(self.untimed)} systems in all)" if len(self.untimed) > 1 else ""
            self.source.caution(
                self.untimed[0], 1, f"there are no durations above this system{more}: the rhythm was taken from the spacing of the notes",
                "Write a line above the strings with w h q e s t over the notes to fix the rhythm.",
            )  # fmt: skip

    def _changes(self, system: System) -> None:
        for header in system.changes:
            if header.name == "time":
                self.metre = read_metre(self.source, header) or self.metre
                continue
            if header.name == "key":
                key = read_key(self.source, header)
                if key is not None:
                    self.key = key
                    self.keys.append(KeyMark(self.now, key))
                    self.pitches.clear()
                continue
            bpm = read_tempo(self.source, header)
            if bpm is not None:
                self.tempos.append(TempoMark(self.now, bpm))

    def _skip(self, system: System) -> None:
        """Pass over a system whose strings are not those of the instrument."""
        have, want = len(system.strings), len(self.instrument.strings)
        remedy = f"Give the system {want} lines, or name the instrument or its tuning at the top."
        if have > want and have % want == 0:
            remedy = "Leave an empty line between two systems."
        if have != want:
            self.source.error(
                system.strings[0].number, 1, f"this system has {have} strings, the {self.instrument.name} has {want}", remedy
            )  # fmt: skip
        # its bars count all the same, so that later ones are told by their right numbers
        counts = Counter(len(re.findall(r"\|+", line.text)) for line in system.strings)
        for _ in range(counts.most_common(1)[0][0] - 1):
            self.bars.append(BarInfo(self.metre, None, system.strings[0].number, 1, False, 0))
            self.now += self.metre.quarters
        self.ties.clear()
        self.busy.clear()
        for state in self.states:
            state.joint, state.slide = None, ""

    def _system(self, scanned: ScannedSystem) -> None:
        if not scanned.bars:
            self.source.error(
                scanned.system.strings[0].number, 1, "this system holds no bars", "Write dashes and frets between bars |."
            )  # fmt: skip
            return
        marks = read_marks(self.source, scanned)
        line = scanned.system.durations[0] if scanned.system.durations else 0
        top = scanned.system.strings[0].number
        lead = 0
        if marks is None:
            self.untimed.append(top)
            firsts = [
                notes[0].start - bar[0]
                for notes, bar in zip(scanned.notes, scanned.bars, strict=True)
                if notes
            ]
            lead = min(firsts, default=0)
            lead = lead if lead <= _MARGIN else 1
        endings = read_endings(self.source, scanned)
        signs = read_signs(self.source, scanned)
        bars: list[list[Column] | None] = []
        for index, bar in enumerate(scanned.bars):
            notes = scanned.notes[index]
            columns: list[Column] | None
            if not scanned.sound or index in scanned.unread:
                columns = None
            elif marks is None:
                columns = spread_columns(self.source, notes, bar, lead, self.metre)
            elif not marks[index] and not notes:
                columns = [Column(bar[0], bar[0], bar[0], step=self.metre.quarters)]
            else:
                columns = timed_columns(self.source, notes, marks[index], line, self.metre)
            bars.append(columns)
        beside = Beside(self.source, scanned, [c for columns in bars for c in columns or ()])
        onsets: list[Fraction | None] = []
        for index, (bar, columns) in enumerate(zip(scanned.bars, bars, strict=True)):
            start = self.now
            if columns is None:
                self.ties.clear()
                self.busy.clear()
            else:
                for column in columns:
                    onsets.append(self.now)
                    self._column(column, beside, len(onsets) - 1, line)
            if self.places is not None:
                self.places.bars[len(self.bars)] = self._place(top, bar[0] + 1)
            way, signs_at = signs[index]
            info = BarInfo(
                self.metre, None if columns is None else self.now - start,
                line or top, bar[0] + 1, scanned.repeat_start[index], scanned.repeat_times[index], endings[index],
                index in scanned.short, scanned.double[index], way, signs_at,
            )  # fmt: skip
            self.bars.append(info)
            self._go_to(start + self._length(info))
        self.dynamic = beside.last_dynamic(self.dynamic)
        self.lyrics += beside.lyrics(onsets)
        self.remarks += beside.remarks(onsets)

    def _place(self, line: int, column: int) -> Place:
        return Place(self.source.path, line, column, self.source.lines[line - 1])

    @staticmethod
    def _length(info: BarInfo) -> Fraction:
        """What the bar takes up: a wrong one counts as full, so that the next ones stay in place."""
        if info.total is None or not 0 < info.total <= info.metre.quarters:
            return info.metre.quarters
        return info.total

    def _go_to(self, now: Fraction) -> None:
        """Go on at ``now``; what is held out of a bar of the wrong length moves with it."""
        if now == self.now:
            return
        shift = now - self.now
        self.now = now
        self.busy = {string: (end + shift, fret) for string, (end, fret) in self.busy.items()}
        for tie in self.ties:
            tie.notes = {string: (end + shift, fret) for string, (end, fret) in tie.notes.items()}

    def _column(self, column: Column, beside: Beside, index: int, line: int) -> None:
        extra: tuple[Technique, ...] = ()
        if beside.spans["PM"] and beside.covers("PM", column):
            extra += (PalmMute(),)
        if beside.spans["LR"] and beside.covers("LR", column):
            extra += (LetRing(),)
        dynamic = beside.dynamic(column, self.dynamic) if beside.dynamics else self.dynamic
        held = column.held or (column.step,)
        now = self.now
        tie_mark = column.mark if column.mark is not None and column.mark.tied else None
        tied_on: dict[int, tuple[Fraction, int]] = {}
        column.notes.sort(key=lambda n: n.string)
        if self.ties and not column.grace:
            self._bracket(column.notes)
        for place, typed in enumerate(column.notes):
            length = _NOTHING if column.grace else held[place] if len(held) > 1 else held[0]
            marks = extra
            if beside.signs:
                stroke = beside.sign("PK", index, place)
                marks += (Stroke(down=stroke == "d"),) if stroke else ()
            note = self._note(typed, length, marks, dynamic, together=column.grace and place > 0)
            if note is None:
                continue
            if beside.signs:
                note = _signed(note, beside, index, place)
            if self.places is not None:
                self.places.notes[note.onset, note.string] = self._place(typed.line, typed.start + 1)
            self.notes.append(note)
            if column.held:  # any other note ends where the next column begins
                self.busy[typed.string] = (note.end, note.fret)
            if tie_mark is not None:
                tied_on[typed.string] = (note.end, note.fret)
        if not column.grace:
            self.now = now + column.step
            self._ties_left(now)
        if tie_mark is not None and tied_on:
            self.ties.append(_Tie(tied_on, line, tie_mark.start + 1))

    def _note(
        self, typed: TabNote, length: Fraction, extra: tuple[Technique, ...], dynamic: str, *, together: bool
    ) -> Note | None:
        if typed.head == "dead":
            typed.fret = typed.hand if typed.hand is not None else self.hands.get(typed.string, self.hand)
        if typed.fret > self.instrument.highest_fret:
            digits = str(typed.fret)
            apart = f" If two notes are meant, write {digits[0]}-{digits[1:]}." if len(digits) > 1 else ""
            capo = f", counted from the capo at {self.instrument.capo}" if self.instrument.capo else ""
            self.source.error(
                typed.line, typed.start + 1,
                f"fret {typed.fret} is beyond the neck of the {self.instrument.name} (0 to {self.instrument.highest_fret}{capo})",
                "Correct the fret, or write frets: 24 at the top for a longer neck." + apart,
            )  # fmt: skip
            return None
        if typed.fret:
            self.hand = self.hands[typed.string] = typed.fret
        said = self.marks.said(typed)
        if said.tied is None:
            tied = typed.soft and typed.head != "dead" and self._meets_tie(typed)
        else:
            tied = said.tied
        if tied and not typed.soft:
            self._meets_tie(typed)
        before = self.busy.get(typed.string)
        if before is not None and before[0] > self.now and not typed.grace:
            self.source.error(
                typed.line, typed.start + 1, f"string {typed.string} is still held at fret {before[1]} here",
                "Shorten the held length of the note before.",
            )  # fmt: skip
            return None
        pitch = self._pitch(typed.string, typed.fret)
        if said.spelling is not None:
            pitch = Pitch.from_midi(pitch.midi, said.spelling)
        if together:
            said = replace(said, together=True)
        techniques = self.marks.techniques(typed, tied=tied, said=said)
        techniques += tuple(t for t in extra if t not in techniques)
        if techniques:
            techniques = self._fitting(typed, techniques, tied=tied)
        return Note(
            self.now,
            length,
            typed.string,
            typed.fret,
            pitch,
            tied,
            techniques,
            dynamic=said.dynamic or dynamic,
        )

    def _fitting(
        self, typed: TabNote, techniques: tuple[Technique, ...], *, tied: bool
    ) -> tuple[Technique, ...]:
        """The techniques of a note, those that stand against each other told."""
        if tied:
            kept = tuple(
                t for t in techniques if not isinstance(t, Stroke)
            )  # a column's stroke is not for it
            if any(isinstance(t, Tap | Grace | Dead | Ghost) or reaches(t) for t in kept):
                self.source.error(
                    typed.line, typed.start + 1, "a note that is tied to the one before is not struck or reached again",
                    "Delete the mark in front of it, or the _ after the duration before.",
                )  # fmt: skip
            techniques = kept
        if len(techniques) > 1:
            for conflict in conflicts(techniques):
                self.source.error(
                    typed.line, typed.start + 1, f"these marks do not go together: {conflict}", "Keep one of them."
                )  # fmt: skip
        return techniques

    def _pitch(self, string: int, fret: int) -> Pitch:
        if (string, fret) not in self.pitches:
            self.pitches[string, fret] = self.key.spell_midi(self.instrument.midi(string, fret))
        return self.pitches[string, fret]

    def _bracket(self, notes: Sequence[TabNote]) -> None:
        """Where a ``_`` leads to the same frets and no brackets say which go on, all of them do."""
        if any(typed.soft for typed in notes):
            return
        for tie in self.ties:
            if any(end != self.now for end, _ in tie.notes.values()):
                continue
            for typed in notes:
                plain = typed.head == "fret" and not (typed.joint or typed.slide_in or typed.tap)
                if plain and tie.notes.get(typed.string) == (self.now, typed.fret):
                    typed.soft = True

    def _meets_tie(self, typed: TabNote) -> bool:
        for tie in self.ties:
            if tie.notes.get(typed.string) == (self.now, typed.fret):
                tie.met = True
                return True
        return False

    def _ties_left(self, now: Fraction | None) -> None:
        """Tell ties whose notes ended without going on; ``now`` None: at the end of the piece."""
        if not self.ties:
            return
        left: list[_Tie] = []
        for tie in self.ties:
            if now is None or all(end <= now for end, _ in tie.notes.values()):
                if not tie.met:
                    frets = ", ".join(
                        f"({fret}) on string {string}" for string, (_, fret) in tie.notes.items()
                    )
                    self.source.error(
                        tie.line, tie.column, "a tie with no note to go on to",
                        f"Write {frets} in the next column, or delete the _.",
                    )  # fmt: skip
            else:
                left.append(tie)
        self.ties = left

    def _slides_left(self) -> None:
        for state in self.states:
            if state.slide and state.last:
                # the note was built already: a slide out at the very end
                self._slide_out_last(state.last, state.slide)
            if state.joint:
                tell_joint(self.source, state.joint)

    def _slide_out_last(self, typed: TabNote, mark: str) -> None:
        typed.slide_out = mark
        for place in range(len(self.notes) - 1, -1, -1):
            note = self.notes[place]
            if note.string == typed.string and not note.grace:
                kept = tuple(t for t in note.techniques if not (isinstance(t, Slide) and t.kind in LEAVING))
                way = SlideKind.OUT_UP if mark == "/" else SlideKind.OUT_DOWN
                self.notes[place] = replace(note, techniques=(*kept, Slide(way)))
                return

    @property
    def stated_bpm(self) -> float | None:
        """The tempo that the tab states at its start."""
        return next((mark.bpm for mark in self.tempos if mark.quarter == 0), None)

    def tab(self, *, title: str, tempo_bpm: float | None) -> Tab | None:
        """The finished tab, or None with everything told that stands in its way.

        tempo_bpm : the tempo to start with; later ones keep their proportion to the first
        """
        if not self.bars:
            return None
        reader = FormReader(self.source, self.bars, pickup=self.heads.pickup)
        form = reader.form()
        phrases = reader.phrases(self.phrase_starts, self.sheet.phrases)
        if form is None:
            return None
        tempos = reader.tempos(form, self.tempos, self.sheet.tempo_marks)
        if self.source.failed:
            return None
        heads = self.heads
        try:
            if tempo_bpm is not None:
                # without a tempo of its own at the start, later ones stand as they are
                ratio = tempo_bpm / tempos[0].bpm if self.stated_bpm is not None else 1.0
                later = (TempoMark(t.quarter, t.bpm * ratio) for t in tempos[1:])
                tempos = (TempoMark(Fraction(0), tempo_bpm), *later)
            return Tab(
                self.instrument, form, tuple(self.notes), heads.key, tempos, phrases, title or heads.title, heads.swing,
                heads.a4_hz, tuple(self.keys), tuple(self.lyrics), tuple(self.remarks), tuple(self.comments),
            )  # fmt: skip
        except MusicError as error:
            for what in str(error).split("; "):
                bar = re.match(r"bar (\d+)\b", what)
                numbers = reader.numbers()
                known = bar is not None and int(bar[1]) in numbers
                info = self.bars[numbers.index(int(bar[1]))] if bar is not None and known else None
                self.source.error(
                    info.line if info else 1, info.column if info else 1, what,
                    "Correct the bar that is named." if known else "Correct it, or delete it.",
                )  # fmt: skip
            return None


def _signed(note: Note, beside: Beside, column: int, place: int) -> Note:
    """With what the lines of signs say to one note of a column."""
    finger, pluck, voice = (beside.sign(name, column, place) for name in ("FI", "RH", "VO"))
    if not (finger or pluck or voice):
        return note
    return replace(
        note,
        finger=int(finger.replace("t", "0")) if finger else None,
        pluck=pluck or None,
        voice=int(voice or 1),
    )
