"""What a statement asks for, as data: for the commands, the page's form and its description."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Literal, get_args, get_origin, get_type_hints

from contactd.mission.statements.kinds import Shown, Statement
from contactd.mission.statements.types import Type


@dataclass(frozen=True, slots=True)
class Field:
    """One field.

    Attributes:
        name: in Python; ``key``: everywhere else; ``option``: on the command line.
        type: ``moment``, ``length``, ``reading``, ``target``, ``sequence``, ``step``, ``station``,
            ``choice``, ``text`` or ``count``.
        unsaid: what counts where nothing is given, in words; "" for nothing.
        choices: for ``choice``.
        argument: it is a command's argument, not an option.
        many: any number of them.
    """

    name: str
    key: str
    type: str
    label: str
    help: str
    required: bool
    unsaid: str
    choices: tuple[str, ...]
    argument: bool
    option: str
    many: bool


@dataclass(frozen=True, slots=True)
class Shape:
    """One kind of statement. ``about``: ``sequence``, ``target``, ``station``,
    ``shift`` or ``anything``.
    """

    verb: str
    kind: str
    title: str
    summary: str
    help: str
    about: str
    fields: tuple[Field, ...]


def shape_of(cls: type[Statement]) -> Shape:
    """What a kind of statement asks for, its fields in the order in which people give them."""
    infos: Mapping[str, Any] = vars(cls)["__pydantic_fields__"]
    hints = get_type_hints(cls, include_extras=True)
    fields = [_field(name, infos[name], hints[name]) for name in infos if name != "enter"]
    fields.sort(key=lambda each: (each.key == "note", not _about(each), _rank(each)))
    about = cls.about or "sequence"
    if not cls.about and not infos["target"].is_required():
        about = "anything"
    if about in ("station", "shift"):
        fields = [each for each in fields if not _about(each)]
    elif about == "target":
        fields = [each for each in fields if each.name != "sequence"]
    return Shape(
        cls.verb, cls.kind, cls.title, cls.summary,
        cls.__doc__ or "", about, tuple(fields),
    )  # fmt: skip


def _rank(each: Field) -> int:
    """Arguments in their order, then the step, then the rest."""
    return 0 if each.argument else 1 if each.type == "step" else 2


def _about(each: Field) -> bool:
    return each.type in ("target", "sequence")


def _field(name: str, info: Any, hint: Any) -> Field:
    shown = next(each for each in info.metadata if isinstance(each, Shown))
    kind, many, choices = _read(hint)
    key = info.alias or name
    return Field(
        name=name,
        key=key,
        type=kind,
        label=shown.label or name,
        help=info.description or "",
        required=info.is_required(),
        unsaid=shown.unsaid,
        choices=choices,
        argument=shown.argument,
        option=shown.option or key.replace("_", "-"),
        many=many,
    )


def _read(hint: Any) -> tuple[str, bool, tuple[str, ...]]:
    if get_origin(hint) is Annotated:
        for mark in get_args(hint)[1:]:
            if isinstance(mark, Type):
                return mark.name, False, ()
    if get_origin(hint) is Literal:
        return "choice", False, tuple(map(str, get_args(hint)))
    for inner in get_args(hint):
        if inner is not type(None):
            kind, many, choices = _read(inner)
            return kind, many or get_origin(hint) is list, choices
    raise TypeError(f"{hint} is no field of a statement")
