"""Tokens: what a file of them may hold, and that only hashes are kept."""

import hashlib

import pytest

from contactd.config.settings import Http
from contactd.core.errors import InputError, InputErrors
from contactd.faces.http.rules import rules_of
from contactd.faces.tokens import MOST_TOKENS, Role, find, new_token, read_tokens


def test_a_new_token_is_found_by_its_secret_and_keeps_only_the_hash():
    secret, token = new_token("m.aldous", Role.OPERATOR)
    assert secret not in token.line()
    assert hashlib.sha256(secret.encode()).hexdigest() in token.line()
    assert find(read_tokens(token.line()), secret) == token


def test_no_two_new_tokens_are_alike():
    assert len({new_token("x", Role.VIEWER)[0] for _ in range(200)}) == 200


def test_a_wrong_secret_finds_nothing():
    secret, token = new_token("m.aldous", Role.OPERATOR)
    for wrong in ("", secret[:-1], secret + "x", secret.upper(), "é", "\ud800"):
        assert find([token], wrong) is None


def test_blank_lines_and_comments_are_passed_over():
    _, token = new_token("m.aldous", Role.VIEWER)
    assert read_tokens(f"# who may look\n\n{token.line()}  # until spring\n") == (token,)


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ("m.aldous operator", "three words"),
        ("m.aldous root sha256:" + "0" * 64, "viewer or operator"),
        ("m.aldous operator sha256:" + "0" * 63, "64 hexadecimal digits"),
        ("m.aldous operator contactd_secretsecret", "never the secret itself"),
    ],
)
def test_what_is_no_token_is_refused_with_its_line_and_without_the_secret(line, expected):
    with pytest.raises(InputErrors) as refused:
        read_tokens(f"# tokens\n{line}\n", "tokens")
    [error] = refused.value.errors
    assert (error.path, error.line) == ("tokens", 2)
    assert expected in error.expected
    assert "secretsecret" not in str(error)


def test_a_name_can_be_given_once_only():
    _, token = new_token("m.aldous", Role.VIEWER)
    with pytest.raises(InputErrors, match="no other token has"):
        read_tokens(f"{token.line()}\n{token.line()}\n")


def test_tokens_are_bounded_in_number():
    lines = [new_token(f"n{index}", Role.VIEWER)[1].line() for index in range(MOST_TOKENS + 1)]
    with pytest.raises(InputErrors, match="at most"):
        read_tokens("\n".join(lines))


def test_a_name_with_blanks_cannot_be_given():
    with pytest.raises(InputError, match="without blanks"):
        new_token("m aldous", Role.VIEWER)


def test_rules_come_from_the_settings_and_the_file_they_name(tmp_path):
    _, token = new_token("m.aldous", Role.OPERATOR)
    (tmp_path / "tokens").write_text(token.line())
    settings = Http(tokens_file="tokens", reading_needs_token=True, hosts=["watch.example"])
    rules = rules_of(settings, tmp_path)
    assert rules.tokens == (token,)
    assert rules.reading_needs_token
    assert rules.hosts == {"watch.example"}


def test_a_token_file_that_is_not_there_is_an_error_that_names_it(tmp_path):
    with pytest.raises(InputError, match="nowhere"):
        rules_of(Http(tokens_file="nowhere"), tmp_path)
