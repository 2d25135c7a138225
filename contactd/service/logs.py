"""The log: one line an event, for people or as JSON, with the service's own time."""

from __future__ import annotations

import logging
import sys
from collections.abc import Callable, MutableMapping
from typing import Any, TextIO, cast

import structlog

from contactd.core import instants
from contactd.service.log_writer import LogWriter

Event = MutableMapping[str, Any]
LEVELS = {"debug": 10, "info": 20, "warning": 30, "error": 40, "silent": 50}


def set_up(
    form: str, level: str, now: Callable[[], float], stream: TextIO | None = None
) -> LogWriter:
    """Write the log as ``human`` or ``json`` lines from a level upwards; nobody waits for that.

    Args:
        now: the service's clock, so that a simulated present shows in the log too.
        stream: where to; standard error if None.

    Returns:
        what writes it.
    """

    def stamp(_logger: Any, _method: str, event: Event) -> Event:
        event["at"] = instants.to_text(now())
        return event

    def missing(lines: int) -> str:
        event = {
            "event": "lines of the log were dropped here: nobody read it",
            "dropped": lines,
            "level": "error",
        }
        return f"{renderer(None, '', stamp(None, '', event))}\n"

    renderer: Any = structlog.processors.JSONRenderer() if form == "json" else _line
    writer = LogWriter(stream or sys.stderr, missing)
    structlog.configure(
        processors=[
            structlog.processors.add_log_level,
            stamp,
            structlog.processors.format_exc_info,
            renderer,
        ],
        wrapper_class=structlog.make_filtering_bound_logger(LEVELS[level]),
        logger_factory=structlog.PrintLoggerFactory(cast(TextIO, writer)),
        cache_logger_on_first_use=False,
    )
    # Libraries speak up only when something is wrong; APScheduler also says when a beat outlasts
    # its second, which the lateness metrics tell better.
    logging.basicConfig(level=logging.WARNING, stream=writer)
    logging.getLogger("apscheduler").setLevel(logging.ERROR)
    return writer


def _line(_logger: Any, _method: str, event: Event) -> str:
    """``2026-12-03T08:00:00.000Z info     configuration adopted  targets=2``.

    An alert is given room: when it is and what to do about it on lines of their own, and no keys
    for machines, which have the JSON form.
    """
    at, level, what = event.pop("at"), event.pop("level"), event.pop("event")
    if "do" in event:
        indent = "\n" + " " * (len(at) + 1)
        notice = f"{indent}{event['notice']}" if event.get("notice") else ""
        return f"{at} {what}{indent}when: {event['when']}{indent}do:   {event['do']}{notice}"
    trace = event.pop("exception", None)
    rest = " ".join(f"{key}={_value(value)}" for key, value in event.items())
    line = f"{at} {level:8} {what}" + (f"  {rest}" if rest else "")
    return f"{line}\n{trace}" if trace else line


def _value(value: Any) -> str:
    text = str(value).replace("\n", " ")
    return f'"{text}"' if " " in text else text
