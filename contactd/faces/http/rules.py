"""Who may do what, as the configuration says."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from contactd.alerts.acknowledgement_tokens import Tickets
from contactd.config import Configuration
from contactd.config.settings import Http
from contactd.core.errors import ContactdError, InputError
from contactd.faces.http.access import AccessRules, networks
from contactd.faces.tokens import Token, read_tokens


def rules_of(settings: Http, directory: Path) -> AccessRules:
    """The rules of the settings, with the tokens of the file that they name.

    Raises:
        InputError, InputErrors: if that file cannot be read or holds what is no token.
    """
    tokens: tuple[Token, ...] = ()
    if settings.tokens_file is not None:
        path = directory / settings.tokens_file
        try:
            text = path.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise InputError("a file of tokens", str(error), path=str(path)) from None
        tokens = read_tokens(text, str(path))
    return AccessRules(
        tokens,
        settings.reading_needs_token,
        frozenset(settings.hosts),
        settings.metrics.needs_token,
        networks(settings.metrics.networks),
    )


class FollowedRules:
    """The rules of the configuration in force, read again when it has changed.

    With a token file that cannot be used the rules before it stay.

    Args:
        current: the configuration in force.
        complain: told why a token file was refused.
        tickets: what reads the links in messages, by configuration.
    """

    def __init__(
        self,
        current: Callable[[], Configuration],
        complain: Callable[[str], None],
        tickets: Callable[[Configuration], Tickets | None],
    ) -> None:
        self._current = current
        self._complain = complain
        self._tickets = tickets
        self._digest: str | None = None
        self._rules = AccessRules()

    def __call__(self) -> AccessRules:
        """The rules at this moment."""
        configuration = self._current()
        if configuration.digest != self._digest:
            self._digest = configuration.digest
            try:
                made = rules_of(configuration.settings.http, configuration.directory)
                self._rules = replace(made, tickets=self._tickets(configuration))
            except ContactdError as error:
                self._complain(str(error))
        return self._rules
