"""The links in messages: following one shows the alert, and its button acknowledges that alert.

Whoever holds a link needs no other token. Programs that look at mail follow links by themselves, so
following one changes nothing: only the button does. The page works without scripts, in whatever a
phone shows mail with.
"""

from __future__ import annotations

from html import escape

from fastapi import APIRouter
from fastapi.responses import HTMLResponse

from contactd.alerts.acknowledgement_tokens import Ticket
from contactd.core.errors import InputError
from contactd.core.record import Record
from contactd.faces.http.capacity import for_an_entry
from contactd.faces.http.context import Context, Ctx
from contactd.faces.http.middleware import CONTENT_SECURITY_POLICY
from contactd.faces.plain_text import clean
from contactd.mission.actions import Acknowledge, Done, Raised, record_of
from contactd.mission.timetext import NO_LATER, from_now, moment

router = APIRouter(include_in_schema=False)

POLICY = CONTENT_SECURITY_POLICY.replace("form-action 'none'", "form-action 'self'")
PAGE = """\
<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="robots" content="noindex">
<title>{title}</title>
<link rel="icon" href="/static/icon.svg" type="image/svg+xml">
<link rel="stylesheet" href="/static/css/ink.css">
<link rel="stylesheet" href="/static/css/link.css">
</head>
<body>
<main>
{body}
</main>
</body>
</html>
"""


@router.get("/acknowledge/{ticket}")
def show(ctx: Ctx, ticket: str) -> HTMLResponse:
    """The alert that a link is about, and one button."""
    try:
        read, alert = _alert_of(ctx, ticket)
        record_of(Acknowledge(read.identity), ctx.view.standing(), read.channel, ctx.view.now())
    except InputError as error:
        return _answer(ctx, _refusal(error), 409 if isinstance(error, Done) else 404)
    button = '<form method="post"><button type="submit">I have it in hand</button></form>'
    return _answer(ctx, [*_told(alert, ctx.view.now()), button])


@router.post("/acknowledge/{ticket}")
async def acknowledge(ctx: Ctx, ticket: str) -> HTMLResponse:
    """Acknowledge the alert that a link is about; that one only, and once."""
    try:
        alert, made = await for_an_entry(_made, ctx, ticket)
    except InputError as error:
        return _answer(ctx, _refusal(error), 409 if isinstance(error, Done) else 404)
    await ctx.view.commit([made])
    said = f"Acknowledged {moment(made.at, NO_LATER)}, by {made.author}."
    return _answer(ctx, [f'<p class="done">{_shown(said)}</p>', *_told(alert, ctx.view.now())], 201)


def _made(ctx: Context, text: str) -> tuple[Raised, Record]:
    read, alert = _alert_of(ctx, text)
    author = f"reader of {read.channel}"
    made = record_of(Acknowledge(read.identity), ctx.view.standing(), author, ctx.view.now())
    return alert, made


def _alert_of(ctx: Context, text: str) -> tuple[Ticket, Raised]:
    """The ticket that a text is, and its alert.

    Raises:
        InputError: for a text that is none, and where the alert waits no more.
    """
    tickets = ctx.access.rules.tickets
    if tickets is None:
        raise InputError("links", "none", says="This service sends no links.")
    try:
        read = tickets.read(text, ctx.view.now())
    except InputError as error:
        says = f"This link cannot be used: found {error.found}."
        raise InputError(error.expected, error.found, says=says) from None
    alert = ctx.view.standing().alert(read.identity)
    if alert is None or alert.over:
        raise InputError("an alert that waits", read.identity, says="This alert is over.")
    return read, alert


def _told(alert: Raised, now: float) -> list[str]:
    told = alert.alert
    parts = [
        f"<h1>{_shown(told.severity.value.upper())}</h1>",
        f"<p>{_shown(told.what)}</p>",
        f'<p class="quiet">{_shown(moment(told.moment, NO_LATER))}, '
        f"{_shown(from_now(told.moment, now, NO_LATER))}</p>",
    ]
    if told.do:
        parts.append(f"<p><strong>{_shown(told.do)}</strong></p>")
    if told.notice:
        parts.append(f'<p class="quiet small">{_shown(told.notice)}</p>')
    return parts


def _refusal(error: InputError) -> list[str]:
    return [
        f"<p><strong>{_shown(error.says or str(error))}</strong></p>",
        '<p class="quiet">Nothing was changed. Look at the alerts on the page, or ask whoever is '
        "on watch.</p>",
    ]


def _shown(text: str) -> str:
    return escape(clean(text))


def _answer(ctx: Context, parts: list[str], status: int = 200) -> HTMLResponse:
    notice = ctx.view.notice()
    body = "\n".join([*([f"<p>{_shown(notice)}</p>"] if notice else []), *parts])
    return HTMLResponse(
        PAGE.format(title="contactd: alert", body=body),
        status,
        {"Content-Security-Policy": POLICY, "Cache-Control": "no-store"},
    )
