"""Damage by one who knows the format: its own signs in the wrong places, its lengths and sizes made lies.

See :mod:`tests.fuzzmutations`; ``MUTATORS`` has what fits each kind of file, the likelier the
more often it stands there.
"""

from __future__ import annotations

import io
import random
import re
import struct
import zipfile
from typing import Final
from xml.etree import ElementTree

from tests.fuzzmutations import (
    BYTES,
    MOST_BYTES,
    NUMBERS,
    TEXT,
    Mutator,
    beside_frets,
    columns,
    digits,
    encoded_otherwise,
    flip,
    line_ends,
    new_line_of,
    odd_signs,
    over_columns,
    tokens_of,
    truncate,
    words,
)

# -- text --

TAB_TOKENS: Final = (
    "h", "p", "b", "r", "/", "\\", "~", "~~", "x", "X", "t", "T", "<12>", "[12]", "(7)", "{5}", "7b9r7", "7b9", "7pb9", "5h7p5", "5/7\\5",
    "12*", "PM---", "LR", "PK", "DY", "|:", ":|", ":|x3", "||", "|", "1.", "2.", "1,2.---", "q", "e", "s", "h.", "q.", "e3", "q_", "w",
    "!", "3:2", "D.S.", "D.C.", "Fine", "Coda", "Segno", "al", "%", ">", "^", "'", "@", "&", "=", "+", "g", "tr", "7tr9", "99", "24", "-1",
    "5_", "\\5", "/5", "5/", "5s7", "7^", "7v", "0", "s s", "v", "*", "$", "#", "\n\n", "\t",
)  # fmt: skip
TAB_LINES: Final = (
    "title: {}", "instrument: {}", "instrument: bass", "instrument: ukulele", "instrument: banjo", "tuning: {}", "tuning: D A D G A D", "tuning: drop D",
    "tuning: E2 A2 D3 G3 B3 E4", "tuning: C9 C9 C9 C9 C9 C9 C9 C9 C9 C9 C9 C9 C9", "capo: {}", "frets: {}", "key: {}", "key: Am", "time: {}/4", "time: 4/{}",
    "time: 7/8", "time: 0/0", "tempo: {}", "tempo: q. = {}", "tempo: 96 at bar {} beat 2", "tempo: 90 at bar 2", "swing: {}", "swing: 2/3", "a4: {}",
    "phrase: 1-{} Name", "phrase: {}-2 Name", "[]", "[Name]", "[[Name]]", "[{}]", "# {}", "PM -----", "LR ---", "PK d u d u", "DY p f mf {}", "1.-----",
    "2.---", "{}.----", "e|--5--|", "e|-|", "e||", "|", "q q q q", "   q e e s s {}", "w", "----", "||||", ":|", "|:", "LY a- men", "TX slowly",
)  # fmt: skip
CHART_TOKENS: Final = (
    "|", "||", "|:", ":|", ":|x3", "|1.", "|2.", "%", "%%", ".", "/", "!", "N.C.", "NC", "Am7", "F#m7b5", "Bbmaj9/D", "A7#9", "Ebdim", "G+", "Csus4",
    "C/E/G", "Cadd", "H7", "I", "IV", "bVII7", "1-", "4", "5/7", "ii", "V7/V", "<", ">", "^", "*", "(Am)", "{Am}", "[A]", "key:", "feel:", "D.S.",
    "D.C. al Fine", "Fine", "Coda", "Segno", "q=120", "3/4", "~", "_", "-", ",", "#", "♭", "Δ7", "ø", "°", "C" + "b" * 40, "C(b9,#9,b13)", "x2", "x0", "\n",
)  # fmt: skip
CHART_LINES: Final = (
    "key: {}", "key: Am", "feel: {}", "title: {}", "time: {}/4", "tempo: {}", "time: 3/4", "[{}]", "[Verse]", "[Verse] | Am | Dm |", "| {} |", "|: C :|x{}",
    "| Am |{}. Dm :|", "|1,{}. Am :|", "# {}", "| % | % |", "| C . . G |", "|||", "|: |: :| :|", "| N.C. |", "| C! |", "| {}7 | Am{} |",
)  # fmt: skip
TOML_TOKENS: Final = (
    "[", "]", "[[", "]]", "=", '"', '"""', "'", "'''", "{", "}", ",", "#", "\\", "\\u0000", "\\uD800", "true", "false", "inf", "nan", "-1", "1e400",
    "1979-05-27T07:32:00Z", "0x10", "[[phrase]]", "[backing]", '"../../../../etc/passwd"', '"/dev/zero"', '"."', '""', '"a\\u0000b"', '"CON"', "a.b.c",
)  # fmt: skip
TOML_LINES: Final = (
    'title = "{}"', "title = {}", 'tab = "{}"', 'tab = "/dev/zero"', 'tab = "tab.txt/"', 'tab = "\\u0000"', "tab = 5", "tempo = {}", "tempo = -5", "tempo = nan",
    "tempo = [1]", "start_s = {}", "end_s = {}", "date = {}", "tags = [{}]", "[backing]", "[backing.backing]", "keys = [{}]", "tempos = [{}]", "tempos = ['{}']",
    "[[phrase]]", 'bars = "{}"', 'bars = "1-{}"', 'bars = "3-1"', "bars = 3", "[phrase]", "[[segment]]", 'kind = "{}"', "look.accent = '{}'", "[look]",
    "x = " + "[" * 400, "x = " + "{a = " * 200 + "1" + "}" * 200, "a" + ".a" * 900 + " = 1", "[" + "a." * 500 + "b]", 'part = "{}"', "part = {}",
)  # fmt: skip

