"""Alerts to a program: real programs, real ends."""

import asyncio
import json
import os
import sys
import time
from pathlib import Path

import pytest

from contactd.alerts.channels.executable import ExecutableChannel
from contactd.core.errors import DeliveryError


def program(tmp_path: Path, text: str) -> list[str]:
    script = tmp_path / "tell.py"
    script.write_text(text)
    return [sys.executable, str(script)]


async def test_the_program_is_given_the_message_on_its_input_and_in_its_environment(
    tmp_path, letters, monkeypatch
):
    monkeypatch.setenv("A_SECRET", "never passed on")
    command = program(
        tmp_path,
        "import json, os, sys\n"
        "json.dump({'in': json.load(sys.stdin), 'env': dict(os.environ), 'args': sys.argv[1:]},"
        " open(sys.argv[1], 'w'))\n",
    )
    out = tmp_path / "out.json"
    await ExecutableChannel("x", [*command, str(out), "$(id)", "; ls"]).send(letters.notification())
    got = json.loads(out.read_text())
    assert got["in"]["alerts"][0]["what"] == letters.alert.what
    assert got["args"] == [str(out), "$(id)", "; ls"], "no shell reads them"
    assert got["env"]["CONTACTD_SEVERITY"] == "warning"
    assert got["env"]["CONTACTD_MESSAGE"] == "step-uncovered-0123"
    assert got["env"]["CONTACTD_TITLE"].startswith("WARNING Step 'antenna release'")
    assert "A_SECRET" not in got["env"]


@pytest.mark.parametrize(
    ("code", "again"),
    [
        (1, True),
        (2, True),
        (75, True),
        (255, True),
        (64, False),
        (65, False),
        (69, True),
        (78, True),
        (127, True),
    ],
)
async def test_how_it_ends_says_whether_trying_again_is_worth_it(tmp_path, letters, code, again):
    # Source: sysexits(3): 75 is EX_TEMPFAIL, "the user is invited to retry the operation later".
    command = program(tmp_path, f"import sys; print('no line', file=sys.stderr); sys.exit({code})")
    with pytest.raises(DeliveryError, match=f"ended with {code}: no line") as caught:
        await ExecutableChannel("x", command).send(letters.notification())
    assert caught.value.worth_retrying is again


@pytest.mark.parametrize(
    ("command", "again"), [("/no/such/program", True), ("/etc/passwd", True), ("a\0b", False)]
)
async def test_a_program_that_is_missing_is_tried_again_and_one_that_never_can_be_run_is_not(
    letters, command, again
):
    with pytest.raises(DeliveryError, match="cannot be run") as caught:
        await ExecutableChannel("x", [command]).send(letters.notification())
    assert caught.value.worth_retrying is again


async def test_what_a_program_started_may_go_on_and_keep_its_output_open(tmp_path, letters):
    out = tmp_path / "child"
    late = f"import time; time.sleep(0.5); open({str(out)!r}, 'w').write('done')"
    command = program(
        tmp_path, f"import subprocess, sys; subprocess.Popen([sys.executable, '-c', {late!r}])"
    )
    channel = ExecutableChannel("x", command, timeout_s=60.0)
    await channel.send(letters.notification())
    assert not out.exists(), "its end counts, not the child's"
    for _ in range(3000):
        if out.exists():
            break
        await asyncio.sleep(0.01)
    assert out.read_text() == "done"


async def test_a_program_that_does_not_end_is_killed_with_all_that_it_started(tmp_path, letters):
    note = tmp_path / "pids"
    command = program(
        tmp_path,
        "import os, subprocess, sys, time\n"
        "child = subprocess.Popen([sys.executable, '-c', 'import time; time.sleep(600)'])\n"
        f"open({str(note)!r}, 'w').write(f'{{os.getpid()}} {{child.pid}}')\n"
        "time.sleep(600)\n",
    )
    with pytest.raises(DeliveryError, match="did not end within") as caught:
        await ExecutableChannel("x", command, timeout_s=1.5).send(letters.notification())
    assert caught.value.worth_retrying
    pids = [int(pid) for pid in note.read_text().split()]
    assert len(pids) == 2
    for _ in range(100):
        if not any(is_alive(pid) for pid in pids):
            break
        time.sleep(0.05)
    assert not any(is_alive(pid) for pid in pids)


def is_alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    # A child that nobody has waited for yet is dead all the same.
    return "Z" not in Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[:1]


async def test_a_program_that_neither_reads_nor_keeps_quiet_does_no_harm(tmp_path, letters):
    command = program(
        tmp_path, "import sys\nfor _ in range(2000): sys.stderr.write('x' * 1000)\nsys.exit(3)\n"
    )
    with pytest.raises(DeliveryError) as caught:
        await ExecutableChannel("x", command).send(letters.notification())
    assert len(caught.value.reason) < 5000
