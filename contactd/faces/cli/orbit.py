"""``contactd orbit``: how well each orbit is known, and what observations teach of it."""

from __future__ import annotations

import click

from contactd.faces.cli import options
from contactd.faces.cli.output import as_csv, as_json
from contactd.faces.cli.session import current
from contactd.faces.cli.situation import chosen, read_configuration

FIELDS = (
    "target", "epoch", "age_s", "bound_s", "receptions", "measured", "learned_at", "offset_s",
    "bound_at_s", "offset_now_s", "bound_now_s", "contacts", "unused",
)  # fmt: skip


@click.command("orbit")
@options.targets
@options.output_format
@options.config
def command(target_names: tuple[str, ...], form: str, config_dir: str) -> None:
    """Show how far each target may be from its elements, and what observations teach.

    Observations are recorded AOS and LOS (`contactd record aos`, `record los`) and tracking data
    (`contactd record tracking`). ± is 95 %. Contacts are predicted from the elements as they are,
    until what was learned is adopted (`contactd record correction TARGET adopt`).
    """
    from contactd.core.learning.known import lesson_of
    from contactd.faces.cli.store import state_of
    from contactd.mission.documents.orbit import orbit_form

    configuration = read_configuration(config_dir)
    state, now = state_of(configuration), current().now
    found = [
        (
            each,
            lesson_of(
                each.configured or each,
                configuration.stations,
                state.observations.get(each.name, ()),
                now,
            ),
        )
        for each in chosen("target", target_names, configuration.targets)
    ]
    forms = [orbit_form(each, lesson, now) for each, lesson in found]
    if form == "json":
        as_json(forms)
        return
    if form == "csv":
        as_csv(FIELDS, map(_flat, forms))
        return
    from contactd.faces.cli.tables import Column, console, say, show
    from contactd.mission.documents.orbit import offset_text, orbit_sentences

    columns = (
        Column("Target", wraps=True),
        Column("Epoch", "UTC", optional=1),
        Column("Orbit error", "± s", right=True),
        Column("Observed", right=True),
        Column("Learned", wraps=True),
    )
    rows = [
        (
            target.name,
            "-" if lesson is None else str(each["epoch"])[:19].replace("T", " "),
            "-" if lesson is None else f"{each['bound_s']:.1f}",
            str(each["receptions"] + each["measured"]),
            "-"
            if lesson is None or lesson.learned is None
            else offset_text(lesson.learned.offset_at(now), lesson.learned.bound_at(now)),
        )
        for (target, lesson), each in zip(found, forms, strict=True)
    ]
    screen = console()
    show(columns, rows, screen)
    for target, lesson in found:
        for sentence in orbit_sentences(target, lesson, now):
            say(screen, f"{target.name}: {sentence}", hang=2)


def _flat(form: dict[str, object]) -> dict[str, object]:
    learned = form["learned"] if isinstance(form["learned"], dict) else {}
    unused = form["unused"] if isinstance(form["unused"], list) else []
    return {
        **{name: form.get(name) for name in FIELDS},
        "learned_at": learned.get("at"),
        "offset_s": learned.get("offset_s"),
        "bound_at_s": learned.get("bound_s"),
        "offset_now_s": learned.get("offset_now_s"),
        "bound_now_s": learned.get("bound_now_s"),
        "contacts": learned.get("contacts"),
        "unused": len(unused),
    }
