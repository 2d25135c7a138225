"""XML of navigation data messages (CCSDS 505.0-B) as a tree whose elements know their places.

Read by defusedxml with document types refused, so that no entity is ever expanded or fetched.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, Final

from contactd.core.errors import InputError
from contactd.core.orbit.text import Field, check_size

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
    from xml.etree.ElementTree import ParseError

    from defusedxml.common import DefusedXmlException
    from defusedxml.ElementTree import DefusedXMLParser

    check_size(text)
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
        raise InputError("well-formed XML", reason, line=line, column=column + 1) from None
    except (ValueError, LookupError) as error:  # an encoding that is unknown or many-byte
        raise InputError("XML in UTF-8 or another encoding that is known", str(error)) from None
    assert isinstance(root, Element)
    return root
