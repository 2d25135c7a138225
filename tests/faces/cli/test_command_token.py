"""``contactd token``: printed once, kept as a hash, obeyed by the rules of the HTTP face."""

import getpass
import os
import stat

import pytest
from command_line import lay_watch

from contactd.config import load
from contactd.faces.http.rules import rules_of
from contactd.faces.tokens import Role, find


@pytest.fixture
def contactd(tmp_path):
    return lay_watch(tmp_path)


def configured(contactd, text):
    contactd.write("contactd.yaml", text)


def test_a_token_is_printed_once_and_only_its_hash_is_kept(contactd):
    configured(contactd, "http: {tokens_file: secrets/tokens}\n")
    result = contactd("token", "m.aldous", "--role", "operator")
    assert result.code == 0, result.err
    secret = result.out.strip()
    path = contactd.config / "secrets" / "tokens"
    assert secret not in path.read_text()
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    rules = rules_of(load(contactd.config).settings.http, contactd.config)
    found = find(rules.tokens, secret)
    assert found is not None
    assert (found.name, found.role) == ("m.aldous", Role.OPERATOR)


def test_a_second_token_leaves_the_first_in_force_and_a_name_is_given_once(contactd):
    configured(contactd, "http: {tokens_file: tokens}\n")
    first = contactd("token", "one").out.strip()
    second = contactd("token", "two", "--format", "json").json
    tokens = rules_of(load(contactd.config).settings.http, contactd.config).tokens
    assert find(tokens, first).name == "one"
    assert find(tokens, second["token"]).role is Role.VIEWER
    again = contactd("token", "one")
    assert again.code == 2
    assert "no other token has" in again.err
    assert rules_of(load(contactd.config).settings.http, contactd.config).tokens == tokens


def test_without_a_configured_file_it_says_what_to_do(contactd):
    configured(contactd, "http: {}\n")
    result = contactd("token", "m.aldous")
    assert result.code == 0
    assert "tokens_file" in result.err
    assert "m.aldous viewer sha256:" in result.err


def test_a_name_that_cannot_stand_in_the_file_is_refused(contactd):
    configured(contactd, "http: {tokens_file: tokens}\n")
    result = contactd("token", "m aldous")
    assert result.code == 2
    assert "without blanks" in result.err
    assert not (contactd.config / "tokens").exists()


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can give a file away")
def test_a_file_made_by_root_belongs_to_whom_the_ledger_belongs(contactd):
    configured(contactd, "http: {tokens_file: secrets/tokens}\n")
    ledger = contactd.config.parent / "var" / "ledger.sqlite"
    ledger.parent.mkdir()
    ledger.touch()
    os.chown(ledger, 4242, 4343)
    assert contactd("token", "one").code == 0
    path = contactd.config / "secrets" / "tokens"
    assert (path.stat().st_uid, path.stat().st_gid) == (4242, 4343)
    os.chown(path, 5252, 5353)
    path.chmod(0o640)
    assert contactd("token", "two").code == 0
    assert (path.stat().st_uid, path.stat().st_gid) == (5252, 5353)
    assert stat.S_IMODE(path.stat().st_mode) == 0o640


def test_check_says_who_may_read_a_secret(contactd):
    configured(contactd, "http: {tokens_file: tokens}\n")
    assert contactd("token", "one").code == 0
    assert "others on this machine" not in contactd("check").out
    (contactd.config / "tokens").chmod(0o644)
    checked = contactd("check", "--format", "json")
    assert checked.code == 0
    [note] = [each for each in checked.json["notes"] if "tokens" in each["text"]]
    owner = getpass.getuser()
    expected = f"others on this machine can read tokens (mode 0644, owner {owner})"
    assert expected in note["text"]
    assert note["key"] == "http.tokens_file"
