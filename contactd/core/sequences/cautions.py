"""The notice that goes with everything that concerns a hazardous step."""

from __future__ import annotations

from typing import Final

NOTICE: Final = (
    "This advises; it does not certify safety. Flight rules, range safety and the responsible "
    "authority decide."
)
