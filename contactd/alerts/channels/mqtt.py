"""Alerts by MQTT 5, with quality of service 1: the broker acknowledges each.

The topic is ``<prefix>/<severity>/<target>`` (``service`` in place of the target for what concerns
no satellite); the payload is the JSON of the webhook. The message's key travels as the user
property ``idempotency-key``.

Source: OASIS MQTT 5.0, sections 3.3.2 (PUBLISH properties), 3.4 (PUBACK), 4.7 (topic names).
"""

from __future__ import annotations

import asyncio
import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from contactd.alerts.notification import Notification, payload
from contactd.core.errors import ContactdError, DeliveryError

if TYPE_CHECKING:
    import ssl

    import aiomqtt

KEEP_ALIVE_S = 30
# Reason codes of CONNACK and PUBACK after which trying again is of no use (section 2.4).
_FOR_GOOD = frozenset({0x84, 0x85, 0x86, 0x87, 0x8A, 0x8C, 0x90, 0x95, 0x99})


@dataclass(frozen=True, slots=True)
class Broker:
    """Where messages are published.

    Attributes:
        user, password: if it asks for them.
        context: TLS, and how its certificate is checked; None for a connection without TLS.
        client_id: name of this client; the broker lets only one of a name in at a time.
    """

    host: str
    port: int = 8883
    user: str | None = None
    password: str | None = None
    context: ssl.SSLContext | None = None
    client_id: str | None = None


class MqttChannel:
    """Publishes each message, over one connection that is made anew when it breaks.

    Raises:
        ContactdError: if the library is not installed.
    """

    def __init__(
        self, name: str, broker: Broker, prefix: str = "contactd/alerts", timeout_s: float = 10.0
    ) -> None:
        try:
            import aiomqtt  # noqa: F401
        except ModuleNotFoundError:
            raise ContactdError("MQTT needs one more library: pip install 'contactd[mqtt]'") from (
                None
            )
        self.name = name
        self._broker = broker
        self._prefix = prefix.strip("/")
        self._timeout_s = timeout_s
        self._client: aiomqtt.Client | None = None
        self._connecting = asyncio.Lock()

    async def send(self, notification: Notification) -> None:
        """Publish the message; the broker's acknowledgement accepts it."""
        import aiomqtt
        from paho.mqtt.packettypes import PacketTypes
        from paho.mqtt.properties import Properties

        make: Any = Properties
        properties = make(PacketTypes.PUBLISH)
        properties.ContentType = "application/json"
        properties.PayloadFormatIndicator = 1
        properties.UserProperty = [("idempotency-key", notification.key)]
        body = json.dumps(payload(notification), ensure_ascii=False, separators=(",", ":"))
        client: aiomqtt.Client | None = None
        try:
            client = await self._connected()
            await client.publish(
                self.topic(notification),
                body.encode(),
                qos=1,
                properties=properties,
                timeout=self._timeout_s,
            )
        except aiomqtt.MqttCodeError as error:
            await self._drop(client)
            code = getattr(error.rc, "value", error.rc)
            raise DeliveryError(self.name, str(error), code not in _FOR_GOOD) from error
        except (aiomqtt.MqttError, OSError) as error:
            await self._drop(client)
            raise DeliveryError(self.name, str(error) or type(error).__name__, True) from error

    async def close(self) -> None:
        """Take leave of the broker."""
        await self._drop(self._client)

    def topic(self, notification: Notification) -> str:
        """The topic of a message: its severity, and the target if all its alerts share it."""
        targets = {alert.target for alert in notification.alerts}
        target = targets.pop() if len(targets) == 1 else ""
        # Levels are parted by "/", and "+" and "#" stand for any level.
        level = "".join("_" if letter in "/+#\0" else letter for letter in target) or "service"
        return f"{self._prefix}/{notification.severity.value}/{level}"

    async def _connected(self) -> aiomqtt.Client:
        import aiomqtt

        async with self._connecting:
            if self._client is None:
                broker = self._broker
                client = aiomqtt.Client(
                    broker.host,
                    broker.port,
                    username=broker.user,
                    password=broker.password,
                    tls_context=broker.context,
                    identifier=broker.client_id,
                    protocol=aiomqtt.ProtocolVersion.V5,
                    keepalive=KEEP_ALIVE_S,
                    timeout=self._timeout_s,
                )
                await client.__aenter__()
                self._client = client
            return self._client

    async def _drop(self, client: aiomqtt.Client | None) -> None:
        """Let go of a connection that is broken or no longer needed."""
        import aiomqtt

        async with self._connecting:
            if client is None or client is not self._client:
                return
            self._client = None
            try:
                await client.__aexit__(None, None, None)
            except (aiomqtt.MqttError, OSError):
                return
