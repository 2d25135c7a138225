"""Each mistake has a bad file and, beside it, the message that it must give.

``bad/KIND-MISTAKE.yaml`` is one file of a configuration that is good otherwise; ``KIND`` is
``settings``, ``station`` or ``target``. ``bad/KIND-MISTAKE/`` is a whole folder. The message beside
it, ``KIND-MISTAKE.message``, is all that the operator reads.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from contactd.config import load
from contactd.core.errors import InputErrors

BAD = Path(__file__).parent / "bad"
MISTAKES = sorted(path for path in BAD.iterdir() if path.suffix != ".message")
PLACES = {
    "settings": "contactd.yaml",
    "station": "stations/skerry-head.yaml",
    "target": "targets/pale-heron.yaml",
}
GOOD_STATION = """\
name: Long Sound
latitude_deg: -43.5
longitude_deg: 172.6
services: {telemetry: {}, command: {least_elevation_deg: 5}}
"""


def laid_out(mistake: Path, folder: Path) -> Path:
    """A configuration with this one mistake."""
    config = folder / "config"
    if mistake.is_dir():
        shutil.copytree(mistake, config)
    for part in ("stations", "targets"):
        (config / part).mkdir(parents=True, exist_ok=True)
    (config / "stations" / "long-sound.yaml").write_text(GOOD_STATION)
    if mistake.is_file():
        shutil.copy(mistake, config / PLACES[mistake.stem.split("-")[0]])
    return config


@pytest.mark.parametrize("mistake", MISTAKES, ids=lambda path: path.stem)
def test_a_bad_file_gives_the_message_beside_it(mistake: Path, tmp_path: Path) -> None:
    config = laid_out(mistake, tmp_path)
    with pytest.raises(InputErrors) as caught:
        load(config)
    said = str(caught.value).replace(str(config), "config")
    assert said + "\n" == mistake.with_suffix(".message").read_text(encoding="utf-8")


def test_there_is_a_bad_file_for_every_message() -> None:
    assert {path.stem for path in BAD.glob("*.message")} == {path.stem for path in MISTAKES}
    assert len(MISTAKES) >= 40
