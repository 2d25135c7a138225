"""YAML 1.2 to plain values, with the place of every key and value kept.

The parser is PyYAML's (libyaml where it is there, pure Python elsewhere), which knows the syntax;
what plain scalars mean follows the core schema of YAML 1.2, so that ``no`` and ``12:30:00`` are
text, ``0o17`` is fifteen and ``017`` is seventeen. Duplicate keys, keys that are not text, several
documents in one file, and tags outside the core schema are errors.

Any bytes are safe to give: size, depth, number of values, and what aliases expand to are bounded.
Nothing is ever constructed but text, numbers, truth values, nothing, lists and mappings.

Source: YAML 1.2.2 (2021), section 10.3 for the core schema, 3.2.1.3 for unique keys.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any

import yaml

from contactd.core.errors import InputError

_CParser: Any
try:
    from yaml import cyaml

    _CParser = vars(cyaml)["CParser"]
except ImportError:  # PyYAML without libyaml
    _CParser = None

MOST_BYTES = 1 << 20
MOST_VALUES = 200_000
MOST_DEPTH = 40
MOST_DIGITS = 100

MAPPING = "mapping"
LIST = "list"
TEXT = "text"
INTEGER = "integer"
NUMBER = "number"
TRUTH = "truth value"
NOTHING = "nothing"

_TAG = "tag:yaml.org,2002:"
_NOTHING = frozenset(["", "~", "null", "Null", "NULL"])
_TRUTH = {
    **dict.fromkeys(["true", "True", "TRUE"], True),
    **dict.fromkeys(["false", "False", "FALSE"], False),
}
_INTEGER = re.compile(r"[-+]?[0-9]+|0o[0-7]+|0x[0-9a-fA-F]+")
_NUMBER = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?")
_INFINITE = re.compile(r"([-+]?)\.(inf|Inf|INF)")
_NOT_A_NUMBER = frozenset([".nan", ".NaN", ".NAN"])


@dataclass(slots=True)
class Node:
    """One value of a document and where it stands.

    Attributes:
        kind: one of the kinds named above.
        value: the plain value, children and all.
        line, column: where the value begins, from 1.
        text: a scalar as written, without its quotes; "" for mappings and lists.
        block: whether the text was written as a literal block (``|``).
        children: nodes of a mapping by key, of a list by index.
        keys: place of each key of a mapping.
        size: how many values it holds when aliases are written out, itself included.
    """

    kind: str
    value: Any
    line: int
    column: int
    text: str = ""
    block: bool = False
    children: dict[str | int, Node] = field(default_factory=dict)
    keys: dict[str, tuple[int, int]] = field(default_factory=dict)
    size: int = 1


def key_path(parts: Iterable[str | int]) -> str:
    """A path of keys and indexes as people write it: ``sequences[0].steps[2].delay``."""
    path = ""
    for part in parts:
        path += f"[{part}]" if isinstance(part, int) else f".{part}" if path else part
    return path


def parse(data: bytes) -> Node:
    """The one document in the bytes, as nodes; an empty document is a node of kind ``nothing``.

    Raises:
        InputError: with line and column (no path), for anything that is not one document of
            YAML 1.2's core schema within the bounds.
    """
    text = _decode(data)
    try:
        return _compose(_events(text))
    except yaml.reader.ReaderError as error:
        before = text[: error.position if isinstance(error.position, int) else 0]
        found = f"the control character U+{_code(error.character):04X}"
        raise InputError("printable text", found, line=_line(before), column=_column(before)) from (
            error
        )
    except yaml.MarkedYAMLError as error:
        raise _explained(error, text) from error


def _decode(data: bytes) -> str:
    if len(data) > MOST_BYTES:
        raise InputError(f"a file of at most {MOST_BYTES:,} bytes", f"{len(data):,} bytes", line=1)
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise InputError("text in UTF-8: save the file as UTF-8", "UTF-16", line=1, column=1)
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = data[: error.start].decode("utf-8", "replace").removeprefix("\ufeff")
        found = f"the byte 0x{data[error.start]:02X}"
        raise InputError(
            "text in UTF-8: save the file as UTF-8",
            found,
            line=_line(before),
            column=_column(before),
        ) from error
    # One kind of line break, so that lines are counted as an editor counts them.
    return text.replace("\r\n", "\n").replace("\r", "\n")


def _line(before: str) -> int:
    return before.count("\n") + 1


def _column(before: str) -> int:
    return len(before) - before.rfind("\n")


def _code(character: object) -> int:
    if isinstance(character, int):
        return character
    return ord(character) if isinstance(character, str) and len(character) == 1 else 0


def _events(text: str) -> Iterator[Any]:
    parser: Any = _CParser(text) if _CParser is not None else _PureParser(text)
    try:
        while parser.check_event():
            yield parser.get_event()
    finally:
        dispose = getattr(parser, "dispose", None)
        if dispose is not None:
            dispose()


class _PureParser(yaml.reader.Reader, yaml.scanner.Scanner, yaml.parser.Parser):
    def __init__(self, text: str) -> None:
        yaml.reader.Reader.__init__(self, text)
        yaml.scanner.Scanner.__init__(self)
        yaml.parser.Parser.__init__(self)


class _Composer:
    """Builds nodes from events without recursion."""

    def __init__(self) -> None:
        self.root: Node | None = None
        # Each open container, its anchor, and where it stands in its parent.
        self.open: list[tuple[Node, str | None, str | int]] = []
        self.pending: list[str | None] = []  # the key that waits for its value, per container
        self.anchors: dict[str, Node] = {}
        self.count = 0

    def add(self, node: Node, key_place: tuple[int, int] | None = None) -> str | int:
        """Put a finished or just opened node where it belongs; its key or index is returned."""
        self.count += 1
        if self.count > MOST_VALUES:
            raise _error(node, f"at most {MOST_VALUES:,} values in a file", "more")
        if not self.open:
            self.root = node
            return ""
        parent = self.open[-1][0]
        if parent.kind == LIST:
            index = len(parent.children)
            parent.children[index] = node
            return index
        key = self.pending[-1]
        if key is not None:
            parent.children[key] = node
            self.pending[-1] = None
            return key
        self.pending[-1] = self._key(parent, node, key_place or (node.line, node.column))
        return ""

    def _key(self, parent: Node, node: Node, place: tuple[int, int]) -> str:
        key = node.text
        if node.kind != TEXT:
            found = _named(node)
            hint = " (write it in quotes)" if node.kind not in (MAPPING, LIST) else ""
            raise InputError(f"a name as key{hint}", found, line=place[0], column=place[1])
        if key == "<<":
            expected = "keys written out: YAML 1.2 has no merge key"
            raise InputError(expected, "<<", line=place[0], column=place[1])
        if key in parent.keys:
            line = parent.keys[key][0]
            expected = f"each key once: it stands on line {line} already"
            path = key_path([*(part for _, _, part in self.open[1:]), key])
            raise InputError(expected, f"{key} again", key=path, line=place[0], column=place[1])
        parent.keys[key] = place
        return key

    def start(self, node: Node, anchor: str | None, part: str | int) -> None:
        self.open.append((node, anchor, part))
        self.pending.append(None)
        if len(self.open) > MOST_DEPTH:
            raise _error(node, f"at most {MOST_DEPTH} levels of nesting", "more")

    def end(self) -> None:
        node, anchor, _ = self.open.pop()
        self.pending.pop()
        children = node.children
        node.size = 1 + sum(child.size for child in children.values())
        if node.size > MOST_VALUES:
            raise _error(
                node, f"at most {MOST_VALUES:,} values, aliases written out", f"{node.size:,}"
            )
        if node.kind == LIST:
            node.value = [child.value for child in children.values()]
        else:
            node.value = {key: child.value for key, child in children.items()}
        if anchor:
            self.anchors[anchor] = node


def _compose(events: Iterator[Any]) -> Node:
    composer = _Composer()
    for event in events:
        if isinstance(event, yaml.ScalarEvent):
            node = _scalar(event)
            composer.add(node)
            if event.anchor:
                composer.anchors[event.anchor] = node
        elif isinstance(event, yaml.MappingStartEvent | yaml.SequenceStartEvent):
            node = _container(event)
            composer.start(node, event.anchor, composer.add(node))
        elif isinstance(event, yaml.MappingEndEvent | yaml.SequenceEndEvent):
            composer.end()
        elif isinstance(event, yaml.AliasEvent):
            line, column = _place(event)
            known = composer.anchors.get(event.anchor or "")
            if known is None:
                expected = f"an anchor &{event.anchor} before this, outside of what it names"
                raise InputError(expected, f"*{event.anchor}", line=line, column=column)
            composer.add(known, (line, column))
        elif isinstance(event, yaml.DocumentStartEvent) and composer.root is not None:
            line, column = _place(event)
            expected = "one document in a file: put this into a file of its own"
            raise InputError(expected, "a second document", line=line, column=column)
    return composer.root or Node(NOTHING, None, 1, 1)


def _place(event: Any) -> tuple[int, int]:
    return event.start_mark.line + 1, event.start_mark.column + 1


def _error(node: Node, expected: str, found: str) -> InputError:
    return InputError(expected, found, line=node.line, column=node.column)


def _named(node: Node) -> str:
    if node.kind in (MAPPING, LIST, NOTHING):
        return node.kind if node.kind == NOTHING else f"a {node.kind}"
    return f"the {node.kind} {node.text}"


def _container(event: Any) -> Node:
    kind = LIST if isinstance(event, yaml.SequenceStartEvent) else MAPPING
    line, column = _place(event)
    wanted = _TAG + ("seq" if kind == LIST else "map")
    if event.tag not in (None, "!", wanted):
        raise InputError("no tag here", _tag_named(event.tag), line=line, column=column)
    return Node(kind, None, line, column)


def _tag_named(tag: str) -> str:
    return "the tag !!" + tag.removeprefix(_TAG) if tag.startswith(_TAG) else f"the tag {tag}"


def _scalar(event: Any) -> Node:
    line, column = _place(event)
    text: str = event.value
    node = Node(TEXT, text, line, column, text, block=event.style == "|")
    tag = str(event.tag or "")
    if not tag:
        if event.implicit[0]:
            node.kind, node.value = _resolved(text, line, column)
        return node
    if tag in ("!", _TAG + "str"):
        return node
    kinds = {"int": (INTEGER,), "float": (NUMBER, INTEGER), "bool": (TRUTH,), "null": (NOTHING,)}
    wanted = kinds.get(tag.removeprefix(_TAG))
    if wanted is None:
        raise InputError("no tag here", _tag_named(tag), line=line, column=column)
    node.kind, node.value = _resolved(text, line, column)
    if node.kind not in wanted:
        raise _error(node, f"what {_tag_named(tag)} says", f"{node.kind} {text!r}")
    if wanted[0] == NUMBER:
        node.kind, node.value = NUMBER, float(node.value)
    return node


def _resolved(text: str, line: int, column: int) -> tuple[str, Any]:
    """Kind and value of a plain scalar by the core schema."""
    if text in _NOTHING:
        return NOTHING, None
    if text in _TRUTH:
        return TRUTH, _TRUTH[text]
    if text[0] not in "+-.0123456789":
        return TEXT, text
    is_integer = _INTEGER.fullmatch(text) is not None
    if (is_integer or _NUMBER.fullmatch(text)) and len(text) > MOST_DIGITS:
        expected = f"a number of at most {MOST_DIGITS} digits"
        raise InputError(expected, f"{len(text)} of them", line=line, column=column)
    if is_integer:
        return INTEGER, int(text, {"0o": 8, "0x": 16}.get(text[:2], 10))
    if _NUMBER.fullmatch(text):
        return NUMBER, float(text)
    infinite = _INFINITE.fullmatch(text)
    if infinite:
        return NUMBER, -math.inf if infinite[1] == "-" else math.inf
    if text in _NOT_A_NUMBER:
        return NUMBER, math.nan
    return TEXT, text


# What the parser says; what was found; and what an operator can do about it.
_EXPLANATIONS = (
    (
        "mapping values are not allowed",
        "a colon where no key can stand",
        "each key on a line of its own, indented like its neighbours; "
        "and quotes around text that holds a colon and a blank",
    ),
    ("expected ',' or ']'", "a list that is not closed", "commas between items, and ] at the end"),
    (
        "expected ',' or '}'",
        "keys in { that are not closed",
        "commas between keys, and } at the end",
    ),
    ("expected node content", "", "a value"),
    ("unexpected end of stream", "a quote that is not closed", "the closing quote"),
    (
        "expected '-' indicator",
        "",
        "the next item of the list, indented like the others, after a -",
    ),
    ("expected key", "", "the next key, indented like the others"),
    ("expected <block end>", "", "the next key or item, indented like the others"),
    ("could not find expected ':'", "", "a colon and a blank after the key"),
    ("unknown escape", "a backslash in double quotes", "single quotes, or \\\\ for one backslash"),
    ("nesting depth", "more", f"at most {MOST_DEPTH} levels of nesting"),
    ("undefined tag handle", "", "no tag here"),
    ("directive", "", "no line that begins with %"),
)


def _explained(error: yaml.MarkedYAMLError, text: str) -> InputError:
    problem = error.problem or error.context or "it cannot be read"
    context = error.context or ""
    # Where an unclosed bracket, quote or key began says more than where the parser gave up.
    began = any(word in context for word in ("quoted scalar", "flow", "simple key"))
    mark = (error.context_mark if began else None) or error.problem_mark or error.context_mark
    lines = text.split("\n")
    line, column = (mark.line, mark.column) if mark else (0, 0)
    if line >= len(lines):  # the compiled parser may mark a line after the last
        line, column = len(lines) - 1, len(lines[-1])
    rest = lines[line][column:]
    if rest.startswith("\t"):
        found, expected = "a tab", "blanks for indenting"
    elif "start any token" in problem:
        found, expected = rest[:1], f"quotes around text that begins with {rest[:1]}"
    else:
        found, expected = next(
            ((found, expected) for part, found, expected in _EXPLANATIONS if part in problem),
            ("", f"YAML 1.2 ({problem})"),
        )
    found = found or (rest.strip()[:40] or "the end of the line")
    return InputError(expected, found, line=line + 1, column=column + 1)
