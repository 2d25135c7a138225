"""XML of navigation data messages (CCSDS 505.0-B) as a tree whose elements know their places.

Read by defusedxml with document types refused, so that no entity is ever expanded or fetched.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, Final

from contactd.core.errors import InputError
from contactd.core.orbit.text import Field, check_size

_PREFIX = re.compile(r"[<\s/]([A-Za-z_][\w.\-]*):[A-Za-z_][\w.\-]*(?=[\s=/>])")
_DECLARED = re.compile(r"xmlns:([A-Za-z_][\w.\-]*)")
_ROOT = re.compile(r"<[A-Za-z_][\w.:\-]*")
_MOST_PREFIXES: Final = 20
MAX_DEPTH: Final = 16
"""Deepest nesting of elements; the messages need eight."""


@dataclass(slots=True)
class Element:
    """One element: its name without namespace, attributes, text, children, and place (from 1)."""

    name: str
    attributes: dict[str, str]
    line: int
    column: int
    text: str = ""
    children: list[Element] = field(default_factory=list)

    def child(self, name: str) -> Element | None:
        """The first child of that name."""
        return next((each for each in self.children if each.name == name), None)

    def all(self, name: str) -> list[Element]:
        """All children of that name."""
        return [each for each in self.children if each.name == name]

    def leaves(self) -> Iterator[Field]:
        """The values below this element in order, comments left out."""
        for each in self.children:
            if each.children:
                yield from each.leaves()
            elif each.name == "USER_DEFINED":
                key = f"USER_DEFINED_{each.attributes.get('parameter', '')}"
                yield Field(key, each.text.strip(), each.line, each.column)
            elif each.name != "COMMENT":
                yield each.as_field()

    def as_field(self) -> Field:
        """This element's own value."""
        unit = self.attributes.get("units", "")
        return Field(self.name, self.text.strip(), self.line, self.column, unit)

    def error(self, expected: str, found: str) -> InputError:
        """An error at this element."""
        return InputError(expected, found, self.name, line=self.line, column=self.column)


class _TreeTarget:
    """Builds the tree; ``parser`` is set once the parser exists."""

    def __init__(self) -> None:
        self.parser: Any = None
        self.root: Element | None = None
        self._open: list[Element] = []

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        made = Element(
            _local(tag),
            {_local(key): value for key, value in attributes.items()},
            self.parser.CurrentLineNumber,
            self.parser.CurrentColumnNumber + 1,
        )
        if len(self._open) >= MAX_DEPTH:
            raise made.error(f"elements nested at most {MAX_DEPTH} deep", "a deeper one")
        if self._open:
            self._open[-1].children.append(made)
        else:
            self.root = made
        self._open.append(made)

    def end(self, tag: str) -> None:
        self._open.pop()

    def data(self, text: str) -> None:
        self._open[-1].text += text

    def close(self) -> Element | None:
        return self.root


def _local(tag: str) -> str:
    return tag.rpartition("}")[2]


def parse_xml(text: str | bytes) -> Element:
    """The root element of a message.

    Raises:
        InputError: if it is too long, not well-formed, has a document type, or nests too deep.
    """
    check_size(text)
    try:
        return _tree_of(text)
    except _NotXml as problem:
        declared = _with_prefixes_declared(text) if problem.code == _UNBOUND_PREFIX else None
        if declared is None:
            raise problem.error from None
    try:
        return _tree_of(declared)
    except _NotXml as problem:
        raise problem.error from None


class _NotXml(Exception):
    """The text is not well-formed; ``code`` is expat's."""

    def __init__(self, error: InputError, code: int) -> None:
        super().__init__(str(error))
        self.error, self.code = error, code


_UNBOUND_PREFIX: Final = 27
"""Expat's XML_ERROR_UNBOUND_PREFIX."""


def _with_prefixes_declared(text: str | bytes) -> str | None:
    """The text with prefixes declared that it uses without saying what they mean, or None.

    Some who publish messages leave ``xmlns:xsi`` out; nothing here depends on it.
    """
    try:
        decoded = text if isinstance(text, str) else text.decode("utf-8-sig")
    except UnicodeDecodeError:
        return None
    missing = set(_PREFIX.findall(decoded)) - set(_DECLARED.findall(decoded)) - {"xml", "xmlns"}
    root = _ROOT.search(decoded)
    if root is None or not 0 < len(missing) <= _MOST_PREFIXES:
        return None
    added = "".join(f' xmlns:{prefix}="urn:undeclared:{prefix}"' for prefix in sorted(missing))
    return decoded[: root.end()] + added + decoded[root.end() :]


def _tree_of(text: str | bytes) -> Element:
    from xml.etree.ElementTree import ParseError

    from defusedxml.common import DefusedXmlException
    from defusedxml.ElementTree import DefusedXMLParser

    target = _TreeTarget()
    parser: Any = DefusedXMLParser(target=target, forbid_dtd=True)
    target.parser = parser.parser
    try:
        parser.feed(text.lstrip("\ufeff \t\r\n") if isinstance(text, str) else text)
        root = parser.close()
    except DefusedXmlException:
        raise InputError(
            "XML without a document type declaration (entities are never read)",
            "<!DOCTYPE",
            line=target.parser.CurrentLineNumber,
            column=target.parser.CurrentColumnNumber + 1,
        ) from None
    except ParseError as error:
        line, column = error.position
        reason = str(error).partition(":")[0]
        wrong = InputError("well-formed XML", reason, line=line, column=column + 1)
        raise _NotXml(wrong, error.code) from None
    except (ValueError, LookupError) as error:  # an encoding that is unknown or many-byte
        raise InputError("XML in UTF-8 or another encoding that is known", str(error)) from None
    assert isinstance(root, Element)
    return root
