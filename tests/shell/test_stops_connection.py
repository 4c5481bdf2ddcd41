"""The stop contacts' own connection, beside a real Mosquitto: no flood delays them, and nothing starts without it."""

import signal
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Self

import paho.mqtt.client as paho
import pytest
from daemon_support import FAN, OFF, ON, SHOP, Process, Shopfloor
from paho.mqtt.enums import CallbackAPIVersion
from support.child import wait_until
from support.flood import Flood
from support.mosquitto import Mosquitto
from support.recorder import Observer

ALARM = "alarm/daemon.main.stops_unheard"
HERE = "gatehand/online/stops"
WITHOUT_STOP = SHOP[: SHOP.index("[stop.emergency]")]


@pytest.fixture(scope="module")
def broker() -> Iterator[Mosquitto]:
    with Mosquitto(("max_queued_messages 200",)) as found:
        yield found


@pytest.fixture(autouse=True)
def nothing_left(broker: Mosquitto) -> Iterator[None]:
    yield
    with Observer(broker.port) as client:
        client.publish("all that is retained came before this", b"x")
        wait_until(lambda: client.live("all that is retained came before this"))
        for topic in {topic for topic, payload, retained in client.seen if retained and payload}:
            client.publish(topic, b"", qos=1, retain=True)


def heard(daemon: Process) -> None:
    wait_until(lambda: daemon.events("stops_heard"), what="the stop contacts are heard")


def route(floor: Shopfloor) -> None:
    """The router cuts and the collector runs."""
    floor.idle()
    floor.say("shop/router/amps", "5")
    wait_until(lambda: (floor.shown("collector/main") or {}).get("state") in {"running", "spin_up"}, what="it runs")


@pytest.mark.parametrize("rate", [30_000])
def test_a_stop_pressed_in_a_flood_switches_off_while_the_flood_goes_on(
    broker: Mosquitto, tmp_path: Path, rate: int
) -> None:
    with Process(tmp_path, SHOP.format(port=broker.port)) as daemon:
        with Shopfloor(broker.port) as floor:
            heard(daemon)
            route(floor)
        with (
            Observer(broker.port, FAN) as eye,
            Flood(broker.port, "shop/gate/band_saw/state", "shut", rate=rate, seconds=15) as flood,
        ):
            flood.begun()
            time.sleep(2)  # until what lies between the broker and the daemon is full
            assert b"0" not in eye.live(FAN)
            eye.publish("shop/estop", b"1", qos=1)
            while flood.goes_on and b"0" not in eye.live(FAN):
                time.sleep(0.001)
            assert b"0" in eye.live(FAN)
            assert flood.goes_on, "the off came only after the flood"
        assert daemon.runs


def test_the_stops_have_a_connection_of_their_own_and_nobody_else_has(broker: Mosquitto, tmp_path: Path) -> None:
    with Process(tmp_path, SHOP.format(port=broker.port)) as daemon, Shopfloor(broker.port) as floor:
        heard(daemon)
        wait_until(lambda: floor.retained.get(HERE) == "1", what="the stops' own connection shows itself")
        assert daemon.stop() == 0
        wait_until(lambda: floor.retained.get(HERE) == "0", what="its goodbye")
    with (
        Process(tmp_path, WITHOUT_STOP.format(port=broker.port)) as daemon,
        Shopfloor(broker.port) as floor,
    ):
        wait_until(lambda: floor.retained.get(HERE) == "0", what="what the one before it left")
        floor.idle()
        assert floor.retained[HERE] == "0"
        assert not daemon.events("stops_lost", "collector_waited")


def test_a_stop_that_stands_active_holds_at_the_start_before_anything_starts(broker: Mosquitto, tmp_path: Path) -> None:
    with Shopfloor(broker.port) as floor:
        floor.say("shop/estop", "1", retain=True)
        with Process(tmp_path, SHOP.format(port=broker.port)) as daemon:
            heard(daemon)
            wait_until(lambda: (floor.shown("collector/main") or {}).get("state") == "held", what="held")
            order = [line["event"] for line in daemon.events("stop_active", "stops_heard")]
            assert order == ["stop_active", "stops_heard"]
            assert ON not in floor.told()


