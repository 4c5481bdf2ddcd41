"""What every board does, whatever its role: loop, watchdog, the way back after a fault, its words, settings."""

import os
from collections.abc import Iterator
from contextlib import ExitStack
from functools import partial
from itertools import pairwise
from pathlib import Path
from time import sleep
from typing import Any, Final

import pytest
from board_process import BoardProcess
from outage_shop import PINS, Shop, settings
from support.certificates import make_authority, make_broker_certificate
from support.child import wait_until
from support.mosquitto import Mosquitto

pytestmark = pytest.mark.broker
WILLS: Final = int(os.environ.get("GATEHAND_WILLS", "1"))
LED: Final = 2
OUT: Final = 3
TALKER: Final = """
from board import Role
class Gate(Role):
    NAME = "gate"
    def __init__(self, settings):
        super().__init__(settings)
        self.hears["shop/gate/band_saw/set"] = self.told
    def tick(self, now, link):
        self.say("shop/gate/band_saw/word", b"%d" % now)
    def told(self, payload, retained, now):
        self.say("shop/gate/band_saw/echo", payload)
def make(settings):
    return Gate(settings)
"""
"""A role that speaks in every turn."""
FAILS: Final = """
from board import Role
from machine import Pin
class Gate(Role):
    NAME = "gate"
    def __init__(self, settings):
        super().__init__(settings)
        self.pin = Pin(3, Pin.OUT, value=0)
    def greet(self, now):
        self.pin.value(1)
        self.at = now + 500
    at = None
    def tick(self, now, link):
        if self.at is not None and now > self.at:
            raise MemoryError("no room")
    def safe(self):
        self.pin.value(0)
def make(settings):
    return Gate(settings)
"""
"""A role that fails half a second after its greeting."""


@pytest.fixture
def broker() -> Iterator[Mosquitto]:
    with Mosquitto(["set_tcp_nodelay true"]) as running:
        yield running


def _kill_and_revive(shop: Shop, milliseconds: int) -> None:
    shop.answers = False
    shop.broker.kill9()
    wait_until(shop.all_closed)
    shop.go(milliseconds)
    shop.broker.revive()
    shop.listener.connect()
    shop.answers = True


def test_connection_that_ends_while_the_role_speaks_is_greeted_anew(broker: Mosquitto, tmp_path: Path) -> None:
    with Shop(tmp_path, broker, roles=("gate",), program=TALKER) as shop:
        shop.until(lambda: shop.words(shop.topic("gate", "online"), 0), 3000, "online")
        _kill_and_revive(shop, 2000)
        back = shop.now
        shop.until(lambda: shop.words(shop.topic("gate", "online"), back), 2000, "online again")
        shop.go(100)
        shop.listener.say(shop.topic("gate", "set"), "heard?")
        shop.until(lambda: shop.words(shop.topic("gate", "echo"), back), 200, "its topics are granted again")


def test_boards_call_again_within_a_second_each_at_its_own_times(broker: Mosquitto, tmp_path: Path) -> None:
    with Shop(tmp_path, broker, roles=("gate", "contact", "switch")) as shop:
        shop.go(2000)
        shop.answers = False
        broker.kill9()
        wait_until(shop.all_closed)
        gone = shop.now
        shop.go(20_000)
        calls = [[at - gone for at in wire.dialled if at > gone] for wire in shop.wires.values()]
        for each in calls:
            gaps = [later - earlier for earlier, later in pairwise(each)]
            assert min(gaps) >= 200
            assert max(gaps) <= 900  # a long step of the clock between
            assert len(set(gaps)) > 1, gaps
        assert len({tuple(each) for each in calls}) == len(calls)


def test_dial_that_fails_at_once_is_told_and_tried_at_its_time_again(tmp_path: Path) -> None:
    found = settings("contact", "main", 1883, 2000)
    found["broker"]["host"] = "255.255.255.255"
    board = BoardProcess(tmp_path / "contact", found)
    console = _console_of(board, 5000)
    assert any("no connection: " in line for line in console), console


