"""Text tab written: the strings as musicians type them, durations above, marks below.

What is written reads back as the same tab (``pipeline.read.texttab`` describes the text), and
what was read is written in one tidy form. What a line above or below the strings can say stands
there; braces behind a note say only what is true of that note alone.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

from pipeline.music.instrument import Instrument
from pipeline.music.metre import PlacedBar
from pipeline.music.tab import Tab
from pipeline.page.texttab_cells import SIGNED, Cell, CellWriter
from pipeline.page.texttab_heads import (
    before_bars,
    comments,
    headers,
    phrase_places,
    signs_text,
    tempos_inside,
)

MAX_WIDTH: Final = 96  # characters a system is filled up to
Item = tuple[int, str]  # a column, counted from the first barline, and what stands there


@dataclass(slots=True)
class _Row:
    """A system being laid out: its bars' cells with their columns (from the first barline)."""

    bars: list[tuple[PlacedBar, list[tuple[int, Cell]], int, int]] = field(default_factory=list)
    signs: list[Item] = field(default_factory=list)  # barlines
    width: int = 0

    @property
    def cells(self) -> list[tuple[int, Cell]]:
        return [item for _, placed, _, _ in self.bars for item in placed]


@dataclass(slots=True)
class _Group:
    """The bars of a system before they are laid out, and the lines that stand above it."""

    comments: list[str]
    changes: list[str]
    phrase: str | None
    bars: list[tuple[PlacedBar, list[Cell]]] = field(default_factory=list)


def _closing(bar: PlacedBar) -> str:
    times = bar.bar.repeat_times
    if not times:
        return "||" if bar.bar.double else "|"
    bars = "|||" if bar.bar.double else "|"
    return f":{bars}" if times == 2 else f":{bars}x{times}"


def _opening(bar: PlacedBar) -> str:
    return ":" if bar.bar.repeat_start else ""


def _endings_text(bar: PlacedBar) -> str:
    return ",".join(map(str, bar.bar.endings)) + "." if bar.bar.endings else ""


def _layout(bars: list[tuple[PlacedBar, list[Cell]]]) -> _Row:
    row = _Row()
    place = 0
    for index, (bar, cells) in enumerate(bars):
        sign = (_closing(bars[index - 1][0]) if index else "|") + _opening(bar)
        if sign == "||:":  # with its dots it would be a plain repeat
            sign = "|||:"
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
        place = max(place + 1, start + max(len(_endings_text(bar)), len(signs_text(bar.bar.signs))) + 2)
        row.bars.append((bar, placed, start, place))
    last = _closing(bars[-1][0])
    row.signs.append((place, last))
    row.width = place + len(last)
    return row


class _Painter:
    """Draws rows of text; slides that run over barlines reach from one row into the next."""

    def __init__(self, rows: list[_Row], labels: list[str], margin: int) -> None:
        self.rows, self.labels, self.margin = rows, labels, margin
        self.texts = [[["-"] * row.width for _ in labels] for row in rows]
        self.ends: dict[int, tuple[int, int]] = {}  # per string, row and column behind its last note

    def paint(self) -> list[list[str]]:
        """The string lines of each row."""
        for number, row in enumerate(self.rows):
            for column, cell in row.cells:
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


def _line(margin: int, items: list[Item], label: str = "") -> str:
    """Texts at their columns; "" when there are none."""
    text = label
    for column, item in items:
        text = text.ljust(margin + column) + item
    return text.rstrip() if items else ""


def _runs(row: _Row, wanted: list[bool]) -> list[Item]:
    """Dashes below each run of columns that is wanted."""
    found: list[Item] = []
    start = end = -1
    for (column, cell), on in zip(row.cells, wanted, strict=True):
        if on and cell.texts:
            start = column if start < 0 else start
            end = column + max((len(t) for t in cell.texts.values()), default=1)
        elif start >= 0 and cell.texts:
            found.append((start, "-" * (end - start)))
            start = -1
    if start >= 0:
        found.append((start, "-" * (end - start)))
    return found


def _ending_marks(row: _Row) -> list[Item]:
    found: list[Item] = []
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


def _remark_lines(row: _Row) -> list[list[Item]]:
    """Words above the columns, on as few lines as they fit on, those of one moment in their order."""
    lines: list[list[Item]] = []
    for column, cell in row.cells:
        for text in cell.remarks:
            # one behind another on a line leaves two spaces
            line = next((x for x in lines if x[-1][0] + len(x[-1][1]) + 1 < column), None)
            if line is None:
                lines.append(line := [])
            line.append((column, text))
    return lines


def _groups(tab: Tab) -> list[_Group]:
    """The bars by systems: a new one where something stands between, or where the line is full."""
    writer = CellWriter(tab)
    phrases, _ = phrase_places(tab)
    changes, said = before_bars(tab), comments(tab)
    found: list[_Group] = []
    width = 0
    for bar in tab.form.written.bars:
        group = _Group(said.get(bar.index, []), changes.get(bar.index, []), phrases.get(bar.index))
        made = writer.cells(bar)
        size = _layout([(bar, made)]).width
        apart = group.comments or group.changes or group.phrase is not None
        if apart or not found or width + size > MAX_WIDTH:
            found.append(group)
            width = 0
        found[-1].bars.append((bar, made))
        width += size
    return found


def _below(row: _Row, margin: int) -> list[str]:
    """The lines below the strings."""
    cells = row.cells
    lines = [
        _line(margin, _runs(row, [cell.muted for _, cell in cells]), "PM"),
        _line(margin, _runs(row, [cell.ringing for _, cell in cells]), "LR"),
    ]
    verses = sorted({name for _, cell in cells for name in cell.signs if name.startswith("LY")})
    for name in (*SIGNED, "DY", *verses):
        lines.append(_line(margin, [(c, cell.signs[name]) for c, cell in cells if name in cell.signs], name))
    return lines


def write_text_tab(tab: Tab) -> str:
    """The tab as text, ending in a line end; the same tab gives the same text."""
    groups = _groups(tab)
    rows = [_layout(group.bars) for group in groups]
    labels = _labels(tab.instrument)
    # LY2 takes three characters, and a space is left before the first column
    margin = max(2 if any(lyric.verse > 1 for lyric in tab.lyrics) else 1, *map(len, labels))
    first = groups[0]
    head = [*first.comments, *headers(tab), *phrase_places(tab)[1], *tempos_inside(tab), *first.changes]
    blocks = ["\n".join(head)]
    for number, (group, row, strings) in enumerate(
        zip(groups, rows, _Painter(rows, labels, margin).paint(), strict=True)
    ):
        lines = [*group.comments, *group.changes] if number else []
        if group.phrase is not None:
            lines.append(f"[{group.phrase}]")
        lines.append(_line(margin, [(s, t) for bar, _, s, _ in row.bars if (t := signs_text(bar.bar.signs))]))
        lines.append(_line(margin, _ending_marks(row)))
        lines += (_line(margin, items) for items in _remark_lines(row))
        lines.append(_line(margin, [(column, cell.mark) for column, cell in row.cells if cell.mark]))
        lines += strings
        lines += _below(row, margin)
        blocks.append("\n".join(line for line in lines if line))
    blocks += ["\n".join(found)] if (found := comments(tab).get(len(tab.form.bars))) else []
    return "\n\n".join(blocks) + "\n"
