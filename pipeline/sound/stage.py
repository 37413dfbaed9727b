"""The stage: the played form laid out for a band, bar by bar, with the chords of each bar.

Conventions
-----------
Times are quarters on the played timeline, before swing. :meth:`Stage.felt` gives where
they fall when the eighths swing. Pitch classes are those of the key that is played
(``semitones`` included).
"""

from __future__ import annotations

import itertools
from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cached_property

from pipeline.music.chart import ChordSpan, Play
from pipeline.music.chord import Chord
from pipeline.music.metre import PlacedBar
from pipeline.music.tab import Tab
from pipeline.music.technique import Dead
from pipeline.music.timemap import swung
from pipeline.sound.groove import FALLBACK, SIX, Groove, Line, Step, felt_beat, load_groove

_MAJOR = {1: 0, 2: 2, 3: 4, 4: 5, 5: 7, 6: 9, 7: 11}
_NO_SWING = Fraction(1, 2)


@dataclass(frozen=True)
class Harmony:
    """A chord as the band needs it: pitch classes in the key played."""

    chord: Chord
    semitones: int

    @cached_property
    def root(self) -> int:
        return (self.chord.root.pitch_class + self.semitones) % 12

    @cached_property
    def bass(self) -> int:
        return (self.chord.lowest.pitch_class + self.semitones) % 12

    @cached_property
    def degrees(self) -> dict[int, int]:
        """Degree -> semitones above the root, 0..11."""
        return {d: (_MAJOR[(d - 1) % 7 + 1] + a) % 12 for d, a in self.chord.degrees.items()}

    @cached_property
    def tones(self) -> frozenset[int]:
        """Pitch classes of the chord, the bass not counted."""
        return frozenset((self.root + s) % 12 for s in self.degrees.values())

    def degree(self, *wanted: int) -> int | None:
        """Semitones above the root of the first of these degrees that the chord has."""
        return next((self.degrees[d] for d in wanted if d in self.degrees), None)


@dataclass(frozen=True)
class Stretch:
    """A chord inside one bar. ``harmony`` None: no chord. ``fresh``: the chord is struck
    here (False: it goes on from the bar before)."""

    start: Fraction
    end: Fraction
    harmony: Harmony | None
    play: Play
    fresh: bool

    @property
    def stop(self) -> bool:
        return self.play is Play.STOP

    @property
    def alone(self) -> bool:
        """Whether the chord is struck once and the groove rests, in a stop or to let it ring."""
        return self.play in (Play.STOP, Play.HOLD)


