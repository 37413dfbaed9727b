"""Text tab: the strings as musicians type them, with one line above that carries durations.

Grammar (EBNF; one line each unless said otherwise)
---------------------------------------------------
::

    tab       = { header | comment | blank } , block , { block } , { comment | blank } ;
    comment   = "#" , text ;                           also behind two spaces on a header line
    header    = name , ":" , " " , value ;
    name      = "title" | "instrument" | "tuning" | "capo" | "frets" | "scale" | "program" | "clef" | "written"
              | "key" | "time" | "pickup" | "tempo" | "swing" | "a4" | "phrase" ;
    block     = { change | phrase | comment | blank } , { above } , system , { below } ;
    change    = ( "time" | "key" | "tempo" ) , ":" , " " , value ;  from the system's first bar on
    phrase    = "[" , text , "]" ;                     begins at the system's first bar; "[]" ends it
    above     = signs | endings | remarks | durations ;   in any order
    signs     = { "Segno" | "Coda" | "To Coda" | "Fine" | "D.C. al Fine" ... } ;   see texttab_ways
    endings   = { digits , { "," digits } , "." , { "-" } } ;      over the bars they cover
    remarks   = { quote , text , quote } ;             words above their columns: "rit."
    durations = { mark | "!" } ;                       see texttab_values; "|" between is ignored
    system    = string , { string } ;                  top line first, without empty lines between
    string    = [ label [ ":" ] ] , "|" , line ;       see texttab_strings, and texttab_notes for a note
    label     = pitch name [ octave ] | number ;       a string may also be bare dashes and frets
    below     = "PM" ... | "LR" ...                    palm mute, let ring: dashes below their columns
              | "PK" ... | "FI" ... | "RH" ... | "VO" ...   strokes, fingers of either hand, voices
              | "DY" ... | "LY" ... ;                  dynamics, words sung; see texttab_beside

    tuning: E2 A2 D3 G3 B3 E4        the bottom line first; octaves may be left out (D A D G A D),
                                     or its name said: drop D, half-step down, DADGAD, open G
    capo: 2 | 2nd fret | none
    key: Am | F# | E dorian
    pickup: yes | no                 where the length of the first bar does not tell
    tempo: 104 | q. = 72 | 96 at bar 3 beat 2
    swing: straight | shuffle | 2/3
    a4: 442                          hertz
    phrase: 3-6 Name                 for phrases that overlap

An instrument that is not built in has its strings named by ``tuning:`` with octaves, and may say
``frets: 24``, ``scale: 648`` (millimetres), ``program: 26`` (General MIDI, counted from 1),
``clef: G`` or ``F``, and ``written: 1`` (octaves that its part stands above its sound). A name in
double quotes is taken as it stands, ``"guitar"`` too.

A mark belongs to the notes below it; one over no note is a rest. A mark ending in ``_`` ties
its notes into the next column, where the frets that go on stand in parentheses; parentheses
without a tie are a ghost note. A system without marks is timed by its columns' places, and a
caution says so. A first bar that is shorter than the metre is the pickup, bar 0; the last bar
or one at a repeat sign may be short when another one makes it full, and any bar whose
durations end in ``!``.

A short tab that has much of it::

    # softer the second time
    title: Low Tide
    instrument: guitar
    key: Am
    time: 3/4
    tempo: 96

    [Call]
             Segno
                                  1.------------   2.------
              "slowly"
       q      q     e e     q_     h       e  e     h.
    e|-0---|:------------g5h8----|-(8)~----------:|-<12>----||
    B|-----|:-7b9----------------|---------x--5--:|-<12>----||
    G|-----|:-------5/7----------|---------------:|-<12>----||
    D|-----|:-2------------------|---------------:|---------||
    A|-----|:-0------------------|---------------:|---------||
    E|-----|:--------------------|---------------:|---------||
    PM              ---
    PK        d
    FI        31.
    LY        Oh,                  tide

Spaces and dashes mean the same on a string; a ``|`` stands in one column on all of them.
"""

from __future__ import annotations

from pathlib import Path

from pipeline.errors import Problems
from pipeline.music.tab import Tab
from pipeline.read.places import Places
from pipeline.read.source import ENDLESS_NUMBER, SourceText
from pipeline.read.texttab_assemble import Assembler
from pipeline.read.texttab_heads import DEFAULT_BPM, read_heads
from pipeline.read.texttab_lines import sort_lines
from pipeline.read.texttab_sheet import part_systems


def read_text_tab(
    text: str,
    *,
    path: Path,
    problems: Problems,
    tempo_bpm: float | None = None,
    title: str = "",
    places: Places | None = None,
) -> Tab | None:
    """Read a text tab.

    text : the whole file
    path : its name, for the problems
    tempo_bpm : quarter notes a minute at the start, before what the tab says
    title : before what the tab says
    places : filled with where bars and notes stand

    Returns None when there are errors; all of them, and the cautions, are in ``problems``.
    """
    source = SourceText(text, path=path, problems=problems)
    for number, line in enumerate(source.lines, 1):
        endless = ENDLESS_NUMBER.search(line)
        if endless is not None:
            source.error(
                number, endless.start() + 1, f"a number of {len(endless[0])} digits", "No number in music is that long; correct it."
            )  # fmt: skip
    if source.failed:
        return None
    sheet = sort_lines(source)
    if not sheet.systems:
        source.error(
            1, 1, "there are no strings in this tab",
            "Write each string as a line such as e|--5--7--|, the highest on top, without empty lines between.",
        )  # fmt: skip
        return None
    if "instrument" not in sheet.headers and "tuning" not in sheet.headers:
        part_systems(sheet, None)
    heads = read_heads(source, sheet)
    if heads is None:
        return None
    part_systems(sheet, len(heads.instrument.strings))
    assembler = Assembler(source, sheet, heads, places)
    assembler.read()
    tab = assembler.tab(title=title, tempo_bpm=tempo_bpm)
    stated = assembler.stated_bpm
    # one that could not be read has been told
    tried = "tempo" in sheet.headers or any(h.name == "tempo" for h in sheet.systems[0].changes)
    if tempo_bpm is None and stated is None and not tried:
        source.caution(
            1, 1, f"no tempo is stated: {DEFAULT_BPM:g} quarter notes a minute are taken", "Write tempo: 104 at the top."
        )  # fmt: skip
    if tempo_bpm is not None and stated is not None and abs(stated - tempo_bpm) > 1e-9:
        first = next(h for h in sheet.systems[0].changes if h.name == "tempo")
        source.caution(
            first.line, first.column, f"the tab's tempo is {stated:g}, the lesson's {tempo_bpm:g} is used",
            "Write the same tempo in both, or in one of them only.",
        )  # fmt: skip
    return tab
