"""A broker, boards on wires to it, and somebody who listens, all on one clock that goes only when it is told to.

After each step of that clock the broker has answered a question that was sent after it: no board is granted more time
while the broker is still busy with what came before. So a slow computer makes a run longer and changes nothing in it.
"""

import json
import socket
import time
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any, Final, NamedTuple, Self

import paho.mqtt.client as paho
from board_process import STUCK_S, WRAP_MS, BoardProcess, Wire
from paho.mqtt.enums import CallbackAPIVersion
from support.micropython import BOARDS
from support.mosquitto import Mosquitto

STEP_MS: Final = 20
LONG_STEP_MS: Final = 100
PINS: Final = {"relay": 5, "servo": 6, "button": 7, "adc": 26, "emergency": 8, "reset": 9}


class Heard(NamedTuple):
    """A message that somebody else heard: when, by the shop's clock."""

    at: int
    topic: str
    payload: str
    retained: bool


def settings(role: str, name: str, port: int, limit_ms: int) -> dict[str, Any]:
    """A board's settings.json."""
    base = f"shop/{role}/{name}"
    watched = {"topic": f"{base}/state", "poll": {"topic": f"{base}/set", "payload": "?"}}
    of_role: dict[str, dict[str, Any]] = {
        "switch": {
            "set": {"topic": f"{base}/set", "on": "1", "off": "0"},
            "state": {**watched, "on": "1", "off": "0"},
            "limit_ms": limit_ms,
            "hardware": {"relay": PINS["relay"]},
        },
        "gate": {
            "set": {"topic": f"{base}/set", "open": "open", "shut": "shut"},
            "state": {**watched, "open": "open", "shut": "shut"},
            "button": {"topic": f"{base}/button", "pressed": "1"},
            "travel_ms": 1500,
            "hardware": {"servo": PINS["servo"], "button": PINS["button"]},
        },
        "sensor": {
            "amps": {"topic": f"{base}/amps", "path": ["amps"], "at": ["at"]},
            "hardware": {"adc": PINS["adc"], "amps_per_volt": 30.0, "every_ms": 1000},
        },
        "contact": {
            "inputs": [
                {"kind": "closed", "name": "emergency", "topic": f"{base}/state", "active": "1", "clear": "0"},
                {"kind": "button", "name": "reset", "topic": f"{base}/reset", "pressed": "1", "released": "0"},
            ],
            "hardware": {"pins": {"emergency": PINS["emergency"], "reset": PINS["reset"]}},
        },
    }
    return {
        "role": role,
        "name": name,
        "wifi": {"ssid": "shop", "password": "by hand"},
        "broker": {"host": "127.0.0.1", "port": port, "client_id": f"{role}-{name}"},
        "online": {"topic": f"{base}/online", "active": "1", "clear": "0"},
        "about": {"topic": f"{base}/about"},
        **of_role[role],
    }


class Listener:
    """An ordinary client that hears everything. Its library is not the boards'."""

    def __init__(self, port: int, clock: Callable[[], int]) -> None:
        self.heard: list[Heard] = []
        self._port = port
        self._clock = clock
        self._asked = self._answered = 0
        self._stands = False
        self._client = self._made()

    def connect(self) -> None:
        """Connect and subscribe, again where the broker has gone."""
        self._client = self._made()
        self._stands = False
        self._client.connect("127.0.0.1", self._port)
        # A question that comes right after an acknowledgement would else wait for 40 ms in the computer's network.
        if isinstance(sock := self._client.socket(), socket.socket):
            sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._loop(lambda: self._stands, lambda: None)

    def say(self, topic: str, payload: str, *, qos: int = 1, retain: bool = False) -> None:
        """Publish it now."""
        self._client.publish(topic, payload, qos=qos, retain=retain)

    def ask(self, meanwhile: Callable[[], None]) -> None:
        """Wait until the broker has answered."""
        self._asked += 1
        self._client.publish("probe", str(self._asked))
        self._loop(lambda: self._answered == self._asked, meanwhile)

    def _made(self) -> paho.Client:
        made = paho.Client(CallbackAPIVersion.VERSION2, client_id="listener", reconnect_on_failure=False)
        made.on_connect = lambda client, *_rest: client.subscribe("#", qos=1)
        made.on_subscribe = self._subscribed
        made.on_message = self._hear
        return made

    def _subscribed(self, *_rest: object) -> None:
        self._stands = True

    def _hear(self, _client: paho.Client, _data: object, message: paho.MQTTMessage) -> None:
        if message.topic == "probe":
            self._answered = int(message.payload)
        else:
            self.heard.append(Heard(self._clock(), message.topic, message.payload.decode(), message.retain))

    def _loop(self, true: Callable[[], bool], meanwhile: Callable[[], None]) -> None:
        end = time.monotonic() + STUCK_S
        while not true():
            assert time.monotonic() < end, "the broker does not answer"
            self._client.loop(0.001)
            meanwhile()


