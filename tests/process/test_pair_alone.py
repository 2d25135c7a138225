"""A service that has no other beside it goes on when PostgreSQL is away."""

from __future__ import annotations

import time

import pytest
from pair import TARGET, PairOfServices, steps_every
from waiting import wait_for

from contactd.core import record as kinds

pytestmark = pytest.mark.process


def test_one_that_was_alone_alerts_from_memory_and_records_it_afterwards(postgres, tmp_path):
    pair = PairOfServices(tmp_path, postgres)
    node = pair.nodes[0]
    try:
        pair.write_target(steps_every(1.0, 90, first_s=8.0))
        node.begin()
        wait_for(node.leads, "the only one to lead")
        wait_for(pair.told, "the first alert")
        postgres.stop()
        since = time.monotonic()
        wait_for(lambda: node.get("/health/ready").status_code == 503, "it to be noticed")
        # Longer than any lease, so that it does not live on what it knew before.
        wait_for(lambda: pair.told(since + 6.0), "alerts while the ledger is away", patience_s=60)
        assert node.role() == "leads"
        postgres.start()
        wait_for(lambda: node.get("/health/ready").status_code == 200, "it to be well again")
        due = pair.due_by_now(grace_s=2.0)
        wait_for(lambda: not pair.untold(due), "every step that ran out to be told")

        def recorded() -> bool:
            with pair.ledger() as ledger:
                raised = [r for r in ledger.records() if r.kind == kinds.ALERT_RAISED]
            subjects = {r.subject for r in raised if r.body["kind"] == "step-expired"}
            return {f"{TARGET}/wake-up/{name}" for name in due} <= subjects

        wait_for(recorded, "what was told to be in the ledger")
        with pair.ledger() as ledger:
            identities = [
                r.body["identity"] for r in ledger.records() if r.kind == kinds.ALERT_RAISED
            ]
            assert ledger.verify().intact
        assert len(identities) == len(set(identities))
        assert not pair.told_twice()
    finally:
        pair.clean_up()
