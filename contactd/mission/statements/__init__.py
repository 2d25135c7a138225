"""What people state: one class for each kind of statement, and the record that each becomes.

The command line's commands, the bodies that HTTP takes, the page's form and the rehearsal scripts'
``say`` are all made from these classes; none of them says anything of its own.
"""

from contactd.mission.statements.kinds import BY_VERB, STATEMENTS, Statement
from contactd.mission.statements.scene import Scene, scene_of
from contactd.mission.statements.shape import Field, Shape, shape_of
from contactd.mission.statements.stating import (
    confirmation,
    following,
    notes_of,
    record_of,
    repeats,
)
from contactd.mission.statements.types import Stated

__all__ = [
    "BY_VERB",
    "STATEMENTS",
    "Field",
    "Scene",
    "Shape",
    "Stated",
    "Statement",
    "confirmation",
    "following",
    "notes_of",
    "record_of",
    "repeats",
    "scene_of",
    "shape_of",
]
