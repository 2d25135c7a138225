"""Any edits in any order, with restarts and records between: what runs is watched, or is named."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from contactd.config.loader import examine
from contactd.core import record as kinds
from contactd.core.instants import from_text, to_text
from contactd.core.record import Record
from contactd.core.sequences.model import Sequence
from contactd.records import State, fold
from contactd.service.watching import Watchkeeper

NOW = from_text("2026-12-03T12:00:00Z")
STARTED = "2026-12-03T11:00:00Z"
TARGET, SEQUENCE = "Moth", "wake-up"
STEPS = ("boom out", "lamp on")


def content(**change: Any) -> dict[str, Any]:
    first = {"name": "boom out", "after": "start", "delay": change.get("delay", "3h"),
             "hazard": "deployment", "keep_clear": {"before": "1min", "after": "1min"}}  # fmt: skip
    if change.get("harmless"):
        del first["hazard"], first["keep_clear"]
    second = {"name": change.get("lamp", "lamp on"), "after": "start", "delay": "5h"}
    steps = [first, second] if not change.get("short") else [second]
    start = {"status": "observed", "at": STARTED} if change.get("runs") else {"status": "pending"}
    name = change.get("sequence", SEQUENCE)
    return {"name": TARGET, "sequences": [{"name": name, "start": start, "steps": steps}]}


FILES: dict[str, dict[str, Any] | str | None] = {
    "as first": content(),
    "runs": content(runs=True),
    "runs, slower": content(runs=True, delay="9h"),
    "slower": content(delay="9h"),
    "harmless": content(harmless=True),
    "short": content(short=True, runs=True),
    "lamp renamed": content(lamp="light on"),
    "sequence renamed": content(sequence="get up"),
    "no sequence": {"name": TARGET},
    "another target": {"name": "Bee"},
    "broken": "name: Moth\nsequences: [",
    "gone": None,
}
SUBJECT = f"{TARGET}/{SEQUENCE}"
RECORDS: dict[str, tuple[str, str, dict[str, Any]]] = {
    "start": (kinds.START_OBSERVED, SUBJECT, {"earliest": STARTED, "latest": STARTED}),
    "attempt": (kinds.START_ATTEMPTED, SUBJECT, {"earliest": STARTED, "latest": STARTED}),
    "no start": (kinds.START_REFUTED, SUBJECT, {"why": "x"}),
    "stop": (kinds.SEQUENCE_STOPPED, SUBJECT, {"at": to_text(NOW - 60.0)}),
    "boom seen": (kinds.STEP_SEEN, f"{SUBJECT}/boom out", {"at": to_text(NOW - 60.0)}),
    "lamp seen": (kinds.STEP_SEEN, f"{SUBJECT}/lamp on", {"at": to_text(NOW - 60.0)}),
    "confirm": (kinds.DEFINITION_CONFIRMED, SUBJECT, {"why": "x"}),
    "retire": (kinds.RETIRED, TARGET, {"why": "x"}),
}
DECIDES = ("no start", "stop", "confirm", "retire")


@dataclass
class World:
    """The files, the ledger, the service's watchkeeper, and what is known to run in truth."""

    folder: Path
    state: State = field(default_factory=State)
    count: int = 0
    keeper: Watchkeeper | None = None

    def edit(self, name: str) -> None:
        path = self.folder / "config" / "targets" / "moth.yaml"
        written = FILES[name]
        if written is None:
            path.unlink(missing_ok=True)
        else:
            path.write_text(written if isinstance(written, str) else yaml.safe_dump(written))

    def append(self, *records: Record) -> None:
        numbered = []
        for record in records:
            self.count += 1
            numbered.append(replace(record, number=self.count))
        self.state = fold(self.state, numbered)

    def load(self, *, restart: bool) -> None:
        """Look at the files, as the service does when they change, or when it starts."""
        found = examine(self.folder / "config", self.folder / "var", NOW)
        if restart or self.keeper is None:
            self.keeper = Watchkeeper(found.configuration, self.folder / "var" / "kept")
        elif found.errors:
            self.keeper.refuse(found.configuration.wrong)
            return
        else:
            self.keeper.read(found.configuration)
        self.append(*self.keeper.adopted(self.state, NOW))


def runs(world: World) -> bool:
    """Whether the ledger knows it to run, and no record has ended it."""
    known = world.state.sequences.get((TARGET, SEQUENCE))
    return known is not None and known.start is not None and known.start.may_run


def done(world: World, aboard: Sequence) -> bool:
    known = world.state.sequences.get((TARGET, SEQUENCE))
    return known is not None and all(step.name in known.seen for step in aboard.steps)


@settings(max_examples=25, deadline=None)
@given(
    st.lists(
        st.tuples(st.sampled_from(["edit", "record"]), st.integers(0, 99), st.booleans()),
        max_size=10,
    )
)
def test_whatever_is_edited_in_whatever_order_what_runs_is_watched_or_named(moves) -> None:
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "config" / "targets").mkdir(parents=True)
        world = World(Path(folder))
        world.edit("as first")
        world.load(restart=True)
        finished = False
        aboard: Sequence | None = None  # as it was when somebody last said what runs
        for what, number, restart in moves:
            if what == "edit":
                world.edit(list(FILES)[number % len(FILES)])
                world.load(restart=restart)
            else:
                name = list(RECORDS)[number % len(RECORDS)]
                kind, subject, body = RECORDS[name]
                world.append(Record(NOW, kind, subject, "Ada", body))
                if name in DECIDES:
                    aboard = None
            assert world.keeper is not None
            found = world.keeper.look(world.state, NOW).watch_list
            retired = TARGET in world.state.definitions.retired
            running = (runs(world) or in_file(world)) and not retired
            if aboard is not None and running and not done(world, aboard):
                hold(found, aboard)
                continue
            if not running:
                finished, aboard = False, None
            elif aboard is not None and done(world, aboard):
                finished, aboard = True, None
            elif aboard is None and not finished:
                # What the files add to a run is watched too, but nobody says that it is aboard.
                aboard = watched(found) if running and not found.contradictions else None


def in_file(world: World) -> bool:
    definition = world.state.definitions.aboard.get((TARGET, SEQUENCE))
    known = world.state.sequences.get((TARGET, SEQUENCE))
    filed = definition is not None and definition.body["sequences"].get(SEQUENCE) == "observed"
    return filed and (known is None or known.start is None)


def watched(watch_list: Any) -> Sequence | None:
    target = watch_list.targets.get(TARGET)
    if target is None:
        return None
    return next((each for each in target.sequences if each.name == SEQUENCE), None)


def hold(watch_list: Any, aboard: Sequence) -> None:
    """It is watched as it was aboard, or it is named as not watched."""
    if any(each.name.startswith(TARGET) for each in watch_list.unwatched):
        return
    found = watched(watch_list)
    assert found is not None, "what runs is watched no more"
    steps = {step.name: step for step in found.steps}
    for step in aboard.steps:
        assert step.name in steps, f"{step.name} is watched no more"
        assert steps[step.name].delay == step.delay
        assert steps[step.name].hazard is not None or step.hazard is None
