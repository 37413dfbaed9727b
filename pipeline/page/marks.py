"""Our own marks on the tab staff: bends, slides, slurs with letters, waves, spans, other numbers.

The engraver places fret numbers; what guitarists write around them is drawn here, at the
numbers' places. Marks above the staff stack: each takes the lowest free place over its notes.

Conventions
-----------
- Bend amounts are in whole tones, as players say them: ½, full, 1½, 2 (common practice).
- H hammer-on, P pull-off, T tap, P.M. palm mute, A.H./P.H. artificial and pinch harmonic,
  × dead note, (5) ghost or tied note, ⟨12⟩ harmonic: common practice.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from fractions import Fraction
from typing import Final
from xml.etree.ElementTree import Element

from pipeline.music.tab import Tab
from pipeline.music.technique import (
    Bend,
    Dead,
    Ghost,
    HammerOn,
    Harmonic,
    HarmonicKind,
    LetRing,
    PalmMute,
    PullOff,
    Slide,
    SlideKind,
    Tap,
    Trill,
    Vibrato,
)
from pipeline.page import shapes
from pipeline.page.directions import runs_of
from pipeline.page.look import Look
from pipeline.page.notations import Links
from pipeline.page.systems import SVG, Box, Spot, System

FRET_SIZE: Final = 330.0
LETTER_SIZE: Final = 250.0
CLEAR: Final = 45.0  # least distance between marks
LEAST_MOVE: Final = 150.0  # of an arrow to the side, even where notes stand close
TIP_RISE: Final = 290.0  # how far a bend's arrow rises over the staff


def bend_name(semitones: Fraction) -> str:
    """``½``, ``full``, ``1½``, ``¾``: an amount in whole tones."""
    whole, part = divmod(semitones / 2, 1)
    fractions = {Fraction(1, 4): "¼", Fraction(1, 2): "½", Fraction(3, 4): "¾"}
    if part and part not in fractions:
        return f"{float(semitones / 2):.2g}"
    if whole == 1 and not part:
        return "full"
    return (str(whole) if whole else "") + fractions.get(part, "")


class Marks:
    """Draws the marks of one system. ``boxes`` are the places taken above and below the tab staff."""

    def __init__(self, tab: Tab, system: System, links: Links, look: Look) -> None:
        self.tab, self.system, self.links, self.look = tab, system, links, look
        self.spots = {(spot.index, spot.part): spot for spot in system.spots}
        self.firsts = sorted((s for s in system.spots if s.part == 0), key=lambda s: s.x)
        self.boxes: list[Box] = []
        # bends of several strings at once share their arrow's tip: (onset, bend) -> (start, tip)
        self.tips: dict[tuple[Fraction, Bend], tuple[float, float]] = {}
        self.elements: list[Element] = []
        self.top, self.bottom = system.tab_lines[0], system.tab_lines[-1]

    def draw(self) -> Element:
        """All marks in one group, ready to be put into the system's drawing."""
        self._bar_number()
        self._repeat_counts()
        for spot in self.system.spots:
            if not self.tab.notes[spot.index].grace:
                self._figure(spot)
        for spot in sorted(self.system.spots, key=lambda s: -s.x):
            if self.tab.notes[spot.index].grace:
                self._grace_figure(spot)
        for spot in self.firsts:
            self._bend(spot)
        for spot in self.firsts:
            self._slide(spot)
            self._slur(spot)
        for spot in self.firsts:
            self._above(spot)
        self._plucked()
        for kind, words in ((PalmMute, "P.M."), (LetRing, "let ring")):
            for first, last in runs_of(self.tab, kind):
                self._span(first, last, words)
        return shapes.joined(self.elements, "marks")

    # places

    def _note_end(self, spot: Spot) -> float:
        """x where the note's sound ends: before the next number that starts then or later."""
        end = self.tab.notes[spot.index].end
        later = [s.x - s.half for s in self.firsts if self.tab.notes[s.index].onset >= end and s.x > spot.x]
        limit = self._bar_end(end, spot)
        return min([*later, limit]) - CLEAR

    def _bar_end(self, quarter: Fraction, spot: Spot) -> float:
        """Right end of the bar in which a moment falls, or of the system."""
        bars = self.tab.form.written.bars
        index = spot.bar
        while index + 1 < len(bars) and bars[index].end < quarter and index + 1 in self.system.bars:
            index += 1
        return self.system.bars[index][1] - 60

    def _free(self, left: float, right: float, height: float, start: float) -> float:
        """The lowest y at or above ``start`` for the bottom of something this wide and high."""
        bottom = start
        while True:
            box = Box(left, bottom - height, right, bottom)
            hit = next((b for b in self.boxes if b.meets(box)), None)
            if hit is None:
                self.boxes.append(box)
                return bottom
            bottom = hit.top - CLEAR

    def _add(self, *elements: Element) -> None:
        self.elements.extend(elements)

    def _words(self, x: float, words: str, *, size: float = LETTER_SIZE) -> None:
        """Words above the staff, as low as there is room."""
        half = shapes.text_width(words, self.look, size=size) / 2
        bottom = self._free(x - half - 20, x + half + 20, size * 0.8, self.top - 2 * CLEAR)
        self._add(shapes.text(x, bottom, words, self.look, size=size))

    def _bar_number(self) -> None:
        """At the start of each line but one that starts the piece."""
        first = self.tab.form.bars[min(self.system.bars)]
        if min(self.system.bars):
            y = self.system.staff_lines[0] - 110
            self._add(
                shapes.text(self.system.left, y, str(first.number), self.look, size=270, anchor="start")
            )

    def _repeat_counts(self) -> None:
        """How often a repeat is played, where it is not the usual twice."""
        for index, (_, right) in self.system.bars.items():
            times = self.tab.form.bars[index].repeat_times
            if times > 2:
                y = self.system.staff_lines[0] - 110
                self._add(shapes.text(right, y, f"×{times}", self.look, size=320, anchor="end", bold=True))

    # the numbers themselves

    def _figure(self, spot: Spot) -> None:
        """The number in the look's font, with what stands around it."""
        note = self.tab.notes[spot.index]
        words = "×" if note.has(Dead) else str(note.fret)
        if note.has(Harmonic):
            words = f"⟨{words}⟩"
        if note.has(Ghost) or note.tied or spot.part:
            words = f"({words})"
        size = FRET_SIZE * (0.72 if note.grace else 1.0)
        width = shapes.text_width(words, self.look, size=size, bold=True)
        spot.half = width / 2
        figure = shapes.text(spot.x, spot.line + size * 0.33, words, self.look, size=size, bold=True)
        cover = self._cover(spot.x - spot.half - 16, spot.x + spot.half + 16, spot.line, size)
        place = list(spot.group).index(spot.text)
        spot.group[place : place + 1] = [cover, figure]
        spot.text = figure
        trill = note.get(Trill)
        if trill is not None and spot.part == 0:
            # the other fret stands behind, smaller, so that the struck one keeps its place
            behind, small = f"({trill.fret})", size * 0.75
            left = spot.x + spot.half + 20
            right = left + shapes.text_width(behind, self.look, size=small)
            other = shapes.text(left, spot.line + small * 0.33, behind, self.look, size=small, anchor="start")
            spot.group[place + 2 : place + 2] = [self._cover(left, right, spot.line, small), other]
        if spot.line == self.top:
            self.boxes.append(Box(spot.x - spot.half, spot.line - size * 0.4, spot.x + spot.half, spot.line))

    def _grace_figure(self, spot: Spot) -> None:
        """Small, and left of the number it leads into, whose place is already known."""
        half = shapes.text_width(str(self.tab.notes[spot.index].fret), self.look, size=FRET_SIZE * 0.72) / 2
        after = [s for s in self.system.spots if s.half and s.line == spot.line and s.bar == spot.bar]
        nearest = min((s for s in after if s.x > spot.x - half), key=lambda s: s.x, default=None)
        if nearest is not None:
            spot.x = min(spot.x, nearest.x - nearest.half - half - CLEAR)
        self._figure(spot)

    def _cover(self, left: float, right: float, line: float, size: float) -> Element:
        """Paper behind a figure, as the staff line is broken for plain ones only."""
        return Element(
            f"{SVG}rect",
            {
                "x": shapes.number(left),
                "y": shapes.number(line - size * 0.36),
                "width": shapes.number(right - left),
                "height": shapes.number(size * 0.72),
                "fill": self.look.paper,
                "stroke": "none",
                "class": "cover",
            },
        )

    # bends

    def _bend(self, spot: Spot) -> None:
        note = self.tab.notes[spot.index]
        bend = note.get(Bend)
        if bend is None:
            return
        start = spot.x + spot.half + 35
        shared = self.tips.get((note.onset, bend))
        room = max(self._note_end(spot) - start - 40, 150.0)  # the amount is wider than the tip
        if shared is not None:
            room += start - shared[0]
            start, tip = shared
        else:
            tip = self._tip(spot, start, room, bend)
            self.tips[note.onset, bend] = (start, tip)
        xs = self._bend_places(bend, start, room)
        # a bend leaves its number at mid-height and a release comes back a little above the line
        low = spot.line
        ys = [low + (tip - low) * float(s / bend.peak) for _, s in bend.points]
        if bend.prebent:
            x = spot.x
            foot = spot.line - FRET_SIZE * 0.4
            self._add(shapes.line(x, foot, x, tip), shapes.arrowhead(x, tip))
            if shared is None:
                self._label(x, tip, bend.points[0][1])
            xs = [x + 0.0 if n == 0 else at for n, at in enumerate(xs)]
        for n, ((_, s0), (_, s1)) in enumerate(itertools.pairwise(bend.points)):
            x0, x1, y0, y1 = xs[n], xs[n + 1], ys[n], ys[n + 1]
            if s1 > s0:
                mid = x0 + (x1 - x0) * 0.75
                self._add(
                    shapes.curve(self._sweep(x0, y0, mid, y0, x1, y0 + (y1 - y0) * 0.25, x1, y1 + 60)),
                    shapes.arrowhead(x1, y1),
                )
                if shared is None:
                    self._label(x1, y1, s1)
            elif s1 < s0:
                end = y1 - (FRET_SIZE * 0.3 if s1 == 0 else 0)
                mid = x0 + (x1 - x0) * 0.85
                self._add(
                    shapes.curve(self._sweep(x0, y0, mid, y0, x1, y0 + (end - y0) * 0.25, x1, end - 60)),
                    shapes.arrowhead(x1, end, down=True),
                )
            elif s0 > 0 and n + 2 < len(xs):
                self._add(shapes.line(x0, y0, x1, y1))  # held before it is let down

    @staticmethod
    def _sweep(*places: float) -> str:
        x0, y0, *rest = (shapes.number(place) for place in places)
        pairs = [f"{rest[n]} {rest[n + 1]}" for n in range(0, 6, 2)]
        return f"M{x0} {y0} C{' '.join(pairs)}"

    def _bend_places(self, bend: Bend, start: float, room: float) -> list[float]:
        """x of each point of a bend: a held end takes no room, moves share what there is."""
        moves = [abs(b[1] - a[1]) > 0 for a, b in itertools.pairwise(bend.points)]
        last = max(n for n, moving in enumerate([True, *moves]) if moving)
        widths = [1.0 if moving else 0.45 for moving in moves[:last]]
        total = sum(widths)
        step = max(min(room / total, 420.0), LEAST_MOVE) if total else 0.0
        xs = [start]
        for width in widths:
            xs.append(xs[-1] + width * step)
        return xs + [xs[-1]] * (len(bend.points) - len(xs))

    def _tip(self, spot: Spot, start: float, room: float, bend: Bend) -> float:
        """y of the arrow's tip: over the staff, higher where another bend's words are."""
        tip = min(self.top - TIP_RISE, spot.line - TIP_RISE)
        xs = self._bend_places(bend, start, room)
        left = spot.x - 60 if bend.prebent else xs[0]
        bottom = self._free(left, self._words_end(bend, left, xs), LETTER_SIZE + 40, tip)
        self.boxes.append(Box(left, bottom, max(xs[-1], left) + 15, self.top))
        return bottom

    def _words_end(self, bend: Bend, left: float, xs: list[float]) -> float:
        """Right end of the amounts over a bend's arrows."""
        ends = [left + 120]
        for (_, s0), (x1, s1) in zip(
            bend.points, zip(xs[1:], [s for _, s in bend.points][1:], strict=True), strict=False
        ):
            if s1 > s0:
                ends.append(x1 + shapes.text_width(bend_name(s1), self.look, size=LETTER_SIZE) / 2)
        return max(ends)

    def _label(self, x: float, tip: float, amount: Fraction) -> None:
        self._add(shapes.text(x, tip - 45, bend_name(amount), self.look, size=LETTER_SIZE))

    # slides and slurs

    def _slide(self, spot: Spot) -> None:
        for slide in self.tab.notes[spot.index].techniques:
            if isinstance(slide, Slide):
                self._one_slide(spot, slide)

    def _one_slide(self, spot: Spot, slide: Slide) -> None:
        left, right, tilt = spot.x - spot.half - 30, spot.x + spot.half + 30, 75.0
        if slide.kind is SlideKind.IN_BELOW:
            self._add(shapes.line(left - 200, spot.line + tilt, left, spot.line - tilt, width=26))
        elif slide.kind is SlideKind.IN_ABOVE:
            self._add(shapes.line(left - 200, spot.line - tilt, left, spot.line + tilt, width=26))
        elif slide.kind is SlideKind.OUT_UP:
            self._add(shapes.line(right, spot.line + tilt, right + 200, spot.line - tilt, width=26))
        elif slide.kind is SlideKind.OUT_DOWN:
            self._add(shapes.line(right, spot.line - tilt, right + 200, spot.line + tilt, width=26))
        else:
            home = self.links.slides.get(spot.index)  # none: it comes from no note, drawn as from below
            source = None if home is None else self._last_head(home)
            begin = source.x + source.half + 30 if source else left - 320
            up = home is None or self.tab.notes[spot.index].fret >= self.tab.notes[home].fret
            rise = tilt if up else -tilt
            self._add(shapes.line(begin, spot.line + rise, left, spot.line - rise, width=26))
            if slide.kind is SlideKind.LEGATO:
                self._arc(source, spot)

    def _last_head(self, index: int) -> Spot | None:
        """The last head of a note on this system, or None when it stands on the one before."""
        heads = [spot for spot in self.system.spots if spot.index == index]
        return max(heads, key=lambda s: s.x, default=None)

    def _arc(self, source: Spot | None, target: Spot) -> float:
        """An arc over the numbers; returns the middle."""
        begin = source.x if source else target.x - 450
        y = target.line - FRET_SIZE * 0.42
        self._add(shapes.arc(begin + 20, target.x - 20, y, 75))
        if target.line == self.top:
            self.boxes.append(Box(begin, y - 130, target.x, self.top))
        return (begin + target.x) / 2

    def _slur(self, spot: Spot) -> None:
        ways = ((self.links.hammers, "H", HammerOn), (self.links.pulls, "P", PullOff))
        for table, letter, kind in ways:
            if spot.index in table:
                self._words(self._arc(self._last_head(table[spot.index]), spot), letter)
            elif spot.index in self.links.alone and self.tab.notes[spot.index].has(kind):
                self._words(self._arc(None, spot), letter)

    # above the staff

    def _above(self, spot: Spot) -> None:
        note = self.tab.notes[spot.index]
        if note.has(Tap):
            self._words(spot.x, "T")
        harmonic = note.get(Harmonic)
        if harmonic is not None and harmonic.kind is not HarmonicKind.NATURAL:
            self._words(spot.x, "A.H." if harmonic.kind is HarmonicKind.ARTIFICIAL else "P.H.", size=210)
        vibrato, trill = note.get(Vibrato), note.get(Trill)
        if trill is not None:
            half = shapes.text_width("tr", self.look, size=LETTER_SIZE) / 2
            self._wave(spot, spot.x + half + 40, 38.0, 130.0, lead="tr", at=spot.x)
        if vibrato is not None:
            self._wave(spot, spot.x - 10, 110.0 if vibrato.wide else 42.0, 190.0 if vibrato.wide else 150.0)

    def _wave(self, spot: Spot, start: float, height: float, period: float, *, lead: str = "",
              at: float = 0.0) -> None:  # fmt: skip
        end = max(self._note_end(spot), start + 2 * period)
        tall = max(2 * height, LETTER_SIZE * 0.8) if lead else 2 * height
        bottom = self._free(min(start, at - 100) if lead else start, end, tall, self.top - 2 * CLEAR)
        self._add(shapes.wave(start, end, bottom - height, height=height, period=period))
        if lead:
            self._add(shapes.text(at, bottom, lead, self.look, size=LETTER_SIZE, italic=True))

    # below the staff

    def _plucked(self) -> None:
        """The picking hand's fingers under the numbers, those of a chord in its order."""
        size = 260.0
        rows: dict[float, float] = {}  # x of a moment -> its next free baseline
        for spot in sorted(self.firsts, key=lambda s: (s.x, s.line)):
            finger = self.tab.notes[spot.index].pluck
            if finger is None:
                continue
            column = next((x for x in rows if abs(x - spot.x) < 60), spot.x)
            y = rows.get(column, self.bottom + 350.0)
            rows[column] = y + size * 0.85
            self.boxes.append(Box(spot.x - 80, y - size * 0.7, spot.x + 80, y + size * 0.2))
            self._add(shapes.text(spot.x, y, finger, self.look, size=size, italic=True))

    def _span(self, first: int, last: int, words: str) -> None:
        """Words and a dashed line under a run of notes, as far as it is on this system."""
        inside = [s for s in self.firsts if first <= s.index <= last and not self.tab.notes[s.index].grace]
        if not inside:
            return
        begin, end = inside[0], inside[-1]
        y = self.bottom + 370.0
        size = LETTER_SIZE
        width = shapes.text_width(words, self.look, size=size)
        left = begin.x - begin.half
        right = max(end.x + end.half + 40, left + width)
        while any(b.meets(Box(left, y - size, right, y + 60)) for b in self.boxes):
            y += size + CLEAR
        self.boxes.append(Box(left, y - size * 0.8, right, y + 60))
        self._add(shapes.text(left, y, words, self.look, size=size, anchor="start"))
        goes_on = last > end.index
        if goes_on:
            right = self.system.right - 80
        if right - left - width > 200:
            middle = y - size * 0.28
            self._add(shapes.line(left + width + 60, middle, right, middle, dashed=True))
            if not goes_on:
                self._add(shapes.line(right, middle - 70, right, middle + 70))

    def short_of_room(self) -> float:
        """By how much marks above the tab staff run into the notation staff."""
        return max(self._overlaps(), default=0.0)

    def _overlaps(self) -> Iterator[float]:
        floor = self.system.staff_lines[-1]
        yield from (other.bottom + 220 - self.top for other in self.system.above)
        for box in self.boxes:
            if box.bottom > self.bottom:
                continue
            yield floor + 60 - box.top
            for other in self.system.above:
                if other.left < box.right and box.left < other.right:
                    yield other.bottom + 60 - box.top
