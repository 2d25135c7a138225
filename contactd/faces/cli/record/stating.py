"""The command of each kind of statement, made from its class."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click
from pydantic import ValidationError

from contactd.core.sequences.known import SequenceKnowledge
from contactd.faces.cli.output import complain, refuse, tell
from contactd.faces.cli.record.entry import Manner, keep, print_change, print_record, recording
from contactd.faces.cli.session import Session, current
from contactd.faces.cli.times import Duration
from contactd.faces.cli.watched import read_watched
from contactd.mission.statements import (
    Field,
    Stated,
    Statement,
    following,
    notes_of,
    record_of,
    repeats,
    scene_of,
    shape_of,
)
from contactd.mission.statements.kinds import Remark
from contactd.mission.statements.types import stated_length, stated_moment
from contactd.mission.timetext import NotAMoment

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from contactd.config.configuration import Configuration
    from contactd.core.record import Record
    from contactd.mission.statements import Scene
    from contactd.records.state import State

    _Stated = click.ParamType[Stated]
else:
    _Stated = click.ParamType

_METAVARS = {
    "moment": "TIME",
    "length": "DURATION",
    "reading": "DURATION",
    "text": "TEXT",
    "count": "NUMBER",
}


class _Moment(_Stated):
    name = "time"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> Stated:
        session = ctx.find_object(Session) if ctx else None
        try:
            return stated_moment(value, session.now if session else None)
        except NotAMoment as problem:
            self.fail(str(problem), param, ctx)


class _Reading(_Stated):
    name = "duration"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> Stated:
        try:
            return stated_length(value)
        except ValueError as problem:
            self.fail(f"{value!r} is not {problem}", param, ctx)


def command_of(kind: type[Statement]) -> click.Command:
    """The command that records a kind of statement."""
    shape = shape_of(kind)
    arguments = [each for each in shape.fields if _is_argument(each, shape.about)]
    given = [each for each in shape.fields if each not in arguments and each.name != "note"]

    def run(manner: Manner, **values: Any) -> None:
        state_it(
            kind, {name: value for name, value in values.items() if value not in (None, ())}, manner
        )

    made: Callable[..., Any] = recording(run)
    for each in reversed(given):
        made = click.option(
            f"--{each.option}",
            each.name,
            type=_type(each),
            multiple=each.many,
            metavar=None if each.type == "choice" else _METAVARS.get(each.type, "NAME"),
            help=_help(each),
        )(made)
    for each in reversed(arguments):
        metavar = "STEP" if each.type == "step" else each.name.upper()
        made = click.argument(each.name, metavar=metavar, type=_type(each))(made)
    return click.command(shape.verb, help=shape.help, short_help=shape.summary)(made)


def state_it(kind: type[Statement], values: dict[str, Any], manner: Manner) -> None:
    """Record a statement, and print what it changes.

    The exit code is 1 if it contradicts what was known: it is kept all the same, but the state
    before it stays in force.
    """
    from contactd.core.learning.applied import corrected
    from contactd.faces.cli.forecast import outlook_of
    from contactd.faces.cli.store import state_of
    from contactd.mission.changes import between
    from contactd.records.state import fold

    statement = _made(kind, {**values, "note": manner.note})
    configuration = read_watched(manner.config_dir)
    state = state_of(configuration)
    scene = _scene(statement, configuration, state, manner)
    record = record_of(statement, scene)
    for note in notes_of(statement, scene, record):
        tell(f"note: {note}")
    about = shape_of(kind).about
    if about == "station":
        _state_of_station(statement, scene, configuration, state, record, manner)
        return
    if scene.target is None or kind is Remark:
        print_record(_kept(statement, scene, configuration, record, manner), manner)
        return
    now = current().now
    before = outlook_of(scene.target, configuration, state, now)
    follow = following(record, scene)
    stored = _kept(statement, scene, configuration, record, manner, follow)
    known = fold(state, [stored, *follow])
    target = corrected(scene.target, known.corrections.get(scene.target.name))
    after = outlook_of(target, configuration, known, now)
    change = between(before, after, now)
    print_change(stored, change, manner)
    for conflict in change.conflicts:
        complain(f"note: {conflict}")


def _state_of_station(
    statement: Statement,
    scene: Scene,
    configuration: Configuration,
    state: State,
    record: Record,
    manner: Manner,
) -> None:
    """As :func:`state_it`, over all targets that have sequences."""
    from contactd.faces.cli.forecast import outlook_of
    from contactd.mission.changes import across
    from contactd.records.state import fold

    now = current().now
    targets = [each for each in configuration.targets.values() if each.sequences]
    before = {each.name: outlook_of(each, configuration, state, now) for each in targets}
    stored = _kept(statement, scene, configuration, record, manner)
    known = fold(state, [stored])
    after = {each.name: outlook_of(each, configuration, known, now) for each in targets}
    print_change(stored, across(before, after, now), manner)


def _kept(
    statement: Statement,
    scene: Scene,
    configuration: Configuration,
    record: Record,
    manner: Manner,
    follow: Sequence[Record] = (),
) -> Record:
    stored = keep(configuration, [record, *follow], manner)[0]
    same = (stored.kind, stored.subject, stored.body) == (record.kind, record.subject, record.body)
    if not same and not repeats(statement, scene, stored):
        refuse(f"Key {manner.key!r} was used for record {stored.number}. Use another key.")
    return stored


def scene_for(
    statement: Statement, configuration: Configuration, manner: Manner, now: float
) -> Scene:
    """The scene of a statement that asks nothing of the ledger."""
    from contactd.faces.cli.store import author

    return scene_of(
        statement.target,
        statement.sequence,
        targets=configuration.targets,
        stations=configuration.stations,
        knowledge=lambda *_: SequenceKnowledge(),
        missed=lambda _: (),
        author=author(manner.by),
        now_s=now,
        key=manner.key,
    )


def _scene(
    statement: Statement, configuration: Configuration, state: State, manner: Manner
) -> Scene:
    from contactd.faces.cli.forecast import outlook_of
    from contactd.faces.cli.store import author

    return scene_of(
        statement.target,
        statement.sequence,
        targets=configuration.targets,
        stations=configuration.stations,
        knowledge=lambda *names: state.sequences.get(names, SequenceKnowledge()),
        missed=lambda name: state.missed_contacts.get(name, ()),
        observations=lambda name: state.observations.get(name, ()),
        adopt_corrections=configuration.settings.elements.adopt_corrections,
        author=author(manner.by),
        now_s=current().now,
        key=manner.key,
        handover=state.handover,
        outlooks=lambda: [
            outlook_of(each, configuration, state, current().now)
            for each in configuration.targets.values()
        ],
    )


def _made(kind: type[Statement], values: dict[str, Any]) -> Statement:
    try:
        return kind(**values)
    except ValidationError as problem:
        options = {each.key: each for each in shape_of(kind).fields}
        error = problem.errors()[0]
        each = options.get(str(error["loc"][0]))
        name = str(error["loc"][0]) if each is None else f"--{each.option}"
        if error["type"] == "missing" and each is not None:
            what = "time" if each.type == "moment" else each.label.lower()
            metavar = _METAVARS.get(each.type, "NAME")
            refuse(f"No {what} given. Add {name} {metavar}.")
        refuse(f"{name}: {error['msg'].removeprefix('Value error, ')}")


def _is_argument(each: Field, about: str) -> bool:
    if each.type == "target":
        return about != "anything"
    if each.type == "sequence":
        return about == "sequence"
    return each.argument


def _type(each: Field) -> Any:
    if each.type == "moment":
        return _Moment()
    if each.type == "reading":
        return _Reading()
    if each.type == "length":
        return Duration()
    if each.type == "choice":
        return click.Choice(each.choices)
    return click.IntRange(1) if each.type == "count" else str


def _help(each: Field) -> str:
    text = each.help + (" Repeatable." if each.many else "")
    return f"{text}  [default: {each.unsaid}]" if each.unsaid else text