# -- XML -------------------------------------------------------------------------------------


def of_tree(data: bytes, chance: random.Random) -> bytes:
    """Elements and attributes lost, doubled, moved, renamed, and their numbers made others."""
    try:
        root = ElementTree.fromstring(data)
    except (ElementTree.ParseError, ValueError, LookupError):
        return digits(data, chance)
    for _ in range(chance.choice((1, 1, 2, 4, 12))):
        _change_tree(root, chance)
    return ElementTree.tostring(root, encoding="utf-8", xml_declaration=True)


def _change_tree(root: ElementTree.Element, chance: random.Random) -> None:
    pairs = [(parent, child) for parent in root.iter() for child in parent]
    if not pairs:
        return
    parent, child = chance.choice(pairs)
    at = list(parent).index(child)
    what = chance.randrange(11)
    if what == 0:
        parent.remove(child)
    elif what == 1:
        for _ in range(chance.choice((1, 2, 40))):
            parent.insert(at, child)
    elif what == 2:
        parts = list(parent)
        chance.shuffle(parts)
        parent[:] = parts
    elif what == 3:
        target = chance.choice(pairs)[0]
        if child not in list(target.iter()) and target not in list(child.iter()):
            parent.remove(child)
            target.insert(chance.randrange(len(target) + 1), child)
    elif what == 4:
        child.tag = chance.choice(pairs)[1].tag
    elif what == 5:
        leaves = [c for _, c in pairs if not len(c) and (c.text or "").strip()]
        if leaves:
            leaf = chance.choice(leaves)
            leaf.text = chance.choice((chance.choice(NUMBERS), chance.choice(leaves).text, "x", "G", None))
    elif what == 6:
        holders = [c for _, c in pairs if c.attrib]
        if holders:
            holder = chance.choice(holders)
            name = chance.choice(sorted(holder.attrib))
            other = chance.choice(
                ("start", "stop", "continue", "up", "down", "yes", "no", "", chance.choice(NUMBERS))
            )
            holder.attrib[name] = other
    elif what == 7:
        holders = [c for _, c in pairs if c.attrib]
        if holders:
            holder = chance.choice(holders)
            del holder.attrib[chance.choice(sorted(holder.attrib))]
    elif what == 8:
        measures = root.findall(".//measure")
        if measures:
            measure = chance.choice(measures)
            measure.append(_sign(chance))
    elif what == 9:
        numbers = [c for _, c in pairs if (c.text or "").strip().lstrip("-").isdecimal()]
        for leaf in chance.sample(numbers, min(len(numbers), chance.choice((1, 3, 20)))):
            leaf.text = str(
                int(str(leaf.text)[:300]) * chance.choice((-1, 0, 2, 3, 1000)) + chance.choice((0, 1, -1))
            )
    else:
        child[:] = []
        child.text = None


