"""Opening MusicXML files: plain or compressed, safely, down to the parts by measure.

References
----------
MusicXML 4.0: ``score-partwise``, ``score-timewise``; the compressed format is a zip archive
whose ``META-INF/container.xml`` names the score (``rootfile``).
"""

from __future__ import annotations

import io
import zipfile
from pathlib import Path, PurePosixPath
from typing import Final
from xml.etree.ElementTree import Element, ParseError

import defusedxml.ElementTree as SafeTree
from defusedxml.common import DefusedXmlException

from pipeline.errors import Problems
from pipeline.read.source import ENDLESS_NUMBER, read_bytes

MAX_SCORE_BYTES: Final = 64_000_000
_CONTAINER: Final = "META-INF/container.xml"


def open_score(path: Path, problems: Problems) -> Element | None:
    """The ``score-partwise`` element of a file, or None with the problem told."""
    data = read_bytes(path, problems, limit=MAX_SCORE_BYTES)
    if data is None:
        return None
    if data[:4] == b"PK\x03\x04":
        data = _unpacked(data, path, problems)
        if data is None:
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


def _parsed(data: bytes, path: Path, problems: Problems) -> Element | None:
    endless = ENDLESS_NUMBER.search(data.decode("latin-1"))  # in UTF-8 digits are these bytes, too
    if endless is not None:
        problems.error(
            f"a number of {len(endless[0])} digits",
            path=path, line=data.count(b"\n", 0, endless.start()) + 1, remedy="Export the score again.",
        )  # fmt: skip
        return None
    try:
        root: Element = SafeTree.fromstring(data)
    except ParseError as error:
        line, column = error.position
        lines = data.split(b"\n")
        offending = lines[line - 1].decode("utf-8", errors="replace").rstrip() if line <= len(lines) else ""
        problems.error(
            f"not well-formed XML ({str(error).split(':')[0]})",
            path=path,
            line=line,
            column=column + 1,
            offending=offending if len(offending) < 200 else "",
            remedy="Export the file again; it is damaged or not MusicXML.",
        )
        return None
    except DefusedXmlException as error:
        problems.error(
            f"the file declares entities, which are not read ({type(error).__name__})",
            path=path, remedy="Export it again from the notation software.",
        )  # fmt: skip
        return None
    except (ValueError, LookupError) as error:
        problems.error(f"the file's encoding is not read ({error})", path=path, remedy="Save it as UTF-8.")
        return None
    return root


def _unpacked(data: bytes, path: Path, problems: Problems) -> bytes | None:
    """The score inside a compressed file."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            name = _score_name(archive, path, problems)
            return None if name is None else _member(archive, name, path, problems)
    except (zipfile.BadZipFile, NotImplementedError, RuntimeError, EOFError, OSError) as error:
        problems.error(f"the archive is damaged ({error})", path=path, remedy="Export it again.")
        return None


def _member(archive: zipfile.ZipFile, name: str, path: Path, problems: Problems) -> bytes | None:
    if PurePosixPath(name).is_absolute() or ".." in PurePosixPath(name).parts or "\\" in name:
        problems.error(
            f"the archive names a file outside of it: {name}", path=path, remedy="Do not use this file."
        )
        return None
    try:
        info = archive.getinfo(name)
    except KeyError:
        problems.error(f"the archive lacks the score it names: {name}", path=path, remedy="Export it again.")
        return None
    # the size in the directory can lie, so what is read is counted too
    with archive.open(info) as member:
        content = member.read(MAX_SCORE_BYTES + 1)
    if info.file_size > MAX_SCORE_BYTES or len(content) > MAX_SCORE_BYTES:
        problems.error(
            f"the score unpacks to more than {MAX_SCORE_BYTES:,} bytes", path=path, remedy="Do not use this file."
        )  # fmt: skip
        return None
    return content


def _score_name(archive: zipfile.ZipFile, path: Path, problems: Problems) -> str | None:
    names = archive.namelist()
    if _CONTAINER in names:
        content = _member(archive, _CONTAINER, path, problems)
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
    turned = Element("score-partwise")
    turned.extend(child for child in root if child.tag != "measure")
    parts: dict[str, Element] = {}
    for measure in root.findall("measure"):
        for piece in measure.findall("part"):
            name = piece.get("id", "")
            if name not in parts:
                parts[name] = Element("part", {"id": name})
                turned.append(parts[name])
            copy = Element("measure", measure.attrib)
            copy.extend(piece)
            parts[name].append(copy)
    return turned
