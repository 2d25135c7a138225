"""The page tells the rows that it is given at the times that the service itself would write."""

from __future__ import annotations

import pytest

from contactd.core import instants
from contactd.mission.agenda import Kind, Row
from contactd.mission.documents.agenda import row_form

pytestmark = pytest.mark.process

NOW = instants.from_text("2026-12-03T10:00:00Z")
MOMENTS = (Kind.STOP_BY, Kind.NEXT_COMMAND)
FRACTIONS = (1e-4, 0.0004, 0.4999, 0.5, 0.5001, 0.9996, 0.9999)
TOLD = """async ([rows, now]) => {
  const {parse, range, safely} = await import("/static/js/times.js");
  return rows.map((row) =>
    range(...safely(row.kind, parse(row.from), parse(row.to)), Date.parse(now)));
}"""


def test_the_page_rounds_each_row_to_the_side_to_which_the_service_rounds_it(service, visit):
    rows = [
        Row(kind, NOW + 600 + fraction_s, NOW + (600 if kind in MOMENTS else 900) + fraction_s,
            "Lantern 3")
        for kind in Kind
        for fraction_s in FRACTIONS
    ]  # fmt: skip
    page = visit(service.base).open("now")
    told = page.evaluate(TOLD, [[row_form(row) for row in rows], "2026-12-03T10:00:00Z"])
    assert told == [row.when(NOW) for row in rows]
