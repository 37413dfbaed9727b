"""An XML file as a tree whose elements know the line and column they stand at.

References
----------
XML 1.0, fifth edition; entities are refused (defusedxml), a document type declaration is passed over.
"""

from __future__ import annotations

from typing import Any, Final
from xml.etree.ElementTree import Element

from defusedxml.ElementTree import DefusedXMLParser

MAX_ELEMENTS: Final = 800_000
MAX_DEPTH: Final = 100


class Node(Element):
    """An element with the line and column (from 1) of its start, where they are known."""

    __slots__ = ("column", "line")
    line: int
    column: int


class OversizedTreeError(ValueError):
    """More elements, or deeper ones, than any score has."""

    def __init__(self, what: str, line: int) -> None:
        self.line = line
        super().__init__(what)


def place_of(element: Element | None) -> tuple[int, int]:
    """Line and column of an element, or (0, 0)."""
    return getattr(element, "line", 0), getattr(element, "column", 0)


def parse_tree(data: bytes, *, encoding: str | None = None) -> Element:
    """The root element of a document; names are without their namespace, white space alone is no text.

    encoding : before what the document says

    Raises
    ------
    xml.etree.ElementTree.ParseError : it is not well-formed.
    defusedxml.common.DefusedXmlException : it declares entities.
    OversizedTreeError : it is larger or deeper than a score.
    ValueError, LookupError : its encoding is unknown.
    """
    builder = _Builder()
    parser: Any = DefusedXMLParser(target=builder, encoding=encoding)
    expat = parser.parser
    expat.ordered_attributes = False
    builder.attach(expat)
    parser.feed(data)
    parser.close()
    return builder.root


class _Builder:
    """Fed by the parser directly: a call for each element is what reading a long score takes."""

    def __init__(self) -> None:
        self.root: Element = Node("")
        self._top = self.root

    def attach(self, expat: Any) -> None:
        stack: list[Element] = [self.root]
        text: list[str] = []
        count = 0

        def start(tag: str, attributes: dict[str, str]) -> None:
            nonlocal count
            count += 1
            if count > MAX_ELEMENTS or len(stack) > MAX_DEPTH:
                how = "deeper ones" if len(stack) > MAX_DEPTH else "more elements"
                raise OversizedTreeError(f"the file holds {how} than a score has", expat.CurrentLineNumber)
            if "}" in tag:
                tag = tag.rpartition("}")[2]
            node = Node(tag, attributes)
            node.line = expat.CurrentLineNumber
            node.column = expat.CurrentColumnNumber + 1
            stack[-1].append(node)
            stack.append(node)
            text.clear()

        def end(_: str) -> None:
            node = stack.pop()
            if text:
                if not len(node):
                    node.text = "".join(text)
                text.clear()

        expat.StartElementHandler = start
        expat.EndElementHandler = end
        expat.CharacterDataHandler = text.append
        expat.CommentHandler = None
        expat.ProcessingInstructionHandler = None

    def close(self) -> None:
        self.root = self._top[0]
