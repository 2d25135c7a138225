"""The lead among several services: a lease, a fence and a lock, on a real PostgreSQL."""

import subprocess
import sys
import threading
import time

import newer_version
import pytest
import sqlalchemy as sa

from contactd.core.errors import LeadLost, LedgerError, NewerLedger
from contactd.core.record import REMARK, Record
from contactd.records import Ledger, database
from contactd.records.lease import Lease

pytestmark = pytest.mark.process

LONG_S = 600.0


def remark(text: str) -> Record:
    return Record(1000.0, REMARK, "Lantern 3", "contactd", {"text": text}, text)


@pytest.fixture
def ledger(postgres_url):
    with Ledger.open(postgres_url) as made:
        yield made


@pytest.fixture
def lease_of(ledger, postgres_url):
    """Makes leases for services of a name; all end with the test."""
    made = []

    def make(name: str, duration_s: float = LONG_S) -> Lease:
        made.append(Lease(postgres_url, name, duration_s))
        return made[-1]

    yield make
    for each in made:
        each.leave()


@pytest.fixture
def change(postgres, postgres_url):
    """Changes the database behind everybody's back."""
    engine = postgres.engine(postgres_url.rpartition("/")[2])

    def execute(statement: str) -> None:
        with engine.connect() as connection:
            connection.execute(sa.text(statement))

    yield execute
    engine.dispose()


def end_session(lease: Lease) -> None:
    """As when its process is killed: the server ends what belonged to it."""
    lease._drop()


def test_the_first_who_looks_leads_and_the_others_see_who_it_is(lease_of):
    hill, dale = lease_of("hill"), lease_of("dale")
    first = hill.look()
    assert (first.mine, first.fence, first.holder) == (True, 1, "hill")
    second = dale.look()
    assert (second.mine, second.fence, second.holder) == (False, 1, "hill")
    assert (second.members, hill.look().members) == (2, 2)
    assert hill.look().left_s == pytest.approx(LONG_S, abs=60.0)


def test_a_lead_that_is_renewed_is_never_taken(lease_of):
    hill, dale = lease_of("hill"), lease_of("dale")
    for _ in range(20):
        assert hill.look().mine
        assert not dale.look().mine
    assert dale.look().fence == 1


def test_a_lead_that_is_given_back_is_taken_at_once_and_sends_at_once(lease_of):
    hill, dale = lease_of("hill"), lease_of("dale")
    hill.look()
    hill.give_back()
    taken = dale.look()
    assert (taken.mine, taken.fence) == (True, 2)
    assert taken.sends_in_s <= 0.0
    assert not hill.look().mine


def test_the_lead_of_a_session_that_has_ended_is_taken_but_its_lease_is_waited_for(lease_of):
    hill, dale = lease_of("hill"), lease_of("dale")
    hill.look()
    end_session(hill)
    deadline = time.monotonic() + 20.0
    while not (taken := dale.look()).mine:
        assert time.monotonic() < deadline, "the server does not notice that the session has ended"
    assert taken.fence == 2
    assert taken.sends_in_s == pytest.approx(LONG_S, abs=60.0)
    found = hill.look()
    assert (found.mine, found.holder) == (False, "dale")


def test_a_lead_whose_lease_has_run_out_is_taken_although_its_session_stands(lease_of, change):
    hill, dale = lease_of("hill"), lease_of("dale")
    hill.look()
    change("UPDATE lease SET until = 0")
    taken = dale.look()
    assert (taken.mine, taken.fence, taken.sends_in_s < 0.0) == (True, 2, True)
    assert not hill.look().mine
    # It has let go of the lock by now, so that the new leader's session has it.
    assert dale.look().mine
    end_session(dale)
    deadline = time.monotonic() + 20.0
    while not hill.look().mine:
        assert time.monotonic() < deadline


def test_a_leader_without_the_lock_does_not_lose_the_lead_to_who_gets_it_first(lease_of, change):
    hill, dale, third = lease_of("hill"), lease_of("dale"), lease_of("third")
    hill.look()
    change("UPDATE lease SET until = 0")
    assert dale.look().mine, "by the lease: the lock is still hill's"
    end_session(hill)
    for _ in range(20):
        assert not third.look().mine
    assert dale.look().mine


def test_a_lease_that_ran_out_while_nobody_else_looked_goes_on(lease_of, change):
    hill = lease_of("hill")
    hill.look()
    change("UPDATE lease SET until = 0")
    assert (hill.look().mine, hill.look().fence) == (True, 1)


def test_who_may_not_lead_only_looks(lease_of):
    hill, dale = lease_of("hill"), lease_of("dale")
    assert not hill.look(candidate=False).mine
    assert dale.look().mine
    left_s = dale.look().left_s
    time.sleep(0.05)
    assert dale.look(renew=False).left_s < left_s