class Shop:
    """Boards by their roles, one of each that there is. A context manager: all is ended at exit.

    Args:
        folder: for the boards' files.
        broker: runs.
        limit_ms: the switch's.
        roles: which boards.
        hardware: of each board, added to what it needs.
        program: of the gate, in place of its own.
        programs: the same of each role.
        keepalive: seconds, which the broker counts by the computer's clock, not by the shop's; None: the boards' own.
    """

    def __init__(
        self,
        folder: Path,
        broker: Mosquitto,
        *,
        limit_ms: int = 2000,
        roles: Iterable[str] = ("switch", "gate", "sensor", "contact"),
        hardware: Mapping[str, Any] | None = None,
        program: str = "",
        programs: Mapping[str, str] | None = None,
        keepalive: int | None = 600,
    ) -> None:
        self.now = 0
        self.broker = broker
        self.limit_ms = limit_ms
        self.answers = True
        """Whether the broker runs and is not frozen."""
        self.cut = False
        """Whether no board has a way to the broker."""
        self.listener = Listener(broker.port, lambda: self.now)
        self.wires: dict[str, Wire] = {}
        self.boards: dict[str, BoardProcess] = {}
        for turn, role in enumerate(role for role in roles if (BOARDS / f"{role}.py").exists()):
            wire = self.wires[role] = Wire(broker.port)
            name = "main" if role in ("switch", "contact") else "band_saw"
            found = settings(role, name, wire.port, limit_ms)
            found["hardware"] |= hardware or {}
            found["broker"]["keepalive"] = keepalive
            board = self.boards[role] = BoardProcess(
                folder / role,
                found,
                tick_ms=WRAP_MS - 5000 * (turn + 1),  # it wraps in every run
                inputs={PINS["emergency"]: 0},
            )
            if instead := {"gate": program, **(programs or {})}.get(role):
                (folder / role / f"{role}.py").write_text(instead)
            board.wave(PINS["adc"], 32768, 8000, 50)
            board.convert(500)

    def topic(self, role: str, last: str) -> str:
        """A topic of this role's board."""
        name = "main" if role in ("switch", "contact") else "band_saw"
        return f"shop/{role}/{name}/{last}"

    def go(self, milliseconds: int) -> None:
        """Let so much time pass."""
        end = self.now + milliseconds
        while self.now < end:
            # With nobody to talk to, only what each board does by itself counts, and it tells when.
            step = min(STEP_MS if self.answers and not self.cut else LONG_STEP_MS, end - self.now)
            for board in self.boards.values():
                board.grant(step)
            for board in self.boards.values():
                board.settle()
            self.now += step
            self.carry()
            if self.answers:
                self.listener.ask(self.carry)

    def until(self, true: Callable[[], object], milliseconds: int, what: str) -> int:
        """Let time pass until this is true, and so much at most; the time that it took."""
        begun = self.now
        while not true():
            assert self.now - begun <= milliseconds, f"not within {milliseconds} ms, at {self.now}: {what}"
            self.go(STEP_MS)
        return self.now - begun

    def carry(self) -> None:
        """What is on the wires goes on."""
        for wire in self.wires.values():
            wire.now = self.now
            wire.carry()

    def hears_will(self, topic: str) -> bool:
        """Whether a board's will was heard while the shop's clock stands."""
        self.listener.ask(self.carry)
        return self.words(topic, 0)[-1].payload == "0"

    def all_closed(self) -> bool:
        """Whether no connection to the broker is left, after everything on the wires has gone on."""
        self.carry()
        return not any(wire.carries for wire in self.wires.values())

    def hush(self, *, hushed: bool) -> None:
        """Whether the broker stands still: nothing comes from it."""
        for wire in self.wires.values():
            wire.hushed = hushed

    def words(self, topic: str, since: int) -> list[Heard]:
        """What was heard live on a topic from then on."""
        return [one for one in self.listener.heard if one.topic == topic and one.at >= since and not one.retained]

    def tail(self, role: str) -> str:
        """The end of what this board said and did, for a failure's message."""
        topic, board = self.topic(role, ""), self.boards[role]
        lines = [
            f"{one.at} heard {one.topic} {one.payload}" for one in self.listener.heard if one.topic.startswith(topic)
        ]
        return "\n  ".join(["", *lines[-6:], *board.console[-6:], *map(str, board.acts[-6:])])

    def __enter__(self) -> Self:
        self.listener.connect()
        for board in self.boards.values():
            board.now = self.now
            board.power_up()
        return self

    def __exit__(self, *_error: object) -> None:
        for board in self.boards.values():
            board.cut_power()
        for wire in self.wires.values():
            wire.close()


def reading(one: Heard) -> tuple[int, int]:
    """When a reading was measured, by its board's uptime, and its sequence."""
    found = json.loads(one.payload)
    return int(found["at"]), int(found["n"])
