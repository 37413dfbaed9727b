"""Opening MusicXML files: plain or compressed, safely, down to the parts by measure.

References
----------
MusicXML 4.0: ``score-partwise``, ``score-timewise``; the compressed format is a zip archive
whose ``META-INF/container.xml`` names the score (``rootfile``).
"""

from __future__ import annotations

import codecs
import io
import zipfile
import zlib
from pathlib import Path, PurePosixPath
from typing import Final
from xml.etree.ElementTree import Element, ParseError

from defusedxml.common import DefusedXmlException

from pipeline.errors import Problems
from pipeline.read.musicxml_tree import (
    MAX_DEPTH,
    MAX_ELEMENTS,
    Node,
    OversizedTreeError,
    parse_tree,
    place_of,
)
from pipeline.read.source import ENDLESS_NUMBER, read_bytes

MAX_SCORE_BYTES: Final = 64_000_000
_MOST_MEMBERS: Final = 10_000  # files in one archive
_MOST_CONTAINER_BYTES: Final = 1_000_000
_CONTAINER: Final = "META-INF/container.xml"
_UTF16: Final = ((codecs.BOM_UTF16_LE, "utf-16-le"), (codecs.BOM_UTF16_BE, "utf-16-be"))


def open_score(path: Path, problems: Problems) -> Element | None:
    """The ``score-partwise`` element of a file, or None with the problem told."""
    data = read_bytes(path, problems, limit=MAX_SCORE_BYTES)
    if data is None:
        return None
    if data[:4] == b"PK\x03\x04":
        data = _unpacked(data, path, problems)
        if data is None:
            return None
        if data[:4] == b"PK\x03\x04":
            problems.error(
                "the archive holds another archive", path=path, remedy="Unpack it, and name the score in it."
            )
            return None
    elif path.suffix.lower() == ".mxl":
        problems.error(
            "an .mxl file is a zip archive, this one is not",
            path=path, remedy="Export it again, or rename it to .musicxml if it is plain text.",
        )  # fmt: skip
        return None
    root = _parsed(data, path, problems)
    if root is None:
        return None
    if root.tag == "score-timewise":
        root = _partwise(root)
    if root.tag != "score-partwise":
        problems.error(
            f"the file holds <{root.tag}>, expected <score-partwise>",
            path=path, remedy="Export the score as MusicXML from the notation software.",
        )  # fmt: skip
        return None
    if not root.findall("part/measure"):
        problems.error(
            "the score has no measures", path=path, remedy="Export it again from the notation software."
        )
        return None
    return root


def _text_of(data: bytes) -> tuple[str, str]:
    """The file as text for showing its lines, and the encoding its first bytes tell ("" when none)."""
    for mark, name in _UTF16:
        if data.startswith(mark):
            return data[2:].decode(name, errors="replace"), "utf-16"
    for start, name in ((b"<\0?\0", "UTF-16LE"), (b"\0<\0?", "UTF-16BE")):
        if data.startswith(start):
            return data.decode(name, errors="replace"), name
    return data.decode("utf-8", errors="replace"), ""


def _parsed(data: bytes, path: Path, problems: Problems) -> Element | None:
    # in UTF-8 digits are these bytes, too; in UTF-16 each stands beside a zero
    endless = ENDLESS_NUMBER.search(data.decode("latin-1").replace("\0", ""))
    if endless is not None:
        line = data.replace(b"\0", b"").count(b"\n", 0, endless.start()) + 1
        problems.error(
            f"a number of {len(endless[0])} digits", path=path, line=line, remedy="Export the score again."
        )
        return None
    try:
        return parse_tree(data)
    except ParseError as error:
        return _parsed_otherwise(data, error, path, problems)
    except DefusedXmlException as error:
        problems.error(
            f"the file declares entities, which are not read ({type(error).__name__})",
            path=path, remedy="Export it again from the notation software.",
        )  # fmt: skip
        return None
    except OversizedTreeError as error:
        problems.error(
            str(error), path=path, line=error.line,
            remedy=f"Up to {MAX_ELEMENTS:,} elements, {MAX_DEPTH} inside one another, are read: is it a score?",
        )  # fmt: skip
        return None
    except (ValueError, LookupError) as error:
        problems.error(f"the file's encoding is not read ({error})", path=path, remedy="Save it as UTF-8.")
        return None


