"""Configuration: what the files say, or every error in them with file, line and column.

Public: :func:`load`, :func:`examine`, :class:`Configuration`, :class:`ElementFeed`,
:class:`FileWatch`, :func:`fingerprint`. They are imported when first asked for, so that whoever
needs a duration's text read does not pay for the models.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from contactd.config.configuration import Configuration, ElementFeed, Notice
    from contactd.config.loader import Examined, examine, load
    from contactd.config.settings import AlertLeads, Settings
    from contactd.config.watch import FileWatch, fingerprint

__all__ = [
    "AlertLeads",
    "Configuration",
    "ElementFeed",
    "Examined",
    "FileWatch",
    "Notice",
    "Settings",
    "examine",
    "fingerprint",
    "load",
]

_HOMES = {
    "Configuration": "configuration",
    "ElementFeed": "configuration",
    "Notice": "configuration",
    "Examined": "loader",
    "examine": "loader",
    "load": "loader",
    "AlertLeads": "settings",
    "Settings": "settings",
    "FileWatch": "watch",
    "fingerprint": "watch",
}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(name)
    from importlib import import_module

    return getattr(import_module(f"contactd.config.{_HOMES[name]}"), name)
