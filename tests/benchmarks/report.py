"""Measures everything about contact prediction anew and writes it into README.md.

pip install -e '.[bench]'
python tests/benchmarks/report.py             # all of it: half an hour on two processors
python tests/benchmarks/report.py M S stages  # only these parts; the others stay as they are
"""

from __future__ import annotations

import platform
import re
import sys
from collections.abc import Callable
from importlib.metadata import version
from pathlib import Path

import accuracy
import bench_fleet
import outliers
import speed
import stages

README = Path(__file__).parent / "README.md"

HEAD = """# Contact prediction, measured

Written by `python tests/benchmarks/report.py` (see there); do not edit by hand. Only ratios mean
anything: times are those of the machine at hand, and the rivals of one table ran in one run, taking
turns; each figure is the median of a rival's turns. The column *processor* is the processors' time
of the whole process, all its threads together: other work on the machine changes it little. "×" is
how many times as long as this project's compiled path on one thread (the first row).

The workloads are in `workloads.py`: seeded, invented, the same on every machine.
"""

NOTES = {
    "M": "Workload M: 100 satellites, 10 stations, 7 days",
    "S": "Workload S: one satellite, one station, 7 days",
    "L": "Workload L: 1,000 satellites, 50 stations, 7 days",
    "curves": "How the cost grows (7 days)",
    "cold": "Cold starts",
    "replanning": "What a change costs",
    "fleet": "A fleet in one service",
    "stages": "Where the time goes (workload M, one thread)",
    "accuracy": "Accuracy (workload M)",
    "verification": "SGP4's verification set",
    "outliers": "The crossings that one exact step does not mend",
}


FLEET = """
The real process (`bench_fleet.py`), its files, a ledger in SQLite, and the metrics over HTTP, seen
from outside: seven days ahead and one back; a fifth of the stations have masks, every station has a
command service with a higher elevation, every tenth target a sequence. Wall times are those of a
machine on which other work went on; the processor's are beside them.
"""


def explained(text: str | None) -> str:
    """A module's explanation as Markdown."""
    return (text or "").replace("``", "`").strip()


PARTS: dict[str, Callable[[], str]] = {
    "M": speed.race_medium,
    "S": speed.race_small,
    "L": speed.race_large,
    "curves": speed.curves,
    "cold": speed.cold,
    "replanning": speed.replanning,
    "fleet": lambda: explained(FLEET) + "\n\n" + bench_fleet.report(),
    "stages": stages.report,
    "accuracy": accuracy.report,
    "verification": accuracy.published,
    "outliers": lambda: explained(outliers.__doc__) + "\n\n" + outliers.report(),
}


def machine() -> str:
    """The machine and the versions that the figures belong to."""
    names = ("skyfield", "sgp4", "numpy", "numba", "brahe", "lox-space", "astropy")
    versions = ", ".join(f"{name} {version(name)}" for name in names)
    cores = len(__import__("os").sched_getaffinity(0))
    return f"{cores} processors, Python {platform.python_version()}, {versions}."


def kept(text: str) -> dict[str, str]:
    """The parts that an earlier report has."""
    found = {}
    for name, title in NOTES.items():
        match = re.search(rf"^## {re.escape(title)}\n\n(.*?)(?=^## |\Z)", text, re.S | re.M)
        if match:
            found[name] = match.group(1).strip()
    return found


def main(wanted: list[str]) -> None:
    """Measure what is wanted (everything, if nothing is named) and write the report."""
    unknown = set(wanted) - set(PARTS)
    if unknown:
        sys.exit(f"no such part: {', '.join(sorted(unknown))}; there are {', '.join(PARTS)}")
    parts = kept(README.read_text(encoding="utf-8")) if README.exists() else {}
    for name, measure in PARTS.items():
        if wanted and name not in wanted:
            continue
        print(f"measuring {name} …", flush=True)
        parts[name] = measure()
        body = "\n\n".join(f"## {NOTES[each]}\n\n{parts[each]}" for each in PARTS if each in parts)
        README.write_text(f"{HEAD}\n{machine()}\n\n{body}\n", encoding="utf-8")
        print(parts[name], flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
