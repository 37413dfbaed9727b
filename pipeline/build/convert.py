"""From one written form to another: text tab, chart, MusicXML, MIDI.

Every reader gives the same music and every writer takes it, so any of them turns into any
other. What the new form has no place for is told, one sentence each.
"""

from __future__ import annotations

import io
import zipfile
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final, Literal

from pipeline.errors import MisuseError, Problems, SourceError
from pipeline.music.chart import Chart, ChordSpan, Play
from pipeline.music.errors import MusicError
from pipeline.music.key import Key
from pipeline.music.tab import Tab
from pipeline.read.tabfile import (
    MIDI_FILES,
    SCORES,
    TEXT_CHARTS,
    TEXT_TABS,
    holds_tab,
    read_chart,
    read_tab,
)

Names = Literal["names", "roman", "numbers"]
TARGETS: Final = {
    **dict.fromkeys(TEXT_TABS, "text tab"),
    ".chart": "chart",
    **dict.fromkeys(SCORES, "MusicXML"),
    **dict.fromkeys(MIDI_FILES, "MIDI"),
}
_EPOCH: Final = (1980, 1, 1, 0, 0, 0)  # the same music gives the same archive


@dataclass(frozen=True)
class Written:
    """What a conversion wrote.

    kind : one of the values of :data:`TARGETS`
    bars, notes : how many were written; ``notes`` is 0 for a chart
    lost : what the new form has no place for
    """

    path: Path
    kind: str
    bars: int
    notes: int
    lost: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        return {
            "path": str(self.path),
            "kind": self.kind,
            "bars": self.bars,
            "notes": self.notes,
            "lost": list(self.lost),
        }


@dataclass(frozen=True)
class _Music:
    """What was read. A chart alone has no tab; ``key`` is what its degrees count in."""

    tab: Tab | None
    chart: Chart | None
    key: Key | None = None
    spans: tuple[ChordSpan, ...] = ()
    credit: str = ""
    rights: str = ""


def convert(
    source: Path,
    target: Path,
    problems: Problems,
    *,
    part: str | None = None,
    instrument: str | None = None,
    chords: Names = "names",
    key: str | None = None,
    replace_it: bool = False,
) -> Written:
    """Read ``source`` and write it to ``target``, in the form that its ending names.

    Parameters
    ----------
    source : a tab, a chart or a score by its ending, or a lesson (its folder or file): both
    target : where to; nothing is written there unless all went well
    problems : gathers the cautions
    part : which part of a score or track of a MIDI file, by its name
    instrument : a built-in instrument to lay notes on that state no strings
    chords : how the chords of a chart are named
    key : the key to move a chart to, or that its degrees are read in
    replace_it : whether a file that is there is written over

    Raises
    ------
    SourceError : the source has errors, all of them.
    MisuseError : what is asked for cannot be written, or the target is there already.
    """
    kind = _kind_of(source, target)
    if target.exists() and not replace_it:
        raise MisuseError(
            f"{target} is there already\n  Give another name, or add --replace to write over it."
        )
    if target.is_dir():
        raise MisuseError(f"{target} is a folder\n  Give the name of a file.")
    music = _read(source, kind, problems, part=part, instrument=instrument, key=key)
    if problems.errors:
        raise SourceError(problems)
    data, lost = _written(music, kind, target, chords)
    from pipeline.wholefile import write_whole

    write_whole(target, data)
    if kind == "chart":
        assert music.chart is not None
        return Written(target, kind, len(music.chart.bars), 0, lost)
    assert music.tab is not None
    return Written(target, kind, len(music.tab.form.bars), len(music.tab.notes), lost)


def _is_lesson(source: Path) -> bool:
    return source.is_dir() or source.suffix.lower() == ".toml"


