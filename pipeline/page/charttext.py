"""Charts as plain text that reads back as the same chart.

The form: headers, then the bars in lines of four with their barlines below one another,
each section on its own line. What the text means is told in the chart reader's grammar.

Conventions
-----------
Chords stand in even slots while a bar needs at most eight, else at their share of the bar
(``Dm@5/16``). A bar that repeats the one before it on its line is ``%``.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from math import lcm
from typing import Final, Literal

from pipeline.music.chart import Chart, ChartBar, ChartChord, Play
from pipeline.music.chord import Chord
from pipeline.music.degree import number, roman
from pipeline.music.errors import MusicError
from pipeline.music.key import Key

Names = Literal["names", "roman", "numbers"]

BARS_A_LINE: Final = 4
_MOST_SLOTS: Final = 8
_WIDEST: Final = 28  # characters up to which a bar sets the width of its column
_UNSAID: Final = "..."
# pushes that have a letter; the eighth needs none
_PUSHES: Final = {
    Fraction(1, 2): "", Fraction(1, 4): "s", Fraction(1): "q", Fraction(1, 8): "t", Fraction(2): "h",
    Fraction(3, 4): "e.", Fraction(3, 8): "s.", Fraction(3, 2): "q.", Fraction(1, 3): "e3", Fraction(2, 3): "q3",
    Fraction(1, 6): "s3",
}  # fmt: skip
_PLAYS: Final = {Play.ON: "", Play.STOP: "!", Play.HIT: "^"}


class _Namer:
    """Writes chords by name or by degree, in the key in force."""

    def __init__(self, how: Names, key: Key | None) -> None:
        self.how = how
        self.key = key

    def name(self, chord: Chord | None) -> str:
        if chord is None:
            return "N.C."
        if self.how == "names":
            return chord.text()
        if self.key is None:
            raise MusicError("chords by degree need a key, and the chart states none")
        return roman(chord, self.key) if self.how == "roman" else number(chord, self.key)

    def item(self, item: ChartChord) -> str:
        """A chord with its push and what is played on it."""
        name = self.name(item.chord)
        word = f"<{name}>" if item.play is Play.HOLD else name + _PLAYS[item.play]
        if not item.push:
            return word
        length = _PUSHES.get(item.push, f"{{{item.push}}}")
        # a digit or a sign of repetition behind the duration would be read as part of it
        plain = not length or (word[0].isalpha() and not length.endswith("}"))
        return f"<{length}{'' if plain else ':'}{word}"

    def slots(self, chords: Sequence[ChartChord], *, sounding: bool) -> str:
        """The words of a bar; ``sounding``: a chord goes on from before."""
        if not chords:
            return "." if sounding else _UNSAID
        count = lcm(*(item.at.denominator for item in chords))
        if count > _MOST_SLOTS:
            # the bar's first place is that of a lone word
            return " ".join(self.item(i) + (f"@{i.at}" if i.at else "") for i in chords)
        hold = "." if sounding else _UNSAID
        words = [hold] * count
        for item in chords:
            place = int(item.at * count)
            words[place:] = [self.item(item), *["."] * (count - place - 1)]
        return " ".join(words)


def _cell(bar: ChartBar, before: ChartBar | None, namer: _Namer, *, sounding: bool) -> str:
    """What stands between a bar's barlines; ``before``: the bar before it on its line."""
    again = before is not None and before.chords == bar.chords and bar.chords and bar.chords[0].at == 0
    words = ["%" if again else namer.slots(bar.chords, sounding=sounding)]
    words += [namer.slots(chords, sounding=sounding) for chords in bar.alternates]
    signs = bar.signs
    return " ".join(
        [
            *(["Segno"] if signs.segno else []),
            *(["Coda"] if signs.coda else []),
            " or ".join(words),
            *(["To Coda"] if signs.to_coda else []),
            *(["Fine"] if signs.fine else []),
            *([signs.jump.text()] if signs.jump else []),
        ]
    )


def _barline(before: ChartBar | None, after: ChartBar | None, *, line_start: bool) -> str:
    """The barline between two bars of the line, or at one of its ends."""
    text = ""
    if before is not None:
        times = before.repeat_times
        text = (":" if times else "") + ("||" if before.double else "|")
        if times > 2:
            text += f"x{times}" + ("|" if after is not None and after.repeat_start else "")
    if after is None:
        return text
    text = text or "|"
    if after.repeat_start:
        text += ":"
    if after.endings and (line_start or before is None or _begins_ending(before, after)):
        # behind a count of repeats an ending's number needs its distance
        text += (" " if text[-1].isdigit() else "") + ",".join(map(str, after.endings)) + "."
    return text


def _begins_ending(before: ChartBar, after: ChartBar) -> bool:
    closed = before.repeat_times or before.double or after.repeat_start
    return bool(closed) or before.endings != after.endings


