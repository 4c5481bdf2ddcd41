"""A paired phone, the page's application, a real Mosquitto and the real daemon: what is done, said, and published."""

import json
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from door_support import HOST, Browser, Door
from paho.mqtt.enums import CallbackAPIVersion
from support.child import RunningDaemon, wait_until
from support.mosquitto import Mosquitto
from support.ports import free_port

from gatehand import asking
from gatehand.asking import Unanswered, UnansweredError, Wish
from gatehand.mqtt.settings import BrokerSettings, fresh_client_id
from gatehand.phone.guard import METHODS
from gatehand.screen.listen import Where

pytestmark = pytest.mark.broker

SHOP = """
[broker]
port = {port}

[collector.main]
command = {{ topic = "shop/fan/set", on = "1", off = "0" }}
spin_up = 0.2
coast_down = 0.5

[gate.bench]
command = {{ topic = "shop/gate/bench/set", open = "open", shut = "shut" }}
travel = 0.3

[tool.router]
gates = ["bench"]
current = {{ topic = "shop/router/amps" }}
start_amps = 2
run_on = 0

[stop.emergency]
topic = "shop/estop"
active = "1"
clear = "0"
"""
HAND = {"what": "hand", "name": "bench", "value": "1"}
END = {"what": "hand", "name": "bench", "value": "0"}
HOLD = {"what": "hold", "name": "main", "because": "filter change"}
RESET = {"what": "reset", "name": "main", "seen": True}
TOPICS = {"gatehand/gate/bench/hand", "gatehand/collector/main/hold", "gatehand/collector/main/reset"}


class Ears:
    """Hears everything on the broker, and answers requests where a test has it play the daemon."""

    def __init__(self, port: int, answers: Callable[["Ears", str, dict[str, Any]], None] | None = None) -> None:
        self.heard: list[tuple[str, str]] = []
        self.retained: dict[str, str] = {}
        self.refused: list[str] = []
        self._answers = answers
        self._ready = threading.Event()
        self._client = paho.Client(CallbackAPIVersion.VERSION2)
        self._client.on_message = self._on_message
        self._client.on_subscribe = lambda *_: self._ready.set()
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        self._client.subscribe("#", 1)
        assert self._ready.wait(60)

    def say(self, topic: str, payload: str, *, retain: bool = False) -> None:
        self._client.publish(topic, payload, 1, retain)

    def shown(self, topic: str) -> dict[str, Any]:
        found: dict[str, Any] = json.loads(self.retained.get(topic) or "{}")
        return found

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def _on_message(self, _client: paho.Client, _userdata: object, message: paho.MQTTMessage) -> None:
        text = message.payload.decode(errors="replace")
        if not message.retain:  # what others have left is not of now
            self.heard.append((message.topic, text))
        self.retained[message.topic] = text
        if self._answers is not None and message.topic in TOPICS:
            self._answers(self, message.topic, json.loads(text))


@contextmanager
def ears(port: int, answers: Callable[[Ears, str, dict[str, Any]], None] | None = None) -> Iterator[Ears]:
    found = Ears(port, answers)
    try:
        yield found
    finally:
        found.close()


def of_the_shop(kind: str) -> tuple[str, ...]:
    return ("bench",) if kind == "gate" else ("main",)


@pytest.fixture
async def browser(broker: Mosquitto, tmp_path: Path) -> Browser:
    door = Door(tmp_path / "page", port=broker.port, known=of_the_shop)
    found = await door.paired()

    async def unhurried(path: str, body: object) -> Any:  # noqa: ANN401 - the answer
        door.mono.now += 60
        return await Browser.post(found, path, body)

    found.post = unhurried  # type: ignore[method-assign,assignment]  # no test of rates
    return found


