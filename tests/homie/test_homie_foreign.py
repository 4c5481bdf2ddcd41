"""Our device under a controller that is not ours: the public `Controller` of the package ebus-sdk, on a real Mosquitto.

ebus-sdk (MIT) follows the same convention, version 5.0, and was written by people who have never seen this daemon. The
shop is the demo's. Where the package itself departs from the convention, it says so beside the check.
"""

import logging
import os
import re
import signal
import threading
from collections.abc import Iterator
from contextlib import suppress
from importlib.resources import files
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import paho.mqtt.client as paho
import pytest
from ebus_sdk import Controller, Device, DeviceState, DiscoveredDevice, Property, PropertyDatatype, Unit
from paho.mqtt.enums import CallbackAPIVersion
from support.child import RunningDaemon, wait_until
from support.homie_convention import payload_is_right
from support.mosquitto import Mosquitto

pytestmark = pytest.mark.broker

ID = "gatehand"
DEMO = (files("gatehand.demo") / "shop.toml").read_text()
FAN, ESTOP, SAW, PLANER = "shop/collector", "shop/estop", "shop/band_saw/amps", "shop/planing/amps"
AT_REST = {
    f"{FAN}/amps": "0.0",
    SAW: "0.1",
    PLANER: '{"jointer": 0.2}',
    "shop/drum_sander/contactor": "off",
    "shop/carving_router/meter": '{"power": 2}',
    ESTOP: "0",
}
BETWEEN = 2.2
"""Seconds after a reset that did not count in which another one would not either."""


def shop(port: int) -> str:
    """The demo's config for a broker of its own, with shorter times yet, shown by the convention."""
    changes = {"port": port, "protocol": '"5"', "folder": '"log"'}
    changes |= {"spin_up": 0.2, "coast_down": 0.4, "run_on": 0.3, "travel": 0.3}
    text = DEMO
    for key, value in changes.items():
        text, found = re.subn(rf"^{key} = \S+", f"{key} = {value}", text, flags=re.MULTILINE)
        assert found, key
    return f"{text}\n[homie]\nenabled = true\n"


class Devices:
    """The shop's devices: sensors that speak five times a second, gates and a switch that report what they are told."""

    def __init__(self, port: int) -> None:
        self.says = dict(AT_REST)
        self._over = threading.Event()
        self._client = paho.Client(CallbackAPIVersion.VERSION2)
        self._client.on_connect = lambda client, *_: client.subscribe([("shop/+/set", 1), ("shop/gate/+/set", 1)])
        self._client.on_message = self._do
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        self._sensors = threading.Thread(target=self._speak, daemon=True)
        self._sensors.start()

    def _do(self, client: paho.Client, _data: object, message: paho.MQTTMessage) -> None:
        if not message.retain:
            client.publish(message.topic.removesuffix("set") + "state", message.payload, 1)
            if message.topic == f"{FAN}/set":
                self.says[f"{FAN}/amps"] = "9.0" if message.payload == b"1" else "0.0"

    def _speak(self) -> None:
        while not self._over.wait(0.2):
            for topic, text in self.says.items():
                self._client.publish(topic, text, 1)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._over.set()
        self._sensors.join()
        self._client.disconnect()
        self._client.loop_stop()


class Foreign:
    """The package's controller, and what it has told us, in order."""

    def __init__(self, port: int) -> None:
        self.states: list[str] = []
        self.changes: list[tuple[str, str]] = []
        """(`node/property`, value)"""
        self.controller = Controller(mqtt_cfg={"host": "127.0.0.1", "port": port}, homie_domain="homie")
        self.controller.set_on_device_discovered_callback(lambda found: self.states.append(str(found.state)))
        self.controller.set_on_device_state_changed_callback(lambda _device, _old, new: self.states.append(new))
        self.controller.set_on_property_changed_callback(
            lambda _id, node, name, value, _old: self.changes.append((f"{node}/{name}", value))
        )
        self.controller.start_discovery()

    @property
    def device(self) -> DiscoveredDevice:
        wait_until(lambda: self.controller.get_device(ID), what="discovered")
        found = self.controller.get_device(ID)
        assert found is not None
        return found

    @property
    def description(self) -> dict[str, Any]:
        """The description, parsed."""
        wait_until(lambda: self.device.description, what="its description")
        found: dict[str, Any] = self.device.description or {}
        return found

    @property
    def values(self) -> dict[str, str]:
        """All that has a value, by `node/property`."""
        return {
            f"{node}/{name}": value for node, each in self.device.properties.items() for name, value in each.items()
        }

    def value(self, which: str) -> str | None:
        """What the controller holds for `node/property`."""
        return self.device.get_property(*which.split("/"))

    def sees(self, which: str, value: str, seconds: float = 60.0) -> None:
        wait_until(lambda: self.value(which) == value, seconds, what=f"{which} {value}, not {self.value(which)}")

    def is_told(self, state: DeviceState) -> None:
        wait_until(lambda: self.states[-1:] == [state.value], what=f"{state.value}, not {self.states}")

    def sets(self, which: str, value: str) -> None:
        node, name = which.split("/")
        assert self.controller.set_property(ID, node, name, value)


