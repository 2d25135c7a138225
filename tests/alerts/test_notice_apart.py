"""The hazard notice stands once, last, and never inside the action or the fact."""

from dataclasses import replace

import pytest

from contactd.alerts import Leads, Policy, candidates, text
from contactd.alerts.notification import payload
from contactd.core import alert as kinds
from contactd.core.alert import Alert
from contactd.core.sequences.model import Covered, Start, StartStatus, StepStatus, StopChance
from contactd.mission.texts.notice import NOTICE

SENTENCES = [each.strip() for each in NOTICE.split(".") if each.strip()]
OF_HAZARDS = {
    kinds.STEP_UNCOVERED, kinds.STEP_AT_RISK, kinds.STEP_EXPIRING, kinds.STEP_EXPIRED,
    kinds.STOP_BY_COMING, kinds.STOP_BY_PASSED, kinds.NO_STOP, kinds.KEEP_CLEAR_BEGINS,
    kinds.KEEP_CLEAR_ENDS, kinds.PEOPLE_IN_DANGER, kinds.START_IN_DOUBT,
}  # fmt: skip


def hazardous(world):
    """Candidates of hazardous steps in every state that has an alert of its own."""
    hazard = {"hazard": "motor", "keep_clear": (-100, 9_000)}
    chance = StopChance("Norrsund", "antenna release", world.noon, world.noon + 90, 0.0, 0.5)
    steps = [
        world.step(300, 9_000, coverage=Covered.UNCOVERED, people_in_danger=[(0, 600)], **hazard),
        world.step(300, 9_000, coverage=Covered.AT_RISK, stop_by=60, **hazard),
        world.step(300, 9_000, stop_by=-60, stop_certain=False, stop_chances=(chance,), **hazard),
        world.step(300, 9_000, stop_possible=False, stop_certain=False, **hazard),
        world.step(-300, -10, status=StepStatus.EXPIRED, hazard="motor", keep_clear=(-400, -5)),
    ]
    doubt = Start(StartStatus.IN_DOUBT, world.noon - 50, world.noon, world.noon + 50, record=9)
    policy = Policy(Leads(contact_s=()), ahead_s=600.0)
    for step in steps:
        for start in (None, doubt):
            snapshot = world.snapshot(forecasts=[world.forecast(step, start=start)])
            found = candidates(snapshot, policy, snapshot.at).candidates
            yield from (each for each in found if each.kind in OF_HAZARDS)


def test_every_alert_about_a_hazard_has_the_notice_and_never_in_its_action(world):
    some = list(hazardous(world))
    assert {each.kind for each in some} == OF_HAZARDS
    for each in some:
        assert each.text.notice == NOTICE, each.kind
        assert not [s for s in SENTENCES if s in each.what or s in each.do], each.kind


@pytest.mark.parametrize("kind", sorted(OF_HAZARDS))
def test_a_message_about_a_hazard_ends_with_the_notice_once(world, letters, kind):
    given = next(each for each in hazardous(world) if each.kind == kind)
    alert = Alert(
        "x-1", kind, given.severity, given.target, given.subject, given.what, given.do,
        given.due, given.moment, given.over_at, notice=given.text.notice,
    )  # fmt: skip
    other = replace(alert, identity="x-2")
    body = " ".join(text.body(letters.notification(alert, other)).split())
    assert body.count(NOTICE) == 1
    assert body.endswith(NOTICE)
    [form, _] = payload(letters.notification(alert, other))["alerts"]
    assert form["notice"] == NOTICE
    assert not [s for s in SENTENCES if s in form["do"] or s in form["what"]]