async def test_the_real_daemon_does_what_a_phone_asks_and_the_phone_reads_its_answer(
    broker: Mosquitto, browser: Browser, tmp_path: Path
) -> None:
    (tmp_path / "config.toml").write_text(SHOP.format(port=broker.port))
    with ears(broker.port) as world, RunningDaemon(tmp_path):
        wait_until(lambda: world.retained.get("gatehand/online") == "1")
        world.say("shop/estop", "0", retain=True)
        wait_until(lambda: world.shown("gatehand/collector/main").get("state") == "off")

        begun = await browser.post("/ask", HAND)
        assert (begun.status, begun.json["ok"]) == (200, True)
        assert "hand start asked for by page" in begun.text
        assert "The fan starts once the gate is proven open" in begun.json["next"]
        assert " at the latest, or when you end it here." in begun.json["next"]
        wait_until(lambda: ("shop/fan/set", "1") in world.heard)
        assert world.heard.index(("shop/gate/bench/set", "open")) < world.heard.index(("shop/fan/set", "1"))
        ended = await browser.post("/ask", END)
        assert (ended.json["ok"], "ended by page" in ended.text, ended.json["next"]) == (True, True, "")

        held = await browser.post("/ask", HOLD)
        assert held.json["ok"] is True
        assert held.text == "Collector is on hold (filter change), until somebody resets it; asked for by page."
        assert "not a lockout" in held.json["next"]
        wait_until(lambda: world.shown("gatehand/collector/main").get("state") == "held")

        refused = await browser.post("/ask", HAND)
        assert (refused.status, refused.json["ok"]) == (200, False)
        assert "on hold until somebody resets it" in refused.text
        assert "Find out why it is on hold" in refused.json["next"]

        world.say("shop/estop", "1", retain=True)
        wait_until(lambda: "gatehand/alarm/stop.emergency.active" in world.retained)
        stopped = await browser.post("/ask", RESET)
        assert (stopped.json["ok"], "still active: emergency" in stopped.text) == (False, True)
        assert "release that stop contact" in stopped.json["next"]
        world.say("shop/estop", "0", retain=True)
        wait_until(lambda: not world.retained["gatehand/alarm/stop.emergency.active"])

        world.say("gatehand/collector/main/reset", "")
        answer = await browser.post("/ask", RESET)
        answers = [answer]
        while not answer.json["ok"]:  # one that repeats another within 2 s does not count
            assert "Wait 2 seconds" in answer.json["next"], answer.json
            threading.Event().wait(2.1)
            answer = await browser.post("/ask", RESET)
            answers.append(answer)
            assert len(answers) < 20
        assert "it was reset by page" in answer.text
        assert "Nothing starts by itself" in answer.json["next"]
        ons = [each for each in world.heard if each == ("shop/fan/set", "1")]
        assert len(ons) == 1, "a reset starts nothing"


