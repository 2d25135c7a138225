"""The sample messages of the package ccsds-ndm, where its source distribution is at hand.

Source: ``pip download --no-deps --no-binary :all: ccsds-ndm``, unpacked under ``.tools``; they are
not ours to pass on. Run with the folder: ``CONTACTD_NDM_SAMPLES=… pytest`` of this file.
"""

import os
from pathlib import Path

import pytest

from contactd.core.errors import InputError
from contactd.core.orbit import parse_omm
from contactd.core.orbit.oem import parse_oem
from contactd.core.orbit.opm import parse_opm
from contactd.core.orbit.tdm import parse_tdm

ROOT = Path(__file__).parents[2]
GIVEN = os.environ.get("CONTACTD_NDM_SAMPLES")
FOLDERS = [Path(GIVEN)] if GIVEN else sorted(ROOT.glob(".tools/ccsds_ndm-*/tests/data"))
FILES = sorted(each for folder in FOLDERS for each in folder.rglob("*") if each.is_file())
READERS = {b"OEM": parse_oem, b"OPM": parse_opm, b"OMM": parse_omm, b"TDM": parse_tdm}
SAMPLES = [
    (path, kind)
    for path in FILES
    for kind in READERS
    if b"CCSDS_" + kind + b"_VERS" in path.read_bytes()
]
REFUSED = {
    "502x0b2c1e2_fig5_1_oem": "only orbits about the Earth",
    "odmv2-testcase7a_xxx": "only orbits about the Earth",
    "ndmxml-1.0-oem-2.0-single": "only orbits about the Earth",
    "ndmxml-1.0-odm": "only orbits about the Earth|an ndm element that holds one",
    "ndmxml-1.0-omm-2.0": "elements of another theory",
}

pytestmark = pytest.mark.skipif(not SAMPLES, reason="the samples are not at hand")


@pytest.mark.parametrize(
    ("path", "kind"), SAMPLES, ids=[f"{kind.decode()} {path.name}" for path, kind in SAMPLES]
)
def test_what_concerns_the_earth_is_read_and_the_rest_refused_with_the_reason(path, kind):
    text = path.read_bytes()
    if path.stem not in REFUSED:
        assert READERS[kind](text)
        return
    with pytest.raises(InputError, match=REFUSED[path.stem]) as refused:
        READERS[kind](text)
    assert refused.value.line
