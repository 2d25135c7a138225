"""``contactd token``: a new token for the page and for programs."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import unquote

import click

from contactd.core.errors import InputError
from contactd.faces.cli import options
from contactd.faces.cli.output import as_csv, as_json, errors_reported, tell
from contactd.faces.cli.session import current
from contactd.faces.cli.situation import configuration_folder
from contactd.faces.tokens import Role, Token, new_token, read_tokens

if TYPE_CHECKING:
    from contactd.config import Configuration

FIELDS = ("name", "role", "token", "file")


@click.command("token")
@click.argument("name", metavar="NAME")
@click.option(
    "--role",
    type=click.Choice([role.value for role in Role]),
    default=Role.VIEWER.value,
    show_default=True,
    help="A viewer looks at everything and changes nothing.",
)
@options.output_format
@options.config
def command(name: str, role: str, form: str, config_dir: str) -> None:
    """Make a token for NAME. Printed once; only its hash is stored.

    The hash goes into the file that http: tokens_file names in contactd.yaml; the running service
    obeys it within seconds. To withdraw a token, delete its line there.
    """
    folder = configuration_folder(config_dir)
    from contactd.config import examine

    configuration = examine(folder, around=current().now).configuration
    with errors_reported():
        secret, token = new_token(name, Role(role))
        path = _keep(configuration, token)
    row = {"name": name, "role": role, "token": secret, "file": path and str(path)}
    if form == "json":
        as_json(row)
    elif form == "csv":
        as_csv(FIELDS, [row])
    else:
        click.echo(secret)
    if path is None:
        tell(
            "No file of tokens is configured. Put this line into one and name it in contactd.yaml "
            f"(http: tokens_file):\n{token.line()}"
        )
    else:
        tell(f"Its hash is in {path}. The token is not shown again.")


def _keep(configuration: Configuration, token: Token) -> Path | None:
    """Add a token to the configured file, which only its owner may read if it is new.

    The file stays with its owner, and a new one goes to the owner of the ledger or of the folder:
    whoever runs this as root does not shut the service out.

    Raises:
        InputError, InputErrors: if the file holds what is no token, or the name already.
    """
    name = configuration.settings.http.tokens_file
    if name is None:
        return None
    path = configuration.directory / name
    text = path.read_text(encoding="utf-8") if path.exists() else ""
    if token.name in {each.name for each in read_tokens(text, str(path))}:
        raise InputError("a name that no other token has", repr(token.name), "name")
    if text and not text.endswith("\n"):
        text += "\n"
    text += token.line() + "\n"
    path.parent.mkdir(parents=True, exist_ok=True)
    draft = path.with_name(f".{path.name}.draft")
    mode = path.stat().st_mode & 0o777 if path.exists() else 0o600
    with os.fdopen(os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, mode), "w") as out:
        out.write(text)
    if os.geteuid() == 0:
        owner = _owner_for(path, configuration.store_url).stat()
        os.chown(draft, owner.st_uid, owner.st_gid)
    draft.replace(path)
    return path


def _owner_for(path: Path, store_url: str) -> Path:
    """Whose owner the file of tokens is to have: its own, the ledger's, or its folder's."""
    ledger = Path(unquote(store_url.removeprefix("sqlite:///")))
    return next((each for each in (path, ledger, ledger.parent) if each.exists()), path.parent)