def test_fault_of_a_role_switches_off_says_goodbye_and_begins_anew(broker: Mosquitto, tmp_path: Path) -> None:
    with Shop(tmp_path, broker, roles=("gate",), program=FAILS) as shop:
        board = shop.boards["gate"]
        shop.until(lambda: board.output(OUT) == 1, 3000, "at work")
        shop.until(lambda: board.output(OUT) == 0, 600, "switched off")
        shop.until(
            lambda: [one.payload for one in shop.words(shop.topic("gate", "online"), 0)][-1] == "0", 100, "goodbye"
        )
        shop.until(lambda: len(board.lives) == 2, 2000, "a new life")
        shop.until(lambda: board.output(OUT) == 1, 3000, "at work again")
        assert any("MemoryError: no room" in line for line in board.console)


def test_loop_that_hangs_is_ended_by_its_watchdog_and_one_that_works_never_is(
    broker: Mosquitto, tmp_path: Path
) -> None:
    with Shop(tmp_path, broker, roles=("gate",)) as shop:
        board = shop.boards["gate"]
        shop.go(20_000)
        assert len(board.lives) == 1
        hung = shop.now
        board.hang()
        took = shop.until(lambda: len(board.lives) == 2, 9000, "the watchdog")
        assert took >= 7900
        assert [(act.what, act.value) for act in board.acts if act.at >= hung][:1] == [("reset", "watchdog")]


def test_lamp_is_lit_while_the_broker_hears_the_board(broker: Mosquitto, tmp_path: Path) -> None:
    with Shop(tmp_path, broker, roles=("contact",), hardware={"led": LED}) as shop:
        board = shop.boards["contact"]
        shop.go(100)
        assert board.output(LED) == 0
        shop.until(lambda: board.output(LED) == 1, 3000, "lit")
        _kill_and_revive(shop, 500)
        assert board.output(LED) == 0
        shop.until(lambda: board.output(LED) == 1, 2000, "lit again")


def test_offline_of_a_dead_connection_that_comes_late_is_put_right(broker: Mosquitto, tmp_path: Path) -> None:
    with Shop(tmp_path, broker, roles=("contact",)) as shop:
        topic = shop.topic("contact", "online")
        shop.until(lambda: shop.words(topic, 0), 3000, "online")
        shop.go(100)
        shop.listener.say(topic, "0", retain=True)
        shop.go(200)
        assert [one.payload for one in shop.words(topic, 0)][-2:] == ["0", "1"]


def test_command_that_dead_air_has_held_for_three_seconds_acts_no_more(broker: Mosquitto, tmp_path: Path) -> None:
    """Neither side knows of the air; what TCP holds meanwhile comes late, unless the board has given up by then."""
    with Shop(tmp_path, broker, roles=("switch",), keepalive=None) as shop:
        board, wire = shop.boards["switch"], shop.wires["switch"]
        for phase in range(5):
            shop.go(3000 + 400 * phase)
            wire.cut(refuses=True)
            shop.listener.say(shop.topic("switch", "set"), "1")
            shop.go(3000)
            wire.mend()
            shop.go(1000)
            assert not [act for act in board.acts if act.what == "pin" and act.value], phase
        shop.listener.say(shop.topic("switch", "set"), "1")
        shop.until(lambda: board.output(PINS["relay"]) == 1, 200, "switched on by a fresh one")


def test_will_of_a_board_that_falls_silent_is_heard_within_ten_seconds(tmp_path: Path) -> None:
    """Counted by the broker's own clock, which is the one that decides: its log has whole seconds."""
    with ExitStack() as stack:
        brokers = [stack.enter_context(Mosquitto(["set_tcp_nodelay true"])) for _ in range(WILLS)]
        shops = []
        for turn, broker in enumerate(brokers):
            # A broker looks every few seconds, from its start on: each board falls silent at another moment of these.
            sleep(0.3 if turn else 0)
            shop = stack.enter_context(Shop(tmp_path / f"{turn}", broker, roles=("contact",), keepalive=None))
            shop.until(partial(shop.words, shop.topic("contact", "online"), 0), 3000, "online")
            shops.append(shop)
        for shop in shops:  # no time passes for the boards: they stand still
            wait_until(partial(shop.hears_will, shop.topic("contact", "online")), what="the will")
        ages = [_silence(broker.log) for broker in brokers]
    print(f"\nwills {min(ages)} to {max(ages)} s after the last word")
    assert max(ages) <= 10, ages


def _silence(log: str) -> int:
    """Seconds from the last packet of the board to its end, in the broker's log."""
    lines = [line for line in log.splitlines() if "contact-main" in line]
    last = [int(line.split(":")[0]) for line in lines if "Received" in line][-1]
    ended = [int(line.split(":")[0]) for line in lines if "exceeded timeout" in line][-1]
    return ended - last


