"""The nginx example, before the real service, asked by consoles with and without certificates."""

from __future__ import annotations

import html
import os
import re
import ssl
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import httpx
import pytest
import trustme
from daemon import Daemon
from programs import program
from real_process import RealProcess, free_port
from scene import step
from waiting import wait_for

SHIPPED = Path(__file__).parents[2] / "deploy" / "nginx" / "contactd.conf"

pytestmark = pytest.mark.process

MAIN = """
{user}
daemon off;
worker_processes 1;
pid {folder}/nginx.pid;
error_log stderr warn;
events {{ worker_connections 64; }}
http {{
    access_log off;
    client_body_temp_path {folder}/body;
    proxy_temp_path {folder}/proxy;
    fastcgi_temp_path {folder}/fastcgi;
    uwsgi_temp_path {folder}/uwsgi;
    scgi_temp_path {folder}/scgi;
    include {folder}/contactd.conf;
}}
"""


@dataclass
class Edge:
    """nginx as a console sees it."""

    daemon: Daemon
    url: str
    server: trustme.CA
    consoles: trustme.CA
    folder: Path

    def client(self, authority: trustme.CA | None) -> httpx.Client:
        """A console whose certificate this authority signed; None: one without a certificate."""
        context = ssl.create_default_context()
        self.server.configure_trust(context)
        if authority is not None:
            authority.issue_cert("console-1@control-room.example").configure_cert(context)
        return httpx.Client(base_url=self.url, verify=context, timeout=10)


@pytest.fixture
def edge(lay_scene, start_daemon, webhook, tmp_path: Path) -> Iterator[Edge]:
    port = free_port()
    links = {"base_url": f"https://localhost:{port}/acknowledge", "secret_file": "link-secret"}
    scene = lay_scene(
        acknowledgement={"links": links},
        channels=[{"kind": "webhook", "name": "night desk", "url": webhook.url}],
    )
    (scene.config / "link-secret").write_text("what nobody can guess: 5f1c")
    # Ranging is what no station of the scene offers.
    scene.write_target("Quiet Lantern", [step("beacon on", in_s=7200, service="ranging")])
    daemon = start_daemon(scene)
    folder = tmp_path / "nginx"
    folder.mkdir()
    server, consoles = trustme.CA(), trustme.CA()
    certificate = server.issue_cert("localhost", "127.0.0.1")
    certificate.private_key_pem.write_to_path(folder / "server.key")
    for blob in certificate.cert_chain_pems:
        blob.write_to_path(folder / "server.crt", append=True)
    consoles.cert_pem.write_to_path(folder / "consoles.crt")

    text = SHIPPED.read_text()
    for shipped, here in (
        ("listen 8443", f"listen 127.0.0.1:{port}"),
        ("127.0.0.1:8010", f"127.0.0.1:{scene.port}"),
        ("/etc/nginx/contactd/", f"{folder}/"),
    ):
        assert shipped in text
        text = text.replace(shipped, here)
    (folder / "contactd.conf").write_text(text)
    user = "user root;" if os.geteuid() == 0 else ""
    (folder / "nginx.conf").write_text(MAIN.format(folder=folder, user=user))

    nginx = RealProcess(
        [program("nginx"), "-p", folder, "-e", "stderr", "-c", folder / "nginx.conf"],
        tmp_path / "nginx.log",
    )
    nginx.start()
    made = Edge(daemon, f"https://localhost:{port}", server, consoles, folder)

    def listens() -> bool:
        assert nginx.running(), nginx.output()
        try:
            with made.client(consoles) as console:
                return console.get("/health/live").status_code == 200
        except httpx.TransportError:
            return False

    wait_for(listens, "nginx to let a console through")
    yield made
    nginx.clean_up()


def test_a_console_with_a_certificate_reaches_the_service(edge: Edge):
    with edge.client(edge.consoles) as console:
        answer = console.get("/api/v1/targets")
        assert answer.status_code == 200
        assert answer.json()[0]["name"] == "Quiet Lantern"
        assert "max-age" in answer.headers["strict-transport-security"]
        assert answer.headers["server"] == "nginx", "the version is nobody's business"


def test_nobody_gets_in_without_a_certificate_or_with_a_stranger_s(edge: Edge):
    for authority, refusal in ((None, 403), (trustme.CA(), 400)):
        with edge.client(authority) as console:
            for path in ("/", "/api/v1/targets", "/acknowledge/../api/v1/now", "/health/live"):
                assert console.get(path).status_code == refusal, path


def test_a_phone_acknowledges_by_the_link_of_a_real_message(edge: Edge, webhook):
    def message() -> dict | None:
        found = [alert for each in webhook.accepted() for alert in each.body["alerts"]]
        return next((each for each in found if each["kind"] == "step-uncovered"), None)

    alert = wait_for(message, "the warning")
    link = alert["acknowledge"]
    assert link.startswith(f"{edge.url}/acknowledge/")
    with edge.client(None) as phone:
        # Programs that look at mail follow links by themselves: nothing comes of it.
        for _ in range(2):
            shown = phone.get(link)
            assert shown.status_code == 200
            assert html.escape(alert["what"]) in shown.text
            assert shown.text.count("<button") == 1
        assert edge.daemon.get("/api/v1/alerts").json()
        style = re.findall(r'href="(/static/[^"]+\.css)"', shown.text)
        assert [phone.get(each).status_code for each in style] == [200, 200]
        done = phone.post(link)
        assert done.status_code == 201
        assert "by reader of night desk" in done.text
        again = phone.post(link)
        assert again.status_code == 409
        assert "acknowledged by reader of night desk at" in again.text
        assert phone.get(link).status_code == 409
        for wrong in (link[:-2], f"{edge.url}/acknowledge/x.y"):
            refused = phone.get(wrong)
            assert refused.status_code == 404
            assert "changed or cut off" in refused.text
    waiting = [each["identity"] for each in edge.daemon.get("/api/v1/alerts").json()]
    assert alert["identity"] not in waiting
    kinds = edge.daemon.get("/api/v1/records?kind=alert-acknowledged").json()
    assert len(kinds) == 1


def test_metrics_are_not_handed_out_to_consoles(edge: Edge):
    assert edge.daemon.get("/metrics").status_code == 200
    with edge.client(edge.consoles) as console:
        assert console.get("/metrics").status_code == 404


def test_nothing_can_be_changed_through_the_edge_without_a_token(edge: Edge):
    with edge.client(edge.consoles) as console:
        answer = console.post("/api/v1/records", json={"kind": "remark"})
        assert answer.status_code in (401, 403)


def test_live_change_arrives_as_it_happens(edge: Edge):
    """A proxy that collects what it passes on would hold the beats back for a long time."""
    with (
        edge.client(edge.consoles) as console,
        console.stream("GET", "/api/v1/changes") as answer,
    ):
        assert answer.headers["content-type"].startswith("text/event-stream")
        began, beats = time.monotonic(), 0
        for line in answer.iter_lines():
            beats += line.startswith("event: beat")
            if beats == 3:
                break
        assert beats == 3
        assert time.monotonic() - began < 15