@dataclass(frozen=True)
class StageBar:
    """A bar for the band. ``beat`` quarters of the felt beat; ``swing`` the share in force;
    ``turn`` counts the bars of the band; ``opens`` and ``closes`` name a boundary there:
    "section", "phrase" or ""."""

    placed: PlacedBar
    groove: Groove
    beat: Fraction
    swing: Fraction
    stretches: tuple[Stretch, ...]
    turn: int
    opens: str = ""
    closes: str = ""

    @property
    def start(self) -> Fraction:
        return self.placed.start

    @property
    def end(self) -> Fraction:
        return self.placed.end

    @property
    def pickup(self) -> bool:
        return self.placed.bar.pickup

    @property
    def anchor(self) -> Fraction:
        """Where the bar's beats are counted from: a pickup's beats run up to its end."""
        if not self.pickup:
            return self.start
        return self.end - -(-self.placed.bar.length // self.beat) * self.beat

    def felt(self, quarter: Fraction | float) -> float:
        """Where this moment falls with the bar's swing, quarters."""
        offset = float(quarter) - float(self.anchor)
        return float(self.anchor) + float(swung([offset], self.swing)[0])

    def placed_at(self, beats: Fraction, *, steps: int) -> Fraction:
        """Quarters, before swing, of a place ``beats`` felt beats into the bar.

        A line in triplets in a bar with simple beats is straightened, so that the bar's
        swing brings it back (a share of 2/3 gives even triplets).
        """
        if steps % 3 == 0 and self.beat == 1:
            whole, part = divmod(beats, 1)
            share = Fraction(2, 3)
            part = part / (2 * share) if part < share else 1 - (1 - part) / (2 * (1 - share))
            beats = whole + part
        return self.start + beats * self.beat

    def laid(self, line: Line) -> dict[Fraction, tuple[Step, Fraction]]:
        """Where the steps of a line start in this bar, repeated to its end, and where they end."""
        steps, length = self.groove.steps, self.placed.bar.length / self.beat
        found: dict[Fraction, tuple[Step, Fraction]] = {}
        for step in line.steps:
            at = step.at
            while at < length:
                until = self.placed_at(min(length, at + step.length), steps=steps)
                found[self.placed_at(at, steps=steps)] = (step, until)
                at += line.beats
        return found

    def in_turn(
        self, placed: Mapping[Fraction, tuple[Step, Fraction]]
    ) -> list[tuple[Step, Fraction, Fraction, Stretch]]:
        """(step, start, end, stretch) by time: each ends where the next begins or its chord
        ends at the latest; a stop is one stroke, and so is a chord held, to its end."""
        times = sorted(placed)
        found = []
        for at, after in itertools.pairwise([*times, self.end]):
            step, until = placed[at]
            here = self.stretch_at(at)
            if not here.alone or at == here.start:
                end = here.end if here.play is Play.HOLD else min(until, after, here.end)
                found.append((step, at, end, here))
        return found

    def stretch_at(self, quarter: Fraction) -> Stretch:
        held = self.stretches[0]
        for stretch in self.stretches:
            if stretch.start <= quarter:
                held = stretch
        return held


@dataclass(frozen=True)
class Stage:
    """The whole: bars, the scale, the groove, and what the caller should be told."""

    tab: Tab
    semitones: int
    groove: Groove
    bars: tuple[StageBar, ...]
    notes: tuple[str, ...]

    @property
    def end(self) -> Fraction:
        return self.tab.form.played.length

    @cached_property
    def scale(self) -> frozenset[int]:
        return frozenset((pc + self.semitones) % 12 for pc in self.tab.key.scale)

    @cached_property
    def tonic(self) -> int:
        return (self.tab.key.tonic.pitch_class + self.semitones) % 12

    @cached_property
    def lead_semitones(self) -> int:
        """How far the lead moves: with the band, or an octave beside it where the instrument
        would otherwise have no place for its lowest or highest note."""
        pitched = [note.pitch.midi for note in self.tab.notes if not note.has(Dead)]
        low, high = self.tab.instrument.midi_range
        for octave in (0, 12, -12):
            shift = self.semitones + octave
            if all(
                low <= midi + shift <= high for midi in (min(pitched, default=low), max(pitched, default=low))
            ):
                return shift
        return self.semitones

    @property
    def lead_note(self) -> str:
        """What the creator should know of the lead's octave in this key; "" when nothing."""
        beside = self.lead_semitones - self.semitones
        if not beside:
            return ""
        where = "higher" if beside > 0 else "lower"
        return f"in this key the lead would leave the neck, so it plays an octave {where}"

    @cached_property
    def stretches(self) -> tuple[Stretch, ...]:
        return tuple(s for bar in self.bars for s in bar.stretches)

    def next_change(self, after: Fraction) -> Stretch | None:
        """The first stretch that starts after this moment, or None."""
        place = bisect_right(self._starts, after)
        return self.stretches[place] if place < len(self.stretches) else None

    @cached_property
    def _starts(self) -> list[Fraction]:
        return [s.start for s in self.stretches]

    @cached_property
    def last_harmony(self) -> Harmony | None:
        """The chord of the closing hit: the last one, or home when the last one leads there.

        Reading: a dominant at the end (a turnaround) goes to the tonic chord as charted; the
        tonic closes on its root, whatever bass note the chart last had under it.
        """
        last = self.stretches[-1].harmony
        if last is None:
            return None
        leads = (last.root - self.tonic) % 12 == 7
        home = [s.harmony for s in self.stretches if s.harmony and s.harmony.root == self.tonic]
        closing = home[0] if leads and home else last
        if closing.root == self.tonic:
            return replace(closing, chord=replace(closing.chord, bass=None))
        return closing


def _stretches(bar: PlacedBar, spans: Sequence[ChordSpan], semitones: int) -> tuple[Stretch, ...]:
    """The spans (in order) that sound in the bar, cut at its ends."""
    found = []
    first = bisect_right(spans, bar.start, key=lambda span: span.end)
    for span in itertools.islice(spans, first, None):
        if span.start >= bar.end:
            break
        start, end = max(span.start, bar.start), min(span.end, bar.end)
        if start < end:
            harmony = Harmony(span.chord, semitones) if span.chord else None
            found.append(Stretch(start, end, harmony, span.play, span.start == start))
    if not found:
        return (Stretch(bar.start, bar.end, None, Play.ON, True),)
    return tuple(found)


def _boundaries(tab: Tab, spans: Sequence[ChordSpan]) -> dict[Fraction, str]:
    """Moments where a section or a phrase begins or ends, the section's name weighing more."""
    found: dict[Fraction, str] = {}
    for phrase in tab.phrases:
        for start, end in tab.phrase_spans(phrase):
            found[start] = found[end] = "phrase"
    before = None
    for span in spans:
        if before is not None and span.section != before.section:
            found[span.start] = "section"
        before = span
    return found


def _swings(bar: PlacedBar, beat: Fraction) -> bool:
    """Eighths swing over quarter beats; not in compound metres, nor where half a beat is left."""
    return beat == 1 and (bar.bar.pickup or bar.bar.length.denominator == 1)


def _groove_for(bar: PlacedBar, groove: Groove) -> tuple[Groove, str]:
    metre = bar.bar.metre
    if groove.fits(metre):
        return groove, ""
    if felt_beat(metre) != 1 and groove.name != SIX:
        return load_groove(SIX), f"{groove.name} has no pattern in {metre}; {SIX} plays those bars"
    other = load_groove(groove.elsewhere or FALLBACK)
    if groove.elsewhere and other.fits(metre):
        return other, f"{groove.name} has no pattern in {metre}; {other.name} plays those bars"
    if groove.elsewhere:
        return (
            other,
            f"{groove.name} has no pattern in {metre}; {other.name}, cut to the bar, plays those bars",
        )
    return groove, f"{groove.name} has no pattern in {metre}; its beats are cut to the bar"


def swing_of(tab: Tab, groove: Groove) -> Fraction:
    """The share by which the music swings: the tab's own when it swings, else the groove's.

    1/2 where the groove would swing but no bar can, as in 6/8.
    """
    if tab.swing > _NO_SWING:
        return tab.swing
    bars = [bar for bar in tab.form.played.bars if not bar.bar.pickup]
    return groove.swing if any(_swings(bar, felt_beat(bar.bar.metre)) for bar in bars) else _NO_SWING


def set_stage(tab: Tab, spans: Sequence[ChordSpan], *, groove: Groove, semitones: int) -> Stage:
    """Lay out the band's bars.

    A tab that swings rules over the groove; otherwise the groove's own swing holds. Bars in
    a compound metre never swing, nor do those with half a beat left over (7/8).
    """
    spans = sorted(spans, key=lambda span: span.start)
    swing = swing_of(tab, groove)
    marks = _boundaries(tab, spans)
    bars: list[StageBar] = []
    notes: dict[str, None] = {}
    turn = 0
    for placed in tab.form.played.bars:
        used, note = (groove, "") if placed.bar.pickup else _groove_for(placed, groove)
        if note:
            notes[note] = None
        beat = felt_beat(placed.bar.metre)
        bars.append(
            StageBar(
                placed=placed,
                groove=used,
                beat=beat,
                swing=swing if _swings(placed, beat) else _NO_SWING,
                stretches=_stretches(placed, spans, semitones),
                turn=turn,
                opens=marks.get(placed.start, ""),
                closes=marks.get(placed.end, ""),
            )
        )
        turn = 0 if marks.get(placed.end) == "section" else turn + (not placed.bar.pickup)
    if not any(bar.closes for bar in bars[:-1]):
        bars = _every_four(bars)
    return Stage(tab, semitones, groove, tuple(bars), tuple(notes))


def _every_four(bars: list[StageBar]) -> list[StageBar]:
    """Without sections or phrases, music is taken to move in fours: common practice."""
    out = []
    for bar in bars:
        count = bar.placed.ordinal
        closes = "phrase" if not bar.pickup and count % 4 == 0 else ""
        opens = "phrase" if not bar.pickup and count % 4 == 1 else ""
        out.append(replace(bar, opens=opens, closes=closes))
    return out
