"""The headers of a text tab as written, and what stands between its systems."""

from __future__ import annotations

import json
from fractions import Fraction
from typing import Final

from pipeline.music.instrument import INSTRUMENTS, Instrument
from pipeline.music.metre import Signs
from pipeline.music.tab import Tab
from pipeline.music.words import tidy


def decimal(number: float) -> str:
    """The shortest decimal that is this very number, without an exponent."""
    text = repr(float(number))
    return f"{number:.20f}".rstrip("0").rstrip(".") if "e" in text else text.removesuffix(".0")


def _named(name: str) -> str:
    """The name of an instrument; in quotes where it would be read as another one."""
    known = {known.lower(): known for known in INSTRUMENTS}
    key = " ".join(name.lower().split())
    plain = name and name == tidy(name) and not name.startswith('"') and known.get(key, name) == name
    return name if plain else json.dumps(name)


def _instrument(instrument: Instrument) -> list[str]:
    usual = INSTRUMENTS.get(instrument.name)
    found = [f"instrument: {_named(instrument.name)}"]

    def say(name: str, text: str, *, as_usual: bool) -> None:
        if usual is None or not as_usual:
            found.append(f"{name}: {text}")

    of = usual or instrument
    strings = " ".join(str(pitch) for pitch in reversed(instrument.strings))
    say("tuning", strings, as_usual=of.strings == instrument.strings)
    say("frets", str(instrument.frets), as_usual=of.frets == instrument.frets)
    if instrument.capo:
        found.append(f"capo: {instrument.capo}")
    say("scale", decimal(instrument.scale_mm), as_usual=of.scale_mm == instrument.scale_mm)
    say("program", str(instrument.program + 1), as_usual=of.program == instrument.program)
    say("clef", instrument.clef, as_usual=of.clef == instrument.clef)
    say("written", str(instrument.written_octaves), as_usual=of.written_octaves == instrument.written_octaves)
    return found


def headers(tab: Tab) -> list[str]:
    """The lines at the top, tempo and metre apart."""
    found = [f"title: {tab.title}"] if tab.title else []
    found += _instrument(tab.instrument)
    found.append(f"key: {tab.key.text()}")
    first = tab.form.bars[0]
    # said where its length alone would not tell, or leave a doubt
    if first.pickup and (len(tab.form.bars) == 1 or 2 * first.length > first.metre.quarters):
        found.append("pickup: yes")
    if tab.swing == Fraction(2, 3):
        found.append("swing: shuffle")
    elif tab.swing != Fraction(1, 2):
        found.append(f"swing: {tab.swing}")
    if tab.a4_hz != 440.0:
        found.append(f"a4: {decimal(tab.a4_hz)}")
    return found


def phrase_places(tab: Tab) -> tuple[dict[int, str], list[str]]:
    """Bracket lines by bar index ("" ends a phrase), and headers for phrases that overlap."""
    starts: dict[int, str] = {}
    found: list[str] = []
    until = -1
    lead = 0 if tab.form.pickup else 1
    for phrase in tab.phrases:
        first, last = tab.form.bar_span(phrase.first, phrase.last)
        if first <= until:
            found.append(f"phrase: {first + lead}-{last + lead} {phrase.name}")
            continue
        starts[first] = phrase.name
        until = last
        starts.setdefault(last + 1, "")
    starts.pop(len(tab.form.bars), None)
    return starts, found


def tempos_inside(tab: Tab) -> list[str]:
    """Headers for tempos that are not at the start of a bar."""
    lead = 0 if tab.form.pickup else 1
    found: list[str] = []
    starts = {bar.start for bar in tab.form.written.bars}
    for mark in tab.tempos:
        if mark.quarter not in starts:
            home = tab.form.written.bar_at(mark.quarter)
            beat = home.beat_of(mark.quarter - home.start)
            found.append(f"tempo: {decimal(mark.bpm)} at bar {home.index + lead} beat {beat}")
    return found


def before_bars(tab: Tab) -> dict[int, list[str]]:
    """What stands in lines of its own before a bar, by its index: metre, key, tempo."""
    tempos = {mark.quarter: mark.bpm for mark in tab.tempos}
    keys = {mark.quarter: mark.key for mark in tab.key_changes}
    found: dict[int, list[str]] = {}
    metre = None
    for bar in tab.form.written.bars:
        lines: list[str] = []
        if bar.bar.metre != metre:
            metre = bar.bar.metre
            lines.append(f"time: {metre}")
        if bar.start in keys:
            lines.append(f"key: {keys[bar.start].text()}")
        if bar.start in tempos:
            lines.append(f"tempo: {decimal(tempos[bar.start])}")
        if lines:
            found[bar.index] = lines
    return found


def comments(tab: Tab) -> dict[int, list[str]]:
    """The comment lines by the index of the bar that they stand before."""
    found: dict[int, list[str]] = {}
    for comment in tab.comments:
        found.setdefault(comment.bar, []).append(f"# {comment.text}".rstrip())
    return found


_SIGN_NAMES: Final = {"segno": "Segno", "coda": "Coda", "to_coda": "To Coda", "fine": "Fine"}


def signs_text(signs: Signs) -> str:
    """The words above a bar: ``Segno  To Coda``."""
    words = [text for name, text in _SIGN_NAMES.items() if getattr(signs, name)]
    if signs.jump is not None:
        words.append(signs.jump.text())
    return "  ".join(words)
