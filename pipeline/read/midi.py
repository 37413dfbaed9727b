"""Read a Standard MIDI File as a tab: from notation software, a sequencer, or as played.

Conventions
-----------
- The bars are those played: a MIDI file has no repeats.
- Channels are strings where that fits the neck, else the fingering is found.
- Exactly notated times stay; played ones are moved to the nearest sensible notation, and how
  far is told.

References
----------
Standard MIDI Files 1.0 (RP-001); MIDI 1.0; General MIDI level 1.
"""

from __future__ import annotations

import bisect
import re
import statistics
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from operator import attrgetter
from pathlib import Path
from typing import Final

from pipeline.errors import Problems
from pipeline.music.errors import MusicError
from pipeline.music.fingering import Unplaced, place_notes
from pipeline.music.instrument import Instrument
from pipeline.music.key import Key
from pipeline.music.keyfinding import likely_key
from pipeline.music.metre import Form
from pipeline.music.quantise import Beat, PlayedNote, Quantised, quantise
from pipeline.music.tab import Lyric, Note, Remark, Tab
from pipeline.music.technique import Bend, Grace, Slide, SlideKind, Staccato, Technique, Trill, reaches
from pipeline.read.midi_chunks import read_chunks
from pipeline.read.midi_form import TooLongError, beats_of, form_of, keys_of, phrases_of, tempos_of
from pipeline.read.midi_gestures import gesture_of
from pipeline.read.midi_loudness import loudness
from pipeline.read.midi_neck import choose_part, instrument_of, string_numbers
from pipeline.read.midi_song import MidiNote, MidiPart, MidiSong, gather
from pipeline.read.midi_words import WrittenNote, written_note
from pipeline.read.places import Place, Places

_SWING: Final = re.compile(r"swing (\d{1,3}):(\d{1,3})")
_FAR: Final = 0.15  # of a quarter: a note moved farther is worth a look
_LEAST: Final = Fraction(1, 64)
_TIMES: Final = Fraction(1, 2)  # a written place further from the sound than this is not believed


@dataclass(slots=True)
class _Draft:
    """A note on its way into the tab; line: its string, where that is known."""

    source: MidiNote
    onset: Fraction
    end: Fraction
    midi: int
    line: int | None
    written: WrittenNote | None
    marks: tuple[Technique, ...] = ()
    dynamic: str = "mf"

    @property
    def grace(self) -> bool:
        return any(isinstance(mark, Grace) for mark in self.marks)


def read_midi(
    path: Path,
    problems: Problems,
    *,
    title: str = "",
    tempo_bpm: float | None = None,
    instrument: Instrument | None = None,
    track: str | None = None,
    places: Places | None = None,
) -> Tab | None:
    """The tab in a MIDI file; None when there are errors, which are told.

    Parameters
    ----------
    title : before what the file says
    tempo_bpm : quarter notes a minute at the start, before what the file says
    instrument : what it is played on; None: as the file tells
    track : name or number of the part to read; None: the most likely one
    places : filled when given
    """
    raw = read_chunks(path, problems)
    if raw is None:
        return None
    reader = _Reader(gather(raw), path, problems)
    tab = reader.read(title=title, tempo_bpm=tempo_bpm, instrument=instrument, track=track)
    for what in dict.fromkeys(reader.notes):
        problems.caution(what, path=path)
    if tab is not None and places is not None:
        places.bars.update((bar.index, Place(path)) for bar in tab.form.written.bars)
        places.notes.update(((note.onset, note.string), Place(path)) for note in tab.notes)
    return tab


