"""Text tab written: the strings as musicians type them, durations above, marks below.

What is written reads back as the same tab, with these exceptions, for which the format has
no place: fretting fingers and voices, notes of one column that differ in dynamics or stroke
(the first one's stands), palm mute and let ring on part of a column (the whole column gets
it), and the exact shape of a bend between its turning points.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction
from typing import Final

from pipeline.music.instrument import INSTRUMENTS, Instrument
from pipeline.music.metre import PlacedBar
from pipeline.music.tab import Tab
from pipeline.page.texttab_cells import Cell, CellWriter

MAX_WIDTH: Final = 96  # characters a system is filled up to


@dataclass(slots=True)
class _Row:
    """A system being laid out: its bars' cells with their columns (from the first barline)."""

    bars: list[tuple[PlacedBar, list[tuple[int, Cell]], int, int]] = field(default_factory=list)
    signs: list[tuple[int, str]] = field(default_factory=list)  # barlines: column, text
    width: int = 0


def _closing(bar: PlacedBar) -> str:
    times = bar.bar.repeat_times
    return "" if not times else ":|" if times == 2 else f":|x{times}"


def _endings_text(bar: PlacedBar) -> str:
    return ",".join(map(str, bar.bar.endings)) + "." if bar.bar.endings else ""


def _layout(bars: list[tuple[PlacedBar, list[Cell]]]) -> _Row:
    row = _Row()
    place = 0
    for index, (bar, cells) in enumerate(bars):
        before = _closing(bars[index - 1][0]) if index else ""
        sign = (before or "|") + (":" if bar.bar.repeat_start else "")
        row.signs.append((place, sign))
        start = place = place + len(sign)
        placed: list[tuple[int, Cell]] = []
        for cell in cells:
            before_it = placed[-1][1] if placed else None
            # notes that are joined stand close
            air = before_it.air if before_it and not (cell.slides or cell.leads) else 0
            place += max(cell.room, 1 + air)
            placed.append((place, cell))
            place += cell.width
        place += placed[-1][1].air if placed else 0
        place = max(place + 1, start + len(_endings_text(bar)) + 2)
        row.bars.append((bar, placed, start, place))
    last = _closing(bars[-1][0]) or "|"
    row.signs.append((place, last))
    row.width = place + len(last)
    return row


class _Painter:
    """Draws rows of text; slides that run over barlines reach from one row into the next."""

    def __init__(self, rows: list[_Row], labels: list[str]) -> None:
        self.rows, self.labels = rows, labels
        self.margin = max(map(len, labels))
        self.texts = [[["-"] * row.width for _ in labels] for row in rows]
        self.ends: dict[int, tuple[int, int]] = {}  # per string, row and column behind its last note

    def paint(self) -> list[list[str]]:
        """The string lines of each row."""
        for number, row in enumerate(self.rows):
            for _, cells, _, _ in row.bars:
                for column, cell in cells:
                    for string, text in cell.texts.items():
                        self._note(number, column, string, text, cell)
            for column, sign in row.signs:
                for line in self.texts[number]:
                    line[column : column + len(sign)] = sign
        return [
            [label.ljust(self.margin) + "".join(line) for label, line in zip(self.labels, lines, strict=True)]
            for lines in self.texts
        ]

    def _note(self, number: int, column: int, string: int, text: str, cell: Cell) -> None:
        line = self.texts[number][string - 1]
        if string in cell.slides and string in self.ends:
            self._slide(self.ends[string], (number, column), string, cell.slides[string])
        if string in cell.leads:
            line[column - 1] = cell.leads[string]
        line[column : column + len(text)] = text
        self.ends[string] = (number, column + len(text))

    def _slide(self, begin: tuple[int, int], end: tuple[int, int], string: int, sign: str) -> None:
        for number in range(begin[0], end[0] + 1):
            line = self.texts[number][string - 1]
            first = begin[1] if number == begin[0] else 0
            last = end[1] if number == end[0] else len(line)
            line[first:last] = [sign if c == "-" else c for c in line[first:last]]  # barlines stay


def _labels(instrument: Instrument) -> list[str]:
    names = [pitch.spelling.text() for pitch in instrument.strings]
    if len(names) > 1 and names[0] == names[-1]:
        names[0] = names[0].lower()
    return names


def _line(width: int, margin: int, items: list[tuple[int, str]], label: str = "") -> str:
    """Texts at their columns; "" when there are none."""
    if not items:
        return ""
    line = list(label.ljust(margin)) + [" "] * (width + 16)
    for column, text in items:
        line[margin + column : margin + column + len(text)] = text
    return "".join(line).rstrip()


def _runs(row: _Row, wanted: list[bool]) -> list[tuple[int, str]]:
    """Dashes below each run of columns that is wanted."""
    cells = [item for _, placed, _, _ in row.bars for item in placed]
    found: list[tuple[int, str]] = []
    start = end = -1
    for (column, cell), on in zip(cells, wanted, strict=True):
        if on:
            start = column if start < 0 else start
            end = column + max((len(t) for t in cell.texts.values()), default=1)
        elif start >= 0 and cell.texts:
            found.append((start, "-" * (end - start)))
            start = -1
    if start >= 0:
        found.append((start, "-" * (end - start)))
    return found


