"""A shift is handed over, and whoever takes over reads back every hazard, stop and doubt."""

from __future__ import annotations

import io
import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
import yaml
from orbits import geostationary
from pypdf import PdfReader
from scene import LONGITUDE_DEG, Scene, step
from watch import Watch

from contactd.config.rehearsal import load_script
from contactd.core import record as kinds
from contactd.core.handover import HAZARD, OpenItem, handover_body, learn_handover
from contactd.core.instants import from_text
from contactd.core.orbit.tle import format_tle
from contactd.core.record import Record
from contactd.faces.handover.gather import Handover, Item
from contactd.faces.handover.render import markdown, pdf
from contactd.records import Ledger
from contactd.records.state import as_known_at
from contactd.service.clock import SimulatedClock
from contactd.service.rehearsal import Rehearsal

CONTACTD = Path(sys.executable).with_name("contactd")
NOW = from_text("2026-11-25T09:00:00Z")


@pytest.fixture
def scene(tmp_path: Path) -> Scene:
    laid = Scene(tmp_path, 1, {"store": {"url": f"sqlite:///{tmp_path}/ledger.sqlite"}})
    laid.write_target(
        "Quiet Lantern",
        [
            step("receiver on", in_s=3600),
            step("mast up", in_s=10_800, hazard="deployment", keep_clear={"before": "5min"},
                 stop={"lead": "60s", "takes_effect_in": "20s"}),
        ],
    )  # fmt: skip
    return laid


def contactd(scene: Scene, *arguments: str) -> subprocess.CompletedProcess[str]:
    command = [CONTACTD, *arguments, "--config", scene.config]
    environment = {**os.environ, "COLUMNS": "100"}
    return subprocess.run(command, capture_output=True, text=True, env=environment)


def test_a_shift_is_handed_over_and_read_back_and_shown_as_it_was(scene: Scene) -> None:
    early = contactd(scene, "record", "read-back", "--item", "1", "--by", "Grace Oduya")
    assert early.returncode == 2
    assert "No shift was handed over." in early.stderr
    given = contactd(scene, "record", "handover", "--to", "Grace Oduya", "--by", "Ada Quill")
    assert given.returncode == 0, given.stderr
    assert "1. Quiet Lantern/wake-up/mast up: hazard: deployment, running" in given.stderr
    assert "2. Quiet Lantern/wake-up/mast up: stop: Stop by" in given.stderr
    same = contactd(scene, "record", "read-back", "--item", "1", "--by", "ada quill")
    assert "Whoever takes over reads back." in same.stderr
    wrong = contactd(scene, "record", "read-back", "--item", "3", "--by", "Grace Oduya")
    assert "give numbers from 1 to 2" in wrong.stderr
    words = "mast goes up at noon, stay out"
    read = contactd(
        scene, "record", "read-back", "--item", "1", "--words", words, "--by", "Grace Oduya"
    )
    assert read.returncode == 0, read.stderr
    assert "Still to be read back: 2." in read.stderr
    told = json.loads(contactd(scene, "handover", "--format", "json").stdout)
    assert told["given"]["by"] == "Ada Quill"
    assert [(each["kind"], each["by"], each["words"]) for each in told["read_back"]] == [
        ("hazard", "Grace Oduya", words),
        ("stop", None, None),
    ]
    with Ledger.open(f"sqlite:///{scene.folder}/ledger.sqlite") as ledger:
        records = list(ledger.records())
    [confirmed] = [each for each in records if each.kind == kinds.HANDOVER_CONFIRMED]
    before = as_known_at(records, confirmed.at - 1e-3).handover
    assert before is not None
    assert before.unconfirmed == (1, 2)
    assert f"[Grace Oduya, {told['read_back'][0]['at'][:10]}" in contactd(scene, "handover").stdout


