"""What an operator enters over HTTP: the statements themselves, told apart by ``enter``."""

from __future__ import annotations

from functools import reduce
from operator import or_
from typing import Annotated, Any

from fastapi import Body
from pydantic import Field

from contactd.faces.http.context import Context
from contactd.faces.http.problems import Problem
from contactd.mission.statements import STATEMENTS, Scene, Statement, scene_of, shape_of

_ANY: Any = reduce(or_, STATEMENTS)
Entry = Annotated[_ANY, Field(discriminator="enter"), Body()]


def scene(ctx: Context, entry: Statement, author: str, key: str | None = None) -> Scene:
    """What an entry is checked against, as the service knows it now."""
    view = ctx.view
    return scene_of(
        entry.target,
        entry.sequence,
        targets=view.targets(),
        stations=view.snapshot().stations,
        knowledge=view.knowledge,
        missed=view.missed,
        observations=view.observations,
        adopt_corrections=view.adopts_corrections(),
        author=author,
        now_s=view.now(),
        key=key or "",
        handover=view.snapshot().handover,
        outlooks=lambda: view.snapshot().targets.values(),
    )


def statement_forms() -> list[dict[str, Any]]:
    """Every kind of statement and its fields, for whoever draws a form of them."""
    return [
        {
            "enter": shape.verb,
            "kind": shape.kind,
            "title": shape.title,
            "help": shape.help.replace("\n    ", "\n"),
            "about": shape.about,
            "fields": [
                {
                    "name": each.key,
                    "type": each.type,
                    "label": each.label,
                    "help": each.help,
                    "required": each.required,
                    "default": each.unsaid or None,
                    "choices": list(each.choices),
                    "many": each.many,
                }
                for each in shape.fields
                if each.type not in ("target", "sequence")
            ],
        }
        for shape in map(shape_of, STATEMENTS)
    ]


def key_used(key: str, number: int) -> Problem:
    """The key was used before, for something else."""
    return Problem(409, "key-used", f"Key {key!r} was used for record {number}. Use another key.")