def test_while_the_connection_is_taken_away_a_cut_waits_and_starts_when_it_is_back(tmp_path: Path) -> None:
    with Mosquitto() as broker:
        text = SHOP.format(port=broker.port).replace("[broker]\n", '[broker]\nclient_id = "shop"\n')
        with Process(tmp_path, text) as daemon, Shopfloor(broker.port) as floor:
            heard(daemon)
            floor.idle()
            daemon.mark()
            with Rival(broker.port, "shop-stops"):
                wait_until(lambda: floor.shown(ALARM), what="the alarm")
                assert "stop contacts" in floor.shown(ALARM)["because"]
                floor.say("shop/router/amps", "5")
                wait_until(lambda: daemon.events("collector_waited"), what="the start waits")
                assert daemon.events("collector_waited")[0]["rule"] == "stops_unheard"
                assert ON not in floor.told()
            wait_until(lambda: ON in floor.told(), what="it starts when they are heard again")
            wait_until(lambda: not floor.shown(ALARM), what="the alarm is over")
            wait_until(lambda: daemon.events("stops_lost"), what="its line")


class Rival:
    """Another client with the same id that takes it back whenever it is thrown out."""

    def __init__(self, port: int, client_id: str) -> None:
        self._client = paho.Client(CallbackAPIVersion.VERSION2, client_id)
        self._client.reconnect_delay_set(1, 1)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()


def test_an_edit_makes_moves_and_ends_the_connection_while_the_daemon_runs(broker: Mosquitto, tmp_path: Path) -> None:
    port = broker.port
    with Process(tmp_path, WITHOUT_STOP.format(port=port)) as daemon, Shopfloor(port) as floor:
        floor.idle()
        floor.say("shop/estop2", "1", retain=True)

        def edit(text: str) -> None:
            daemon.mark()
            daemon.config.write_text(text.format(port=port))
            daemon.signal(signal.SIGHUP)

        edit(SHOP)
        heard(daemon)
        wait_until(lambda: floor.retained.get(HERE) == "1", what="the connection stands")
        edit(SHOP.replace("shop/estop", "shop/estop2"))
        wait_until(lambda: daemon.events("stop_active"), what="the mended topic is read")
        heard(daemon)
        order = [line["event"] for line in daemon.events("stop_active", "stops_heard")]
        assert order == ["stop_active", "stops_heard"]
        edit(WITHOUT_STOP)
        wait_until(lambda: floor.retained.get(HERE) == "0", what="the connection ends")
        edit(SHOP)
        heard(daemon)


def test_a_hand_start_that_waited_for_a_frozen_daemon_starts_nothing_and_the_log_says_why(
    broker: Mosquitto, tmp_path: Path
) -> None:
    with Process(tmp_path, SHOP.format(port=broker.port)) as daemon, Shopfloor(broker.port) as floor:
        heard(daemon)
        floor.idle()
        before = daemon.lines()[-1]["mono"]
        daemon.mark()
        daemon.signal(signal.SIGSTOP)
        floor.say("gatehand/gate/bench/hand", "1")
        time.sleep(4)
        daemon.signal(signal.SIGCONT)
        wait_until(lambda: daemon.events("daemon_caught_up", "collector_on"), what="it has read what waited")
        ignored = daemon.events("message_ignored")
        assert [(line["rule"], line["gate"]) for line in ignored] == [("standstill", "bench")]
        assert 2.5 < ignored[0]["stood_for"] <= ignored[0]["mono"] - before, "about as long as it was frozen"
        assert not daemon.events("hand_started", "collector_on")
        assert ON not in floor.told()
        floor.say("gatehand/gate/bench/hand", "1")
        wait_until(lambda: ON in floor.told(), what="asked for again, it starts")


def test_a_stop_pressed_while_the_daemon_is_frozen_switches_off_once_it_thaws(
    broker: Mosquitto, tmp_path: Path
) -> None:
    with Process(tmp_path, SHOP.format(port=broker.port)) as daemon, Shopfloor(broker.port) as floor:
        heard(daemon)
        route(floor)
        daemon.mark()
        since = len(floor.told())
        daemon.signal(signal.SIGSTOP)
        floor.say("shop/estop", "1")
        time.sleep(2)
        daemon.signal(signal.SIGCONT)
        wait_until(lambda: OFF in floor.told(since), what="off")
        wait_until(lambda: daemon.events("stop_active"), what="its line, for which that off does not wait")
        assert daemon.events("daemon_stood_still")
