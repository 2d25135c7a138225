"""Tokens: who may read and who may change, with only hashes kept.

A token file has one token a line: ``NAME ROLE sha256:HEX``; blank lines and lines from ``#`` on are
passed over. The secret itself is shown once, when it is made. It carries 256 random bits, so that a
plain SHA-256 of it cannot be guessed back (a slow hash is for secrets that people choose).
"""

from __future__ import annotations

import hashlib
import hmac
import re
import secrets
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from contactd.core.errors import InputError, InputErrors

PREFIX = "contactd_"
MOST_TOKENS = 200
_DIGEST = re.compile(r"sha256:([0-9a-f]{64})")
_NAME = re.compile(r"[^\s#]{1,64}")


class Role(StrEnum):
    """What a token lets somebody do."""

    VIEWER = "viewer"
    OPERATOR = "operator"


@dataclass(frozen=True, slots=True)
class Token:
    """A token as it is kept: whose it is, what it allows, and the hash of the secret."""

    name: str
    role: Role
    digest: str

    def line(self) -> str:
        """The line of a token file."""
        return f"{self.name} {self.role} sha256:{self.digest}"


def digest_of(secret: str) -> str:
    """SHA-256 of a secret, hexadecimal."""
    return hashlib.sha256(secret.encode("utf-8", "surrogatepass")).hexdigest()


def new_token(name: str, role: Role) -> tuple[str, Token]:
    """A new secret, to be shown once, and the token to keep.

    Raises:
        InputError: if the name cannot stand in a token file.
    """
    if not _NAME.fullmatch(name):
        raise InputError("a name of up to 64 characters without blanks or #", repr(name), "name")
    secret = PREFIX + secrets.token_urlsafe(32)
    return secret, Token(name, role, digest_of(secret))


def read_tokens(text: str, path: str = "") -> tuple[Token, ...]:
    """The tokens of a token file.

    Raises:
        InputErrors: for lines that are no tokens; secrets and hashes are not repeated in it.
    """
    tokens: list[Token] = []
    errors: list[InputError] = []
    for number, line in enumerate(text.splitlines(), 1):
        words = line.partition("#")[0].split()
        if not words:
            continue
        expected = _fault(words, {token.name for token in tokens})
        if expected:
            errors.append(InputError(expected, f"{len(words)} words", path=path, line=number))
        else:
            tokens.append(Token(words[0], Role(words[1]), words[2].removeprefix("sha256:")))
    if len(tokens) > MOST_TOKENS:
        errors.append(InputError(f"at most {MOST_TOKENS} tokens", str(len(tokens)), path=path))
    if errors:
        raise InputErrors(tuple(errors))
    return tuple(tokens)


def _fault(words: list[str], taken: set[str]) -> str:
    if len(words) != 3:
        return "three words: a name, viewer or operator, and sha256:HEX"
    if words[0] in taken:
        return "a name that no other token has"
    if words[1] not in tuple(Role):
        return "viewer or operator as the second word"
    if not _DIGEST.fullmatch(words[2]):
        return "sha256: and 64 hexadecimal digits as the third word (never the secret itself)"
    return ""


def find(tokens: Iterable[Token], secret: str) -> Token | None:
    """The token of a secret; the time taken does not tell how near a wrong secret came."""
    digest = digest_of(secret)
    found = None
    for token in tokens:
        if hmac.compare_digest(token.digest, digest):
            found = token
    return found