_SIGNS: Final = (
    '<barline location="right"><repeat direction="backward"/></barline>', '<barline location="left"><repeat direction="forward"/></barline>',
    '<barline location="left"><ending number="1" type="start"/></barline>', '<barline location="right"><ending number="1, 2" type="stop"/></barline>',
    '<barline><ending number="2" type="discontinue"/><repeat direction="backward" times="999"/></barline>',
    '<direction><sound segno="1"/></direction>', '<direction><sound dalsegno="1"/></direction>', '<direction><sound dacapo="yes"/></direction>',
    '<direction><sound fine="yes"/></direction>', '<direction><sound coda="1"/></direction>', '<direction><sound tocoda="1"/></direction>',
    "<direction><direction-type><segno/></direction-type></direction>", "<direction><direction-type><coda/></direction-type></direction>",
    '<direction><sound tempo="0"/></direction>', '<direction><sound tempo="1e400"/></direction>', '<sound tempo="NaN"/>',
    "<direction><direction-type><metronome><beat-unit>quarter</beat-unit><per-minute>c. 0</per-minute></metronome></direction-type></direction>",
    "<direction><direction-type><rehearsal>A</rehearsal></direction-type><offset>-99999999</offset></direction>",
    "<backup><duration>100000000</duration></backup>", "<forward><duration>100000000</duration></forward>", "<backup><duration>-5</duration></backup>",
    "<attributes><divisions>0</divisions></attributes>", "<attributes><divisions>0.001</divisions></attributes>",
    "<attributes><time><beats>0</beats><beat-type>0</beat-type></time></attributes>",
    "<attributes><time><beats>3+2+2</beats><beat-type>8</beat-type></time></attributes>", "<attributes><time><senza-misura/></time></attributes>",
    "<attributes><key><fifths>99</fifths></key></attributes>", "<attributes><key><fifths>-3</fifths><mode>locrian</mode></key></attributes>",
    "<attributes><staff-details><staff-lines>0</staff-lines></staff-details></attributes>",
    "<attributes><staff-details><staff-lines>6</staff-lines><staff-tuning line='1'><tuning-step>Q</tuning-step></staff-tuning><capo>99</capo></staff-details></attributes>",
    "<attributes><transpose><chromatic>999</chromatic><octave-change>-99</octave-change></transpose></attributes>",
    "<attributes><measure-style><measure-repeat type='start'>4</measure-repeat></measure-style></attributes>",
    "<harmony><root><root-step>H</root-step></root><kind>major</kind></harmony>", "<harmony><numeral><numeral-root>9</numeral-root></numeral><kind>none</kind></harmony>",
    "<harmony><root><root-step>C</root-step></root><kind text='zz'>other</kind><degree><degree-value>99</degree-value><degree-alter>9</degree-alter></degree></harmony>",
    "<note><grace/><pitch><step>C</step><octave>99</octave></pitch></note>", "<note><chord/><pitch><step>C</step><octave>4</octave></pitch><duration>4</duration></note>",
    "<note><pitch><step>E</step><octave>4</octave></pitch><duration>1</duration><tie type='stop'/><notations><technical><string>1</string><fret>0</fret></technical></notations></note>",
    "<note><pitch><step>E</step><octave>4</octave></pitch><duration>1</duration><notations><technical><string>99</string><fret>-9</fret></technical></notations></note>",
    "<note><pitch><step>E</step><octave>4</octave></pitch><duration>1</duration><notations><technical><bend><bend-alter>1e9</bend-alter></bend></technical></notations></note>",
    "<note><pitch><step>E</step><octave>4</octave></pitch><duration>1</duration><notations><slide type='start'/><slide type='stop'/><glissando type='stop' number='7'/></notations></note>",
    "<note><rest measure='yes'/><duration>0</duration></note>", "<note><unpitched/><duration>-4</duration></note>",
    "<note><pitch><step>A</step><octave>3</octave></pitch><duration>1</duration><time-modification><actual-notes>0</actual-notes><normal-notes>0</normal-notes></time-modification></note>",
)  # fmt: skip


def _sign(chance: random.Random) -> ElementTree.Element:
    return ElementTree.fromstring(chance.choice(_SIGNS))


