"""The interface against its own OpenAPI document, by an independent tool that reads only that."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.process

SCHEMATHESIS = Path(sys.executable).with_name("schemathesis")
CHECKS = ",".join(
    (
        "not_a_server_error",
        "status_code_conformance",
        "content_type_conformance",
        "response_schema_conformance",
    )
)


@pytest.mark.parametrize("who", ["nobody", "operator"])
def test_whatever_the_document_allows_is_answered_as_it_says(service, who, tmp_path):
    command = [
        SCHEMATHESIS,
        "run",
        f"{service.base}/api/v1/openapi.json",
        f"--checks={CHECKS}",
        "--phases=examples,fuzzing",
        "--max-examples=10",
        # One: interpreters up to 3.11 may refuse to parse in several threads at once.
        "--workers=1",
        "--seed=1",
        "--generation-deterministic",
        "--no-shrink",
        "--max-failures=20",
        "--request-timeout=60",
        "--continue-on-failure",
        # A stream has no end to wait for.
        "--exclude-path-regex=stream|changes",
    ]
    if who == "operator":
        command.append(f"--header=Authorization: Bearer {service.room.operator}")
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, timeout=400)
    assert done.returncode == 0, (done.stdout + done.stderr)[-6000:]
    tested = re.search(r"Fuzzing.*?(\d+) passed", done.stdout, re.DOTALL)
    assert tested
    assert int(tested[1]) >= 30
