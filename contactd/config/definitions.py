"""Definitions as the ledger keeps them: the text of a target's or station's file, and its return.

The body of ``definition-adopted``: ``what`` (``target`` or ``station``), ``file`` (relative to the
configuration's folder), ``digest``, ``files`` (for each file, its own first: ``name, digest`` and
``text``, null where all together would be more than ``MOST_DEFINITION_BYTES``) and, for a target,
``sequences`` (the status of each one's start as the file has it, by name). What is too large lies
in the folder of kept files, by its digest.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from contactd.config.build_cache import Maker
from contactd.config.builder import MOST_DEFINITION_BYTES
from contactd.config.configuration import Made
from contactd.config.files import Reader, Unreadable
from contactd.config.settings import Elements
from contactd.core.errors import InputErrors
from contactd.core.record import Record
from contactd.core.target import Target

MOST_KEPT_BYTES = 8 << 20


class Lost(Exception):
    """A definition cannot be used any more; the text says why."""


def digest_of(made: Made) -> str:
    """The same for the same file and the same files that it refers to."""
    total = hashlib.sha256()
    for path, digest in made.digests.items():
        total.update(f"{path.name}\0{digest}\0".encode("utf-8", "surrogateescape"))
    return total.hexdigest()


def definition_body(made: Made, directory: Path) -> dict[str, Any]:
    """The body of the record that adopts what was made of a file."""
    left = MOST_DEFINITION_BYTES
    files = []
    for path, digest in made.digests.items():
        text = _text(made.contents.get(path))
        size = MOST_DEFINITION_BYTES + 1 if text is None else len(text.encode())
        kept = text if size <= left else None
        left -= size if kept is not None else 0
        files.append({"name": relative(path, directory), "digest": digest, "text": kept})
    body: dict[str, Any] = {
        "what": "target" if isinstance(made.thing, Target) else "station",
        "file": relative(made.path, directory),
        "digest": digest_of(made),
        "files": files,
    }
    if isinstance(made.thing, Target):
        body["sequences"] = {each.name: each.start.status.value for each in made.thing.sequences}
    return body


def too_large(made: Made, directory: Path) -> dict[Path, str]:
    """The files of a definition that its record does not hold, with their digests."""
    files = zip(made.digests.items(), definition_body(made, directory)["files"], strict=True)
    return {path: digest for (path, digest), each in files if each["text"] is None and digest}


def made_again(
    record: Record, directory: Path, kept: Path, rules: Elements, span: tuple[float, float]
) -> Made:
    """What a definition says, made anew from the text that the ledger keeps.

    Args:
        directory: the configuration's folder.
        kept: the folder of what is too large for the ledger.
        span: within which recurring events are written out (instants, s).

    Raises:
        Lost: if it cannot be made any more.
    """
    body = record.body
    reader = Reader()
    try:
        for each in body["files"]:
            reader.kept[_path(each["name"], directory)] = _content(each, kept)
        path = _path(body["file"], directory)
        maker = Maker(reader, span, {})
        made = maker.station(path) if body["what"] == "station" else maker.target(path, rules)
    except (KeyError, TypeError, ValueError) as error:
        raise Lost(f"its record {record.number} cannot be read ({error})") from error
    if made is None or made.thing.name != record.subject:
        first = str(InputErrors(tuple(maker.errors)).errors[0]) if maker.errors else "another name"
        raise Lost(f"what was adopted as record {record.number} is not valid now: {first}")
    return made


def _content(each: Mapping[str, Any], kept: Path) -> bytes:
    text = each["text"]
    if text is not None:
        return str(text).encode("utf-8", "surrogateescape")
    digest = str(each["digest"])
    if not digest:
        return b""
    try:
        data = Reader().read(kept / digest, MOST_KEPT_BYTES)
    except Unreadable as problem:
        raise Lost(f"the copy of {each['name']} at {kept / digest} is {problem}") from None
    if hashlib.sha256(data).hexdigest() != digest:
        raise Lost(f"the copy of {each['name']} at {kept / digest} is not what was adopted")
    return data


def _text(data: bytes | None) -> str | None:
    """Bytes as text that gives them back; None if there is none."""
    if data is None:
        return None
    try:
        return data.decode()
    except UnicodeDecodeError:
        return None


def relative(path: Path, directory: Path) -> str:
    """A file's name within the configuration's folder; its whole path outside of it."""
    return str(path.relative_to(directory) if path.is_relative_to(directory) else path)


def _path(name: str, directory: Path) -> Path:
    return directory / name
