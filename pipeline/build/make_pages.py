"""Steps that write the tab down: on pages, as MusicXML, as MIDI, as plain text."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.build.looks import Colours, look_of_step
from pipeline.build.step import Given, Result
from pipeline.music.chart import ChordSpan
from pipeline.music.tab import Tab


@dataclass(frozen=True)
class PageParams:
    name: str
    tab: Tab
    spans: tuple[ChordSpan, ...]
    colours: Colours
    sheet: str
    credit: str
    footer: str


def page(params: PageParams, given: Given) -> Result:
    """The printed tab, and its pages for the review."""
    from pipeline.page.engrave import engrave

    look = look_of_step(params.colours, given.files)
    made = engrave(
        params.tab, params.spans, look=look, credit=params.credit, footer=params.footer,
        paper=params.sheet.lower(),
    )  # fmt: skip
    (given.folder / params.name).write_bytes(made.pdf)
    for number, svg in enumerate(made.pages, start=1):
        (given.folder / f"page-{number:02}.svg").write_text(svg, "utf-8")
    return Result({"pages": len(made.pages)}, made.notes)


@dataclass(frozen=True)
class InterchangeParams:
    name: str
    tab: Tab
    spans: tuple[ChordSpan, ...] = ()
    credit: str = ""
    rights: str = ""


def musicxml(params: InterchangeParams, given: Given) -> Result:
    """For notation programs."""
    from pipeline.page.musicxml import write_musicxml

    data = write_musicxml(params.tab, params.spans, credit=params.credit, rights=params.rights)
    (given.folder / params.name).write_bytes(data)
    return Result()


def midi(params: InterchangeParams, given: Given) -> Result:
    """For sequencers and practice programs."""
    from pipeline.page.midi import write_midi

    (given.folder / params.name).write_bytes(write_midi(params.tab))
    return Result()


def texttab(params: InterchangeParams, given: Given) -> Result:
    """For reading anywhere."""
    from pipeline.page.texttab import write_text_tab

    (given.folder / params.name).write_text(write_text_tab(params.tab), "utf-8", newline="\n")
    return Result()
