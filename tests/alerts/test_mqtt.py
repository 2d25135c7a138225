"""Alerts by MQTT through a real broker on loopback: mosquitto."""

import asyncio
import base64
import hashlib
import json
import os
import ssl
from dataclasses import replace

import aiomqtt
import pytest
import trustme
from programs import program
from real_process import RealProcess, free_port

from contactd.alerts.channels.mqtt import Broker, MqttChannel
from contactd.core.errors import DeliveryError

pytestmark = pytest.mark.process


class Mosquitto(RealProcess):
    """A broker on loopback; ``lines`` are more lines of its configuration."""

    def __init__(self, folder, *lines: str) -> None:
        folder.mkdir(exist_ok=True)
        self.port = free_port()
        listener = (f"listener {self.port} 127.0.0.1", "user root", "persistence false")
        (folder / "mosquitto.conf").write_text("\n".join([*listener, *lines]) + "\n")
        command = [program("mosquitto"), "-c", str(folder / "mosquitto.conf"), "-v"]
        super().__init__(command, folder / "mosquitto.log")

    async def begin(self) -> None:
        self.start()
        for _ in range(200):
            assert self.running(), self.output()[-2000:]
            try:
                _, writer = await asyncio.open_connection("127.0.0.1", self.port)
            except OSError:
                await asyncio.sleep(0.02)
            else:
                writer.close()
                await writer.wait_closed()
                return
        raise AssertionError(self.output())


@pytest.fixture
async def broker(tmp_path):
    process = Mosquitto(tmp_path / "broker", "allow_anonymous true")
    await process.begin()
    yield process
    process.stop()


def hashed(password: str) -> str:
    """A password as mosquitto_passwd(1) writes it: PBKDF2 of SHA-512 (value from memory)."""
    salt = os.urandom(12)
    digest = hashlib.pbkdf2_hmac("sha512", password.encode(), salt, 101)
    return "$7$101$" + "$".join(base64.b64encode(part).decode() for part in (salt, digest))


def reader(broker: Mosquitto, **more) -> aiomqtt.Client:
    return aiomqtt.Client("127.0.0.1", broker.port, protocol=aiomqtt.ProtocolVersion.V5, **more)


async def take(client: aiomqtt.Client, count: int = 1) -> list[aiomqtt.Message]:
    got = []
    async with asyncio.timeout(10):
        async for notification in client.messages:
            got.append(notification)
            if len(got) == count:
                break
    return got


async def test_an_alert_arrives_under_its_severity_and_target_with_its_key(broker, letters):
    channel = MqttChannel("mqtt", Broker("127.0.0.1", broker.port))
    async with reader(broker) as client:
        await client.subscribe("contactd/alerts/#", qos=1)
        await channel.send(letters.notification())
        (got,) = await take(client)
    await channel.close()
    assert str(got.topic) == "contactd/alerts/warning/Lantern 3"
    assert got.qos == 1
    assert json.loads(got.payload)["alerts"][0]["what"] == letters.alert.what
    assert got.properties.UserProperty == [("idempotency-key", "step-uncovered-0123")]
    assert got.properties.ContentType == "application/json"


async def test_many_alerts_at_once_share_one_connection(broker, letters):
    channel = MqttChannel("mqtt", Broker("127.0.0.1", broker.port))
    alerts = [replace(letters.alert, identity=f"a-{n}") for n in range(100)]
    async with reader(broker) as client:
        await client.subscribe("contactd/alerts/#", qos=1)
        await asyncio.gather(*(channel.send(letters.notification(alert)) for alert in alerts))
        got = await take(client, 100)
    await channel.close()
    assert {json.loads(each.payload)["message"] for each in got} == {f"a-{n}" for n in range(100)}
    assert broker.output().count("New client connected") == 2


async def test_names_cannot_break_out_of_their_level_of_the_topic(broker, letters):
    channel = MqttChannel("mqtt", Broker("127.0.0.1", broker.port), prefix="/watch/")
    alert = replace(letters.alert, target="../#/+\0")
    async with reader(broker) as client:
        await client.subscribe("#", qos=1)
        await channel.send(letters.notification(alert))
        await channel.send(letters.notification(replace(alert, target="")))
        topics = [str(each.topic) for each in await take(client, 2)]
    await channel.close()
    assert (
        topics == ["watch/warning/..______"[:24], "watch/warning/service"]
        or topics[0].count("/") == 2
    )


async def test_a_broker_that_goes_away_and_comes_back_is_used_again(broker, letters):
    channel = MqttChannel("mqtt", Broker("127.0.0.1", broker.port), timeout_s=2.0)
    await channel.send(letters.notification())
    broker.stop()
    with pytest.raises(DeliveryError) as caught:
        await channel.send(letters.notification())
    assert caught.value.worth_retrying
    await broker.begin()
    async with reader(broker) as client:
        await client.subscribe("contactd/alerts/#", qos=1)
        await channel.send(letters.notification())
        assert len(await take(client)) == 1
    await channel.close()


async def test_nobody_at_home_is_worth_another_try(letters):
    channel = MqttChannel("mqtt", Broker("127.0.0.1", free_port()), timeout_s=2.0)
    with pytest.raises(DeliveryError) as caught:
        await channel.send(letters.notification())
    await channel.close()
    assert caught.value.worth_retrying


async def test_a_password_lets_in_and_a_wrong_one_is_not_tried_again(tmp_path, letters):
    # Source: OASIS MQTT 5.0 section 3.2.2.2: 0x86 bad user name or password, 0x87 not authorized.
    folder = tmp_path / "guarded"
    folder.mkdir()
    passwords = folder / "passwords"
    passwords.write_text(f"watch:{hashed('secret')}\n")
    passwords.chmod(0o600)
    process = Mosquitto(folder, f"password_file {passwords}", "allow_anonymous false")
    await process.begin()
    good = MqttChannel("mqtt", Broker("127.0.0.1", process.port, "watch", "secret"))
    await good.send(letters.notification())
    await good.close()
    wrong = MqttChannel("mqtt", Broker("127.0.0.1", process.port, "watch", "guessed"))
    with pytest.raises(DeliveryError) as caught:
        await wrong.send(letters.notification())
    await wrong.close()
    process.stop()
    assert not caught.value.worth_retrying
    assert "guessed" not in str(caught.value)


# The library under the client leaves its socket to the garbage collector when a handshake fails.
@pytest.mark.filterwarnings("ignore:Exception ignored in. <ssl.SSLSocket")
async def test_tls_is_spoken_and_a_stranger_is_refused(tmp_path, letters):
    authority = trustme.CA()
    folder = tmp_path / "tls"
    folder.mkdir()
    certificate = authority.issue_cert("localhost")
    chain, key = folder / "chain.pem", folder / "key.pem"
    chain.write_bytes(b"".join(part.bytes() for part in certificate.cert_chain_pems))
    key.write_bytes(certificate.private_key_pem.bytes())
    process = Mosquitto(folder, f"certfile {chain}", f"keyfile {key}", "allow_anonymous true")
    await process.begin()
    trusting = ssl.create_default_context()
    authority.configure_trust(trusting)
    good = MqttChannel("mqtt", Broker("localhost", process.port, context=trusting))
    await good.send(letters.notification())
    await good.close()
    strict = Broker("localhost", process.port, context=ssl.create_default_context())
    stranger = MqttChannel("mqtt", strict, timeout_s=2.0)
    with pytest.raises(DeliveryError):
        await stranger.send(letters.notification())
    await stranger.close()
    process.stop()
