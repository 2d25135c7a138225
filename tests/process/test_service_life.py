"""The service as a process: it starts, says so, beats, and ends."""

from __future__ import annotations

import signal

import httpx
import pytest
from daemon import Daemon
from programs import program
from real_process import free_port
from receivers import ServiceManagerSocket
from scene import step
from waiting import wait_for

pytestmark = pytest.mark.process


def test_the_service_manager_is_told_ready_watchdog_reload_and_stop(
    lay_scene, start_daemon, tmp_path
):
    scene = lay_scene()
    scene.write_target("Quiet Lantern")
    manager = ServiceManagerSocket(tmp_path / "notify")
    daemon = start_daemon(
        scene, NOTIFY_SOCKET=str(manager.path), WATCHDOG_USEC="2000000", WATCHDOG_PID=""
    )
    assert manager.count("READY=1") == 1
    wait_for(lambda: manager.count("WATCHDOG=1") >= 3, "three beats of the watchdog")
    daemon.stop()
    assert manager.count("STOPPING=1") == 1
    manager.close()


def test_health_is_live_and_ready_and_says_why_not(lay_scene, start_daemon):
    scene = lay_scene()
    scene.write_target("Quiet Lantern")
    daemon = start_daemon(scene)
    assert daemon.get("/health/live").status_code == 200
    ready = daemon.get("/health/ready")
    assert (ready.status_code, ready.json()["ready"]) == (200, True)


def test_a_service_without_targets_is_not_ready(lay_scene):
    daemon = Daemon(lay_scene())
    daemon.start()
    try:

        def says() -> dict | None:
            try:
                answer = daemon.get("/health/ready")
            except httpx.TransportError:
                return None
            assert answer.status_code == 503
            return answer.json() if "nothing is watched" in answer.text else None

        told = wait_for(says, "the reason")
        assert "no target is configured: nothing is watched" in told["reasons"]
    finally:
        daemon.clean_up()


def test_a_port_in_use_is_told_in_one_line_and_nothing_starts(lay_scene, start_daemon):
    scene = lay_scene()
    scene.write_target("Quiet Lantern")
    start_daemon(scene)
    second = Daemon(scene)
    second.log = scene.folder / "second.log"
    second.start()
    assert second.process is not None
    assert second.process.wait(20) == 1
    lines = second.output().splitlines()
    assert len(lines) == 1
    assert f"port {scene.port}" in lines[0]


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_the_service_ends_cleanly_when_asked(lay_scene, start_daemon, number):
    scene = lay_scene()
    scene.write_target("Quiet Lantern", [step("receiver on", in_s=3600)])
    daemon = start_daemon(scene)
    daemon.signal(number)
    assert daemon.process.wait(15) == 0
    assert "Traceback" not in daemon.output()


def test_settings_that_are_wrong_stop_the_start_with_file_line_and_column(lay_scene):
    scene = lay_scene()
    scene.write("contactd.yaml", "http:\n  prot: 8010\n")
    daemon = Daemon(scene)
    daemon.start()
    assert daemon.process.wait(20) == 1
    written = daemon.output()
    assert "contactd.yaml:2:3" in written
    assert "prot" in written
    assert "port" in written
    assert "Traceback" not in written


def test_a_folder_that_is_not_there_is_refused_and_nothing_is_written(lay_scene):
    scene = lay_scene()
    daemon = Daemon(scene)
    missing = scene.folder / "nowhere" / "config"
    daemon.command = [*daemon.command[:-1], str(missing)]
    daemon.start()
    assert daemon.process.wait(60) == 2
    assert "no such folder" in daemon.output()
    assert not missing.parent.exists()


def test_tokens_that_cannot_be_read_do_not_end_the_watch(lay_scene, start_daemon):
    scene = lay_scene(http={"port": free_port(), "tokens_file": "secrets/tokens"})
    scene.port = scene.settings["http"]["port"]
    scene.write_target("Quiet Lantern")
    daemon = start_daemon(scene)
    assert "tokens refused" in [each["event"] for each in daemon.events()]
    remark = {"enter": "remark", "target": "Quiet Lantern", "text": "quiet"}
    answer = httpx.post(f"{daemon.url}/api/v1/records", json=remark, timeout=30)
    assert answer.status_code == 401


def test_a_socket_that_systemd_hands_over_is_used_and_keeps_those_who_ask(lay_scene, tmp_path):
    """Asked through systemd's own tool, which listens first and starts the service when asked."""
    scene = lay_scene()
    scene.write("contactd.yaml", {"http": {"port": free_port()}, "log": {"format": "json"}})
    scene.write_target("Quiet Lantern")
    activator = program("systemd-socket-activate")
    daemon = Daemon(scene)
    daemon.command = [str(activator), "--listen", f"127.0.0.1:{scene.port}", *daemon.command]
    daemon.start()
    try:
        daemon.wait_for_output("Listening on")
        # Nothing of contactd runs yet: the question itself starts it, and is answered.
        assert httpx.get(f"{daemon.url}/health/live", timeout=60).status_code == 200
        daemon.wait_until_ready()
    finally:
        daemon.clean_up()
