"""The boards' MQTT client: beside a peer of any manners, beside bytes of any kind, and at a real Mosquitto."""

import json
import signal
import socket
import subprocess
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any, Self

import paho.mqtt.client as paho
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from paho.mqtt.enums import CallbackAPIVersion
from role_bench import module
from support.child import wait_until
from support.micropython import BOARDS, both_pythons, micropython_program, says
from support.mosquitto import Mosquitto
from support.ports import free_port

SCRIPTS = Path(__file__).with_name("scripts")
ONLINE = "shop/gate/band_saw/online"
SET = "shop/gate/band_saw/set"
PYTHONS = pytest.mark.parametrize("python", ["cpython", "micropython"])


mqtt = module("mqtt")


@PYTHONS
@pytest.mark.parametrize("scenarios", ["mqtt_packets.py", "mqtt_endings.py"])
def test_every_scenario_holds_beside_a_peer_of_any_manners(python: str, scenarios: str) -> None:
    """A call that blocks would hang, and be ended here: no other clock is in it."""
    said = says(*both_pythons()[python], SCRIPTS / scenarios, BOARDS, str(free_port()))
    assert len(said.splitlines()) == (SCRIPTS / scenarios).read_text("utf-8").count("\n@scenario\n") > 10


# --- any bytes ---


class Pair:
    """A greeted client and the other end of its connection."""

    def __init__(self, listener: socket.socket) -> None:
        self.heard: list[tuple[str, bytes, bool]] = []
        login = {"host": "127.0.0.1", "port": listener.getsockname()[1], "username": "gate", "password": "plane-iron"}
        self.client = mqtt.Client(login, "gate", (ONLINE, b"0"), lambda *told: self.heard.append(told))
        self.now = 1000
        self.client.dial(self.now)
        self.peer = listener.accept()[0]
        self.peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def until(self, true: Callable[[], bool]) -> None:
        def turned() -> bool:
            self.client.tick(self.now)
            return true()

        wait_until(turned, 20)

    def send(self, raw: bytes) -> bool:
        """Whether the client still listens."""
        try:
            self.peer.sendall(raw)
        except OSError:
            return False
        self.client.tick(self.now)
        return True


@pytest.fixture(scope="module")
def listener() -> Iterator[socket.socket]:
    with socket.create_server(("127.0.0.1", free_port())) as found:
        yield found


@contextmanager
def _pair(listener: socket.socket, *, greeted: bool = True) -> Iterator[Pair]:
    pair = Pair(listener)
    try:
        if greeted:
            pair.send(b"\x20\x02\x00\x00")
            pair.until(lambda: bool(pair.client.phase == mqtt.UP))
        yield pair
    finally:
        pair.client.drop("")
        pair.peer.close()


def _cut(raw: bytes, cuts: list[int]) -> Iterator[bytes]:
    at = 0
    for cut in sorted(cut % (len(raw) + 1) for cut in cuts):
        yield raw[at:cut]
        at = cut
    yield raw[at:]


def _length(number: int) -> bytes:
    low, high = number % 128, number // 128
    return bytes([low | 0x80]) + _length(high) if high else bytes([low])


PACKETS = st.builds(
    lambda first, body: bytes([first]) + _length(len(body)) + body,
    st.sampled_from([0x20, 0x30, 0x31, 0x32, 0x3A, 0x34, 0x40, 0x90, 0xD0, 0xE0, 0x00]),
    st.binary(max_size=12) | st.binary(max_size=3).map(lambda end: b"\x00\x01a" + end) | st.just(b"\x00\x01"),
)
NOISE = st.lists(st.binary(max_size=40) | PACKETS, max_size=12).map(b"".join)
CUTS = st.lists(st.integers(0, 2000), max_size=6)


@given(raw=NOISE, cuts=CUTS, greeted=st.booleans())
@settings(max_examples=150)
def test_whatever_bytes_come_the_client_raises_nothing_keeps_little_and_ends_rightly(
    listener: socket.socket, raw: bytes, cuts: list[int], greeted: bool
) -> None:
    with _pair(listener, greeted=greeted) as pair:
        pair.client.publish("a", b"1", pair.now, qos=1)
        pair.client.subscribe(["a"], pair.now)
        for piece in _cut(raw, cuts):
            if not pair.send(piece):
                break
        pair.peer.close()
        pair.until(lambda: bool(pair.client.phase == mqtt.DOWN))
        assert pair.client.why
        assert "plane-iron" not in pair.client.why
        assert sum(len(topic) + len(payload) for topic, payload, _ in pair.heard) <= len(raw)
        pair.client.dial(pair.now)
        assert pair.client.phase == mqtt.DIALLING
        listener.accept()[0].close()