def test_many_who_look_at_once_get_one_leader(lease_of):
    leases = [lease_of(f"node {n}") for n in range(6)]
    found = []

    def look(lease: Lease) -> None:
        found.append(lease.look())

    threads = [threading.Thread(target=look, args=(each,)) for each in leases]
    for each in threads:
        each.start()
    for each in threads:
        each.join()
    assert sum(each.mine for each in found) == 1
    assert {each.fence for each in found if each.mine} == {1}


def test_what_is_written_under_an_old_fence_is_not_written(ledger, lease_of, change):
    hill, dale = lease_of("hill"), lease_of("dale")
    old = hill.look().fence
    ledger.append([remark("in time")], fence=old)
    change("UPDATE lease SET until = 0")
    new = dale.look().fence
    with pytest.raises(LeadLost):
        ledger.append([remark("too late")], fence=old)
    ledger.append([remark("by the new leader")], fence=new)
    ledger.append([remark("by somebody at the command line")])
    texts = [each.identity for each in ledger.since(0)]
    assert texts == ["in time", "by the new leader", "by somebody at the command line"]
    assert ledger.verify().intact


HANGS_WHILE_WRITING = """
import sys, time
import sqlalchemy as sa
from contactd.core.record import REMARK, Record
from contactd.records import Ledger
ledger = Ledger.open(sys.argv[1])
def hang(*given):
    print("writing", flush=True)
    time.sleep(600)
if sys.argv[2] == "before it has written":
    Ledger._known = hang
else:
    sa.event.listen(ledger._engine, "commit", hang)
ledger.append([Record(1.0, REMARK, "s", "contactd", {}, f"never {n}") for n in range(3)], fence=1)
"""


@pytest.mark.parametrize("where", ["before it has written", "before it has committed"])
def test_a_writer_that_hangs_in_the_middle_does_not_keep_the_ledger_from_the_next(
    ledger, lease_of, change, postgres_url, where
):
    hill, dale = lease_of("hill"), lease_of("dale")
    hill.look()
    writer = subprocess.Popen(
        [sys.executable, "-c", HANGS_WHILE_WRITING, postgres_url, where], stdout=subprocess.PIPE
    )
    assert writer.stdout is not None
    assert writer.stdout.readline()
    try:
        deadline = time.monotonic() + 30.0
        while True:
            try:
                change("UPDATE lease SET until = 0")
                if (taken := dale.look()).mine:
                    break
            except LedgerError:
                assert time.monotonic() < deadline, "the one that hangs is never thrown out"
        ledger.append([remark("goes on")], fence=taken.fence)
    finally:
        writer.kill()
        writer.wait()
        writer.stdout.close()
    assert [each.identity for each in ledger.since(0)] == ["goes on"]


def test_the_lead_is_not_taken_on_a_ledger_that_a_newer_version_has_changed(
    lease_of, change, postgres_url
):
    hill = lease_of("hill")
    change("UPDATE alembic_version SET version_num = '9999'")
    look = hill.look()
    assert (look.mine, look.is_newer, look.form) == (False, True, "9999")
    with pytest.raises(NewerLedger, match="upgrade contactd here"):
        Ledger.open(postgres_url)


@pytest.fixture
def become_newer(tmp_path, monkeypatch):
    """From then on this is a later version of the program, with one migration more."""

    def become() -> None:
        folder = newer_version.lay_migrations(tmp_path / "migrations")
        monkeypatch.setattr(database, "MIGRATIONS", folder)
        monkeypatch.setattr(database, "NEWEST", newer_version.FORM)

    return become


def test_a_newer_version_leaves_the_form_alone_until_it_leads(lease_of, postgres_url, become_newer):
    hill, dale = lease_of("hill"), lease_of("dale")
    hill.look()
    before = database.NEWEST
    become_newer()
    with Ledger.open(postgres_url) as ledger:
        assert dale.look().form == before
        ledger.append([remark("by a newer command line")])
        with pytest.raises(LeadLost):
            ledger.lead(fence=77)
        assert dale.look().form == before
        hill.give_back()
        ledger.lead(dale.look().fence)
        assert dale.look().form == newer_version.FORM
        assert ledger.verify().intact


def test_where_nobody_leads_whoever_comes_brings_the_ledger_up_to_date(
    lease_of, postgres_url, become_newer
):
    hill = lease_of("hill")
    hill.look()
    hill.give_back()
    become_newer()
    with Ledger.open(postgres_url):
        assert hill.look(candidate=False).form == newer_version.FORM
