"""Alerts through the apprise library to a real HTTP server."""

import pytest

from contactd.alerts.channels.others import ApprisedChannel
from contactd.alerts.notification import About
from contactd.core.errors import DeliveryError, InputError

# The library looks for a module that newer Pythons no longer have.
pytestmark = pytest.mark.filterwarnings("ignore:'imghdr' is deprecated:DeprecationWarning")


def url(receiver) -> str:
    return receiver.url.replace("http://", "json://")


async def test_an_alert_arrives_with_its_title_and_text(receiver, letters):
    channel = ApprisedChannel("phone", [url(receiver)])
    await channel.send(letters.notification())
    await channel.send(letters.notification(about=About.RESOLVED))
    await channel.close()
    first, second = (request.json for request in receiver.requests)
    assert first["title"].startswith("WARNING Step 'antenna release' of Lantern 3")
    assert "Do:    Controller: decide; to prevent it, stop" in first["message"]
    assert (first["type"], second["type"]) == ("failure", "success")


async def test_a_service_that_refuses_is_tried_again(receiver, letters):
    receiver.answers = [500]
    channel = ApprisedChannel("phone", [url(receiver)])
    with pytest.raises(DeliveryError) as caught:
        await channel.send(letters.notification())
    assert caught.value.worth_retrying


def test_a_url_that_is_not_understood_is_refused_without_being_shown():
    with pytest.raises(InputError, match="URL 1") as caught:
        ApprisedChannel("phone", ["nonsense-with-a-secret"])
    assert "secret" not in str(caught.value)
