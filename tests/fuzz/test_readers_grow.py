"""Every reader of text takes time in proportion to it: one token of a megabyte is refused at once.

A pattern that looks at the same characters again and again would need hours for these, not seconds.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from contactd.config.yaml12 import parse
from contactd.core.errors import InputError
from contactd.core.ground.outages import calendar_reasons
from contactd.core.instants import from_text
from contactd.core.orbit import parse_tle
from contactd.core.orbit.oem import parse_oem
from contactd.core.orbit.omm import parse_omm
from contactd.core.orbit.opm import parse_opm
from contactd.core.orbit.tdm import parse_tdm
from contactd.mission.timetext import read_length, read_moment

MEGABYTE = 1 << 20
OMM = (
    "CCSDS_OMM_VERS = 3.0\nCREATION_DATE = 2026-12-03T08:00:00\nORIGINATOR = X\nMEAN_MOTION = {}\n"
)
OEM = (
    "CCSDS_OEM_VERS = 2.0\nCREATION_DATE = 2026-12-03T08:00:00\nORIGINATOR = X\nMETA_START\n"
    "OBJECT_NAME = A\nOBJECT_ID = 2026-001A\nCENTER_NAME = EARTH\nREF_FRAME = TEME\n"
    "TIME_SYSTEM = UTC\nSTART_TIME = {}\nSTOP_TIME = 2026-12-03T08:00:00\nMETA_STOP\n"
)
XML = (
    "<omm><body><segment><data><meanElements><MEAN_MOTION>{}</MEAN_MOTION></meanElements>"
    "</data></segment></body></omm>"
)
JSON = '[{{"MEAN_MOTION": "{}"}}]'
CALENDAR = "BEGIN:VCALENDAR\r\nBEGIN:VEVENT\r\nDTSTART:{}\r\nEND:VEVENT\r\nEND:VCALENDAR\r\n"
READERS: dict[str, Callable[[str], object]] = {
    "omm": lambda token: parse_omm(OMM.format(token)),
    "omm in xml": lambda token: parse_omm(XML.format(token)),
    "omm in json": lambda token: parse_omm(JSON.format(token)),
    "oem": lambda token: parse_oem(OEM.format(token)),
    "opm": lambda token: parse_opm(OMM.format(token).replace("OMM", "OPM")),
    "tdm": lambda token: parse_tdm(OMM.format(token).replace("OMM", "TDM")),
    "tle": lambda token: parse_tle("1 " + token),
    "yaml": lambda token: parse(f"a: {token}\n".encode()),
    "calendar": lambda token: calendar_reasons(CALENDAR.format(token).encode(), 0.0, 1e9),
    "moment": read_moment,
    "moment ahead": lambda token: read_moment("+" + token, 0.0),
    "length": read_length,
    "instant": from_text,
}
TOKENS = {
    "digits": "1",
    "digits and a letter": "1" * (MEGABYTE - 1) + "x",
    "dots": "1.",
    "T": "T",
    "blanks": " ",
    "brackets": "[",
    "quotes": '\\"',
    "colons": "a:",
    "signs": "+-",
    "exponents": "1e",
    "units": "1h ",
    "dates": "2026-",
}


@pytest.mark.parametrize("reader", READERS)
@pytest.mark.parametrize("token", TOKENS)
def test_a_token_of_a_megabyte_is_refused_as_fast_as_it_is_read(reader: str, token: str) -> None:
    unit = TOKENS[token]
    text = unit * (MEGABYTE // len(unit))
    said = ""
    try:
        READERS[reader](text)
    except (InputError, ValueError) as error:
        said = str(error)
    assert len(said) < 2_000, "an error that repeats what it refuses"
