"""The log is written by whoever has time: it never keeps anybody waiting."""

from __future__ import annotations

import json
import os

import structlog

from contactd.service import logs
from contactd.service.log_writer import MOST_WAITING, LogWriter


def test_lines_that_nobody_reads_are_dropped_counted_and_told_when_it_flows_again() -> None:
    reader, writer = os.pipe()
    with os.fdopen(writer, "w") as stream:
        before = structlog.get_config()
        log = logs.set_up("json", "info", lambda: 0.0, stream)
        try:
            for number in range(MOST_WAITING + 5000):
                structlog.get_logger().info("something happened", number=number)
            assert log.dropped > 0
            dropped = log.dropped
            lines: list[dict[str, object]] = []
            rest = b""
            while not lines or "dropped" not in lines[-1]:
                *whole, rest = (rest + os.read(reader, 65_536)).split(b"\n")
                lines += [json.loads(each) for each in whole if each]
            assert lines[-1]["dropped"] == dropped
            numbers = [each["number"] for each in lines[:-1]]
            assert numbers == list(range(MOST_WAITING + 5000 - dropped))
            structlog.get_logger().info("it flows again")
            log.drain(30.0)
            assert b"it flows again" in os.read(reader, 65_536)
        finally:
            structlog.configure(**before)
            os.close(reader)


def test_a_stream_that_fails_costs_its_lines_and_nothing_else() -> None:
    reader, writer = os.pipe()
    os.close(reader)
    with os.fdopen(writer, "w") as stream:
        log = LogWriter(stream, str)
        log.write("into nothing\n")
        log.drain(30.0)
        assert log.dropped == 1
