"""The same moment reads the same in every face, on the safe side.

Instants with awkward fractions of a second; what each must read as follows from its meaning: a last
moment and an earliest never later, a latest and the end of a keep-clear never earlier.
"""

from __future__ import annotations

import io

import pytest
import vobject
from pypdf import PdfReader

from contactd.core import instants
from contactd.core.intervals import IntervalSet
from contactd.core.outlook import Snapshot, TargetOutlook
from contactd.core.sequences.model import SequenceForecast, Start, StepForecast, StepStatus
from contactd.faces.export.calendar import calendar_text
from contactd.faces.export.events import events_of
from contactd.faces.handover import gather
from contactd.faces.handover.render import markdown
from contactd.faces.page.sheets.sequence_sheet import SequenceSheet
from contactd.faces.review.gather import Review, StepReview
from contactd.mission.agenda import agenda
from contactd.mission.documents.steps import step_detail

NOW = instants.from_text("2026-12-03T10:00:00Z")
FRACTIONS = (1e-4, 0.0004, 0.4999, 0.5, 0.5001, 0.9996, 0.9999)


def step_at(fraction_s: float) -> StepForecast:
    return StepForecast(
        "Lantern 3",
        "wake-up",
        "beacon on",
        StepStatus.RUNNING,
        earliest=NOW + 3600 + fraction_s,
        nominal=NOW + 3630.0,
        latest=NOW + 3660 + fraction_s,
        stop_by=NOW + 1800 + fraction_s,
        stop_station="Hill",
        stops="antenna release",
        stop_certain=True,
        stop_possible=True,
        keep_clear=(NOW + 3300 + fraction_s, NOW + 4260 + fraction_s),
        zone="200 m",
        hazard="deployment",
    )


STOP_BY = "2026-12-03 10:30:00Z"
EXPIRY = "2026-12-03 11:00:00Z to 11:01:01Z"
KEEP_CLEAR = "2026-12-03 10:55:00Z to 11:11:01Z"


def outlook_of(step: StepForecast) -> TargetOutlook:
    forecast = SequenceForecast("Lantern 3", "wake-up", Start(), (step,), hazardous=True)
    return TargetOutlook("Lantern 3", (NOW - 60.0, NOW + 86_400.0), forecasts=(forecast,))


@pytest.mark.parametrize("fraction_s", FRACTIONS)
def test_the_same_moment_reads_the_same_on_every_face(fraction_s: float) -> None:
    step = step_at(fraction_s)
    outlook = outlook_of(step)
    snapshot = Snapshot(NOW, targets={"Lantern 3": outlook})
    assert STOP_BY in step_detail(step)["stop_text"]
    assert {str(row.kind): row.when() for row in agenda(snapshot, NOW, NOW + 86_400.0).rows} == {
        "stop by": STOP_BY,
        "expiry": EXPIRY,
        "keep clear": KEEP_CLEAR,
    }

    handover = markdown(gather([], snapshot, {}, NOW, NOW, NOW + 8 * 3600.0))
    sheet = SequenceSheet(outlook.forecasts[0], IntervalSet(), "").pdf()
    printed = "".join(page.extract_text() for page in PdfReader(io.BytesIO(sheet)).pages)
    # Cells wrap anywhere: what counts is the text without its gaps.
    for face in (handover, printed):
        told = "".join(face.split())
        for moment in (STOP_BY, KEEP_CLEAR):
            assert moment.replace(" ", "") in told
        assert '"stopantennarelease"throughHill' in told
        assert "200m" in told
    assert EXPIRY in handover
    for bound in ("2026-12-0311:00:00Z", "2026-12-0311:01:01Z"):
        assert bound in "".join(printed.split())

    calendar = vobject.readOne(
        calendar_text(events_of(outlook, {}, ["step"]), NOW, name="x").decode()
    )
    told = {each.categories.value[0]: each for each in calendar.contents["vevent"]}
    assert STOP_BY in told["stop-by"].description.value
    assert EXPIRY in told["step"].description.value
    assert KEEP_CLEAR in told["keep-clear"].description.value
    assert instants.from_utc(told["keep-clear"].dtend.value) == NOW + 4261

    assert step.earliest is not None
    assert step.nominal is not None
    assert step.latest is not None
    bounds = (step.earliest, step.nominal, step.latest)
    review = Review(
        NOW, NOW, steps=(StepReview("beacon on", bounds, bounds, None, None, None, "running"),)
    ).as_json()["steps"][0]["expiry"]
    assert instants.from_text(review[0]) <= step.earliest
    assert instants.from_text(review[2]) >= step.latest
