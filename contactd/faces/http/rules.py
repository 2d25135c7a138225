"""Who may do what, as the configuration says."""

from __future__ import annotations

from pathlib import Path

from contactd.config.settings import Http
from contactd.core.errors import ContactdError, InputError
from contactd.faces.http.access import Access, AccessRules
from contactd.faces.http.tokens import Token, read_tokens


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
    return AccessRules(tokens, settings.reading_needs_token, frozenset(settings.hosts))


class FollowedRules:
    """Keeps an application's access as the configuration in force says.

    Attributes:
        access: what the application asks.
        problem: why the rules of the configuration in force are not the ones in use, or "".
    """

    def __init__(self) -> None:
        self.access = Access()
        self.problem = ""
        self._digest: str | None = None

    def follow(self, settings: Http, directory: Path, digest: str) -> bool:
        """Adopt the rules of a configuration if it is another one; whether anything changed.

        With a token file that cannot be used the rules before it stay, and ``problem`` says so.
        """
        if digest == self._digest:
            return False
        self._digest = digest
        try:
            self.access.rules = rules_of(settings, directory)
        except ContactdError as error:
            self.problem = str(error)
        else:
            self.problem = ""
        return True
