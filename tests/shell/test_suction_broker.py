"""The suction sensor over a real Mosquitto: heard, shown, recorded; a baseline asked for is refused with its reason."""

import json
from collections.abc import Iterator
from pathlib import Path

import paho.mqtt.client as paho
import pytest
from daemon_support import OFF, SHOP, Process, Shopfloor
from paho.mqtt.enums import CallbackAPIVersion
from support.child import wait_until
from support.mosquitto import Mosquitto

from gatehand.recording.recording import Recording, recordings

pytestmark = pytest.mark.broker
INLET = "shop/fan/inlet"
WATCHED = SHOP.replace(
    "spin_up = 0.2\n", f'spin_up = 0.2\nsuction = {{{{ topic = "{INLET}", pointer = "/p", unit = "in.w.g." }}}}\n'
)


@pytest.fixture
def floor(broker: Mosquitto) -> Iterator[Shopfloor]:
    with Shopfloor(broker.port) as found:
        yield found


def asked(port: int) -> dict[str, object]:
    """What the daemon answers to who wants a baseline."""
    answers: list[dict[str, object]] = []
    client = paho.Client(CallbackAPIVersion.VERSION2)
    client.on_message = lambda _client, _userdata, message: answers.append(json.loads(message.payload))
    client.on_connect = lambda client, *_: client.subscribe("gatehand/answer/it_was_me", 1)
    client.on_subscribe = lambda client, *_: client.publish(
        "gatehand/collector/main/baseline", '{"id": "it_was_me"}', 1
    )
    client.connect("127.0.0.1", port)
    client.loop_start()
    try:
        wait_until(lambda: bool(answers), what="an answer")
    finally:
        client.disconnect()
        client.loop_stop()
    return answers[0]


def test_it_is_heard_recorded_and_shown_and_a_baseline_is_not_taken_of_a_fan_that_stands(
    broker: Mosquitto, floor: Shopfloor, tmp_path: Path
) -> None:
    with Process(tmp_path, WATCHED.format(port=broker.port)) as daemon:
        wait_until(lambda: OFF in floor.told(), what="the first off")
        floor.idle()
        assert floor.shown("collector/main")["suction"] == {"value": None, "unit": "in.w.g.", "gates": None}
        for payload in ('{"p": -4.98}', '{"p": "much"}', '{"p": 5.02}'):
            floor.say(INLET, payload)
        wait_until(lambda: bool(daemon.events("reading_rejected")), what="the word that is no number")
        answer = asked(broker.port)
        assert (answer["ok"], answer["rule"]) == (False, "baseline")
        assert "collector main is not known to run" in str(answer["text"])
        assert daemon.stop() == 0, daemon.stderr
        assert not daemon.events("internal_error")
    suctions = [value for one in recordings(tmp_path / "log") for value in Recording(one.path).suctions("main")[1]]
    assert suctions == [1_240_463, 1_250_426]