async def test_whatever_a_paired_phone_sends_only_the_three_topics_are_ever_published(
    broker: Mosquitto, browser: Browser
) -> None:
    def refuses(world: Ears, _topic: str, body: dict[str, Any]) -> None:
        said = {"ok": False, "rule": "bin_full", "text": "no"}
        world.say(f"gatehand/answer/{body['id']}", json.dumps(said))

    hostile = "x\x00\n\x1b[2J</script>\u2028\ud800" + "y" * 100
    bodies: list[object] = [HAND, END, HOLD, RESET, {}, [], "hold", None]
    for what in ("hand", "hold", "reset", "off", "reload", "done", "exercise", "#", hostile):
        for name in (
            "bench",
            "main",
            "main/off",
            "bench/set",
            "#",
            "+",
            "../main",
            "gatehand/collector/main/off",
            hostile,
        ):
            bodies.append({"what": what, "name": name, "value": "1", "because": hostile, "seen": True})
            bodies += [
                {"what": what, "name": name, "value": "1"},
                {"what": what, "name": name, "because": hostile},
                {"what": what, "name": name, "seen": True},
            ]
    with ears(broker.port, refuses) as world:
        asked = 0
        for body in bodies:
            asked += (await browser.post("/ask", body)).status == 200
        for path in [*METHODS, "/ask/", "/gatehand/collector/main/off", "/ask%00"]:
            for method in ("GET", "POST", "PUT", "PATCH", "DELETE", "OPTIONS", "HEAD", "TRACE"):
                if (path, method) == ("/unpair", "POST"):
                    continue
                for body in (HOLD, HAND):
                    mine = {"origin": f"http://{HOST}", "content-type": "application/json"}
                    if (path, method) != ("/ask", "POST"):
                        query = "?what=hold&name=main&because=x"
                        await browser.send(method, path + query, json.dumps(body).encode(), headers=mine)
        assert asked == 7
        wait_until(lambda: sum(topic in TOPICS for topic, _ in world.heard) == asked)
        published = {topic for topic, _ in world.heard if not topic.startswith("gatehand/answer/")}
        assert published == TOPICS
        for topic, text in world.heard:
            if topic in TOPICS:
                body = json.loads(text)
                assert body.keys() <= {"id", "value", "because", "by"}
                assert body["by"] == "page"
                assert body["value"] in {"1", "0"}
                assert len(body.get("because", "").encode()) <= 48
                assert body.get("because", "").isprintable()


@pytest.mark.parametrize(
    "text", ["<img src=x onerror=alert(1)>", "a\u2028b\x1b[2Jc\x00d", "\N{RIGHT-TO-LEFT OVERRIDE}"]
)
async def test_what_the_daemon_says_goes_out_as_text_of_json_alone(
    broker: Mosquitto, browser: Browser, text: str
) -> None:
    def says(world: Ears, _topic: str, body: dict[str, Any]) -> None:
        world.say(f"gatehand/answer/{body['id']}", json.dumps({"ok": False, "rule": text, "text": text}))

    with ears(broker.port, says):
        answer = await browser.post("/ask", RESET)
    assert answer.status == 200
    assert answer.header("content-type") == "application/json"
    assert all(0x20 <= byte < 0x7F for byte in answer.body)
    assert answer.text.isprintable()


def place(port: int) -> Where:
    return Where(BrokerSettings("127.0.0.1", port, client_id=fresh_client_id("gatehand", "page-asks")), "gatehand")


async def unanswered_by(port: int, within: float = 30.0) -> UnansweredError:
    with pytest.raises(UnansweredError) as found:
        await asking.ask(place(port), Wish("reset", "main", by="page"), within)
    return found.value


async def test_whether_it_may_be_done_all_the_same_is_known_of_every_silence(broker: Mosquitto) -> None:
    no_broker = await unanswered_by(free_port(), 0.5)
    assert (no_broker.why, no_broker.may_be_done) == (Unanswered.NO_BROKER, False)

    nobody = await unanswered_by(broker.port)
    assert nobody.why is Unanswered.NO_DAEMON
    with ears(broker.port) as world:  # listens, and says nothing
        world.say("gatehand/online", "0", retain=True)
        wait_until(lambda: world.retained.get("gatehand/online") == "0")
        offline = await unanswered_by(broker.port)
        assert (offline.why, offline.may_be_done) == (Unanswered.NO_DAEMON, False)
        world.say("gatehand/online", "1", retain=True)
        wait_until(lambda: world.retained.get("gatehand/online") == "1")
        silent = await unanswered_by(broker.port, 3.0)
        assert (silent.why, silent.may_be_done) == (Unanswered.NO_ANSWER, True)

    def leaves(world: Ears, _topic: str, _body: dict[str, Any]) -> None:
        world.say("gatehand/online", "0", retain=True)

    with ears(broker.port, leaves) as world:
        left = await unanswered_by(broker.port)
        assert (left.why, left.may_be_done) == (Unanswered.NO_DAEMON, True)
        world.say("gatehand/online", "", retain=True)
        wait_until(lambda: world.retained.get("gatehand/online") == "")