def _parsed_otherwise(data: bytes, error: ParseError, path: Path, problems: Problems) -> Element | None:
    """A file in another encoding than it declares is read by its bytes, told; other damage is told."""
    text, encoding = _text_of(data)
    if "encoding" in str(error) and "unknown" not in str(error):
        try:
            root = parse_tree(data, encoding=encoding or "utf-8")
        except (ParseError, DefusedXmlException, OversizedTreeError, ValueError, LookupError):
            pass  # told as it was met first
        else:
            problems.caution(
                f"the file says another encoding than it has: read as {(encoding or 'utf-8').upper()}",
                path=path, line=1, remedy="Save it as UTF-8.",
            )  # fmt: skip
            return root
    line, column = error.position
    lines = text.split("\n")
    offending = lines[line - 1].rstrip() if 0 < line <= len(lines) else ""
    what, remedy = (
        f"not well-formed XML ({str(error).split(':')[0]})",
        "Export the file again; it is damaged or not MusicXML.",
    )
    if "unknown encoding" in str(error):
        what, remedy = f"the file's encoding is not read ({str(error).split(':')[0]})", "Save it as UTF-8."
    elif not encoding and "invalid token" in str(error):
        try:
            data.decode("utf-8")
        except UnicodeDecodeError as wrong:
            what = f"the byte 0x{data[wrong.start]:02x} is not UTF-8, in which the file says it is written"
            remedy = "Save the file again with the encoding UTF-8."
    problems.error(what, path=path, line=line, column=column + 1, offending=offending, remedy=remedy)
    return None


def _unpacked(data: bytes, path: Path, problems: Problems) -> bytes | None:
    """The score inside a compressed file."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            if len(archive.filelist) > _MOST_MEMBERS:
                problems.error(
                    f"the archive holds {len(archive.filelist):,} files",
                    path=path,
                    remedy="Do not use this file.",
                )
                return None
            name = _score_name(archive, path, problems)
            return None if name is None else _member(archive, name, path, problems)
    except (
        zipfile.BadZipFile,
        NotImplementedError,
        RuntimeError,
        EOFError,
        OSError,
        ValueError,
        zlib.error,
    ) as error:
        why: object = error
        if isinstance(error, UnicodeError | zlib.error):  # these speak to programmers
            why = "a name in it is not text" if isinstance(error, UnicodeError) else "what it holds is torn"
        problems.error(f"the archive is damaged ({why})", path=path, remedy="Export it again.")
        return None


def _member(
    archive: zipfile.ZipFile, name: str, path: Path, problems: Problems, *, limit: int = MAX_SCORE_BYTES
) -> bytes | None:
    if (
        not name.isprintable()
        or PurePosixPath(name).is_absolute()
        or ".." in PurePosixPath(name).parts
        or "\\" in name
    ):
        problems.error(
            f"the archive names a file outside of it: {name!r}", path=path, remedy="Do not use this file."
        )
        return None
    try:
        info = archive.getinfo(name)
    except KeyError:
        problems.error(f"the archive lacks the score it names: {name}", path=path, remedy="Export it again.")
        return None
    # the size in the directory can lie, so what is read is counted too
    with archive.open(info) as member:
        content = member.read(limit + 1)
    if info.file_size > limit or len(content) > limit:
        problems.error(
            f"{name} unpacks to more than {limit:,} bytes", path=path, remedy="Do not use this file."
        )  # fmt: skip
        return None
    return content


def _score_name(archive: zipfile.ZipFile, path: Path, problems: Problems) -> str | None:
    names = archive.namelist()
    if _CONTAINER in names:
        content = _member(archive, _CONTAINER, path, problems, limit=_MOST_CONTAINER_BYTES)
        container = None if content is None else _parsed(content, path, problems)
        if container is None:
            return None
        for element in container.iter():
            if element.tag.rpartition("}")[2] == "rootfile" and element.get("full-path"):
                return element.get("full-path")
    scores = [n for n in names if n.lower().endswith((".xml", ".musicxml")) and not n.startswith("META-INF/")]
    if not scores:
        problems.error("the archive holds no score", path=path, remedy="Export it again as MusicXML.")
        return None
    problems.caution(f"the archive does not name its score: {scores[0]} is read", path=path)
    return scores[0]


def _partwise(root: Element) -> Element:
    """A time-wise score turned: parts of measures instead of measures of parts."""
    turned = Node("score-partwise")
    turned.extend(child for child in root if child.tag != "measure")
    parts: dict[str, Element] = {}
    for measure in root.findall("measure"):
        for piece in measure.findall("part"):
            name = piece.get("id", "")
            if name not in parts:
                parts[name] = Node("part", {"id": name})
                turned.append(parts[name])
            copy = Node("measure", measure.attrib)
            copy.line, copy.column = place_of(piece)
            copy.extend(piece)
            parts[name].append(copy)
    return turned
