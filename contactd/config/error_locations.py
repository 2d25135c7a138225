"""From what validation found to errors that name file, line, column, key, found and expected."""

from __future__ import annotations

import re
import types
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any, TypeVar, Union, get_args, get_origin

from pydantic import ValidationError

from contactd.config.configuration import Mention
from contactd.config.sections import Choice, Section
from contactd.config.types import Kind, nearest
from contactd.config.yaml12 import LIST, MAPPING, NOTHING, TEXT, TRUTH, Node, key_path, parse
from contactd.core.errors import InputError

MOST_ERRORS_PER_FILE = 50
_LONGEST_FOUND = 60
_LISTED_KEYS = 12
_COUNTS = {3: "three", 4: "four"}

Location = tuple[str | int, ...]
AnySection = TypeVar("AnySection", bound=Section)


@dataclass(slots=True)
class Document:
    """A YAML file as read: its values, where each stands, and what is wrong with it."""

    path: Path
    root: Node
    data: bytes = b""
    errors: list[InputError] = field(default_factory=list)

    def validated(self, model: type[AnySection]) -> AnySection | None:
        """The file as its model; None, with errors noted, if it does not fit."""
        needs_keys = any(known.is_required() for known in model.model_fields.values())
        if self.root.kind != MAPPING and (self.root.kind != NOTHING or needs_keys):
            self.note((), f"keys such as {_keys_of(model)}")
            return None
        try:
            return model.model_validate(self.root.value)
        except ValidationError as error:
            details: list[Any] = list(error.errors(include_url=False))
        explained = [self._explained(detail, model) for detail in details]
        # A key that was misspelt is not missing as well.
        meant = {
            key_path([*detail["loc"][:-1], each.expected])
            for detail, each in zip(details, explained, strict=True)
            if detail["type"] == "extra_forbidden"
        }
        self.errors += [
            each
            for detail, each in zip(details, explained, strict=True)
            if detail["type"] != "missing" or key_path(detail["loc"]) not in meant
        ]
        return None

    def note(self, location: Location, expected: str, found: str | None = None) -> None:
        """Note an error at a place: keys and indexes as the model has them."""
        self.errors.append(self.error(location, expected, found))

    def error(self, location: Location, expected: str, found: str | None = None) -> InputError:
        """An error at a place of this file."""
        parts, node, whole = self._found_at(location)
        if found is None:
            found = describe(node) if whole else "no such key"
        path = key_path(parts)
        return InputError(expected, found, path, str(self.path), node.line, node.column)

    def mention(self, location: Location) -> Mention:
        """A word of this file and where it stands."""
        parts, node, _ = self._found_at(location)
        path = str(self.path)
        return Mention(node.text, key_path(parts), path, node.line, node.column)

    def node(self, location: Location) -> Node:
        """The node at a place, or the nearest that encloses it."""
        return self._found_at(location)[1]

    def indent(self, node: Node) -> int:
        """By how many blanks the lines of a literal block are indented."""
        lines = self.data.decode("utf-8-sig").replace("\r\n", "\n").split("\n")[node.line :]
        for written, kept in zip(lines, node.text.split("\n"), strict=False):
            if kept.strip():
                return len(written) - len(kept)
        return 0

    def _found_at(self, location: Location) -> tuple[list[str | int], Node, bool]:
        """Path as written, the deepest node there is, and whether it is the one asked for."""
        node, missing = self.root, False
        matched: list[str | int] = []
        for part in location:
            if part in node.children:
                node = node.children[part]
                matched.append(part)
            elif isinstance(part, str) and node.kind in (MAPPING, NOTHING):
                matched.append(part)
                missing = True
                break
        return matched, node, not missing

    def _explained(self, detail: dict[str, Any], model: type[Section]) -> InputError:
        kind, context = detail["type"], detail.get("ctx") or {}
        location, place = _without_tags(tuple(detail["loc"]), model)
        if kind == "expected":
            location += context.get("place", ())
            if location and location[-1] == "[key]":
                return self._key_error(location[:-1], context["expected"])
            return self.error(location, context["expected"], context.get("found"))
        if kind == "extra_forbidden":
            return self._unknown_key(location, model)
        if kind == "missing" and isinstance(location[-1], str):
            return self.error(location, _expected_at(place))
        if kind in ("missing", "too_long"):
            pair = _without_tags(location[: -1 if kind == "missing" else None], model)
            if Ellipsis not in get_args(pair[1].annotation):
                return self.error(pair[0], _expected_at(pair[1]))
        if kind in ("union_tag_not_found", "union_tag_invalid"):
            choice = next(each for each in place.metadata if isinstance(each, Choice))
            known = list(choice.sections)
            word = self.node((*location, choice.key)).value
            near = nearest(word, known)
            hint = f" (the nearest is {near})" if near and len(known) > 1 else ""
            return self.error((*location, choice.key), " or ".join(known) + hint)
        if kind == "too_long":
            return self.error(location, f"at most {context['max_length']:,} items", "more")
        return self.error(location, _expected_at(place))

    def _key_error(self, location: Location, expected: str) -> InputError:
        key = str(location[-1])
        line, column = self.node(location[:-1]).keys.get(key, (0, 0))
        path = key_path(location)
        return InputError(expected, _quoted(key), path, str(self.path), line, column)

    def _unknown_key(self, location: Location, model: type[Section]) -> InputError:
        *outer, key = location
        parts, parent, _ = self._found_at(tuple(outer))
        section = _without_tags(tuple(outer), model)[1].section
        known = list(_keys(section)) if section else []
        near = nearest(key, [each for each in known if each not in parent.keys])
        expected = near if near else f"one of {_keys_of(section)}" if section else "no such key"
        line, column = parent.keys.get(str(key), (parent.line, parent.column))
        path = key_path([*parts, key])
        shown = f"the unknown key {_shortened(str(key))}"
        return InputError(expected, shown, path, str(self.path), line, column)


