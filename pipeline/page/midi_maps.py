"""The first track of a MIDI file: tempo, metre, key and words; and what no track can hold."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from fractions import Fraction
from typing import Final

import mido

from pipeline.music.instrument import INSTRUMENTS
from pipeline.music.key import Key
from pipeline.music.metre import Metre
from pipeline.music.pitch import A4_HZ, Spelling
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
    """What of this tab a MIDI file has no place for, a few words for each thing; empty: nothing is lost."""
    return tuple(dict.fromkeys([*_lost_bars(tab), *_lost_words(tab), *_lost_sound(tab)]))


def _lost_bars(tab: Tab) -> Iterator[str]:
    bars = tab.form.bars
    if any(b.repeat_start or b.repeat_times or b.endings or b.signs.jump for b in bars):
        yield "the repeats and jumps, which are played out"
    if any(b.double or b.signs.segno or b.signs.coda or b.signs.fine or b.signs.to_coda for b in bars):
        yield "the double barlines and signs"
    start = 0 if bars[0].pickup else 1
    if any(bar.number != number for number, bar in enumerate(bars, start=start)) or (
        len(tab.form.played.bars) != len(bars)
    ):
        yield f"the numbers of the bars: a reader counts them through from {start}"
    first, second = bars[0], bars[1] if len(bars) > 1 else None
    if first.pickup and (second is None or first.metre != second.metre or first.length >= second.length):
        yield f"bar {first.number}: that it is a pickup"
    if second is not None and not first.pickup and first.length < second.metre.quarters:
        yield f"bar {first.number}: that it is no pickup"
    last = bars[-1]
    for bar in bars[1:] if first.pickup else bars:
        if metre_of(bar.metre, bar.length) is None:
            yield f"bar {bar.number}: its length of {bar.length} quarters"
        completes = first.pickup and bar is last and first.length + bar.length == bar.metre.quarters
        if bar.length != bar.metre.quarters and not (completes and len(bars) > 2):
            yield f"bar {bar.number}: that it is a short bar of {bar.metre}"
    if first.pickup and metre_of(first.metre, first.length) is None:
        yield f"bar {first.number}: its length of {first.length} quarters"


def _lost_words(tab: Tab) -> Iterator[str]:
    if tab.comments:
        yield f"{len(tab.comments)} comment{'' if len(tab.comments) == 1 else 's'}"
    ends = len(tab.form.bars)
    for phrase in reversed(tab.phrases):
        begins, last = tab.form.bar_span(phrase.first, phrase.last)
        if last != ends - 1:
            yield "the ends of phrases: each lasts to the start of the next"
        ends = begins
    if len({tab.form.bar_span(p.first, p.last)[0] for p in tab.phrases}) < len(tab.phrases):
        yield "phrases that start where another does"
    played = [p.name for p in tab.phrases for _ in tab.phrase_spans(p)]
    if len(set(played)) < len(played):
        yield "the names of phrases met again, which are numbered"
    if any(lyric.verse > 1 for lyric in tab.lyrics):
        yield "every verse but the first"
    neck = tab.instrument
    if not neck.name or "," in neck.name:
        yield "the instrument's name" + (", without its comma" if neck.name else "")
    texts = [tab.title, neck.name, *(p.name for p in tab.phrases), *(lyric.text for lyric in tab.lyrics)]
    texts += [remark.text for remark in tab.remarks]
    if any(_latin(text) != text for text in texts):
        yield "letters that MIDI texts do not have, which are replaced"


def _signed(key: Key) -> Key:
    """The major or minor key of the same signature."""
    minor = key.minorish
    return Key(Spelling.from_fifths(key.fifths + (3 if minor else 0)), "minor" if minor else "major")


def _lost_sound(tab: Tab) -> Iterator[str]:
    if any(k.mode not in ("major", "minor") for k in (tab.key, *(c.key for c in tab.key_changes))):
        yield "the mode of the key, which becomes major or minor"
    if any(n.pitch.spelling != _signed(tab.key_at(n.onset)).spell(n.pitch.midi % 12) for n in tab.notes):
        yield "the spelling of notes, which follows the key"
    if any(n.tied for n in tab.notes):
        yield "ties: tied notes become one"
    if tab.a4_hz != A4_HZ:
        yield f"the tuning pitch of {tab.a4_hz:g} Hz"
    for mark in tab.tempos:
        if 60_000_000 / mido.bpm2tempo(mark.bpm) != mark.bpm and round(mark.bpm, 4) != mark.bpm:
            yield f"the tempo of {mark.bpm!r} to its last figure"
    if any(one.bpm == two.bpm for one, two in itertools.pairwise(tab.tempos)):
        yield "tempo marks that say the tempo again"
    if any((mark.quarter * TICKS).denominator != 1 for mark in tab.tempos):
        yield "the exact places of tempos"
    words = [item.quarter for item in tab.lyrics] + [item.quarter for item in tab.remarks]
    if any((quarter * TICKS).denominator != 1 for quarter in words):
        yield "the exact places of words"
    neck, known = tab.instrument, INSTRUMENTS.get(tab.instrument.name.lower())
    for name, own, usual in (
        ("scale length", neck.scale_mm, known and known.scale_mm),
        ("clef", neck.clef, known and known.clef),
        ("written octave", neck.written_octaves, known and known.written_octaves),
    ):
        if own != usual:
            yield f"the instrument's {name}"
