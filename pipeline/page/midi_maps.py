"""The first track of a MIDI file: tempo, metre, key and words; and what no track can hold."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from typing import Final

import mido

from pipeline.music.metre import Metre
from pipeline.music.tab import Tab
from pipeline.page.directions import swing_words

TICKS: Final = 960  # to the quarter
Event = tuple[int, int, mido.Message | mido.MetaMessage]  # tick, order at one tick, message


def tick_of(quarter: Fraction) -> int:
    return round(quarter * TICKS)


def _instrument_words(tab: Tab) -> str:
    neck = tab.instrument
    tuning = " ".join(str(p) for p in reversed(neck.strings))
    words = f"{neck.name.replace(',', ' ')}, tuned {tuning}, {neck.frets} frets, program {neck.program}"
    return words + (f", capo {neck.capo}" if neck.capo else "")


def conductor(tab: Tab, semitones: int) -> mido.MidiTrack:
    events: list[Event] = []

    def meta(quarter: Fraction, order: int, kind: str, **values: object) -> None:
        events.append((tick_of(quarter), order, mido.MetaMessage(kind, **values)))

    zero = Fraction(0)
    if tab.title:
        meta(zero, 0, "track_name", name=_latin(tab.title))
    meta(zero, 0, "instrument_name", name=_latin(_instrument_words(tab)))
    if tab.swing != Fraction(1, 2):
        meta(zero, 4, "text", text=swing_words(tab.swing))
    metre, bpm, key = None, None, None
    for bar in tab.form.played.bars:
        shown = metre_of(bar.bar.metre, bar.bar.length) or bar.bar.metre
        if shown != metre:
            metre = shown
            # clocks of a click: 24 to the quarter
            meta(bar.start, 1, "time_signature", numerator=metre.beats, denominator=metre.unit,
                 clocks_per_click=round(24 * metre.beat_quarters))  # fmt: skip
        written = tab.form.written.bars[bar.written]
        own = tab.key_at(written.start)
        if own != key:
            key = own
            fifths = own.fifths + 7 * semitones
            if semitones:
                fifths = (fifths + 5) % 12 - 5  # the signature with the fewest signs
            meta(bar.start, 3, "key_signature", key=_key_name(fifths, minor=own.minorish))
        marks = [t for t in tab.tempos if t.quarter <= written.start][-1:]
        marks += [t for t in tab.tempos if written.start < t.quarter < written.end]
        for mark in marks:
            if mark.bpm != bpm:
                bpm = mark.bpm
                place = bar.start + max(zero, mark.quarter - written.start)
                meta(place, 2, "set_tempo", tempo=mido.bpm2tempo(bpm))
        for lyric in tab.lyrics:
            if lyric.verse == 1 and written.start <= lyric.quarter < written.end:
                meta(bar.start + lyric.quarter - written.start, 6, "lyrics", text=_latin(lyric.text))
        for remark in tab.remarks:
            if written.start <= remark.quarter < written.end:
                meta(bar.start + remark.quarter - written.start, 7, "cue_marker", text=_latin(remark.text))
    for phrase in tab.phrases:
        for start, _ in tab.phrase_spans(phrase):
            meta(start, 5, "marker", text=_latin(phrase.name))
    return track_of(events, tick_of(tab.form.played.length))


def metre_of(metre: Metre, length: Fraction) -> Metre | None:
    """The time signature of a bar of this length under a metre; None when there is none."""
    if length == metre.quarters:
        return metre
    unit = metre.unit
    while unit <= 64:
        beats = length * unit / 4
        if beats.denominator == 1:
            return Metre(int(beats), unit)
        unit *= 2
    return None


def _key_name(fifths: int, *, minor: bool) -> str:
    names = "FCGDAEB"
    place = fifths + (3 if minor else 0)
    letter = names[(place + 1) % 7]
    signs = (place + 1) // 7
    return letter + ("#" * signs if signs > 0 else "b" * -signs) + ("m" if minor else "")


def _latin(text: str) -> str:
    """Text events are Latin-1 in practice; other letters become question marks."""
    plain = text.replace("♭", "b").replace("♯", "#").replace("’", "'").replace("–", "-")
    return plain.encode("latin-1", "replace").decode("latin-1")


def track_of(events: Sequence[Event], length: int) -> mido.MidiTrack:
    """Events (tick, order, message) as a track with delta times that ends with the piece."""
    track = mido.MidiTrack()
    now = 0
    for tick, _, message in sorted(events, key=lambda event: event[:2]):
        track.append(message.copy(time=tick - now))
        now = tick
    track.append(mido.MetaMessage("end_of_track", time=max(0, length - now)))
    return track


def lost_in_midi(tab: Tab) -> tuple[str, ...]:
    """What of this tab a MIDI file has no place for, one short sentence each."""
    found: list[str] = []
    bars = tab.form.bars
    if any(b.repeat_times or b.endings or b.signs.jump for b in bars):
        found.append("Repeats and jumps are played out, not written as signs.")
    if any(b.double or b.signs.segno or b.signs.coda or b.signs.fine or b.signs.to_coda for b in bars):
        found.append("Double barlines and signs are left out.")
    if any(metre_of(b.metre, b.length) is None for b in bars):
        found.append("A bar of an odd length has no time signature of its own.")
    if any(k.mode not in ("major", "minor") for k in (tab.key, *(c.key for c in tab.key_changes))):
        found.append("The mode of the key becomes major or minor.")
    if any(bar.bar.number != bar.ordinal for bar in tab.form.written.bars):
        found.append("Bar numbers are counted anew.")
    if tab.phrases:
        found.append("A phrase keeps its name and start; its end becomes the start of the next.")
    if any(n.pitch.spelling != tab.key_at(n.onset).spell_midi(n.pitch.midi).spelling for n in tab.notes):
        found.append("The spelling of notes follows the key.")
    if any(lyric.verse > 1 for lyric in tab.lyrics):
        found.append("Only the first verse is kept.")
    if any(n.tied for n in tab.notes):
        found.append("Tied notes become one.")
    if tab.comments:
        found.append("Comments are left out.")
    if tab.a4_hz != 440:
        found.append(f"The tuning pitch of {tab.a4_hz:g} Hz is left out.")
    texts = [tab.title, *(p.name for p in tab.phrases), *(lyric.text for lyric in tab.lyrics)]
    texts += [remark.text for remark in tab.remarks]
    if any(_latin(text) != text for text in texts):
        found.append("Letters that MIDI texts do not have are replaced.")
    return tuple(found)