async def test_what_is_not_read_back_in_time_is_a_warning_until_it_is(tmp_path: Path) -> None:
    scene = Scene(tmp_path, 1, {})
    elements = "\n".join(format_tle(geostationary(LONGITUDE_DEG, epoch=NOW - 60.0)))
    scene.write("targets/lantern-3.yaml", {"name": "Lantern 3", "elements": {"tle": elements}})
    watch = Watch(scene.config, SimulatedClock(NOW))
    await watch.begin()
    items = (OpenItem(HAZARD, "L/w/a", "It."), OpenItem(HAZARD, "L/w/b", "It."))
    body = handover_body(items, "Grace", 60.0)
    [given] = await watch.daemon.commit(
        [Record(NOW, kinds.HANDOVER_GIVEN, "contactd", "Ada", body)]
    )

    async def confirm(*numbers: int) -> None:
        said = {"handover": given.number, "items": list(numbers), "words": ""}
        await watch.daemon.commit(
            [Record(watch.clock.now(), kinds.HANDOVER_CONFIRMED, "contactd", "Grace", said)]
        )

    await watch.beats(6, 9.0)
    await confirm(1)
    assert watch.raised("handover-unconfirmed") == []
    await watch.beats(3, 9.0)
    [alert] = watch.raised("handover-unconfirmed")
    assert alert.body["severity"] == "warning"
    assert "1 of 2 hazards, stops and doubts not read back" in alert.body["what"]
    await confirm(2)
    await watch.beats(3, 1.0)
    assert [each.kind for each in watch.records(kinds.ALERT_RESOLVED)] == [kinds.ALERT_RESOLVED]
    await watch.end()


def test_a_rehearsal_hands_over_and_reads_back(tmp_path: Path) -> None:
    content = {
        "title": "Change of shift", "begins": "2026-12-03T08:00:00Z", "lasts": "2min",
        "events": [
            {"after": "10s", "by": "Ada", "say": {"handover": {"to": "Grace", "within": "30s"}}},
            {"after": "20s", "by": "Grace", "say": {"read-back": {"items": [1], "words": "yes"}}},
        ],
        "expectations": [
            {"by": "1min", "recorded": "handover-confirmed"},
            {"by": "1min", "alert": "handover-unconfirmed"},
        ],
    }  # fmt: skip
    script = tmp_path / "script.yaml"
    script.write_text(yaml.safe_dump(content))
    (tmp_path / "kept").mkdir()
    report = Rehearsal(load_script(script), tmp_path / "kept", tmp_path).play()
    assert [each.held for each in report.judgements] == [True, True], report.timeline


def test_a_confirmation_of_another_handover_or_one_that_cannot_be_read_counts_nothing() -> None:
    body = handover_body((OpenItem(HAZARD, "L/w/a", "It."),), "", 60.0)
    given = Record(NOW, kinds.HANDOVER_GIVEN, "contactd", "Ada", body, number=7)
    known = learn_handover(None, given)
    assert known is not None
    for broken in ({"handover": 6, "items": [1]}, {"items": [1]}, {"handover": 7, "items": "x"},
                   {"handover": 7, "items": [2]}):  # fmt: skip
        said = Record(NOW, kinds.HANDOVER_CONFIRMED, "contactd", "Grace", broken, number=8)
        after = learn_handover(known, said)
        assert after is not None
        assert after.unconfirmed == (1,)
    later = Record(NOW + 1, kinds.HANDOVER_GIVEN, "contactd", "Ida", body, number=9)
    assert learn_handover(known, later).confirmed == {}  # type: ignore[union-attr]


@pytest.mark.parametrize("count", [0, 3, 300])
def test_what_is_open_and_hazardous_stands_on_two_pages_and_nothing_is_lost(count: int) -> None:
    items = tuple(
        Item(NOW + n, f"open matter {n} of some length", "Lantern 3") for n in range(count)
    )
    given = learn_handover(
        None,
        Record(
            NOW, kinds.HANDOVER_GIVEN, "contactd", "Ada",
            handover_body(tuple(OpenItem(HAZARD, f"L/w/{n}", f"hazard {n}.")
                                for n in range(min(count, 200))), "", 60.0), number=1,
        ),
    )  # fmt: skip
    made = Handover(NOW - 1, NOW, NOW + 1, open_items=items, known=items, given=given)
    pages = [page.extract_text() for page in PdfReader(io.BytesIO(pdf(made))).pages]
    first = next(n for n, text in enumerate(pages) if re.search(r"^Appendix$", text, re.MULTILINE))
    assert first <= 2
    assert "Handed over by" in "".join(pages[:first])
    whole = "".join(pages)
    for n in range(count):
        assert whole.count(f"open matter {n} of some length") == 2
    for n in range(min(count, 200)):
        assert f"hazard {n}." in whole
    text = markdown(made)
    assert text.index("## Open") < text.index("# Appendix") < text.index("## Known")