MESSAGES = st.lists(
    st.tuples(
        st.text(min_size=1, max_size=8).filter(lambda topic: "\0" not in topic),
        st.binary(max_size=30) | st.integers(900, 1100).map(bytes),
        st.booleans(),
        st.integers(0, 1),
    ),
    max_size=8,
)


@given(messages=MESSAGES, cuts=CUTS)
@settings(max_examples=100)
def test_every_message_is_handed_on_once_in_order_and_acknowledged_where_it_asks_for_it(
    listener: socket.socket, messages: list[tuple[str, bytes, bool, int]], cuts: list[int]
) -> None:
    raw, heard, acknowledged = b"", [], b""
    for ident, (topic, payload, retained, qos) in enumerate(messages, start=1):
        name = topic.encode()
        body = len(name).to_bytes(2, "big") + name + (ident.to_bytes(2, "big") if qos else b"") + payload
        raw += bytes([0x30 | qos << 1 | retained]) + _length(len(body)) + body
        acknowledged += b"\x40\x02" + ident.to_bytes(2, "big") if qos else b""
        if len(body) <= mqtt.LARGEST_IN:
            heard.append((topic, payload, retained))
    with _pair(listener) as pair:
        _read_connect(pair)
        for piece in _cut(raw, cuts):
            assert pair.send(piece)
        pair.until(lambda: len(pair.heard) == len(heard))
        assert pair.heard == heard
        pair.send(b"\x30\x05\x00\x03end")
        pair.until(lambda: pair.heard[-1:] == [("end", b"", False)])
        assert _received(pair, len(acknowledged)) == acknowledged
        assert pair.client.phase == mqtt.UP


def _read_connect(pair: Pair) -> None:
    length = pair.peer.recv(2)[1]
    assert len(_received(pair, length)) == length


def _received(pair: Pair, count: int) -> bytes:
    pair.peer.settimeout(60)
    got = b""
    while len(got) < count:
        got += pair.peer.recv(count - len(got))
    return got


# --- at a real broker ---


class Shop:
    """Somebody else at the broker, who hears everything."""

    def __init__(self, port: int, username: str | None = None, password: str | None = None) -> None:
        self.heard: list[tuple[str, str, bool]] = []
        self._client = paho.Client(CallbackAPIVersion.VERSION2)
        self._granted = False
        self._client.on_message = lambda _c, _u, told: self.heard.append(
            (told.topic, told.payload.decode(), told.retain)
        )
        self._client.on_subscribe = lambda *_: setattr(self, "_granted", True)
        if username is not None:
            self._client.username_pw_set(username, password)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        self._client.subscribe("shop/#", 1)
        wait_until(lambda: self._granted)

    def say(self, topic: str, word: str, *, retain: bool = False) -> None:
        self._client.publish(topic, word, 1, retain).wait_for_publish(60)

    def hears(self, topic: str, word: str) -> None:
        wait_until(lambda: (topic, word, False) in self.heard, what=f"{topic} {word}; {self.heard}")

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()


class Board:
    """The client in a process of its own (scripts/mqtt_live.py)."""

    def __init__(self, python: str, settings: dict[str, Any]) -> None:
        command = [*both_pythons()[python], str(SCRIPTS / "mqtt_live.py"), str(BOARDS), json.dumps(settings)]
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)  # noqa: S603

    @property
    def lines(self) -> "IO[str]":
        assert self.process.stdout is not None
        return self.process.stdout

    def next(self) -> str:
        """What it prints next."""
        return self.lines.readline().rstrip("\n")

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.process.kill()
        self.process.wait()
        self.lines.close()


def _settings(broker: Mosquitto, **more: Any) -> dict[str, Any]:  # noqa: ANN401
    return {"host": "127.0.0.1", "port": broker.port, **more}


