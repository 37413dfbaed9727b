"""What a MusicXML 4.0 measure has besides notes: key, metre, clefs, tuning, barlines."""

from __future__ import annotations

from xml.etree.ElementTree import Element, SubElement

from pipeline.music.instrument import Instrument
from pipeline.music.key import Key
from pipeline.music.metre import Bar, Form, Metre
from pipeline.music.pitch import Pitch


def octave_of(pitch: Pitch) -> int:
    """MusicXML 4.0, octave: 0 to 9."""
    return max(0, min(9, pitch.octave))


def key_element(key: Key) -> Element:
    element = Element("key")
    SubElement(element, "fifths").text = str(key.fifths)
    SubElement(element, "mode").text = key.mode
    return element


def time_element(metre: Metre) -> Element:
    element = Element("time")
    SubElement(element, "beats").text = str(metre.beats)
    SubElement(element, "beat-type").text = str(metre.unit)
    return element


def clef_elements(instrument: Instrument) -> tuple[Element, Element]:
    """Of the notation staff and of the tab staff below it."""
    first = Element("clef", {"number": "1"})
    SubElement(first, "sign").text = instrument.clef
    SubElement(first, "line").text = "4" if instrument.clef == "F" else "2"
    if instrument.written_octaves:
        SubElement(first, "clef-octave-change").text = str(-instrument.written_octaves)
    second = Element("clef", {"number": "2"})
    SubElement(second, "sign").text = "TAB"
    SubElement(second, "line").text = str((len(instrument.strings) + 1) // 2 + 2)
    return first, second


def tuning_element(instrument: Instrument, *, rising: bool = False) -> Element:
    """Strings and capo of the tab staff; ``rising``: the lines in order of their pitch."""
    details = Element("staff-details", {"number": "2"})
    SubElement(details, "staff-lines").text = str(len(instrument.strings))
    # lines count from the bottom, strings from the top
    pitches = list(reversed(instrument.strings))
    if rising:
        pitches.sort(key=lambda pitch: pitch.midi)
    for line, pitch in enumerate(pitches, start=1):
        tuning = SubElement(details, "staff-tuning", {"line": str(line)})
        SubElement(tuning, "tuning-step").text = pitch.spelling.step
        if pitch.spelling.alter:
            SubElement(tuning, "tuning-alter").text = str(pitch.spelling.alter)
        SubElement(tuning, "tuning-octave").text = str(octave_of(pitch))
    if instrument.capo:
        SubElement(details, "capo").text = str(instrument.capo)
    return details


def left_barline(form: Form, index: int) -> Element | None:
    """With a repeat's or an ending's start, or None where a plain line is enough."""
    bar, before = form.bars[index], form.bars[index - 1] if index else None
    starts = bool(bar.endings) and (before is None or before.endings != bar.endings)
    if not (bar.repeat_start or starts):
        return None
    barline = Element("barline", {"location": "left"})
    if bar.repeat_start:
        SubElement(barline, "bar-style").text = "heavy-light"
    if starts:
        barline.append(_ending(bar, "start"))
    if bar.repeat_start:
        SubElement(barline, "repeat", {"direction": "forward"})
    return barline


def right_barline(form: Form, index: int) -> Element | None:
    """Double, final, with a repeat's or an ending's end, or None."""
    bar, after = form.bars[index], form.bars[index + 1] if index + 1 < len(form.bars) else None
    stops = bool(bar.endings) and (after is None or after.endings != bar.endings)
    last = after is None
    if not (bar.repeat_times or stops or last or bar.double):
        return None
    barline = Element("barline", {"location": "right"})
    if bar.double and not bar.repeat_times:
        SubElement(barline, "bar-style").text = "light-light"
    elif bar.repeat_times or last:
        SubElement(barline, "bar-style").text = "light-heavy"
    if stops:
        barline.append(_ending(bar, "stop" if bar.repeat_times or last else "discontinue"))
    if bar.repeat_times:
        times = {"times": str(bar.repeat_times)} if bar.repeat_times > 2 or not bar.endings else {}
        SubElement(barline, "repeat", {"direction": "backward", **times})
    return barline


def _ending(bar: Bar, kind: str) -> Element:
    ending = Element("ending", {"number": ",".join(map(str, bar.endings)), "type": kind})
    if kind == "start":
        ending.text = ", ".join(f"{number}." for number in bar.endings)
    return ending