def _kind_of(source: Path, target: Path) -> str:
    """The form to write, told by the target's ending; of a chart in a .txt file, a chart."""
    kind = TARGETS.get(target.suffix.lower())
    if kind is None:
        ending = f"{target.suffix!r}" if target.suffix else "a name without an ending"
        raise MisuseError(f"{target}: {ending} tells no form to write\n  Known: {', '.join(TARGETS)}.")
    if _is_lesson(source):
        return kind
    if not _is_chart(source):
        if kind == "chart" and source.suffix.lower() not in SCORES and source.is_file():
            raise MisuseError(
                f"{source} holds no chords to write as a chart\n  Name the lesson's folder, a score, or a chord chart."
            )
        return kind
    if kind == "text tab" and target.suffix.lower() in TEXT_CHARTS:
        return "chart"
    if kind != "chart":
        raise MisuseError(
            f"{source} is a chord chart, which makes no {kind}\n"
            "  Name the lesson's folder to write tab and chords together, or a .chart or .txt file for the chart."
        )
    return kind


def _is_chart(source: Path) -> bool:
    suffix = source.suffix.lower()
    return suffix == ".chart" or (suffix in TEXT_CHARTS and source.is_file() and not holds_tab(source))


def _read(
    source: Path,
    kind: str,
    problems: Problems,
    *,
    part: str | None,
    instrument: str | None,
    key: str | None,
) -> _Music:
    wanted = _key(key)
    suffix = source.suffix.lower()
    if wanted is not None and kind != "chart":
        raise MisuseError(_KEY_IS_FOR_CHARTS)
    if part is not None and (_is_lesson(source) or suffix not in (*SCORES, *MIDI_FILES)):
        raise MisuseError(
            f"--part names a part of a score or a track of a MIDI file\n  {source} has none: leave it out."
        )
    if instrument is not None and (_is_lesson(source) or suffix not in MIDI_FILES):
        raise MisuseError(
            f"--instrument is for MIDI files, which may not say it\n  {source} says it itself: leave it out."
        )
    if _is_lesson(source):
        return _moved(_of_lesson(source, problems), wanted)
    if kind == "chart":
        return _read_chart(source, problems, part=part, wanted=wanted)
    tab = read_tab(source, problems, part=part, instrument=_instrument(instrument))
    chart: Chart | None = None
    spans: tuple[ChordSpan, ...] = ()
    if tab is not None and suffix in SCORES:
        chart, spans = _chords_of(source, tab, part)
    return _Music(tab, chart, spans=spans)


def _read_chart(source: Path, problems: Problems, *, part: str | None, wanted: Key | None) -> _Music:
    """A chart in the key that is asked for: moved there, or its degrees read in it."""
    as_it_is = Problems()
    chart = read_chart(source, as_it_is, part=part)
    if wanted is None or (chart is not None and chart.key is not None):
        problems.found.extend(as_it_is.found)
        return _moved(_Music(None, chart, chart.key if chart else None), wanted)
    if chart is not None:
        raise MisuseError(
            f"--key {wanted}: {source} does not state its key, so nobody knows how far to move it\n"
            "  Write key: Am (or whatever it is in) at its top."
        )
    return _Music(None, read_chart(source, problems, part=part, key=wanted), wanted)


_KEY_IS_FOR_CHARTS: Final = (
    "--key moves chord charts; a tab keeps its key\n  Leave it out, or write a .chart file."
)


def _key(text: str | None) -> Key | None:
    if text is None:
        return None
    try:
        return Key.parse(text)
    except MusicError as error:
        raise MisuseError(f"--key {text}: {error}\n  Such as --key Am or --key 'E dorian'.") from error


def _instrument(name: str | None) -> Any:
    if name is None:
        return None
    from pipeline.errors import nearest
    from pipeline.music.instrument import INSTRUMENTS

    found = INSTRUMENTS.get(" ".join(name.split()))
    if found is None:
        near = nearest(name, INSTRUMENTS)
        hint = f"Did you mean {near}?" if near else f"Known: {', '.join(INSTRUMENTS)}."
        raise MisuseError(f"--instrument {name}: no such instrument is built in\n  {hint}")
    return found


def _of_lesson(source: Path, problems: Problems) -> _Music:
    from pipeline.read.lesson import read_lesson

    lesson = read_lesson(source, problems, recordings=False)
    if lesson is None:
        raise SourceError(problems)
    key = lesson.chart.key or lesson.tab.key
    return _Music(lesson.tab, lesson.chart, key, lesson.spans, lesson.config.credit, lesson.rights)


