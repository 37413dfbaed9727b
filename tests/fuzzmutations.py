"""Damage done to files, as careless hands, other programs, bad disks and ill will do it.

Conventions
-----------
Every mutator takes the file's bytes and a source of chance, and gives other bytes: the same
chance, the same damage. What cannot be done to a file leaves it as it is. The signs of each format
and its inner structure: :mod:`tests.fuzzformats`.
"""

from __future__ import annotations

import random
import re
from collections.abc import Callable
from typing import Final

Mutator = Callable[[bytes, random.Random], bytes]
MOST_BYTES: Final = 300_000  # a case does not grow beyond this
NUMBERS: Final = (
    "0", "-1", "1", "2", "7", "13", "25", "99", "127", "128", "255", "256", "1000", "65536", "999999", "2147483648",
    "-2147483649", "18446744073709551616", "1" + "0" * 30, "9" * 400, "0.5", ".5", "5.", "-0.0", "1e3", "1e308", "1e999",
    "0.0000001", "1/3", "1/0", "NaN", "nan", "inf", "-inf", "Infinity", "0x1F", "1_000", "+3", "٣", "７", "½", "", " ", "III",
)  # fmt: skip
LOOKALIKES: Final = {
    "-": "–—−‐‑―_~─━ ", "|": "¦│┃｜‖║lI!/", "0": "OoＯ０٠", "1": "lI１¹", "5": "５S", "7": "７", ":": "：∶;", " ": "\t\u00a0\u3000\u200b\u2009",
    "#": "♯＃", "b": "♭ᵇ", "'": "’‘´`", '"': "“”„«", "(": "（[{<", ")": "）]}>", "x": "×ⅹХ", "~": "∼～", "/": "⁄∕／\\", "%": "％٪",
    ".": "·。…,", "e": "еＥé", "\n": "\r\u2028\u2029\x0b\x0c\x85",
}  # fmt: skip
ODD_SIGNS: Final = (
    "\u200b", "\u200d", "\ufeff", "\u202e", "\u2066", "\u0301", "\u0301" * 40, "😀", "👩\u200d🎤", "\0", "\x1b[31m", "\x07", "\x7f",
    "\x85", "\u2028", "\ufffd", "\U0010ffff", "ß", "ǆ", "ﬁ", "İ", "𝄞", "♭♭", "♯♯♯", "\t", "\r", "\r\n", "\u00ad",
)  # fmt: skip


def _span(data: bytes, chance: random.Random, most: int) -> tuple[int, int]:
    start = chance.randrange(len(data) + 1)
    return start, min(len(data), start + chance.randint(1, most))


def _size(chance: random.Random) -> int:
    return chance.choice((1, 2, 4, 16, 80, 600))


# -- bytes of any file -----------------------------------------------------------------------


def flip(data: bytes, chance: random.Random) -> bytes:
    if not data:
        return data
    made = bytearray(data)
    for _ in range(chance.choice((1, 1, 2, 8, 64))):
        made[chance.randrange(len(made))] ^= 1 << chance.randrange(8)
    return bytes(made)


def overwrite(data: bytes, chance: random.Random) -> bytes:
    start, end = _span(data, chance, _size(chance))
    kind = chance.randrange(4)
    fill = (bytes([chance.randrange(256)]) * (end - start), chance.randbytes(end - start), b"\xff" * (end - start),
            b"\0" * (end - start))[kind]  # fmt: skip
    return data[:start] + fill + data[end:]


def delete(data: bytes, chance: random.Random) -> bytes:
    start, end = _span(data, chance, _size(chance))
    return data[:start] + data[end:]


def insert(data: bytes, chance: random.Random) -> bytes:
    start, _ = _span(data, chance, 1)
    return data[:start] + chance.randbytes(_size(chance)) + data[start:]