class Scene:
    """Broker, devices, the controller, and the daemon, which can be killed and started anew."""

    def __init__(self, folder: Path, port: int, devices: Devices, seen: Foreign) -> None:
        self.folder, self.port, self.devices, self.seen = folder, port, devices, seen
        self.config = folder / "config.toml"
        self.config.write_text(shop(port))
        self.daemon = RunningDaemon(folder)

    def start_again(self) -> None:
        self.daemon = RunningDaemon(self.folder)

    def rests(self) -> None:
        """All that the controller sees of the shop is at rest."""
        self.seen.is_told(DeviceState.READY)
        for node in self.seen.device.get_nodes():
            kind = node.partition("-")[0]
            self.seen.sees(f"{node}/state", {"collector": "off", "gate": "shut", "tool": "idle"}[kind])


@pytest.fixture(scope="module")
def scene(broker: Mosquitto, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Scene]:
    seen = Foreign(broker.port)  # it is there before the daemon
    with Devices(broker.port) as devices:
        there = Scene(tmp_path_factory.mktemp("shop"), broker.port, devices, seen)
        try:
            yield there
        finally:
            with there.daemon:
                pass
            seen.controller.stop()


@pytest.fixture
def at_rest(scene: Scene) -> Scene:
    if not scene.daemon.runs:
        scene.start_again()
    scene.rests()
    return scene


def test_it_discovers_every_collector_gate_and_tool_and_nothing_else(at_rest: Scene) -> None:
    found = at_rest.seen.device
    assert list(found.get_nodes()) == [
        "collector-main",
        *("gate-band-saw", "gate-planing", "gate-carving-router", "gate-sweep"),
        *("tool-band-saw", "tool-jointer", "tool-drum-sander", "tool-carving-router"),
    ]
    described = {
        f"{node}/{name}": each for node in found.get_nodes() for name, each in found.get_node_properties(node).items()
    }
    hands = {f"gate-{gate}/hand" for gate in ("band-saw", "planing", "carving-router", "sweep")}
    assert {which for which, each in described.items() if each.get("settable")} == {"collector-main/reset", *hands}
    assert [Unit(each["unit"]) for each in described.values() if "unit" in each] == [
        Unit.AMPERE,
        Unit.AMPERE,
        Unit.WATT,
    ]
    assert found.is_root
    assert at_rest.seen.controller.is_tree_complete(ID)


def test_the_package_would_describe_the_same_shop_in_the_same_words(
    at_rest: Scene, caplog: pytest.LogCaptureFixture
) -> None:
    described = at_rest.seen.description
    own = Device(ID, name=described["name"], type=described["type"], homie_domain="homie")  # connected to nothing
    own_properties: dict[str, Property] = {}
    with caplog.at_level(logging.WARNING):
        for node_id, node in described["nodes"].items():
            added = own.add_node_from_dict({"id": node_id, "name": node["name"], "type": node["type"]})
            for name, each in node["properties"].items():
                property_ = {"id": name, **each, "datatype": PropertyDatatype(each["datatype"])}
                own_properties[f"{node_id}/{name}"] = added.add_property_from_dict(property_)
    assert caplog.records == [], "what it has against a description it warns of"
    theirs = own.description()
    # It counts its versions by contents, where ours rise, and writes out an empty list of children and of extensions,
    # which may be left out ("Device Attributes").
    assert (theirs.pop("children"), theirs.pop("extensions"), theirs.pop("version") > 0) == ([], [], True)
    assert theirs == {key: value for key, value in described.items() if key != "version"}
    # Each value is one that the package would publish itself; only that its floats always have a decimal point.
    retained = {which for which, each in own_properties.items() if each.retained()}
    wait_until(lambda: at_rest.seen.values.keys() == retained, what="each has a value, and nothing else has")
    for which, payload in at_rest.seen.values.items():
        each = own_properties[which]
        match each.datatype():
            case "float":
                each.set_value(float(payload))
                assert float(each.coerced_value() or "nan") == float(payload), which
            case "boolean":
                each.set_value(payload == "true")
                assert each.coerced_value() == payload, which
            case _:
                each.set_value(payload)
                assert each.coerced_value() == payload, which