def of_markup(data: bytes, chance: random.Random) -> bytes:
    """Tags torn: one lost, one doubled, names and quotes damaged, sections of other kinds put in."""
    found = list(re.finditer(rb"<[^>]*>", data))
    if not found:
        return data
    match = chance.choice(found)
    kinds = (
        b"", match[0] * 2, match[0].replace(b'"', b""), match[0][:-1], match[0].upper(), b"<![CDATA[ 5 ]]>", b"<!-- -- -->",
        b"<?php x ?>", b"&undefined;", b"&#0;", b"&#x110000;", b"&amp;amp;", b"<x:y/>", b"<" + b"a" * 3000 + b"/>", b"<d>" * 300,
        b'<!DOCTYPE a [<!ENTITY b "c">]>', b"<!DOCTYPE score-partwise SYSTEM 'http://localhost:1/x.dtd'>",
    )  # fmt: skip
    return data[: match.start()] + chance.choice(kinds) + data[match.end() :]


# -- zip archives ------------------------------------------------------------------------------

NAMES: Final = (
    "../score.xml", "/etc/passwd", "..\\score.xml", "C:\\score.xml", "a/../../score.xml", "", ".", "META-INF/container.xml", "score.xml/",
    "sco\0re.xml", "sc\nore.xml", "é.xml", "x" * 5000, "missing.xml", "score.XML", "./score.xml", "a//b.xml", "‮lmx.erocs",
)  # fmt: skip


def zipped(score: bytes, chance: random.Random) -> bytes:
    """A score in an archive: mostly as it should be, else with a container or names that are not."""
    inner = "score.xml" if chance.randrange(4) else chance.choice(NAMES)
    said = inner if chance.randrange(6) else chance.choice(NAMES)
    container = (
        '<?xml version="1.0"?><container><rootfiles><rootfile full-path="'
        + re.sub(r'[<>&"\0\n]', "_", said)
        + '"/></rootfiles></container>'
    ).encode()
    if chance.randrange(8) == 0:
        container = chance.choice((truncate, of_tree, of_markup, flip))(container, chance)
    buffer = io.BytesIO()
    method = zipfile.ZIP_DEFLATED if chance.randrange(4) else zipfile.ZIP_STORED
    with zipfile.ZipFile(buffer, "w", method) as archive:
        if chance.randrange(3) == 0:
            mimetype = chance.choice(
                (b"application/vnd.recordare.musicxml", b"text/plain", b"", b"\xff" * 99)
            )
            _add(archive, "mimetype", mimetype)
        if chance.randrange(8):
            _add(archive, "META-INF/container.xml", container)
        _add(archive, inner, score)
        for n in range(chance.choice((0, 0, 0, 1, 40))):
            _add(archive, chance.choice((*NAMES, f"n{n}.xml")) or "x", b"<score-partwise/>")
    return buffer.getvalue()


def _add(archive: zipfile.ZipFile, name: str, data: bytes) -> None:
    # the same file at another time is the same archive; a name twice is meant here, and no warning
    info = zipfile.ZipInfo(name or "x", (2026, 1, 1, 0, 0, 0))
    info.compress_type = archive.compression
    if info.filename not in archive.NameToInfo:
        archive.writestr(info, data)


def of_zip(data: bytes, chance: random.Random) -> bytes:
    """Sizes, checksums, methods and flags of an archive's entries made lies."""
    places = [m.start() for m in re.finditer(rb"PK\x03\x04|PK\x01\x02|PK\x05\x06", data)]
    if not places:
        return flip(data, chance)
    made = bytearray(data)
    start = chance.choice(places)
    for _ in range(chance.choice((1, 2, 5))):
        at = start + chance.randrange(4, 46)
        if at + 4 <= len(made):
            width, value = chance.choice(
                (("<H", 0xFFFF), ("<H", 1), ("<H", 99), ("<I", 0xFFFFFFFF), ("<I", 0), ("<I", 1 << 30))
            )
            struct.pack_into(width, made, at, value)
    return bytes(made)


# -- MIDI --------------------------------------------------------------------------------------