def _breaks(chart: Chart, index: int) -> bool:
    """Whether a new line must begin before this bar, whatever stands on the one before."""
    bar, before = chart.bars[index], chart.bars[index - 1]
    if bar.section is not None or _changes(bar) or any(c.bar == index for c in chart.comments):
        return True
    # an ending that just stops is ended by its line
    return bool(before.endings and not bar.endings and not (before.repeat_times or before.double))


def _tempo(bpm: float) -> str:
    return str(int(bpm)) if bpm == int(bpm) else repr(float(bpm))


def _changes(bar: ChartBar | Chart) -> list[str]:
    """The headers of a chart or of a bar."""
    found = [("key", bar.key), ("time", bar.metre), ("tempo", bar.tempo_bpm), ("feel", bar.feel)]
    return [
        f"{name}: {_tempo(value) if isinstance(value, int | float) else value}"
        for name, value in found
        if value is not None
    ]


def _aligned(rows: list[tuple[list[str], list[str]]]) -> list[str]:
    """Lines of (barlines, cells) with each column as wide as its widest."""
    columns = max(len(cells) for _, cells in rows)
    widths = [
        max((len(cells[i]) for _, cells in rows if i < len(cells) and len(cells[i]) <= _WIDEST), default=0)
        for i in range(columns)
    ]
    # in a column of barlines the bars stand below one another
    closes = [any(i < len(b) and b[i][0] == ":" for b, _ in rows) for i in range(columns + 1)]

    def shown(i: int, barline: str) -> str:
        return (" " if closes[i] and barline[0] != ":" else "") + barline

    lines_wide = [
        max(len(shown(i, b[i])) for b, _ in rows if i < len(b) - 1)
        if any(i < len(b) - 1 for b, _ in rows)
        else 0
        for i in range(columns + 1)
    ]
    found = []
    for barlines, cells in rows:
        parts: list[str] = []
        for i, cell in enumerate(cells):
            parts += [shown(i, barlines[i]).ljust(lines_wide[i]), cell.ljust(widths[i])]
        found.append(" ".join([*parts, shown(len(cells), barlines[-1])]).rstrip())
    return found


def _escaped(name: str) -> str:
    for sign in "\\[]":
        name = name.replace(sign, "\\" + sign)
    return name


def write_chart_text(chart: Chart, *, chords: Names = "names", key: Key | None = None) -> str:
    """The chart as text, a line feed at its end.

    chords : how chords are written: their names, Roman numerals or studio numbers
    key : in which degrees count where the chart states no key (the reader needs it too then)

    Raises
    ------
    MusicError : degrees are wanted and no key is known.
    """
    namer = _Namer(chords, chart.key or key)
    lines = [f"# {comment.text}".rstrip() for comment in chart.comments if comment.bar == 0]
    heads = [f"title: {chart.title}"] if chart.title else []
    heads += _changes(chart)
    lines += heads
    rows: list[tuple[list[str], list[str]]] = []
    barlines: list[str] = []
    cells: list[str] = []

    def end_row(before: ChartBar | None) -> None:
        if cells:
            rows.append(([*barlines, _barline(before, None, line_start=False)], cells[:]))
            barlines.clear()
            cells.clear()

    def end_block(before: ChartBar | None) -> None:
        end_row(before)
        if rows:
            lines.extend(_aligned(rows))
            rows.clear()

    before: ChartBar | None = None
    sounding = False
    for index, bar in enumerate(chart.bars):
        if index == 0 or _breaks(chart, index):
            if index and bar.section is None and not _changes(bar) and not _commented(chart, index):
                end_row(before)  # the same block goes on, so its barlines stay aligned
            else:
                end_block(before)
                _heading(chart, index, lines)
        elif len(cells) == BARS_A_LINE:
            end_row(before)
        namer.key = bar.key or namer.key
        start = not cells
        barlines.append(
            _barline(None, bar, line_start=True) if start else _barline(before, bar, line_start=False)
        )
        cells.append(_cell(bar, None if start else before, namer, sounding=sounding))
        sounding = sounding or bool(bar.chords)
        before = bar
    end_block(before)
    last = [f"# {comment.text}".rstrip() for comment in chart.comments if comment.bar == len(chart.bars)]
    return "\n".join([*lines, *([""] if last else []), *last]) + "\n"


def _commented(chart: Chart, index: int) -> bool:
    return any(comment.bar == index for comment in chart.comments)


def _heading(chart: Chart, index: int, lines: list[str]) -> None:
    """What stands above a bar: comments, section, what changes."""
    bar = chart.bars[index]
    comments = [f"# {c.text}".rstrip() for c in chart.comments if c.bar == index and index]
    changes = _changes(bar)
    if lines and (index == 0 or bar.section is not None or comments):
        lines.append("")
    lines += comments
    if bar.section is not None:
        lines.append(f"[{_escaped(bar.section)}]")
    lines += changes
