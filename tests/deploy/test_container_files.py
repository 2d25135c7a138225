"""The container files say nothing that cannot be so."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest
import yaml

from contactd.config.settings import Settings

PROJECT = Path(__file__).parents[2]
FOLDER = PROJECT / "deploy" / "container"


def instructions() -> list[tuple[str, str]]:
    """Instruction and arguments of each logical line of the Containerfile."""
    text = re.sub(r"^\s*#.*\n", "", (FOLDER / "Containerfile").read_text(), flags=re.MULTILINE)
    lines = re.sub(r"\\\n", " ", text).splitlines()
    return [tuple(line.split(None, 1)) for line in lines if line.strip()]


@pytest.fixture(scope="module")
def services() -> dict:
    return yaml.safe_load((FOLDER / "compose.yaml").read_text())["services"]


def test_what_the_build_copies_exists_and_is_let_through():
    let_through = {
        line[1:] for line in (PROJECT / ".dockerignore").read_text().split() if line[0] == "!"
    }
    for name, arguments in instructions():
        if name == "COPY" and "--from" not in arguments:
            words = [word for word in arguments.split() if not word.startswith("--")]
            for source in words[:-1]:
                assert (PROJECT / source).exists(), source
                assert source in let_through, source


def test_the_image_never_runs_as_root_and_has_a_health_check():
    names = [name for name, _ in instructions()]
    last_stage = instructions()[len(names) - 1 - names[::-1].index("FROM") :]
    users = [arguments for name, arguments in last_stage if name == "USER"]
    assert users == ["8010:8010"]
    assert "HEALTHCHECK" in dict(last_stage)


def test_the_health_check_fails_where_nothing_answers():
    command = [sys.executable, str(FOLDER / "health.py")]
    environment = {"CONTACTD_HEALTH_URL": "http://127.0.0.1:9/health/live"}
    done = subprocess.run(command, env=environment, capture_output=True, text=True, timeout=30)
    assert done.returncode == 1
    assert "127.0.0.1:9" in done.stderr


def test_every_file_that_the_watch_room_mounts_exists(services: dict):
    made_by_the_user = {"./certificates"}
    for service in services.values():
        for volume in service.get("volumes", ()):
            source = re.sub(r"^\$\{\w+:-(.*)\}(:.*)$", r"\1\2", volume).split(":")[0]
            if source.startswith(".") and source not in made_by_the_user:
                assert (FOLDER / source).exists(), source


def test_every_service_of_the_watch_room_is_confined(services: dict):
    for name, service in services.items():
        assert service["read_only"] is True, name
        assert service["cap_drop"] == ["ALL"], name
        assert "no-new-privileges:true" in service["security_opt"], name
        assert "privileged" not in service, name


def test_a_pair_is_confined_and_shares_one_ledger_and_one_configuration():
    services = yaml.safe_load((FOLDER / "pair.yaml").read_text())["services"]
    for name, service in services.items():
        assert service["read_only"] is True, name
        assert service["cap_drop"] == ["ALL"], name
        assert "no-new-privileges:true" in service["security_opt"], name
        assert "ports" not in service, "nothing is reachable from outside"
    hill, dale, ledger = (services[name] for name in ("hill", "dale", "ledger"))
    assert hill["volumes"] == dale["volumes"]
    assert (hill["hostname"], dale["hostname"]) == ("hill", "dale")
    assert "[postgresql]" in hill["build"]["args"]["EXTRAS"]
    assert re.search(r":\d+\.\d+", ledger["image"])
    # Somebody who only reads the head of the file gets a ledger that is understood.
    head = (FOLDER / "pair.yaml").read_text()
    found = re.search(r"#   store: (\{.*\})", head)
    assert found is not None
    Settings.model_validate({"store": yaml.safe_load(found[1])})


def test_images_are_of_a_stated_version(services: dict):
    for name, service in services.items():
        image = service["image"]
        assert image == "contactd" or re.search(r":v?\d+\.\d+", image), f"{name}: {image}"


def test_only_the_edge_is_reachable_from_other_machines(services: dict):
    published = [port for service in services.values() for port in service.get("ports", ())]
    assert [port for port in published if not port.startswith("127.0.0.1:")] == ["8443:8443"]
    assert [name for name, service in services.items() if "ports" in service] == ["room"]
