"""The notice that goes with everything that concerns a hazardous step: the one wording."""

from __future__ import annotations

from typing import Final

NOTICE: Final = (
    "contactd gives advice. It does not certify safety. Flight rules, range safety and the "
    "responsible authority decide."
)
