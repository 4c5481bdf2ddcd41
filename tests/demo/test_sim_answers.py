"""Simulated devices that are asked how things stand, and sensors whose readings say when they were measured."""

import json
from pathlib import Path
from typing import TYPE_CHECKING

from sim_shops import TEXT

from gatehand.config import Config, load_text
from gatehand.shell.routes import Routes
from gatehand.simshop.gate import GateTrouble
from gatehand.simshop.sim_shop import Habits, SimShop
from gatehand.simshop.tool import ToolHabits
from gatehand_rules import events as ev

if TYPE_CHECKING:
    from gatehand.simshop.device import Sent


def poll(topic: str, payload: str) -> str:
    return f', poll = {{ topic = "{topic}", payload = "{payload}" }} }}'


ASKED = (
    TEXT.replace('pointer = "/a/0/amps", scale = 0.001 }', 'pointer = "/a/0/amps", scale = 0.001, at = "/a/0/at" }')
    .replace('open = "100", shut = "0" }\nbutton', f'open = "100", shut = "0"{poll("g/get", "?")}\nbutton')
    .replace('on = "true", off = "false" }', f'on = "true", off = "false"{poll("c/get", "state")}')
    .replace('current = { topic = "c/amps" }', f'current = {{ topic = "c/amps"{poll("c/get", "amps")}')
)


def shop() -> tuple[Config, SimShop]:
    config = load_text(ASKED, Path("config.toml")).config
    assert config is not None
    made = SimShop(config, seed=4, habits=Habits(tools={"saw": ToolHabits(inrush=None)}))
    made.begin(0.0)
    return config, made


def answers(made: SimShop, topic: str, payload: bytes, at: float) -> list[str]:
    made.advance(at)
    made.deliver(topic, payload, at)
    return [one.topic for one in made.advance(at)]


def test_a_device_says_what_it_is_asked_for_and_nothing_else() -> None:
    _, made = shop()
    assert {"g/get", "c/get"} <= set(made.topics)
    assert answers(made, "g/get", b"?", 0.001) == ["g/saw/state"]
    assert answers(made, "c/get", b"state", 0.002) == ["c/state"]
    assert answers(made, "c/get", b"amps", 0.003) == ["c/amps"]
    assert answers(made, "c/get", b"anything", 0.004) == []


def test_a_mute_gate_does_not_answer() -> None:
    _, made = shop()
    made.gates["saw"].suffer(GateTrouble.NEVER, 0.0)
    assert answers(made, "g/get", b"?", 0.001) == []


def test_readings_say_when_they_were_measured_so_that_they_are_young() -> None:
    config, made = shop()
    routes = Routes(config)
    sent: list[Sent] = [one for one in made.advance(30.0) if one.topic == "t/two"]
    assert json.loads(sent[-1].payload)["a"][0]["at"] > 20_000
    read: list[ev.Event] = []
    for one in sent:
        read += routes.events(one.topic, one.payload, retained=False, now=1000.0 + one.at) or ()
    young = [event.young for event in read if isinstance(event, ev.Reading) and event.tool == "saw"]
    assert young.count(True) > 20
    assert not [event for event in read if isinstance(event, ev.MessageRejected)]
