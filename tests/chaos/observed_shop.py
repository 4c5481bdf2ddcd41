"""The shop around a real daemon: models on real MQTT in a thread of their own, and an outside observer beside them.

The observer takes down every message that the broker passes on, in the broker's order; `chaos_verdict.py` judges every
command by it when all is over.
"""

import queue
import socket
import threading
import time
from collections import defaultdict, deque
from collections.abc import Callable
from contextlib import suppress
from math import inf
from pathlib import Path
from types import TracebackType
from typing import NamedTuple, Self

import paho.mqtt.client as paho
from chaos_verdict import Seen, Verdict, judge
from paho.mqtt.enums import CallbackAPIVersion
from support.monitor import Monitor

from gatehand.config import Config
from gatehand.simshop.device import Sent
from gatehand.simshop.sim_shop import Habits, SimShop
from gatehand.simshop.tool import ToolHabits

TURN = 0.02
LAST_WORDS, QUIET = 3.0, 0.1
"""Seconds that a dead daemon's messages may take through the broker, and without any that tell that they are."""


class Sending(NamedTuple):
    """What a device has sent: when, and whether the broker is to keep it."""

    payload: bytes
    at: float
    keeps: bool


class ObservedShop:
    """Devices that answer, and what they and the observer saw. A context manager."""

    def __init__(self, port: int, config: Config, *, seed: int = 0) -> None:
        self.config = config
        self.shop = SimShop(
            config,
            seed=seed,
            now=time.monotonic(),
            habits=Habits(tools=dict.fromkeys(config.tool, ToolHabits(every=0.2, inrush=None))),
        )
        self.told: dict[str, str] = {}
        """By command topic, what the daemon that runs told last."""
        self._seen: list[Seen] = []
        self._sent: dict[str, deque[Sending]] = defaultdict(deque)
        """By topic, what devices sent and the broker has not passed on yet."""
        gates = (gate.command.topic for gate in config.gate.values() if gate.command is not None)
        self._commands = {*gates, *(fan.command.topic for fan in config.collector.values())}
        self.online = 0
        """How often the daemon has said that it is there."""
        self._offline = 0
        self._from_daemon_at = 0.0
        self.starved = 0.0
        """Seconds in which a fan turned with too few gates open, seen on the devices themselves."""
        self._port = port
        self._online = f"{config.broker.base}/online"
        self._base = f"{config.broker.base}/"
        self._asked: queue.SimpleQueue[Callable[[float], None]] = queue.SimpleQueue()
        self._retained: dict[str, bytes] = {}
        self._looked = time.monotonic()
        self._ended = threading.Event()
        self._connected = False
        self._client = self._new_client()
        self._thread = threading.Thread(target=self._work, name="devices", daemon=True)

    def do(self, action: Callable[[SimShop, float], object]) -> None:
        """Somebody does something to the devices; done when this returns."""
        done = threading.Event()

        def act(now: float) -> None:
            self._speak(now)
            action(self.shop, now)
            done.set()

        self._asked.put(act)
        assert done.wait(5), "the devices' thread is gone"

    def cut(self, tool: str, *, on: bool) -> None:
        """A tool is switched on or off."""
        self.do(lambda shop, now: shop.tools[tool].switch(on=on, at=now))

    def say(self, topic: str, payload: bytes) -> None:
        """Anybody publishes anything."""
        self._asked.put(lambda _: self._publish(topic, payload, retain=False))

    def broker_frozen(self) -> None:
        """From here on nothing comes through: no command is owed until `broker_thawed`."""
        self.do(lambda _shop, now: self._note(now, lambda monitor, _: monitor.suspended(inf)))

    def broker_thawed(self) -> None:
        """What fell due meanwhile is owed at once."""
        self.do(lambda _shop, now: self._note(now, lambda monitor, _: monitor.suspended(now)))

    def judged(self, folder: Path) -> Verdict:
        """What is to be said of the daemons that have run in `folder`; none does now."""
        return judge(self.config, tuple(self._seen), folder)

    def before(self, at: float, seconds: float = 8.0) -> str:
        """What came through the broker in the last seconds before an instant, one line each."""
        return "\n".join(
            f"{each.at - at:+.3f} {each.topic} {each.payload[:60]!r}{' retained' * each.retained}"
            + (f" sent {each.sent - at:+.3f}" if each.sent is not None else "")
            for each in self._seen
            if -seconds <= each.at - at <= 0.5
        )

    @property
    def fans_on(self) -> list[str]:
        """Collectors whose motor has voltage."""
        return [name for name, fan in self.shop.collectors.items() if fan.powered]

    @property
    def connected(self) -> bool:
        """The devices are on the broker."""
        return self._connected

    def daemon_died(self) -> None:
        """What that daemon told is forgotten, once all that it had sent is through the broker.

        A dead daemon's last words end with its will, if it had come as far as to say that it is there.
        """
        until = time.monotonic() + LAST_WORDS
        while time.monotonic() < until:
            quiet = time.monotonic() - self._from_daemon_at >= QUIET
            if quiet and self.online == self._offline:
                break
            time.sleep(TURN)
        self.told.clear()
        self._asked.put(lambda now: self._note(now, Monitor.begin))

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._ended.set()
        self._thread.join(5)

    # The thread

    def _new_client(self) -> paho.Client:
        client = paho.Client(CallbackAPIVersion.VERSION2)
        client.on_message = self._on_message
        client.on_connect = self._on_connect
        client.connect_timeout = 0.5
        return client

    def _work(self) -> None:
        for sent in self.shop.begin(time.monotonic()):
            self._send(sent)
        while not self._ended.is_set():
            if not self._connected:
                self._reconnect()
            with suppress(queue.Empty):
                while True:
                    self._asked.get_nowait()(time.monotonic())
            now = time.monotonic()
            self._look(now)
            self._speak(now)
            if self._connected and self._client.loop(TURN) != paho.MQTT_ERR_SUCCESS:
                self._lost()
            elif not self._connected:
                time.sleep(TURN)
        self._client.disconnect()

    def _note(self, now: float, does: Callable[[Monitor, float], None]) -> None:
        self._seen.append(Seen(now, does=does))

    def _reconnect(self) -> None:
        self._client = self._new_client()
        self._sent.clear()
        with suppress(OSError):
            self._client.connect("127.0.0.1", self._port, keepalive=2)
            sock = self._client.socket()
            if isinstance(sock, socket.socket):
                sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            until = time.monotonic() + 0.5
            while not self._connected and time.monotonic() < until:
                if self._client.loop(0.05) != paho.MQTT_ERR_SUCCESS:
                    break

    def _lost(self) -> None:
        self._connected = False
        with suppress(OSError):
            if (sock := self._client.socket()) is not None:
                sock.close()
        self._note(time.monotonic(), lambda monitor, at: monitor.lost(inf, at))  # what was seen has come through it

    def _on_connect(self, client: paho.Client, _data: object, _flags: object, code: object, _props: object) -> None:
        if str(code) != "Success":
            return
        client.subscribe("#", 1)
        self._connected = True
        for topic, payload in self._retained.items():
            self._publish(topic, payload, retain=True)

    def _speak(self, now: float) -> None:
        for sent in self.shop.advance(now):
            self._send(sent)

    def _send(self, sent: Sent) -> None:
        if sent.retain:
            self._retained[sent.topic] = sent.payload
        self._publish(sent.topic, sent.payload, retain=sent.retain)

    def _publish(self, topic: str, payload: bytes, *, retain: bool) -> None:
        if self._connected:
            self._sent[topic].append(Sending(payload, time.monotonic(), retain))
            self._client.publish(topic, payload, 1 if retain else 0, retain)

    def _on_message(self, _client: paho.Client, _data: object, message: paho.MQTTMessage) -> None:
        now, topic, payload = time.monotonic(), message.topic, bytes(message.payload)
        sent = None if message.retain else self._sending(topic, payload)
        keeps = message.retain or (sent is not None and sent.keeps)
        self._seen.append(Seen(now, topic, payload, message.retain, keeps, None if sent is None else sent.at))
        if topic in self._commands or topic.startswith(self._base):
            self._from_daemon_at = now
        if topic in self._commands and not message.retain and payload:
            self.told[topic] = payload.decode()
            self.shop.deliver(topic, payload, now)
        elif topic == self._online:
            if payload == b"1":
                self.online += 1
            else:  # its will, or its goodbye
                self._offline += not message.retain

    def _sending(self, topic: str, payload: bytes) -> Sending | None:
        """The sending by a device that the broker has just passed on; None: it was somebody else's."""
        waiting = self._sent[topic]
        while waiting:
            if (sending := waiting.popleft()).payload == payload:
                return sending
        return None

    def _look(self, now: float) -> None:
        homes = {name: gate.collector or next(iter(self.config.collector)) for name, gate in self.config.gate.items()}
        for name, fan in self.shop.collectors.items():
            stand = sum(
                1 for gate, home in homes.items() if home == name and self.shop.gates[gate].position(now) == 1.0
            )
            if fan.turns and stand < self.config.collector[name].min_open:
                self.starved += now - self._looked
        self._looked = now
