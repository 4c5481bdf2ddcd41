"""What several tests of the session need."""

import paho.mqtt.client as paho
import pytest

from gatehand.mqtt import paho_client
from gatehand.mqtt.settings import BrokerSettings, Protocol


@pytest.fixture
def attempts(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """Every connection that is tried, by the seconds that the network may take for it."""
    made: list[float] = []
    connect = paho_client.connect

    def counted(client: paho.Client, settings: BrokerSettings, protocol: Protocol) -> None:
        made.append(client.connect_timeout)
        connect(client, settings, protocol)

    monkeypatch.setattr(paho_client, "connect", counted)
    return made
