"""A real Prometheus and a real Alertmanager on loopback, with the files under ``deploy/``.

Only addresses and intervals differ from what is shipped.
"""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import httpx
import yaml
from programs import program
from real_process import RealProcess, free_port
from waiting import wait_for

DEPLOY = Path(__file__).parents[2] / "deploy"


def expressions() -> list[str]:
    """What the rules and the dashboard ask, the dashboard's choices left open."""
    rules = yaml.safe_load((DEPLOY / "prometheus/contactd.rules.yml").read_text())
    dashboard = json.loads((DEPLOY / "dashboard/contactd.json").read_text())
    asked = [target["expr"] for panel in dashboard["panels"] for target in panel.get("targets", ())]
    return [
        *(rule["expr"] for group in rules["groups"] for rule in group["rules"]),
        *(re.sub(r"\$\w+", ".*", each) for each in asked),
    ]


def families(expression: str) -> set[str]:
    """The families of our metrics that an expression names."""
    found = re.findall(r"\bcontactd_\w+", expression)
    return {re.sub(r"_(total|bucket)$", "", name) for name in found}


class Watcher(RealProcess):
    """One of both."""

    port: int

    def get(self, path: str, **parameters: str) -> Any:
        """The JSON that it answers."""
        answer = httpx.get(f"http://127.0.0.1:{self.port}{path}", params=parameters, timeout=10)
        return answer.json()

    def begin(self) -> None:
        """Start it and wait until it says that it is ready."""
        self.start()

        def ready() -> bool:
            assert self.running(), self.output()[-3000:]
            try:
                url = f"http://127.0.0.1:{self.port}/-/ready"
                return httpx.get(url, timeout=5).status_code == 200
            except httpx.TransportError:
                return False

        wait_for(ready, f"{self.command[0]} to be ready", patience_s=30)


class Prometheus(Watcher):
    """Scrapes the contactd on a port, every second, and judges by the shipped rules."""

    def __init__(self, folder: Path, contactd_port: int, alertmanager_port: int = 9) -> None:
        folder.mkdir(parents=True)
        self.port = free_port()
        shipped = yaml.safe_load((DEPLOY / "prometheus/prometheus.yml").read_text())
        shipped["global"] = {"scrape_interval": "1s", "evaluation_interval": "1s"}
        shipped["scrape_configs"][0]["static_configs"] = [
            {"targets": [f"127.0.0.1:{contactd_port}"]}
        ]
        shipped["alerting"]["alertmanagers"][0]["static_configs"] = [
            {"targets": [f"127.0.0.1:{alertmanager_port}"]}
        ]
        (folder / "prometheus.yml").write_text(yaml.safe_dump(shipped))
        rules = (DEPLOY / "prometheus/contactd.rules.yml").read_text()
        (folder / "contactd.rules.yml").write_text(rules.replace("interval: 15s", "interval: 1s"))
        super().__init__(
            [
                program("prometheus"),
                f"--config.file={folder}/prometheus.yml",
                f"--storage.tsdb.path={folder}/data",
                f"--web.listen-address=127.0.0.1:{self.port}",
            ],
            folder / "prometheus.log",
        )

    def ask(self, query: str) -> list[dict[str, Any]]:
        """The samples of an instant query.

        Raises:
            AssertionError: if Prometheus does not understand the query.
        """
        answer = self.get("/api/v1/query", query=query)
        assert answer["status"] == "success", f"{query}: {answer.get('error')}"
        return answer["data"]["result"]

    def firing(self) -> set[str]:
        """Names of the alerts that fire."""
        return {each["metric"]["alertname"] for each in self.ask('ALERTS{alertstate="firing"}')}


class Alertmanager(Watcher):
    """Routes as the shipped example does; every receiver is the one that is given."""

    def __init__(self, folder: Path, receiver_url: str) -> None:
        folder.mkdir(parents=True)
        self.port = free_port()
        shipped = (DEPLOY / "alertmanager/alertmanager.yml").read_text()
        mine = re.sub(r"http://127\.0\.0\.1:9095/[\w-]+", receiver_url, shipped)
        (folder / "alertmanager.yml").write_text(mine)
        super().__init__(
            [
                program("alertmanager"),
                f"--config.file={folder}/alertmanager.yml",
                f"--storage.path={folder}/data",
                f"--web.listen-address=127.0.0.1:{self.port}",
                "--cluster.listen-address=",
            ],
            folder / "alertmanager.log",
        )
