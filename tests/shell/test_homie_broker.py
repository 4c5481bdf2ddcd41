"""The Homie device of the real daemon on a real Mosquitto, as a controller finds it."""

import json
import signal
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import paho.mqtt.client as paho
import pytest
from daemon_support import BENCH, OFF, ON, SHOP, Process, Shopfloor
from paho.mqtt.enums import CallbackAPIVersion
from support.child import wait_until
from support.homie_convention import faults
from support.mosquitto import Mosquitto

pytestmark = pytest.mark.broker

ROOT = "homie/5/gatehand"
TEXT = SHOP + "\n[homie]\nenabled = true\n"


MARK = "controller/mark"


class Controller:
    """Hears all of our device, or what `topic` says; once made it has all that the broker retains of it."""

    def __init__(self, port: int, topic: str = f"{ROOT}/#") -> None:
        self.heard: list[tuple[str, str]] = []
        self.retained: dict[str, str] = {}
        self.qos: dict[str, int] = {}
        self._ready = threading.Event()
        self._client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
        self._client.on_message = self._on_message
        self._client.on_connect = lambda client, *_: client.subscribe([(topic, 2), (MARK, 2)])
        self._client.on_subscribe = self._on_subscribe
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        assert self._ready.wait(60), "the broker gives nothing back"

    def _on_subscribe(self, client: paho.Client, *_: object) -> None:
        """What is retained was queued for us when we subscribed, so it comes before our own mark."""
        client.publish(MARK, b"", 2)

    def _on_message(self, _client: paho.Client, _userdata: object, message: paho.MQTTMessage) -> None:
        text = message.payload.decode()
        if message.topic == MARK:
            self._ready.set()
            return
        if message.retain:
            self.retained[message.topic] = text
        self.heard.append((message.topic, text))
        self.qos[message.topic] = message.qos

    def value(self, below: str) -> str | None:
        return next((text for topic, text in reversed(self.heard) if topic == f"{ROOT}/{below}"), None)

    def ask(self, below: str, payload: str, *, retain: bool = False, qos: int = 1) -> None:
        self._client.publish(f"{ROOT}/{below}/set", payload, qos, retain).wait_for_publish(60)

    def states(self) -> list[str]:
        return [text for topic, text in self.heard if topic == f"{ROOT}/$state"]

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture
def floor(broker: Mosquitto) -> Iterator[Shopfloor]:
    with Shopfloor(broker.port) as found:
        yield found


@pytest.fixture
def daemon(broker: Mosquitto, floor: Shopfloor, tmp_path: Path) -> Iterator[Process]:
    with Process(tmp_path, TEXT.format(port=broker.port)) as found:
        wait_until(lambda: OFF in floor.told(), what="the first off")
        floor.idle()
        yield found
        if found.runs:
            assert found.stop() == 0, found.stderr


@pytest.fixture
def controller(broker: Mosquitto, daemon: Process) -> Iterator[Controller]:
    """One that comes when the device is there already."""
    del daemon
    found = Controller(broker.port)
    wait_until(lambda: found.states()[-1:] == ["ready"], what="ready")
    yield found
    found.close()


def fresh(broker: Mosquitto) -> dict[str, str]:
    """What the broker retains, as a new controller is told it."""
    late = Controller(broker.port)
    late.close()
    return late.retained


def test_what_the_broker_retains_is_a_device_that_the_convention_accepts(
    broker: Mosquitto, controller: Controller
) -> None:
    wait_until(lambda: controller.value("tool-router/current"))
    assert faults(ROOT, fresh(broker)) == []
    # "QoS and retained messages", "QoS choices explained": QoS 1 or 2, one of them throughout
    assert set(controller.qos.values()) == {1}


def test_a_controller_discovers_it(broker: Mosquitto, controller: Controller) -> None:
    del controller
    finder = Controller(broker.port, "+/5/+/$state")  # "Auto-Discovery"
    wait_until(lambda: finder.retained == {f"{ROOT}/$state": "ready"})
    finder.close()


def test_it_comes_up_in_order_and_leaves_cleanly(broker: Mosquitto, daemon: Process, floor: Shopfloor) -> None:
    assert daemon.stop() == 0
    controller = Controller(broker.port)
    wait_until(lambda: controller.states() == ["disconnected"], what="the goodbye")  # "Device Lifecycle"
    with Process(daemon.folder, daemon.config.read_text()) as again:
        wait_until(lambda: controller.states() == ["disconnected", "init", "ready"], what="ready again")
        topics = [topic for topic, _ in controller.heard]
        ready = len(topics) - 1 - topics[::-1].index(f"{ROOT}/$state")
        assert f"{ROOT}/$description" in topics[:ready]
        assert f"{ROOT}/gate-bench/state" in topics[:ready]
        floor.idle()
        assert again.stop() == 0
    controller.close()


