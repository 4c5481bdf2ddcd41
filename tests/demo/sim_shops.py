"""A small shop for the tests of the models, and a way to read back what its devices said as Gatehand would."""

from pathlib import Path

from gatehand.config import Config
from gatehand.config.load import load_text
from gatehand.config.signals import Meter, Sensor
from gatehand.mqtt.payload import Reader
from gatehand.simshop.device import Sent

TEXT = """
[collector.main]
command = { topic = "c/set", on = "ON", off = "OFF" }
state = { topic = "c/state", pointer = "/relay/0", on = "true", off = "false" }
current = { topic = "c/amps" }
running_amps = 2.0
spin_up = 2
coast_down = 5
refresh = 10
bin_full = { topic = "c/bin", active = "full", clear = "ok" }
online = { topic = "c/online", active = "1", clear = "0" }

[gate.saw]
command = { topic = "g/saw/set", open = "100", shut = "0" }
state = { topic = "g/saw/state", open = "100", shut = "0" }
button = { topic = "g/saw/key", pointer = "/action", pressed = "single" }
travel = 1.0

[gate.plain]
command = { topic = "g/plain/set", open = "o", shut = "s" }
travel = 1.0

[gate.hand]
state = { topic = "g/hand/state", open = "o", shut = "s" }

[tool.saw]
gates = ["saw"]
current = { topic = "t/two", pointer = "/a/0/amps", scale = 0.001 }
start_amps = 2.0
silent_after = 20
online = { topic = "t/online", active = "1", clear = "0" }

[tool.mill]
gates = ["plain"]
current = { topic = "t/two", pointer = "/a/1/amps" }
start_amps = 2.0
silent_after = 0

[stop.estop]
topic = "estop"
active = "pressed"
clear = "released"
"""


def config() -> Config:
    loaded = load_text(TEXT, Path("shop.toml"))
    assert loaded.config is not None, loaded.problems
    return loaded.config


def amps(heard: Sensor | None, sent: list[Sent]) -> list[tuple[float, float]]:
    """The readings among the messages, as (seconds, ampere), read the way Gatehand reads them."""
    assert isinstance(heard, Meter)
    reader = Reader(heard.pointer, heard.scale)
    found = [(one.at, reader.read_number(one.payload)) for one in sent if one.topic == heard.topic]
    assert all(isinstance(value, float) for _, value in found), found
    return [(at, value) for at, value in found if isinstance(value, float)]


def said(sent: list[Sent], topic: str) -> list[tuple[float, str]]:
    """What was said on a topic, as (seconds to 1 ms, text)."""
    return [(round(one.at, 3), one.payload.decode()) for one in sent if one.topic == topic]
