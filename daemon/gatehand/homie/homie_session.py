"""The device's own connection. MQTT has one will for each, and the daemon's own topics have theirs already."""

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import replace

from gatehand.mqtt.failures import Patience
from gatehand.mqtt.session import Session, farewell
from gatehand.mqtt.settings import BrokerSettings
from gatehand.mqtt.stalled_loop import Pulse
from gatehand.shell.engine import Engine
from gatehand.shell.ports import Diagnostics


@asynccontextmanager
async def shown_as_homie(
    engine: Engine,
    settings: BrokerSettings,
    diagnose: Diagnostics,
    patience: Patience | None = None,
    pulse: Pulse | None = None,
) -> AsyncIterator[None]:
    """Show the shop by the convention for as long as the context lasts, if the config wants it."""
    config = engine.active.config
    if not config.homie.enabled:
        yield
        return
    from gatehand.homie.homie_device import HomieDevice  # most shops want none of it

    device = HomieDevice(engine, diagnose)
    settings = replace(settings, client_id=f"{settings.client_id}-homie")
    base = config.broker.base
    session = Session(settings, base, device, device.first, patience=patience, presence=device.presence, pulse=pulse)
    device.transport = session
    engine.publisher.show_also(_guarded(device.show, diagnose))
    speaking = asyncio.create_task(session.run())
    try:
        yield
    finally:
        session.stop()
        await farewell(speaking)


def _guarded(show: Callable[[], None], diagnose: Diagnostics) -> Callable[[], None]:
    """A fault in here must stay here: it is said once, and the shop goes on without being shown."""
    told = set[str]()

    def guarded() -> None:
        try:
            show()
        except Exception as error:  # noqa: BLE001 - see above
            text = f"homie: an error inside the daemon: {type(error).__name__}: {error}"
            if text not in told:
                told.add(text)
                diagnose("error", text)

    return guarded