def test_when_the_daemon_dies_it_is_lost(controller: Controller, daemon: Process) -> None:
    daemon.signal(signal.SIGKILL)
    assert daemon.wait() == -signal.SIGKILL  # its socket may be shut before the process has ended
    wait_until(lambda: controller.states()[-1:] == ["lost"])  # "Last Will"


def test_a_hand_start_from_a_controller_and_its_end(controller: Controller, floor: Shopfloor) -> None:
    since = len(floor.commands)
    controller.ask("gate-bench/hand", "true")
    wait_until(lambda: ON in floor.told(since))
    assert floor.told(since)[0] == (BENCH, "open")
    wait_until(lambda: controller.value("collector-main/state") == "running")
    assert controller.value("gate-bench/hand") == "true"
    controller.ask("gate-bench/hand", "false")
    wait_until(lambda: OFF in floor.told(since))
    wait_until(lambda: controller.value("gate-bench/hand") == "false")


def test_a_hold_is_reset_at_qos_0_and_starts_nothing(
    broker: Mosquitto, controller: Controller, floor: Shopfloor
) -> None:
    floor.say("shop/estop", "1")
    wait_until(lambda: controller.value("collector-main/state") == "held")
    wait_until(lambda: controller.value("$alert/stop-emergency-active"))
    floor.say("shop/estop", "0")
    wait_until(lambda: controller.value("$alert/stop-emergency-active") == "")
    since = len(floor.commands)
    # "QoS and retained messages": a controller sets a property that is not retained at QoS 0. It counts
    # where none came in the 2 s before it, nor the connection.
    for _ in range(25):
        if controller.value("collector-main/state") != "held":
            break
        controller.ask("collector-main/reset", "reset", qos=0)
        end = time.monotonic() + 2.2
        while time.monotonic() < end and controller.value("collector-main/state") == "held":
            time.sleep(0.01)
    wait_until(lambda: controller.value("collector-main/state") == "off")
    wait_until(lambda: controller.value("collector-main/reset") == "reset", what="said as a moment")
    assert controller.qos[f"{ROOT}/collector-main/reset"] == 0
    assert f"{ROOT}/collector-main/reset" not in fresh(broker)
    assert ON not in floor.told(since)


def test_a_set_that_the_broker_retains_starts_nothing_at_the_daemons_start(
    broker: Mosquitto, daemon: Process, floor: Shopfloor
) -> None:
    assert daemon.stop() == 0
    controller = Controller(broker.port)
    controller.ask("gate-bench/hand", "true", retain=True)
    since = len(floor.commands)
    with Process(daemon.folder, daemon.config.read_text()) as again:
        wait_until(lambda: controller.states()[-1:] == ["ready"])
        wait_until(lambda: again.events("message_ignored"))
        floor.idle()
        assert again.stop() == 0
    wait_until(lambda: floor.retained["gatehand/online"] == "0", what="its last word")
    assert ON not in floor.told(since)
    controller.ask("gate-bench/hand", "", retain=True)
    controller.close()


def test_a_changed_shop_is_described_anew(controller: Controller, daemon: Process) -> None:
    text = daemon.config.read_text()
    wait_until(lambda: controller.value("$description"), what="its description, which may come after its state")
    before = json.loads(controller.value("$description") or "")
    since = len(controller.states())
    lathe = '\n[tool.lathe]\ngates = ["bench"]\ncurrent = { topic = "shop/lathe/amps" }\nstart_amps = 2\n'
    daemon.config.write_text(text + lathe)
    daemon.signal(signal.SIGHUP)
    wait_until(lambda: controller.states()[since:] == ["init", "ready"])
    after = json.loads(controller.value("$description") or "")
    assert "tool-lathe" in after["nodes"]
    assert after["version"] > before["version"]
    daemon.config.write_text(text)
    daemon.signal(signal.SIGHUP)
    wait_until(lambda: controller.value("tool-lathe/state") == "")


def test_it_is_off_unless_the_config_wants_it(broker: Mosquitto, floor: Shopfloor, tmp_path: Path) -> None:
    with Process(tmp_path, SHOP.replace("[broker]", '[broker]\nbase = "quiet"').format(port=broker.port)) as plain:
        own = Controller(broker.port, "quiet/#")
        wait_until(lambda: any(topic == "quiet/tool/router" for topic, _ in own.heard), what="all that it has to say")
        assert plain.stop() == 0
        own.close()
    late = Controller(broker.port, "homie/#")
    late.close()
    assert not any("quiet" in topic for topic in late.retained)
    del floor
