"""JSON of element messages: flat objects whose values know their places."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from typing import Final

from contactd.core.errors import InputError
from contactd.core.orbit.text import Field, as_text

MAX_DEPTH: Final = 16
"""Deepest nesting of lists and objects."""

_TOKEN = re.compile(
    r'(?P<string>"(?:[^"\\]|\\.)*")|(?P<mark>[{}\[\],:])|(?P<plain>[^\s{}\[\],:"]+)'
)


def json_messages(text: str | bytes) -> Iterator[list[Field]]:
    """Each message's fields: one list per innermost object in a list (or the only object).

    Objects within an object are laid flat into it; nulls and lists of plain values are left out.

    Raises:
        InputError: for text that is not JSON, a key twice in one object, or too deep nesting.
    """
    decoded = as_text(text)
    try:
        json.loads(decoded, parse_float=str, parse_int=str, parse_constant=str)
    except json.JSONDecodeError as error:
        raise InputError(
            "valid JSON", error.msg.lower(), line=error.lineno, column=error.colno
        ) from None
    except RecursionError:
        raise InputError(f"JSON nested at most {MAX_DEPTH} deep", "a deeper one") from None
    return _Walk(decoded).messages()


class _Walk:
    """Walks the tokens of text that is known to be JSON, keeping count of lines."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.tokens = _TOKEN.finditer(text)
        self.line, self.line_start, self.seen = 1, 0, 0
        self.column = 1
        self.next()

    def next(self) -> None:
        match = next(self.tokens, None)
        self.kind = match.lastgroup if match else None
        self.piece = match[0] if match else ""
        if match:
            begin = match.start()
            self.line += self.text.count("\n", self.seen, begin)
            newline = self.text.rfind("\n", self.seen, begin)
            self.line_start = self.line_start if newline < 0 else newline + 1
            self.seen, self.column = begin, begin - self.line_start + 1

    def messages(self) -> Iterator[list[Field]]:
        if self.piece not in ("{", "["):
            raise InputError(
                "an object or a list of objects",
                self.piece[:60],
                line=self.line,
                column=self.column,
            )
        yield from self._value("", [], 0)

    def _value(self, key: str, into: list[Field], depth: int) -> Iterator[list[Field]]:
        """Consume one value; yields the messages in it, and adds plain values to ``into``."""
        if depth > MAX_DEPTH:
            raise InputError(
                f"JSON nested at most {MAX_DEPTH} deep",
                "a deeper one",
                key,
                line=self.line,
                column=self.column,
            )
        if self.piece == "[" and self.kind == "mark":
            yield from self._list(key, depth)
        elif self.piece == "{" and self.kind == "mark":
            yield from self._object(into, depth)
        else:
            if self.piece != "null":
                text = json.loads(self.piece) if self.kind == "string" else self.piece
                into.append(Field(key, text.strip(), self.line, self.column))
            self.next()

    def _list(self, key: str, depth: int) -> Iterator[list[Field]]:
        self.next()
        while self.piece != "]" or self.kind != "mark":
            own: list[Field] = []
            is_object = self.piece == "{" and self.kind == "mark"
            yield from self._value(key, own, depth + 1)
            if is_object and own:
                yield own
            if self.piece == "," and self.kind == "mark":
                self.next()
        self.next()

    def _object(self, into: list[Field], depth: int) -> Iterator[list[Field]]:
        self.next()
        keys: set[str] = set()
        while self.piece != "}" or self.kind != "mark":
            key = str(json.loads(self.piece))
            if key in keys:
                raise InputError(
                    "each key once in an object",
                    f"{key!r} again",
                    key,
                    line=self.line,
                    column=self.column,
                )
            keys.add(key)
            self.next()
            self.next()
            yield from self._value(key, into, depth + 1)
            if self.piece == "," and self.kind == "mark":
                self.next()
        self.next()
        if depth == 0 and into:
            yield into
