"""``contactd silence …``: what is held back, until when, and by whom."""

from __future__ import annotations

from pathlib import Path

import pytest
from command_line import NOW, Watch, lay_watch

from contactd.alerts.fold import AlertState, fold_alerts
from contactd.core.alert import Alert, Severity
from contactd.core.instants import from_text
from contactd.records.ledger import Ledger

UNTIL = "2026-11-25T12:00:00Z"


@pytest.fixture
def watch(tmp_path: Path) -> Watch:
    return lay_watch(tmp_path)


def holds_back(watch: Watch, severity: Severity, target: str, kind: str, at: str = NOW) -> bool:
    """Whether the service would hold an alert back, as it reads the ledger."""
    with Ledger.open(f"sqlite:///{watch.folder}/var/ledger.sqlite", create=False) as ledger:
        state = fold_alerts(AlertState(), ledger.records())
    moment = from_text(at)
    alert = Alert(
        "id", kind, severity, target, target, "something", "", moment, moment, moment + 60
    )
    return state.silence_of(alert, moment) is not None


def test_a_silence_holds_back_what_it_names_until_it_ends(watch: Watch) -> None:
    answer = watch(
        "silence", "set", "--to", UNTIL, "--why", "antenna work", "--target", "lantern 3",
        "--kind", "contact-coming",
    )  # fmt: skip
    assert answer.code == 0
    (told,) = answer.err.splitlines()
    assert told.startswith("Ledger: ")
    assert told.endswith("(new: no service has written to it yet)")
    assert answer.out == "Recorded as 1: silence-set, Lantern 3, by tester.\n"
    advisory = Severity.ADVISORY
    assert holds_back(watch, advisory, "Lantern 3", "contact-coming")
    assert not holds_back(watch, advisory, "Heron 1", "contact-coming")
    assert not holds_back(watch, advisory, "Lantern 3", "elements-stale")
    assert not holds_back(watch, advisory, "Lantern 3", "contact-coming", UNTIL)
    assert not holds_back(watch, Severity.WARNING, "Lantern 3", "contact-coming")


def test_warnings_are_held_back_only_when_that_is_asked_for(watch: Watch) -> None:
    answer = watch("silence", "set", "--to", UNTIL, "--why", "drill", "--warnings")
    assert answer.err.splitlines()[1].startswith("note: warnings are held back too")
    assert holds_back(watch, Severity.WARNING, "Heron 1", "step-uncovered")


def test_a_silence_can_be_lifted_early(watch: Watch) -> None:
    watch("silence", "set", "--to", UNTIL, "--why", "antenna work", "--by", "Ida")
    listed = watch("silence", "list", "--format", "json").json
    assert [(each["number"], each["author"], each["why"]) for each in listed] == [
        (1, "Ida", "antenna work")
    ]
    assert listed[0]["until"] == "2026-11-25T12:00:00.000Z"
    assert watch("silence", "lift", "7").code == 2
    assert watch("silence", "lift", "1").code == 0
    assert watch("silence", "list", "--format", "json").json == []
    assert not holds_back(watch, Severity.ADVISORY, "Heron 1", "contact-coming")
    assert "No silence stands." in watch("silence", "list").out


def test_the_list_fits_eighty_columns(watch: Watch) -> None:
    for why in ("the antenna is being painted and must not move", "drill"):
        watch("silence", "set", "--to", UNTIL, "--why", why, "--target", "Lantern 3")
    out = watch("silence", "list").out
    assert max(map(len, out.splitlines())) <= 80
    assert "2026-11-25 09:00:00Z  12:00:00Z" in out


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--why", "x"], "No end given. Add --to TIME."),
        (["--to", UNTIL], "Reason is empty. Enter it."),
        (["--to", "-1h", "--why", "x"], "--to is past. Give a later time."),
        (["--to", UNTIL, "--why", "x", "--kind", "contact-comming"], "'contact-coming'?"),
        (["--to", UNTIL, "--why", "x", "--target", "Lantem 3"], "Did you mean 'Lantern 3'?"),
    ],
)
def test_a_silence_without_end_or_reason_is_refused(
    watch: Watch, arguments: list[str], message: str
) -> None:
    answer = watch("silence", "set", *arguments)
    assert answer.code == 2
    assert message in " ".join(answer.err.split())
    assert not (watch.folder / "var/ledger.sqlite").exists()