def of_chunks(data: bytes, chance: random.Random) -> bytes:
    """Header fields and lengths of chunks made lies; tracks lost, doubled, changing places."""
    places = [m.start() for m in re.finditer(rb"MThd|MTrk", data)]
    if not places:
        return flip(data, chance)
    made = bytearray(data)
    what = chance.randrange(6)
    at = chance.choice(places)
    if what == 0 and at + 8 <= len(made):
        lengths = (
            0,
            1,
            5,
            0x7FFFFFFF,
            0x80000000,
            0xFFFFFFFF,
            len(made),
            len(made) * 2,
            chance.randrange(len(made)),
        )
        struct.pack_into(">I", made, at + 4, chance.choice(lengths))
    elif what == 1 and len(made) >= 14:
        struct.pack_into(
            ">H",
            made,
            8 + 2 * chance.randrange(3),
            chance.choice((0, 1, 2, 3, 255, 0x7FFF, 0x8000, 0xE728, 0xFFFF)),
        )
    elif what == 2:
        parts = [bytes(made[a:b]) for a, b in zip(places, [*places[1:], len(made)], strict=True)]
        chance.shuffle(parts)
        return b"".join(parts)
    elif what == 3:
        end = next((p for p in places if p > at), len(made))
        return bytes(made[:end] + made[at:end] * chance.choice((1, 2, 60)) + made[end:])
    elif what == 4:
        end = next((p for p in places if p > at), len(made))
        del made[at:end]
    else:
        made[at : at + 4] = chance.choice((b"MTrk", b"MThd", b"XFIH", b"RIFF", b"\0\0\0\0"))
    return bytes(made)


EVENTS: Final = (
    b"\x00\x90\x40\x40", b"\x00\x80\x40\x40", b"\x60\x40\x00", b"\x40\x40", b"\x00\xf0\x05abc\xf7\x00", b"\x00\xf7\x01\x00", b"\x00\xff\x2f\x00",
    b"\x00\xff\x51\x03\x00\x00\x00", b"\x00\xff\x51\x03\xff\xff\xff", b"\x00\xff\x51\x02\x07\xa1", b"\x00\xff\x58\x04\x00\x00\x00\x00",
    b"\x00\xff\x58\x04\x07\xff\x18\x08", b"\x00\xff\x58\x04\x07\x03\x18\x08", b"\x00\xff\x59\x02\x7f\x05", b"\x00\xff\x59\x02\xfd\x01",
    b"\x00\xff\x03\xff\xff\xff\x7f", b"\x00\xff\x05\x03a\x00b", b"\x00\xff\x01\x04\xff\xfe\xfd\xfc", b"\xff\xff\xff\xff\xff\xff\xff\xff",
    b"\xff\xff\xff\x7f\x90\x40\x40", b"\x81\x80\x80\x00\x90\x41\x41", b"\x00\xe0\x00\x00", b"\x00\xe0\x7f\x7f", b"\x00\xb0\x65\x00\x00\x64\x00\x00\x06\x7f",
    b"\x00\xb0\x06\x00", b"\x00\xc0\x7f", b"\x00\x99\x24\x7f", b"\x00\xf1\x00", b"\x00\xf8", b"\x00\x90\xff\xff", b"\x00\x7f", b"\x00\xff", b"\x00\xff\x20\x01\x0f",
    b"\x00\xff\x54\x05\x60\x00\x03\x00\x00", b"\x00\xb0\x40\x7f", b"\x00\xb0\x7b\x00", b"\x00\xd0\x7f", b"\x00\xa0\x40\x7f", b"\x00\xff\x06\x05Verse",
)  # fmt: skip


def of_events(data: bytes, chance: random.Random) -> bytes:
    """Events put in anywhere, in the file's running order or across it, lengths mended or not."""
    at = chance.randrange(min(14, len(data)), len(data) + 1)
    put = b"".join(chance.choice(EVENTS) for _ in range(chance.choice((1, 1, 3, 30))))
    made = data[:at] + put + data[at + chance.choice((0, 0, len(put))) :]
    return with_true_lengths(made) if chance.randrange(2) else made


