"""What is wrong with the service itself, in words. Instants are in seconds."""

from __future__ import annotations

from contactd.mission.texts.text import Actor, Text, joined, quoted, sentence, until
from contactd.mission.timetext import NO_LATER, moment, outer

ADMINISTRATOR, CONTROLLER = Actor.ADMINISTRATOR, Actor.CONTROLLER


def configuration_invalid(count: int, first: str) -> Text:
    """Files on disk that are invalid: how many errors, and the first with its place."""
    several = "1 error" if count == 1 else f"{count} errors"
    return Text(
        f"Configuration invalid: {several}, first {_reason(first)}",
        f"{ADMINISTRATOR}: run contactd check now; correct the file. "
        "The last valid one is in force.",
    )


def definition_differs(subject: str, difference: str, remedy: str) -> Text:
    """A file that says otherwise than what runs aboard.

    Args:
        difference: the key, both values, and the place in the file.
        remedy: the command by which somebody says that the file is right.
    """
    return Text(
        f"{subject}: {_reason(difference)}",
        f"{CONTROLLER}: check now. Watched as last known. If the file is right: {remedy}.",
    )


def not_watched(name: str, reason: str) -> Text:
    """Something that ought to be watched and is not."""
    return Text(
        f"{name} is not watched: {_reason(reason)}",
        f"{CONTROLLER}: watch it by other means now. {ADMINISTRATOR}: correct its file.",
    )


def clock_not_trusted(reason: str) -> Text:
    """A wall clock that cannot be believed."""
    return Text(
        f"Clock not trusted: {_reason(reason or 'no reason known')}",
        f"{CONTROLLER}: check every time against another clock until resolved.",
    )


def planning_overdue(since_s: float) -> Text:
    """Predictions that are not updated any more, since an instant (s)."""
    return Text(
        f"Predictions not updated since {until(since_s)}.",
        f"{ADMINISTRATOR}: check the log now. Displayed times may be wrong.",
    )


def station_time_trouble(reason: str) -> Text:
    """Station time that cannot be allocated anew."""
    return Text(
        f"Station time not reallocated: {_reason(reason)}",
        f"{CONTROLLER}: agree new requests with stations now. Earlier grants stand.",
    )


def channel_failing(channel: str, since_s: float, reason: str) -> Text:
    """A channel that has failed since an instant (s)."""
    return Text(
        f"Channel {quoted(channel)} failing since {until(since_s)}: {_reason(reason)}",
        f"{ADMINISTRATOR}: repair it now; phone its readers.",
    )


def undelivered(channel: str, count: int, reason: str) -> Text:
    """Messages to a channel that were given up."""
    several = "1 message" if count == 1 else f"{count} messages"
    return Text(
        joined(f"Channel {quoted(channel)}: {several} undelivered.", sentence(reason)),
        f"{CONTROLLER}: read them now; retry with contactd undelivered --all.",
    )


def ledger_trouble(reason: str, since_s: float | None = None) -> Text:
    """Records that are held in memory only, since an instant (s) where that is known."""
    since = "" if since_s is None else f" since {moment(since_s, NO_LATER)}"
    return Text(
        f"Records only in memory{since}: {_reason(reason)}",
        f"{ADMINISTRATOR}: make the ledger writable before stopping contactd.",
    )


def ledger_damaged(damage: str) -> Text:
    """The ledger's file is no longer what was written, or was put aside for that."""
    return Text(
        f"Ledger damaged: {_reason(damage)}",
        f"{ADMINISTRATOR}: compare with a copy now; enter again what is missing.",
    )


def alerts_missed(down_s: float, up_s: float, count: int, warnings: int) -> Text:
    """Alerts that could not be raised in time, since contactd was down (instants, s)."""
    several = "1 alert" if count == 1 else f"{count} alerts"
    graver = f", {warnings} of them warnings" if warnings else ""
    review = "review it" if count == 1 else f"review all {count}"
    return Text(
        f"contactd was down {outer(down_s, up_s)}: {several} not raised in time{graver}.",
        f"{CONTROLLER}: {review} now; record what happened.",
    )


def _reason(text: str) -> str:
    return " ".join(text.split()).rstrip(".") + "."


def handover_unconfirmed(by: str, at_s: float, to: str, left: int, total: int) -> Text:
    """A shift was handed over, and hazards, stops or doubts were not read back in time."""
    whom = f" to {to}" if to else ""
    what = (
        f"Shift handed over by {by}{whom}, {until(at_s)}: {left} of {total} hazards, "
        "stops and doubts not read back."
    )
    return Text(what, f"{CONTROLLER}: read them back now; {by}: stay until they are.")