def _ending_marks(row: _Row) -> list[tuple[int, str]]:
    found: list[tuple[int, str]] = []
    before: tuple[int, ...] = ()
    for bar, _, start, end in row.bars:
        if not bar.bar.endings:
            before = ()
            continue
        if bar.bar.endings == before:
            first, text = found.pop()
            text = text.ljust(end - 1 - first, "-")
        else:
            first, text = start, _endings_text(bar).ljust(end - 1 - start, "-")
        found.append((first, text))
        before = bar.bar.endings
    return found


def _headers(tab: Tab) -> list[str]:
    found = [f"title: {' '.join(tab.title.split())}"] if tab.title.strip() else []
    instrument = tab.instrument
    usual = INSTRUMENTS.get(instrument.name)
    if usual is not None:
        found.append(f"instrument: {instrument.name}")
    if usual is None or usual.strings != instrument.strings:
        found.append("tuning: " + " ".join(str(pitch) for pitch in reversed(instrument.strings)))
    if usual is None or usual.frets != instrument.frets:
        found.append(f"frets: {instrument.frets}")
    if instrument.capo:
        found.append(f"capo: {instrument.capo}")
    found.append(f"key: {tab.key.text()}")
    if tab.swing == Fraction(2, 3):
        found.append("swing: shuffle")
    elif tab.swing != Fraction(1, 2):
        found.append(f"swing: {tab.swing}")
    if tab.a4_hz != 440.0:
        found.append(f"a4: {_decimal(tab.a4_hz)}")
    return found


def _decimal(number: float) -> str:
    return f"{number:.12f}".rstrip("0").rstrip(".")


def _phrase_places(tab: Tab) -> tuple[dict[int, str], list[str]]:
    """Bracket lines by bar index ("" ends a phrase), and headers for phrases that overlap."""
    named = ((*tab.form.bar_span(p.first, p.last), " ".join(p.name.split())) for p in tab.phrases)
    spans = sorted(named, key=lambda span: span[:2])
    starts: dict[int, str] = {}
    headers: list[str] = []
    until = -1
    lead = 0 if tab.form.pickup else 1
    for first, last, name in spans:
        if first <= until or not name:
            headers.append(f"phrase: {first + lead}-{last + lead} {name}")
            continue
        starts[first] = name
        until = last
        starts.setdefault(last + 1, "")
    starts.pop(len(tab.form.bars), None)
    return starts, headers


def write_text_tab(tab: Tab) -> str:
    """The tab as text, ending in a line end; the same tab gives the same text."""
    writer = CellWriter(tab)
    bars = tab.form.written.bars
    lead = 0 if tab.form.pickup else 1
    phrases, lines_for_phrases = _phrase_places(tab)
    tempos = {t.quarter: t.bpm for t in tab.tempos}
    starts = {bar.start for bar in bars}
    head = _headers(tab) + lines_for_phrases
    for quarter, bpm in tempos.items():
        if quarter not in starts:
            home = tab.form.written.bar_at(quarter)
            beat = home.beat_of(quarter - home.start)
            head.append(f"tempo: {_decimal(bpm)} at bar {home.index + lead} beat {beat}")
    groups: list[tuple[list[str], list[tuple[PlacedBar, list[Cell]]]]] = []
    width = 0
    metre = None
    for bar in bars:
        above: list[str] = []
        if bar.bar.metre != metre:
            metre = bar.bar.metre
            above.append(f"time: {metre}")
        if bar.start in tempos:
            above.append(f"tempo: {_decimal(tempos[bar.start])}")
        if bar.index in phrases:
            above.append(f"[{phrases[bar.index]}]")
        made = writer.cells(bar)
        size = _layout([(bar, made)]).width
        if above or not groups or width + size > MAX_WIDTH:
            groups.append((above, []))
            width = 0
        groups[-1][1].append((bar, made))
        width += size
    rows = [_layout(group) for _, group in groups]
    labels = _labels(tab.instrument)
    margin = max(map(len, labels))
    blocks = ["\n".join(head + [text for text in groups[0][0] if text[0] != "["])]
    for number, ((above, _), row, strings) in enumerate(
        zip(groups, rows, _Painter(rows, labels).paint(), strict=True)
    ):
        lines = [text for text in above if number or text[0] == "["]
        cells = [item for _, placed, _, _ in row.bars for item in placed]
        lines.append(_line(row.width, margin, _ending_marks(row)))
        lines.append(_line(row.width, margin, [(column, cell.mark) for column, cell in cells if cell.mark]))
        lines += strings
        lines.append(_line(row.width, margin, _runs(row, [cell.muted for _, cell in cells]), "PM"))
        lines.append(_line(row.width, margin, _runs(row, [cell.ringing for _, cell in cells]), "LR"))
        lines.append(_line(row.width, margin, [(c, cell.stroke) for c, cell in cells if cell.stroke], "PK"))
        lines.append(_line(row.width, margin, [(c, cell.dynamic) for c, cell in cells if cell.dynamic], "DY"))
        blocks.append("\n".join(line for line in lines if line))
    return "\n\n".join(blocks) + "\n"