def bounded(document: Document) -> list[InputError]:
    """The document's errors, the last of too many standing for the rest."""
    errors = document.errors
    if len(errors) <= MOST_ERRORS_PER_FILE:
        return errors
    more = len(errors) - MOST_ERRORS_PER_FILE
    last = InputError("these mended first", f"{more} more errors", path=str(document.path))
    return [*errors[:MOST_ERRORS_PER_FILE], last]


def read_document(path: Path, data: bytes) -> Document:
    """A file's bytes as a document.

    Raises:
        InputError: naming the path, if the bytes are not YAML 1.2.
    """
    try:
        return Document(path, parse(data), data)
    except InputError as error:
        raise error.at(str(path)) from None


def describe(node: Node) -> str:
    """What stands in a place, for people."""
    if node.kind == MAPPING:
        return f"keys ({', '.join(_shortened(key) for key in list(node.keys)[:5])})"
    if node.kind == LIST:
        return "a list"
    if node.kind == NOTHING:
        return "nothing"
    if node.kind == TEXT:
        return _quoted(node.text)
    return node.text if node.kind == TRUTH else f"the number {node.text}"


def _quoted(text: str) -> str:
    return "'" + _shortened(text) + "'"


def _shortened(text: str) -> str:
    shown = "".join(each if each.isprintable() else " " for each in text)
    shown = re.sub(r"//[^/\s]*@", "//…@", shown)
    return shown if len(shown) <= _LONGEST_FOUND else shown[: _LONGEST_FOUND - 1] + "…"


@dataclass(slots=True)
class _Place:
    """What the models want in a place."""

    annotation: Any
    metadata: list[Any]
    description: str | None = None

    @property
    def section(self) -> type[Section] | None:
        is_section = isinstance(self.annotation, type) and issubclass(self.annotation, Section)
        return self.annotation if is_section else None


def _unwrapped(annotation: Any, metadata: Sequence[Any] = ()) -> _Place:
    """An annotation without ``Annotated`` and ``None``."""
    gathered = list(metadata)
    while True:
        origin = get_origin(annotation)
        if origin is Annotated:
            annotation, *more = get_args(annotation)
            gathered += more
        elif origin in (Union, types.UnionType):
            annotation = next(each for each in get_args(annotation) if each is not types.NoneType)
        else:
            return _Place(annotation, gathered)


def _without_tags(location: Location, model: type[Section]) -> tuple[Location, _Place]:
    """The location without the words that only tell sections apart, and what is wanted there."""
    place, kept = _Place(model, []), []
    for part in location:
        choice = next((each for each in place.metadata if isinstance(each, Choice)), None)
        if choice is not None and part in choice.sections:
            place = _Place(choice.sections[str(part)], [])
            continue
        kept.append(part)
        place = _inner(place, part)
    return tuple(kept), place


def _inner(place: _Place, part: str | int) -> _Place:
    if place.section is not None:
        for name, known in place.section.model_fields.items():
            if part == (known.alias or name):
                found = _unwrapped(known.annotation, known.metadata)
                found.description = known.description
                return found
        return _Place(None, [])
    inner = get_args(place.annotation)
    if get_origin(place.annotation) is dict:
        return _unwrapped(inner[1])
    if inner and isinstance(part, int):
        pair = Ellipsis not in inner and part < len(inner)
        return _unwrapped(inner[part] if pair else inner[0])
    return _Place(None, [])


def _keys(section: type[Section]) -> Iterable[str]:
    for name, known in section.model_fields.items():
        yield known.alias or name


def _keys_of(section: type[Section]) -> str:
    keys = list(_keys(section))
    more = ", …" if len(keys) > _LISTED_KEYS else ""
    return ", ".join(keys[:_LISTED_KEYS]) + more


def _expected_at(place: _Place) -> str:
    if place.description is not None:
        return place.description
    for each in place.metadata:
        if isinstance(each, Kind):
            return each.expected
    if place.section is not None:
        return f"keys such as {_keys_of(place.section)}"
    inner = get_args(place.annotation)
    if get_origin(place.annotation) is tuple and inner and Ellipsis not in inner:
        wanted = [_expected_at(_unwrapped(each)) for each in inner]
        if len(set(wanted)) == 1 and len(inner) > 2:
            return f"{_COUNTS.get(len(inner), len(inner))} numbers in brackets, each {wanted[0]}"
        return f"a pair in brackets: [{', '.join(wanted)}]"
    if get_origin(place.annotation) is tuple:
        return "a list"
    return "keys and their values" if get_origin(place.annotation) is dict else "another value"