def repeat(data: bytes, chance: random.Random) -> bytes:
    """A stretch many times over."""
    start, end = _span(data, chance, _size(chance))
    times = chance.choice((2, 2, 3, 10, 200, 3000))
    times = max(2, min(times, MOST_BYTES // max(1, end - start)))
    return data[:end] + data[start:end] * (times - 1) + data[end:]


def swap(data: bytes, chance: random.Random) -> bytes:
    cuts = sorted(chance.randrange(len(data) + 1) for _ in range(4))
    a, b, c, d = cuts
    return data[:a] + data[c:d] + data[b:c] + data[a:b] + data[d:]


def truncate(data: bytes, chance: random.Random) -> bytes:
    return data[: chance.randrange(len(data) + 1)]


def behead(data: bytes, chance: random.Random) -> bytes:
    return data[chance.randrange(min(len(data), 400) + 1) :]


BYTES: Final[tuple[Mutator, ...]] = (flip, overwrite, delete, insert, repeat, swap, truncate, behead)

# -- text ------------------------------------------------------------------------------------


def _text(data: bytes) -> str:
    return data.decode("utf-8", errors="surrogateescape")


def _data(text: str) -> bytes:
    return text.encode("utf-8", errors="surrogateescape")


def digits(data: bytes, chance: random.Random) -> bytes:
    """A number made another one, or several of them."""
    text = _text(data)
    found = list(re.finditer(r"\d+", text))
    for match in sorted(
        chance.sample(found, min(len(found), chance.choice((1, 1, 1, 3)))), key=lambda m: -m.start()
    ):
        number = chance.choice(NUMBERS)
        if chance.randrange(3) == 0:
            number = str(int(match[0][:300]) + chance.choice((-1, 1, 12))) if match[0].isdecimal() else number
        text = text[: match.start()] + number + text[match.end() :]
    return _data(text)


def shuffle_lines(data: bytes, chance: random.Random) -> bytes:
    lines = data.split(b"\n")
    start = chance.randrange(len(lines))
    end = start + chance.choice((2, 3, 8, len(lines)))
    part = lines[start:end]
    chance.shuffle(part)
    return b"\n".join([*lines[:start], *part, *lines[end:]])


def change_lines(data: bytes, chance: random.Random) -> bytes:
    """Lines lost, doubled, joined, cut, indented, or moved."""
    lines = data.split(b"\n")
    for _ in range(chance.choice((1, 1, 2, 5))):
        at = chance.randrange(len(lines))
        what = chance.randrange(8)
        if what == 0 and len(lines) > 1:
            del lines[at]
        elif what == 1:
            lines.insert(at, lines[chance.randrange(len(lines))])
        elif what == 2:
            lines[at] = lines[at][: chance.randrange(len(lines[at]) + 1)]
        elif what == 3:
            lines[at] = b" " * chance.choice((1, 2, 40)) + lines[at]
        elif what == 4:
            lines[at] = lines[at][chance.choice((1, 2, 5)) :]
        elif what == 5 and at + 1 < len(lines):
            lines[at : at + 2] = [lines[at] + lines[at + 1]]
        elif what == 6:
            lines.insert(at, b"")
        else:
            lines[at] = b" ".join(lines[at].split())
    return b"\n".join(lines)


def columns(data: bytes, chance: random.Random) -> bytes:
    """A rectangle of several lines lost, doubled or blanked, as an editor's column mode does it."""
    lines = _text(data).split("\n")
    top = chance.randrange(len(lines))
    left, width = chance.randrange(60), chance.choice((1, 1, 2, 8))
    what = chance.randrange(4)
    for at in range(top, min(len(lines), top + chance.choice((2, 6, 8)))):
        line = lines[at]
        part = line[left : left + width]
        filler = {0: "", 1: part * 2, 2: "-" * len(part), 3: " " * len(part)}[what]
        lines[at] = line[:left] + filler + line[left + width :]
    return _data("\n".join(lines))


def lookalikes(data: bytes, chance: random.Random) -> bytes:
    """Signs as word processors and web pages put them in the place of plain ones."""
    text = _text(data)
    sign = chance.choice([s for s in LOOKALIKES if s in text] or ["-"])
    other = chance.choice(LOOKALIKES[sign])
    if chance.randrange(2):
        return _data(text.replace(sign, other))
    places = [m.start() for m in re.finditer(re.escape(sign), text)]
    for at in chance.sample(places, min(len(places), chance.choice((1, 3, 20)))):
        text = text[:at] + other + text[at + 1 :]
    return _data(text)


def odd_signs(data: bytes, chance: random.Random) -> bytes:
    text = _text(data)
    for _ in range(chance.choice((1, 1, 4))):
        at = chance.randrange(len(text) + 1)
        text = text[:at] + chance.choice(ODD_SIGNS) * chance.choice((1, 1, 1, 30)) + text[at:]
    return _data(text)


def words(data: bytes, chance: random.Random) -> bytes:
    """Words of the text changing places."""
    parts = re.split(rb"(\s+)", data)
    for _ in range(chance.choice((1, 2, 6))):
        a, b = chance.randrange(len(parts)), chance.randrange(len(parts))
        parts[a], parts[b] = parts[b], parts[a]
    return b"".join(parts)


def encoded_otherwise(data: bytes, chance: random.Random) -> bytes:
    text = _text(data)
    name = chance.choice(
        (
            "utf-16",
            "utf-16-le",
            "utf-16-be",
            "utf-32",
            "utf-8-sig",
            "latin-1",
            "cp1252",
            "cp437",
            "ascii",
            "utf-7",
            "shift_jis",
        )
    )
    return text.encode("utf-8", errors="replace").decode("utf-8").encode(name, errors="replace")


def line_ends(data: bytes, chance: random.Random) -> bytes:
    return data.replace(
        b"\n", chance.choice((b"\r\n", b"\r", b"\n\n", b"\n\r", b"\r\r\n", b"", b"\\n", b"\x0b"))
    )


def long_run(data: bytes, chance: random.Random) -> bytes:
    """One sign many times over."""
    text = _text(data)
    at = chance.randrange(len(text) + 1)
    sign = chance.choice(
        (
            "-",
            "|",
            "[",
            "(",
            "{",
            "<",
            "5",
            "b",
            "h5",
            "~",
            " ",
            "#",
            ":",
            '"',
            "'",
            "\n",
            "/",
            "%",
            ".",
            "x",
            "5-",
            "|:",
            ":|",
            "=",
            "(5",
        )
    )
    return _data(text[:at] + sign * chance.choice((3, 20, 300, 5000)) + text[at:])


def beside_frets(data: bytes, chance: random.Random) -> bytes:
    """A mark behind or before a fret, or in its place, the rest of the line where it was."""
    text = _text(data)
    found = list(re.finditer(r"-\d{1,2}-", text))
    for match in chance.sample(found, min(len(found), chance.choice((1, 1, 1, 3)))):
        fret = match[0][1:-1]
        sign = chance.choice("~hpbrtxXTsv/\\*'>^=.@!+_&$%")
        part = chance.choice(
            (
                f"-{fret}{sign}",
                f"{sign}{fret}-",
                f"-{sign * len(fret)}-",
                f"-{chance.choice('0123456789')}{sign}",
            )
        )
        text = text[: match.start()] + part[: len(match[0])].ljust(len(match[0]), "-") + text[match.end() :]
    return _data(text)


def over_columns(data: bytes, chance: random.Random) -> bytes:
    """Signs of a line of durations or marks (no strings, no headers) changed in their places."""
    lines = _text(data).split("\n")
    rows = [n for n, line in enumerate(lines) if line.strip() and not re.search(r"[|:\[#]", line)]
    if rows:
        row = chance.choice(rows)
        places = [m.start() for m in re.finditer(r"\S", lines[row])]
        for at in chance.sample(places, min(len(places), chance.choice((1, 2)))):
            lines[row] = lines[row][:at] + chance.choice("wqhest.,_35 !-dupf") + lines[row][at + 1 :]
    return _data("\n".join(lines))


def tokens_of(*known: str) -> Mutator:
    """Signs of the format's own put in, or in the place of others."""

    def tokens(data: bytes, chance: random.Random) -> bytes:
        lines = _text(data).split("\n")
        for _ in range(chance.choice((1, 1, 2, 6))):
            row = chance.randrange(len(lines))
            at = chance.randrange(len(lines[row]) + 1)
            token = chance.choice(known)
            # most keep the rest of the line where it was: it is aligned with its neighbours
            gone = chance.choice((len(token), len(token), len(token), 0, 1))
            lines[row] = lines[row][:at] + token + lines[row][at + gone :]
        return _data("\n".join(lines))

    return tokens


def new_line_of(*known: str) -> Mutator:
    """A whole line of the format's own put in somewhere."""

    def new_line(data: bytes, chance: random.Random) -> bytes:
        lines = _text(data).split("\n")
        for _ in range(chance.choice((1, 1, 3))):
            line = chance.choice(known)
            if "{}" in line:
                line = line.replace("{}", chance.choice((*NUMBERS, chance.choice(known), "é" * 300)))
            lines.insert(chance.randrange(len(lines) + 1), line)
        return _data("\n".join(lines))

    return new_line


TEXT: Final[tuple[Mutator, ...]] = (
    digits, shuffle_lines, change_lines, columns, lookalikes, odd_signs, words, encoded_otherwise, line_ends, long_run,
)  # fmt: skip
