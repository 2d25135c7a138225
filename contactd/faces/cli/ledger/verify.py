"""``contactd ledger verify``: whether the chain of records holds."""

from __future__ import annotations

import click

from contactd.faces.cli import options
from contactd.faces.cli.ledger.choosing import existing_ledger
from contactd.faces.cli.output import as_csv, as_json
from contactd.faces.cli.session import current


@click.command("verify")
@options.output_format
@options.config
def command(form: str, config_dir: str) -> None:
    """Check every record's number and digest against the record before it.

    Note the last number and digest elsewhere: they prove later that the end was not cut off. Exit
    code 1 if any record was changed, or is missing.
    """
    with existing_ledger(config_dir) as ledger:
        found = ledger.verify()
        name = ledger.name
    current().wrong = not found.intact
    faults = [{"number": fault.number, "what": fault.what} for fault in found.faults]
    if form == "json":
        as_json(
            {
                "intact": found.intact,
                "records": found.records,
                "last_good_number": found.number,
                "last_good_digest": found.digest,
                "faults": faults,
            }
        )
    elif form == "csv":
        as_csv(("number", "what"), faults)
    else:
        from contactd.faces.cli.tables import STYLES, console, say, say_line

        screen = console()
        if found.intact:
            count = "1 record" if found.records == 1 else f"{found.records} records"
            say_line(screen, f"{name}: {count}, each as it was written.", "bold")
        else:
            say_line(screen, f"{name}: the ledger is not as it was written.", STYLES["warning"])
            for fault in found.faults:
                say(screen, f"record {fault.number}: {fault.what}", indent=2, hang=2)
        say_line(screen, f"Last good record: {found.number}, digest {found.digest}")
        if not found.intact:
            say(
                screen,
                "Put back a copy or an export from before record "
                f"{found.faults[0].number}, and keep this file: it is evidence.",
            )