@pytest.mark.broker
@PYTHONS
def test_at_a_real_broker_words_go_both_ways_and_the_will_speaks_for_who_is_gone(
    python: str, broker: Mosquitto
) -> None:
    with Shop(broker.port) as shop:
        shop.say(SET, "shut", retain=True)
        with Board(python, _settings(broker)) as board:
            assert board.next() == "heard shut retained" or board.next()  # before or after its own line
            shop.hears(ONLINE, "1")
            shop.say(SET, "say")
            shop.hears("shop/gate/band_saw/state", "open")
            shop.hears("shop/gate/band_saw/button", "1")
            shop.say(SET, "die")
            shop.hears(ONLINE, "0")
        shop.heard.clear()
        # A clean session: what was said while it was away is not said again, and only the retained word comes.
        shop.say(SET, "say")
        with Board(python, _settings(broker)) as board:
            shop.hears(ONLINE, "1")
            shop.say(SET, "leave")
            shop.hears(ONLINE, "0")
            told = board.lines.read().splitlines()
            assert sorted(told) == ["heard leave live", "heard shut retained", "left", "up"]
        shop.say("shop/end", "1")
        shop.hears("shop/end", "1")
        assert [word for topic, word, _ in shop.heard if topic == ONLINE] == ["1", "0"]
        shop.say(SET, "", retain=True)
    with Shop(broker.port) as late:
        wait_until(lambda: (ONLINE, "0", True) in late.heard)
        assert ("shop/gate/band_saw/state", "open", True) in late.heard
        assert not [one for one in late.heard if one[0] == "shop/gate/band_saw/button"]


@pytest.mark.broker
def test_a_board_that_has_stopped_is_spoken_for_by_its_will(broker: Mosquitto) -> None:
    with Shop(broker.port) as shop, Board("micropython", _settings(broker, keepalive=1)) as board:
        shop.hears(ONLINE, "1")
        board.process.send_signal(signal.SIGSTOP)
        shop.hears(ONLINE, "0")


@pytest.mark.broker
@PYTHONS
def test_a_board_with_the_same_id_takes_the_place_of_the_other_which_says_so(python: str, broker: Mosquitto) -> None:
    with Board(python, _settings(broker)) as first:
        assert first.next() == "up"
        with Board(python, _settings(broker)) as second:
            assert second.next() == "up"
            assert first.next() == "down lost the broker closed the connection"


@pytest.mark.broker
def test_a_login_that_is_wrong_is_refused_and_told_without_its_password() -> None:
    with Mosquitto(anonymous=False) as broker:
        for login in ({}, {"username": "gate-band_saw", "password": "plane-iron"}):
            with Board("micropython", _settings(broker, **login)) as board:
                told = board.lines.read()
                assert told.startswith("down refused the broker refuses: ")
                assert "login" in told or "password" in told
                assert "plane-iron" not in told


@pytest.mark.broker
def test_a_frozen_broker_is_given_up_and_a_killed_one_at_once() -> None:
    with Mosquitto() as broker:
        heard: list[object] = []
        client = mqtt.Client(_settings(broker), "gate", (ONLINE, b"0"), lambda *told: heard.append(told))
        now = 0

        def stands() -> None:
            client.dial(now)

            def up() -> bool:
                client.tick(now)
                return bool(client.phase == mqtt.UP)

            wait_until(up)

        def down() -> bool:
            client.tick(now)
            return bool(client.phase == mqtt.DOWN)

        stands()
        broker.sigstop()
        assert client.publish("shop/x", b"1", now, qos=1)  # the kernel takes it for the broker
        for now in range(0, mqtt.ANSWER_MS + 20, 10):
            client.tick(now)
        assert down()
        assert client.why == "the broker does not acknowledge"
        broker.sigcont()
        stands()
        broker.kill9()
        wait_until(down)
        client.dial(now)
        wait_until(down)
        assert client.why.startswith("no connection: ")
        broker.revive()
        stands()
        client.drop("")


def test_the_programs_that_run_it_are_here() -> None:
    """In CI a missing one fails; elsewhere this is the line that says why the others were skipped."""
    assert "MicroPython" in says(micropython_program(), "-c", "import sys; print(sys.version)")