def events_of(track: bytes) -> list[bytes]:
    """A track's events, each with its delta before it, as far as they can be told; the rest is one more.

    Standard MIDI Files 1.0: variable-length quantities, running status, meta and system exclusive events.
    """
    found: list[bytes] = []
    at, status = 0, 0

    def quantity(place: int) -> tuple[int, int]:
        value = 0
        while place < len(track):
            value = value << 7 | track[place] & 0x7F
            place += 1
            if track[place - 1] < 0x80:
                break
        return value, place

    while at < len(track):
        _, place = quantity(at)
        if place >= len(track):
            break
        sign = track[place]
        if sign in (0xF0, 0xF7, 0xFF):
            length, after = quantity(place + (2 if sign == 0xFF else 1))
            end = after + length
        else:
            status, place = (sign, place + 1) if sign >= 0x80 else (status, place)
            end = place + (1 if status >> 4 in (0xC, 0xD) else 2)
        if end > len(track):
            break
        found.append(track[at:end])
        at = end
    return found + ([track[at:]] if at < len(track) else [])


def of_song(data: bytes, chance: random.Random) -> bytes:
    """Events of a track lost, doubled, moved, put in, their times and values changed: a file in good order."""
    places = [m.start() for m in re.finditer(rb"MTrk", data)]
    if not places:
        return data
    which = chance.randrange(len(places))
    start, end = places[which] + 8, [*places[1:], len(data)][which]
    events = events_of(data[start:end])
    for _ in range(chance.choice((1, 2, 6, 30))):
        at = chance.randrange(len(events) + 1)
        what = chance.randrange(7)
        if what == 0:
            events.insert(at, chance.choice(EVENTS))
        elif at < len(events) and what == 1:
            del events[at]
        elif at < len(events) and what == 2:
            events[at:at] = [events[at]] * chance.choice((1, 3, 200))
        elif at < len(events) and what == 3:
            events.insert(chance.randrange(len(events)), events.pop(at))
        elif at < len(events) and what == 4:
            delta = chance.choice(
                (b"\x00", b"\x01", b"\x3c", b"\x81\x00", b"\x83\x60", b"\x8f\x00", b"\xff\xff\x7f")
            )
            bare = next((n for n, sign in enumerate(events[at]) if sign < 0x80), 0)
            events[at] = delta + events[at][bare + 1 :]
        elif at < len(events) and len(events[at]) > 2:
            place = chance.randrange(len(events[at]) - 2, len(events[at]))
            value = bytes([chance.choice((0, 1, 12, 64, 100, 127, chance.randrange(128)))])
            events[at] = events[at][:place] + value + events[at][place + 1 :]
    if chance.randrange(4) and not (events and events[-1].endswith(b"\xff\x2f\x00")):
        events.append(b"\x00\xff\x2f\x00")
    track = b"".join(events)[:MOST_BYTES]
    return data[: start - 4] + struct.pack(">I", len(track)) + track + data[end:]


def with_true_lengths(data: bytes) -> bytes:
    """The file with every track's length as it is: what lies behind it is reached, then."""
    made = bytearray(data)
    places = [m.start() for m in re.finditer(rb"MTrk", data)]
    if not places:
        return data
    for at, end in zip(places, [*places[1:], len(data)], strict=True):
        if at + 8 <= end:
            struct.pack_into(">I", made, at + 4, end - at - 8)
    return bytes(made)


MUTATORS: Final[dict[str, tuple[Mutator, ...]]] = {
    "text tab": (
        *BYTES,
        *TEXT,
        *(tokens_of(*TAB_TOKENS),) * 20,
        *(new_line_of(*TAB_LINES),) * 8,
        *(digits,) * 5,
        *(columns,) * 2,
        *(beside_frets,) * 14,
        *(over_columns,) * 5,
    ),
    "chart text": (
        *BYTES,
        *TEXT,
        *(tokens_of(*CHART_TOKENS),) * 12,
        *(new_line_of(*CHART_LINES),) * 8,
        *(digits, words) * 3,
    ),
    "MusicXML": (
        *BYTES,
        encoded_otherwise,
        odd_signs,
        line_ends,
        of_markup,
        of_markup,
        *(digits,) * 4,
        *(of_tree,) * 30,
    ),
    "MusicXML, compressed": (*BYTES, *(of_zip,) * 4),
    "MIDI": (*BYTES, *(of_chunks,) * 4, *(of_events,) * 4, *(of_song,) * 24),
    "lesson": (
        *BYTES,
        *TEXT,
        *(tokens_of(*TOML_TOKENS),) * 5,
        *(new_line_of(*TOML_LINES),) * 12,
        *(digits, words) * 4,
    ),
}