def _chords_of(source: Path, tab: Tab, part: str | None) -> tuple[Chart | None, tuple[ChordSpan, ...]]:
    """The chords that a score carries; it may well carry none, which is no fault of it."""
    chart = read_chart(source, Problems(), part=part)
    if chart is None:
        return None, ()
    try:
        return chart, chart.spans(tab.form)
    except MusicError:
        return None, ()


def _moved(music: _Music, wanted: Key | None) -> _Music:
    """The chart in the key that is asked for."""
    if wanted is None or music.chart is None:
        return music
    assert music.key is not None
    if music.key.minorish != wanted.minorish:
        raise MisuseError(
            f"--key {wanted}: the chart is in {music.key.symbol()}\n  Name a key of the same kind, major or minor."
        )
    chart = music.chart.transposed(music.key.interval_to(wanted))
    return replace(music, chart=chart, key=chart.key or wanted)


def _written(music: _Music, kind: str, target: Path, chords: Names) -> tuple[bytes, tuple[str, ...]]:
    if kind == "chart":
        from pipeline.page.charttext import write_chart_text

        assert music.chart is not None
        if chords != "names" and music.key is None:
            raise MisuseError(
                f"--chords {chords}: the chart does not state its key\n  Write key: Am (or whatever it is in) at its top."
            )
        lost = ("the notes: write them to a .tab file",) if music.tab is not None else ()
        return write_chart_text(music.chart, chords=chords, key=music.key).encode(), lost
    if chords != "names":
        raise MisuseError(f"--chords {chords} is for chord charts\n  Leave it out, or write a .chart file.")
    assert music.tab is not None
    without_chords = ("the chords: write them to a .chart file",) if music.chart is not None else ()
    if kind == "text tab":
        from pipeline.page.texttab import write_text_tab

        return write_text_tab(music.tab).encode(), without_chords
    if kind == "MIDI":
        from pipeline.page.midi import write_midi
        from pipeline.page.midi_maps import lost_in_midi

        return write_midi(music.tab), (*without_chords, *lost_in_midi(music.tab))
    from pipeline.page.musicxml import lost_in_musicxml, write_musicxml

    score = write_musicxml(music.tab, music.spans, credit=music.credit, rights=music.rights)
    data = _compressed(score) if target.suffix.lower() == ".mxl" else score
    told = _lost_of_chart(music.chart) if music.chart is not None else ()
    return data, (*lost_in_musicxml(music.tab), *told)


def _lost_of_chart(chart: Chart) -> tuple[str, ...]:
    """What a score has no place for: it names each chord where it is written."""
    chords = [chord for bar in chart.bars for chord in bar.chords]
    found = {
        "the names of the chart's sections": any(bar.section for bar in chart.bars),
        "the chart's feel": chart.feel is not None or any(bar.feel for bar in chart.bars),
        "stops, hits and chords that ring": any(chord.play is not Play.ON for chord in chords),
        "pushes: the chords stand where they are written": any(chord.push for chord in chords),
        "other ways to play a bar": any(bar.alternates for bar in chart.bars),
        "the chart's comments": bool(chart.comments),
    }
    return tuple(what for what, there in found.items() if there)


_CONTAINER: Final = (
    '<?xml version="1.0" encoding="UTF-8"?>\n<container><rootfiles>'
    '<rootfile full-path="{name}" media-type="application/vnd.recordare.musicxml+xml"/>'
    "</rootfiles></container>\n"
)


def _compressed(score: bytes) -> bytes:
    """A compressed score (MusicXML 4.0, container.xsd): the mimetype first and stored as it is."""
    name = "score.musicxml"
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive:
        for inside, data, how in (
            ("mimetype", b"application/vnd.recordare.musicxml", zipfile.ZIP_STORED),
            ("META-INF/container.xml", _CONTAINER.format(name=name).encode(), zipfile.ZIP_DEFLATED),
            (name, score, zipfile.ZIP_DEFLATED),
        ):
            archive.writestr(zipfile.ZipInfo(inside, _EPOCH), data, how)
    return buffer.getvalue()
