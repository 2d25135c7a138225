"""Files that change under a running service."""

from __future__ import annotations

import pytest
from receivers import ServiceManagerSocket
from scene import step
from waiting import wait_for

pytestmark = pytest.mark.process

NOTICED_WITHIN_S = 10.0


def test_a_target_dropped_into_the_folder_is_tracked_without_a_restart(lay_scene, start_daemon):
    scene = lay_scene()
    daemon = start_daemon(scene)
    assert daemon.metric("contactd_targets") == 0
    scene.write_target("Quiet Lantern", [step("receiver on", in_s=900)])
    wait_for(
        lambda: daemon.metric("contactd_in_view", target="Quiet Lantern", station="Under Point"),
        "the new target in view of its station",
        NOTICED_WITHIN_S,
    )
    covered = {"target": "Quiet Lantern", "step": "receiver on", "coverage": "covered"}
    assert daemon.metric("contactd_step_coverage", **covered) == 1


def test_a_target_whose_file_is_taken_away_is_no_longer_watched(lay_scene, start_daemon):
    scene = lay_scene()
    path = scene.write_target("Quiet Lantern")
    daemon = start_daemon(scene)
    path.unlink()
    wait_for(
        lambda: daemon.metric("contactd_targets") == 0, "the target to be let go", NOTICED_WITHIN_S
    )


def test_a_signal_reads_the_files_at_once_and_the_service_manager_is_told(
    lay_scene, start_daemon, tmp_path
):
    scene = lay_scene()
    manager = ServiceManagerSocket(tmp_path / "notify")
    daemon = start_daemon(scene, NOTIFY_SOCKET=str(manager.path))
    scene.write_target("Quiet Lantern")
    daemon.reload()
    wait_for(lambda: manager.count("READY=1") == 2, "the end of the reload")
    assert manager.count("RELOADING=1") == 1
    assert daemon.metric("contactd_targets") == 1
    manager.close()


def test_a_broken_file_is_told_and_the_last_good_one_stays_in_force(
    lay_scene, start_daemon, webhook
):
    channel = {"kind": "webhook", "name": "desk", "url": webhook.url}
    scene = lay_scene(channels=[channel])
    good = scene.write_target("Quiet Lantern", [step("receiver on", in_s=900)]).read_text()
    daemon = start_daemon(scene)

    broken = good.replace("delay: 4500s", "delay: 4500 parsecs")
    assert broken != good
    scene.write("targets/quiet-lantern.yaml", broken)
    line = broken.splitlines().index("    delay: 4500 parsecs") + 1
    place = f"targets/quiet-lantern.yaml:{line}:12"

    def refused():
        found = [
            alert
            for each in webhook.accepted()
            for alert in each.body["alerts"]
            if alert["kind"] == "configuration-refused"
        ]
        return found[0] if found else None

    alert = wait_for(refused, "the caution about the broken file", NOTICED_WITHIN_S)
    assert alert["severity"] == "caution"
    assert place in str(alert), alert
    assert place in daemon.output()
    assert "4500 parsecs" in daemon.output()
    assert daemon.metric("contactd_configuration_valid") == 0

    # What was known goes on.
    assert daemon.metric("contactd_targets") == 1
    covered = {"step": "receiver on", "coverage": "covered"}
    assert daemon.metric("contactd_step_coverage", **covered) == 1
    assert daemon.get("/health/ready").status_code == 200

    scene.write("targets/quiet-lantern.yaml", good)
    wait_for(
        lambda: daemon.metric("contactd_configuration_valid") == 1,
        "the mended file to be adopted",
        NOTICED_WITHIN_S,
    )

    def resolved() -> bool:
        return any(each.body["about"] == "resolved" for each in webhook.accepted())

    wait_for(resolved, "the caution to be resolved")


def test_a_service_started_over_a_broken_target_watches_the_others(lay_scene, start_daemon):
    scene = lay_scene()
    scene.write_target("Quiet Lantern")
    scene.write("targets/broken.yaml", "name: [unclosed\n")
    daemon = start_daemon(scene)
    assert daemon.metric("contactd_in_view", target="Quiet Lantern", station="Under Point") == 1
    assert daemon.metric("contactd_configuration_valid") == 0
    assert "targets/broken.yaml:" in daemon.output()
    answer = daemon.get("/health/ready")
    assert answer.status_code == 503
    assert "targets/broken.yaml is not watched" in answer.text
