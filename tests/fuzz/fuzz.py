"""Coverage-guided fuzzing of every reader of text from outside.

    python tests/fuzz/fuzz.py tle                    until something breaks, or Ctrl-C
    python tests/fuzz/fuzz.py tle -runs=5000         a fixed count, as the tests do

Each reader must give values or a ContactdError (a ValueError where its docstring says so), whatever
the bytes. What breaks one is written to ``crash-…`` in the current folder; put it into
``tests/fuzz/corpus/<reader>`` once it is mended, so that it is never forgotten.

atheris instruments what is imported under it; the readers are imported in ``main`` for that.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

HERE = Path(__file__).resolve().parent
CORPUS = HERE / "corpus"
AROUND = 849_556_837.0
READERS = (
    "tle",
    "omm",
    "oem",
    "opm",
    "yaml",
    "calendar",
    "duration",
    "instant",
    "target",
    "script",
    "schedule",
)


def reader(name: str) -> Callable[[bytes], object]:
    """The reader of that name, over bytes."""
    if name == "tle":
        from contactd.core.orbit.tle import parse_tle

        return lambda data: parse_tle(data.decode("utf-8", "replace"))
    if name == "omm":
        from contactd.core.orbit.omm import parse_omm

        return parse_omm
    if name == "oem":
        from contactd.core.orbit.oem import parse_oem

        return lambda data: parse_oem(data.decode("utf-8", "replace"))
    if name == "opm":
        from contactd.core.orbit.opm import parse_opm

        return lambda data: parse_opm(data.decode("utf-8", "replace"))
    if name == "yaml":
        from contactd.config.yaml12 import parse

        return parse
    if name == "calendar":
        from contactd.core.ground.outages import calendar_outages

        span = (AROUND, AROUND + 30 * 86_400.0)
        return lambda data: calendar_outages(data.decode("utf-8", "replace"), *span)
    if name == "schedule":
        from contactd.faces.exchange.reading import read_plan

        return read_plan
    if name == "duration":
        from contactd.mission.timetext import read_length

        return lambda data: read_length(data.decode("utf-8", "replace"))
    if name == "instant":
        from contactd.core.instants import from_text

        return lambda data: from_text(data.decode("utf-8", "replace"))
    from contactd.config.error_locations import read_document

    if name == "target":
        from contactd.config.target_file import TargetFile

        return lambda data: read_document(Path("target.yaml"), data).validated(TargetFile)
    from contactd.config.rehearsal import Script

    return lambda data: read_document(Path("script.yaml"), data).validated(Script)


def main(arguments: list[str]) -> None:
    """Fuzz one reader; the remaining arguments are libFuzzer's."""
    import atheris

    name, *rest = arguments
    assert name in READERS, f"one of {', '.join(READERS)} is expected"
    with atheris.instrument_imports(include=["contactd"]):
        read = reader(name)
        from contactd.core.errors import ContactdError

    def attempt(data: bytes) -> None:
        try:
            read(data)
        except (ContactdError, ValueError):
            return

    folder = CORPUS / name
    known = [str(folder)] if folder.is_dir() else []
    atheris.Setup([sys.argv[0], "-max_len=4096", *rest, *known], attempt)
    atheris.Fuzz()


if __name__ == "__main__":
    main(sys.argv[1:])
