"""The documents that HTTP, ``--format json`` and the page share."""

from __future__ import annotations

from dataclasses import replace

from pydantic import TypeAdapter

from contactd.core.contacts.contact import Contact
from contactd.core.contacts.outage import outage_of
from contactd.core.ground.station import Station
from contactd.core.instants import from_text
from contactd.core.intervals import IntervalSet
from contactd.core.sequences.model import StepForecast, StepStatus
from contactd.mission.agenda import Kind, Row
from contactd.mission.documents import models
from contactd.mission.documents.agenda import row_form
from contactd.mission.documents.contacts import contact_form
from contactd.mission.documents.steps import step_detail, step_form

AT = from_text("2026-12-03T10:00:00Z")
CONTACT = Contact("Lantern 3", "Brenn Head", AT, AT + 300, AT + 600, 10, 90, 170, 40, 900)


def station(*outages: tuple[float, float, str]) -> Station:
    spans = IntervalSet.of((AT + a, AT + b) for a, b, _ in outages)
    reasons = tuple((AT + a, AT + b, why) for a, b, why in outages)
    return Station("Brenn Head", 0.0, 0.0, outages=spans, outage_reasons=reasons)


def seconds(text: str | None) -> float:
    assert text is not None
    return round(from_text(text) - AT, 4)


def test_a_contact_is_as_the_interface_describes_it_with_and_without_an_outage() -> None:
    described = TypeAdapter(models.Contact)
    for place in (None, station(), station((100, 200, "gearbox"))):
        form = contact_form(CONTACT, place)
        described.validate_python(form, strict=True)
        assert list(form) == list(models.Contact.__annotations__)


def test_a_contact_outside_every_outage_is_usable_from_aos_to_los() -> None:
    form = contact_form(CONTACT, station((-50, 0, "before"), (600, 700, "after")))
    assert form["outage"] is None
    assert form["usable"] == [{"from": form["aos"], "to": form["los"]}]


def test_a_contact_within_an_outage_has_nothing_usable_and_says_why_and_until_when() -> None:
    form = contact_form(CONTACT, station((-100, 900, "new gearbox")))
    assert form["usable"] == []
    assert form["outage"]["why"] == "new gearbox"
    assert (seconds(form["outage"]["from"]), seconds(form["outage"]["to"])) == (-100.0, 900.0)


def test_an_outage_in_the_middle_of_a_contact_leaves_both_its_ends() -> None:
    form = contact_form(CONTACT, station((100.0004, 200.0004, "gearbox")))
    assert [(seconds(each["from"]), seconds(each["to"])) for each in form["usable"]] == [
        (0.0, 100.0),
        (200.001, 600.0),
    ]


def test_outages_that_overlap_are_one_with_both_reasons() -> None:
    place = station((100, 200, "gearbox"), (150, 300, "crew away"), (2000, 2100, "paint"))
    out = outage_of(CONTACT, place)
    assert out is not None
    assert (out.start, out.end, out.why) == (AT + 100, AT + 300, "gearbox; crew away")
    assert not out.takes_all


def awkward() -> StepForecast:
    """Every moment lies 0.7 ms or 0.3 ms beside a millisecond, where rounding to nearest errs."""
    return StepForecast(
        target="Lantern 3",
        sequence="wake-up",
        step="antenna release",
        status=StepStatus.RUNNING,
        earliest=AT + 0.0007,
        nominal=AT + 5.0,
        latest=AT + 10.0003,
        margin_s=-1.0004,
        stop_by=AT - 60 + 0.0007,
        stop_station="Brenn Head",
        stop_certain=True,
        keep_clear=(AT - 120 + 0.0007, AT + 600.0003),
        confirm_at=AT + 700.0003,
        people_in_danger=IntervalSet([AT + 0.0007], [AT + 3.0003]),
    )


def test_a_stop_by_that_has_passed_is_not_told_as_if_it_were_to_come() -> None:
    to_come, past = step_form(awkward()), step_form(replace(awkward(), stop_certain=False))
    assert (to_come["stop_by"], to_come["stop_station"]) == (
        "2026-12-03T09:59:00.000Z",
        "Brenn Head",
    )
    assert (past["stop_by"], past["stop_station"]) == (None, None)


def test_a_machine_is_told_every_moment_on_the_safe_side() -> None:
    form = step_detail(awkward())
    TypeAdapter(models.StepDetail).validate_python(form, strict=True)
    told = {name: seconds(form[name]) for name in ("earliest", "latest", "stop_by")}
    assert told == {"earliest": 0.0, "latest": 10.001, "stop_by": -60.0}
    clear, people = form["keep_clear"], form["people_in_keep_clear"][0]
    assert (seconds(clear["from"]), seconds(clear["to"])) == (-120.0, 600.001)
    assert (seconds(people["from"]), seconds(people["to"])) == (0.0, 3.001)
    assert seconds(form["confirm_at"]) == 700.001
    assert form["margin_s"] == -1.001, "a margin is never told larger than it is"


def test_a_step_has_the_fields_that_other_programs_rely_on_in_their_order() -> None:
    assert list(step_form(awkward())) == list(models.Step.__annotations__)


def test_a_row_of_the_agenda_is_as_the_interface_describes_it() -> None:
    described = TypeAdapter(models.AgendaRow)
    for kind in Kind:
        form = row_form(Row(kind, AT + 0.00049, AT + 60.00049, "Lantern 3", text="told"))
        described.validate_python(form, strict=True)
        assert list(form) == list(models.AgendaRow.__annotations__)