def test_it_sees_a_tool_start_its_gate_open_the_collector_run_and_all_of_it_end(at_rest: Scene) -> None:
    seen, since = at_rest.seen, len(at_rest.seen.changes)
    at_rest.devices.says[SAW] = "6.4"
    seen.sees("tool-band-saw/current", "6.4")
    seen.sees("tool-band-saw/state", "running")
    seen.sees("gate-band-saw/proven-open", "true")
    seen.sees("collector-main/state", "running")
    at_rest.devices.says[SAW] = "0.1"
    at_rest.rests()
    fan = [value for which, value in seen.changes[since:] if which == "collector-main/state"]
    assert fan == ["opening", "spin_up", "running", "run_on", "coast_down", "off"]
    saw = [value for which, value in seen.changes[since:] if which == "tool-band-saw/state"]
    assert saw == ["running", "run_on", "idle"]


def test_it_starts_and_ends_a_gate_by_hand_and_a_word_that_is_none_of_its_values_does_nothing(at_rest: Scene) -> None:
    seen, since = at_rest.seen, len(at_rest.seen.changes)
    for word in ("TRUE", "1", "", "toggle"):
        seen.sets("gate-sweep/hand", word)
    seen.sets("collector-main/reset", "now")
    seen.sets("gate-sweep/hand", "true")
    seen.sees("gate-sweep/hand", "true")
    seen.sees("collector-main/state", "running")
    assert seen.value("gate-sweep/proven-open") == "true"
    seen.sets("gate-sweep/hand", "false")
    at_rest.rests()
    assert [value for which, value in seen.changes[since:] if which == "gate-sweep/hand"] == ["true", "false"]


def test_it_sees_an_alarm_and_resets_the_hold_which_starts_nothing(at_rest: Scene) -> None:
    seen, since = at_rest.seen, len(at_rest.seen.changes)
    # `$alert` is no node ("Alert topic"): the package takes an alert for the value of one, and so we find it there.
    alert = "$alert/stop-emergency-active"
    at_rest.devices.says[ESTOP] = "1"
    seen.sees("collector-main/state", "held")
    wait_until(lambda: "emergency" in (seen.value(alert) or ""), what="the alert")
    at_rest.devices.says[ESTOP] = "0"
    seen.sees(alert, "")
    # At the package's own QoS, 2: to set a property that is not retained, the convention has 0 ("QoS and retained
    # messages"). The daemon takes either.
    for _ in range(25):
        seen.sets("collector-main/reset", "reset")
        with suppress(AssertionError):
            seen.sees("collector-main/state", "off", BETWEEN)
            break
    at_rest.rests()
    seen.sees("collector-main/reset", "reset")  # said as a moment, once it has counted
    fan = {value for which, value in seen.changes[since:] if which == "collector-main/state"}
    assert not fan & {"opening", "spin_up", "running"}


def test_it_sees_the_shop_change_its_config(at_rest: Scene) -> None:
    seen, since = at_rest.seen, len(at_rest.seen.states)
    version = seen.description["version"]
    lathe = '\n[tool.lathe]\ngates = ["planing"]\ncurrent = { topic = "shop/lathe/amps" }\nstart_amps = 2\n'
    at_rest.devices.says["shop/lathe/amps"] = "0.4"
    at_rest.config.write_text(at_rest.config.read_text() + lathe)
    os.kill(at_rest.daemon.pid, signal.SIGHUP)
    seen.sees("tool-lathe/state", "idle")
    seen.sees("tool-lathe/current", "0.4")
    seen.is_told(DeviceState.READY)
    assert seen.states[since:] == ["init", "ready"]
    assert seen.description["version"] > version
    assert "tool-lathe" in seen.device.get_nodes()


def test_who_comes_late_sees_the_same(at_rest: Scene) -> None:
    late = Foreign(at_rest.port)
    try:
        late.is_told(DeviceState.READY)
        assert late.description == at_rest.seen.description
        for node in late.device.get_nodes():
            for name, each in late.device.get_node_properties(node).items():
                if each.get("retained", True):
                    wait_until(lambda: late.value(f"{node}/{name}") is not None, what=f"{node}/{name}")  # noqa: B023
                    assert payload_is_right(late.value(f"{node}/{name}") or "", each)
        assert late.value("collector-main/reset") is None, "a moment is not retained"
        assert late.states == ["ready"]
    finally:
        late.controller.stop()


def test_it_is_lost_when_the_daemon_is_killed_ready_again_and_disconnected_when_it_is_stopped(at_rest: Scene) -> None:
    seen, since = at_rest.seen, len(at_rest.seen.states)
    at_rest.daemon.kill()
    seen.is_told(DeviceState.LOST)
    at_rest.start_again()
    seen.is_told(DeviceState.READY)
    with at_rest.daemon:
        pass  # a clean stop
    seen.is_told(DeviceState.DISCONNECTED)
    assert seen.states[since:] == ["lost", "init", "ready", "disconnected"]