def _tls(ca_file: str, server_name: str | None = "broker.shop") -> dict[str, Any]:
    tls = {"ca_file": ca_file, "server_name": server_name}
    return {"broker": {"host": "127.0.0.1", "port": 8883, "client_id": "x", "tls": tls}}


def _console_of(board: BoardProcess, milliseconds: int) -> list[str]:
    """What a board alone writes in so much time."""
    try:
        board.power_up()
        for _ in range(milliseconds // 100):
            board.grant(100)
            board.settle()
    finally:
        board.cut_power()
    assert not [act for act in board.acts if act.what == "pin" and act.value], "something was switched on"
    return board.console


def test_encrypted_connection_stands_also_where_no_time_server_answers(tmp_path: Path) -> None:
    with Mosquitto() as broker:
        authority = make_authority(broker.folder, "shop")
        broker.configure(*make_broker_certificate(broker.folder, "shop", names="DNS:broker.shop"))
        broker.stop()
        broker.start()
        found = settings("contact", "main", broker.port, 2000)
        found["broker"]["tls"] = {"ca_file": str(authority), "server_name": "broker.shop", "time_server": "127.0.0.1"}
        board = BoardProcess(tmp_path / "contact", found)

        def heard() -> bool:
            board.grant(20)
            board.settle()
            sleep(0.002)  # the handshake takes the computer's time, and not the board's
            return any("the broker hears us" in line for line in board.console)

        try:
            board.power_up()
            wait_until(heard)
        finally:
            board.cut_power()
        assert any("the time server " in line for line in board.console), board.console
        assert board.now >= 5000


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"role": "fan"}, "settings.json: role is 'fan'; wanted one of gate, switch, sensor, contact"),
        ({"role": None}, "settings.json: role is missing; wanted text"),
        ({"wifi": {"ssid": None}}, "settings.json: wifi: ssid is missing; wanted text"),
        ({"wifi": {"ssid": ""}}, "settings.json: wifi: ssid is empty; wanted the name of the shop's Wi-Fi"),
        ({"wifi": {"ssid": "shop", "password": 4711}}, "settings.json: wifi: password is of another kind; wanted text"),
        ({"broker": {"host": "broker.shop", "port": 1883, "client_id": "x"}}, "host is 'broker.shop'; wanted numbers"),
        ({"broker": {"host": "127.0.0.1", "port": 1883, "client_id": "x", "keepalive": 0}}, "keepalive is 0; wanted"),
        ({"broker": {"host": "127.0.0.1", "port": "1883", "client_id": "x"}}, "port is '1883'; wanted a whole number"),
        (_tls("none.pem"), "settings.json: broker: tls: ca_file is 'none.pem', and cannot be used"),
        (_tls("none.pem", server_name=None), "settings.json: broker: tls: server_name is missing; wanted text"),
        ({"online": {"topic": "shop/online"}}, "settings.json: online: clear is missing; wanted text"),
        ({"hardware": {"watchdog_ms": 60_000}}, "hardware: watchdog_ms is 60000; wanted 1000 to 8000, or 0 for none"),
        ({"hardware": {"led": True}}, "hardware: led is True; wanted a whole number"),
    ],
)
def test_wrong_setting_is_told_with_its_place_and_nothing_is_switched(
    change: dict[str, Any], said: str, tmp_path: Path
) -> None:
    found = settings("gate", "band_saw", 1883, 2000)
    change = {**change, **({"hardware": found["hardware"] | change["hardware"]} if "hardware" in change else {})}
    console = _console_of(BoardProcess(tmp_path / "gate", found | change), 1000)
    assert any(said in line for line in console), console
    assert not any("4711" in line for line in console)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('{"role": "gate"', "this is no JSON"),
        ("", "this is no JSON"),
        ('["gate"]', "wanted one table"),
    ],
)
def test_file_that_is_no_table_is_told(text: str, said: str, tmp_path: Path) -> None:
    board = BoardProcess(tmp_path / "gate", settings("gate", "band_saw", 1883, 2000))
    (tmp_path / "gate" / "settings.json").write_text(text)
    console = _console_of(board, 1000)
    assert any(said in line for line in console), console