class _Reader:
    """One file. ``notes``: what is told about it, in order."""

    def __init__(self, song: MidiSong, path: Path, problems: Problems) -> None:
        self.song, self.path, self.problems = song, path, problems
        self.notes: list[str] = []

    def _error(self, what: str, remedy: str = "") -> None:
        self.problems.error(what, path=self.path, remedy=remedy)

    def read(
        self, *, title: str, tempo_bpm: float | None, instrument: Instrument | None, track: str | None
    ) -> Tab | None:
        part, others = choose_part(self.song, track)
        if part is None:
            self._no_part(track)
            return None
        self._tell_parts(part, others)
        neck = instrument or instrument_of(part, self.song, self.notes)
        part.notes.sort(key=lambda note: (note.onset, -note.midi, note.channel))
        drafts = self._drafts(part, neck)
        shift = self._shift(drafts, neck)
        if shift is None:
            return None
        for draft in drafts if shift else ():
            draft.midi += shift
            draft.line = None
        try:
            form = form_of(self.song, max(note.end for note in part.notes), self.notes)
        except TooLongError as error:
            self._error(f"the piece would have {error}", "Cut the silence at its end and export it again.")
            return None
        try:
            tempos = tempos_of(self.song, form.written.length, tempo_bpm, self.notes)
        except MusicError as error:
            self._error(str(error), "Correct the tempo of the lesson, or that of the file.")
            return None
        swing, played = self._times(drafts, form, tempos[0].bpm)
        self._as_written(drafts, form.written.length)
        self._gestures(drafts)
        self._cut(drafts)
        found = self._places(drafts, neck)
        loudness([(d.source.velocity, form.written.bar_at(d.onset).index) for d in drafts], drafts,
                 known=bool(self.song.instrument))  # fmt: skip
        key, changes = keys_of(self.song, form, self.notes)
        if key is None:
            key = self._likely_key(drafts)
        length = form.written.length
        title = title or self.song.title
        lyrics = {q: text for q, text in self.song.lyrics if q < length and text.strip("_ ")}
        try:
            frame = Tab(
                neck, form, (), key, tempos, phrases_of(self.song, form), title, swing, 440.0, changes,
                tuple(Lyric(q, text) for q, text in lyrics.items()),
                tuple(Remark(q, text) for q, text in self.song.cues if q < length),
            )  # fmt: skip
            made = self._made(drafts, found, frame)
            if played is not None:
                self._tell_moved(played, form, tempos[0].bpm)
            return replace(frame, notes=tuple(made))
        except MusicError as error:
            self._error(str(error), "Correct what is named in the program the file comes from.")
            return None

    def _no_part(self, track: str | None) -> None:
        listed = ", ".join(f"{p.number} {p.name or 'unnamed'}" for p in self.song.parts if not p.percussion)
        if track is not None and listed:
            self._error(f"no part with notes is called {track!r}; there are: {listed}", "Choose one of them.")
        elif any(p.percussion for p in self.song.parts):
            self._error("the file has percussion only", "Export the part of a fretted instrument.")
        else:
            self._error("the file has no notes", "Export it again with the part you teach.")

    def _tell_parts(self, part: MidiPart, others: Sequence[MidiPart]) -> None:
        if others:
            name = part.name or f"part {part.number}"
            listed = ", ".join(
                (o.name or f"part {o.number}") + (" (percussion)" if o.percussion else "") for o in others
            )
            self.notes.append(f"{name!r} is read; not read: {listed}")
        if self.song.unended:
            self.notes.append(f"{self.song.unended} notes never end: taken to last to the end of their track")

    def _shift(self, drafts: Sequence[_Draft], neck: Instrument) -> int | None:
        """Octaves, in semitones, that bring the part onto the neck; None when none does."""
        low, high = neck.midi_range
        # harmonics sound above the neck: the text beside them says where they are touched
        midis = [d.midi for d in drafts if d.written is None or d.written.fret is None]
        if not midis or (low <= min(midis) and max(midis) <= high):
            return 0
        for octaves in (-1, 1, -2, 2, -3, 3):
            if low <= min(midis) + 12 * octaves and max(midis) + 12 * octaves <= high:
                count = "an octave" if abs(octaves) == 1 else f"{abs(octaves)} octaves"
                where = "lower" if octaves < 0 else "higher"
                self.notes.append(
                    f"the notes go beyond the {neck.name}: all of them are read {count} {where}"
                )
                return 12 * octaves
        outside = sum(not low <= midi <= high for midi in midis)
        self._error(
            f"{outside} of {len(midis)} notes lie beyond the {neck.name} (MIDI {low} to {high}; "
            f"the part goes from {min(midis)} to {max(midis)})",
            "Choose another part, or name the instrument it is played on.",
        )
        return None

    def _drafts(self, part: MidiPart, neck: Instrument) -> list[_Draft]:
        strings = string_numbers(part.notes, neck)
        found: list[_Draft] = []
        swallow: dict[int, int] = {}  # channel -> notes that belong to the one before
        for note in part.notes:
            if swallow.get(note.channel, 0) > 0:
                swallow[note.channel] -= 1
                home = next(d for d in reversed(found) if d.source.channel == note.channel)
                home.end = max(home.end, note.end)
                continue
            written = written_note(note.words) if note.words else None
            if written is not None and written.strikes > 1:
                swallow[note.channel] = min(written.strikes - 1, 10_000)
            line = strings.get(note.channel)
            end = note.end
            if written is not None and written.lasts:
                end = note.onset + written.lasts
            found.append(_Draft(note, note.onset, end, note.midi, line, written))
        return found

    def _times(
        self, drafts: list[_Draft], form: Form, bpm: float
    ) -> tuple[Fraction, list[tuple[Fraction, Fraction]] | None]:
        """Move the drafts to notated times; the swing, and (played, written) onsets if they moved."""
        said = next((m for _, text in self.song.words if (m := _SWING.match(text))), None)
        swing = Fraction(1, 2)
        if said is not None and int(said[1]) + int(said[2]):
            stated = Fraction(int(said[1]), int(said[1]) + int(said[2]))
            swing = stated if swing <= stated < 1 else swing
        plain = [d for d in drafts if d.written is None or d.written.at is None]
        sounds = [PlayedNote(d.onset, d.end, d.line) for d in plain]
        beats = beats_of(form)
        made: Quantised = quantise(
            sounds,
            beats,
            tick=Fraction(1, self.song.division),
            beat_s=60 / bpm * float(beats[0].quarters),
            notated=bool(self.song.instrument),
        )
        played = None
        if not made.exact:
            played = []
            for sound, onset, beat in zip(
                sounds, made.onsets, (self._beat(beats, o) for o in made.onsets), strict=True
            ):
                share = (onset - beat[0]) / beat[1]
                swung = beat[0] + beat[1] * made.swing if share == Fraction(1, 2) else onset
                played.append((sound.onset, swung))
        for draft, onset, end, short in zip(plain, made.onsets, made.ends, made.staccato, strict=True):
            draft.onset, draft.end = onset, end
            if short and draft.written is None:
                draft.marks = (Staccato(),)
        length = form.written.length
        for draft in drafts:
            draft.onset = min(draft.onset, length - _LEAST)
            draft.end = min(max(draft.end, draft.onset + _LEAST), length)
        return (made.swing if made.swing != Fraction(1, 2) else swing), played

    @staticmethod
    def _beat(beats: Sequence[Beat], onset: Fraction) -> tuple[Fraction, Fraction]:
        beat = beats[max(0, bisect.bisect_right(beats, onset, key=attrgetter("start")) - 1)]
        return beat.start, beat.quarters

    def _as_written(self, drafts: list[_Draft], length: Fraction) -> None:
        """Where a text says when a note is written, and it fits what sounds, it is believed."""
        for draft in drafts:
            said = draft.written
            if said is None:
                continue
            draft.marks = said.techniques
            onset = draft.onset if said.at is None else said.at
            lasts = draft.end - draft.onset if said.lasts is None else said.lasts
            if draft.grace:
                lasts = Fraction(0)
            lasts = max(min(lasts, length - onset), Fraction(0))  # what a jump cuts, the end cuts
            if not onset < length or abs(onset - draft.source.onset) > _TIMES:
                draft.written, draft.marks = None, ()
                self.notes.append("texts beside notes that no longer fit them are passed over")
                continue
            draft.onset, draft.end = onset, onset + lasts
            if not lasts and not draft.grace:
                draft.end = min(onset + _LEAST, length)
        drafts.sort(key=lambda d: (d.onset, not d.grace, d.source.onset, self._together(d), d.line or 0))

    @staticmethod
    def _together(draft: _Draft) -> bool:
        return any(isinstance(mark, Grace) and mark.together for mark in draft.marks)

    def _gestures(self, drafts: list[_Draft]) -> None:
        lost: dict[str, int] = {}
        following: dict[int, _Draft] = {}
        for draft in reversed(drafts):
            after = following.get(draft.source.channel)
            following[draft.source.channel] = draft
            if draft.written is not None:
                continue
            source = draft.source
            near = after is not None and after.source.onset - source.end <= Fraction(1, 16)
            step = after.midi - draft.midi if after is not None and near else None
            curve = source.curve
            if after is not None and after.written is not None and any(map(reaches, after.marks)):
                # the text beside the next note tells that it is slid to
                rest = source.onset + (source.end - source.onset) * Fraction(13, 20)
                curve = [point for point in curve if point[0] < rest] or curve[:1]
            gesture = gesture_of(curve, source.onset, source.end, source.modulation, step)
            marks = (*draft.marks, *gesture.techniques)
            if any(isinstance(mark, Bend | Slide) for mark in marks):
                marks = tuple(mark for mark in marks if not isinstance(mark, Staccato))
            draft.marks = marks
            if gesture.lost:
                lost[gesture.lost] = lost.get(gesture.lost, 0) + 1
            if gesture.glides is not None and after is not None and after.written is None and not any(
                reaches(mark) for mark in after.marks
            ):  # fmt: skip
                after.marks = (*after.marks, Slide(SlideKind.LEGATO))
        for what, count in lost.items():
            self.notes.append(f"{what} is left out ({count} notes)")

    def _cut(self, drafts: list[_Draft]) -> None:
        """No note of a string lasts into the next one on it; a second one at once is placed elsewhere."""
        last: dict[int, _Draft] = {}
        cut = 0
        for draft in drafts:
            if draft.line is None or draft.grace:
                continue
            before = last.get(draft.line)
            if before is not None and before.onset == draft.onset:
                draft.line = None
                continue
            if before is not None and before.end > draft.onset:
                before.end = draft.onset
                cut += 1
            last[draft.line] = draft
        if cut:
            self.notes.append(f"{cut} notes lasted into the next one on their string: shortened")

    def _places(self, drafts: list[_Draft], neck: Instrument) -> list[tuple[int, int] | None]:
        def unplaced() -> list[Unplaced]:
            return [
                Unplaced(
                    d.onset, d.end, d.midi, d.line,
                    d.written.fret if d.written and d.line is not None else None,
                    any(isinstance(mark, Bend) for mark in d.marks), self._together(d),
                )
                for d in drafts
            ]  # fmt: skip

        found = place_notes(unplaced(), neck)
        shortened = 0
        for _ in range(3):
            stuck = [d.onset for d, p in zip(drafts, found, strict=True) if p is None and neck.places(d.midi)]
            if not stuck:
                break
            moments = sorted(set(stuck))
            before = shortened
            for draft in drafts:
                if draft.line is None:
                    place = bisect.bisect_right(moments, draft.onset)
                    if place < len(moments) and moments[place] < draft.end:
                        draft.end = moments[place]
                        shortened += 1
            if shortened == before:
                break
            found = place_notes(unplaced(), neck)
        if shortened:
            self.notes.append(f"{shortened} notes are shortened: too many sound at once for the strings")
        left = sum(place is None for place in found)
        if left:
            self.notes.append(f"{left} notes are left out: no string is free for them")
        if any(d.line is None for d in drafts):
            self.notes.append("the file does not tell the strings: the fingering is our proposal")
        return found

    def _likely_key(self, drafts: Sequence[_Draft]) -> Key:
        weights = [0.0] * 12
        for draft in drafts:
            weights[draft.midi % 12] += float(draft.end - draft.onset)
        key = likely_key(weights) or Key.parse("C")
        self.notes.append(f"the file states no key: its notes suggest {key.symbol()}")
        return key

    def _made(
        self, drafts: Sequence[_Draft], found: Sequence[tuple[int, int] | None], frame: Tab
    ) -> list[Note]:
        made: list[Note] = []
        for draft, place in zip(drafts, found, strict=True):
            if place is None:
                continue
            string, fret = place
            said = draft.written or WrittenNote()
            marks = tuple(
                m for m in draft.marks
                if not (isinstance(m, Trill) and (m.fret == fret or m.fret > frame.instrument.highest_fret))
            )  # fmt: skip
            if self._together(draft) and not (made and made[-1].grace and made[-1].onset == draft.onset):
                marks = tuple(replace(m, together=False) if isinstance(m, Grace) else m for m in marks)
            note = frame.note(draft.onset, draft.end - draft.onset, string, fret, *marks)
            made.append(
                replace(note, dynamic=said.dynamic or draft.dynamic, finger=said.finger, pluck=said.pluck,
                        voice=said.voice)
            )  # fmt: skip
        return made

    def _tell_moved(self, played: Sequence[tuple[Fraction, Fraction]], form: Form, bpm: float) -> None:
        moved = [abs(float(a - b)) for a, b in played]
        if not moved:
            return
        ms = 60_000 / bpm
        middle, worst = statistics.median(moved), max(moved)
        far = sorted(
            {form.written.bar_at(b).bar.number for (a, b), by in zip(played, moved, strict=True) if by > _FAR}
        )
        where = ", ".join(map(str, far[:12])) + (" ..." if len(far) > 12 else "")
        self.notes.append(
            f"the notes are played, not notated: onsets are moved by {middle * ms:.0f} ms in the middle, "
            f"{worst * ms:.0f} ms ({worst:.2f} quarters) at most" + (f"; look at bars {where}" if far else "")
        )
