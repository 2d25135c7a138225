"""Fixtures of tests with the real service."""

from collections.abc import Iterator

import pytest
from daemon import lay_scene, start_daemon
from receivers import WebhookReceiver

__all__ = ["lay_scene", "start_daemon", "webhook"]


@pytest.fixture
def webhook() -> Iterator[WebhookReceiver]:
    """A receiver of alerts on loopback."""
    receiver = WebhookReceiver().start()
    yield receiver
    receiver.stop()
