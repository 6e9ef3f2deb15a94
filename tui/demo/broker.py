"""The demo's hall at a broker: a small one inside the demo, or a real one that is named."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import AsyncExitStack, asynccontextmanager

from controller.mqtt import MqttBridge
from controller.mqtt_embedded import embedded_broker
from controller.mqtt_settings import BrokerSettings
from controller.service import Controller
from controller.site import LoadedSite
from profiles.errors import BrokerError

__all__ = ["at_broker"]

_ANNOUNCED_WITHIN = 5.0


@asynccontextmanager
async def at_broker(
    controller: Controller, loaded: LoadedSite, named: BrokerSettings | None, say: Callable[[str], None]
) -> AsyncIterator[None]:
    """Show the hall at a broker for as long as the context lasts, and say how to watch it.

    Args:
        controller: the hall's.
        loaded: the hall.
        named: a real broker; None for one of our own, where the library for it is installed.
        say: takes each line.

    Raises:
        BrokerError: the broker that was named can't be had.
    """
    async with AsyncExitStack() as stack:
        settings = named
        if settings is None:
            try:
                settings = await stack.enter_async_context(embedded_broker())
            except BrokerError as error:
                say(f"Without MQTT: {error}.")
        if settings is not None:
            bridge = await stack.enter_async_context(MqttBridge(controller, loaded, settings))
            await _announced(bridge, controller)
            tls = " --capath /etc/ssl/certs" if settings.tls else ""
            at = f"-h {settings.host} -p {settings.port}{tls}"
            say(f"At {settings.shown}, to be watched with any MQTT client, such as")
            say(f"   mosquitto_sub {at} -v -t 'homie/5/#'")
            say(f"   mosquitto_pub {at} -t homie/5/{loaded.site.site.id}-mixer/state/power/set -m true")
        yield


async def _announced(bridge: MqttBridge, controller: Controller) -> None:
    try:
        async with asyncio.timeout(_ANNOUNCED_WITHIN):
            await bridge.announced.wait()
    except TimeoutError:
        told = [alert for alert in await controller.alerts() if alert.id == "mqtt-site"]
        what = told[0].text if told else "the broker does not answer in time"
        raise BrokerError(what, where=bridge.settings.shown, todo=told[0].look_at if told else "") from None
