"""A daemon on a real Mosquitto with a tool of each kind (amps, watts, a contact), and motors known by two of them."""

import time
from collections.abc import Iterator

import pytest
from daemon_support import Process, Shopfloor
from support.child import wait_until
from support.mosquitto import Mosquitto

pytestmark = pytest.mark.broker

SHOP = """
[broker]
port = {port}

[collector.main]
command = {{ topic = "shop/fan/set", on = "1", off = "0" }}
power = {{ topic = "shop/fan/watts", pointer = "/power" }}
running_watts = 300
spin_up = 0
coast_down = 0.2

[collector.shed]
command = {{ topic = "shop/shed/set", on = "1", off = "0" }}
running = {{ topic = "shop/shed/air", active = "blows", clear = "still" }}
spin_up = 0
coast_down = 0.2
min_open = 0

[gate.band_saw]
collector = "main"
command = {{ topic = "shop/gate/band_saw/set", open = "open", shut = "shut" }}
travel = 0.05

[gate.router]
collector = "main"
command = {{ topic = "shop/gate/router/set", open = "open", shut = "shut" }}
travel = 0.05

[tool.band_saw]
gates = ["band_saw"]
current = {{ topic = "shop/band_saw/amps" }}
start_amps = 2.5
run_on = 0

[tool.router]
gates = ["router"]
power = {{ topic = "shop/router/plug", pointer = "/power", scale = 1000, at = "/t", max_age = 5 }}
start_watts = 180
run_on = 0

[tool.lathe]
collector = "shed"
running = {{ topic = "shop/lathe/state", pointer = "/output", active = "true", clear = "false" }}
run_on = 0
"""
FAN, SHED = "shop/fan/set", "shop/shed/set"


class Router:
    """A meter that speaks many times a second, in kilowatts, with the time of its own clock."""

    def __init__(self, floor: Shopfloor) -> None:
        self._floor = floor

    def says(self, kilowatts: float) -> bool:
        self._floor.say("shop/router/plug", f'{{"power": {kilowatts}, "t": {time.monotonic():.3f}}}')
        return True


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Process, Shopfloor]]:
    with Mosquitto() as broker, Shopfloor(broker.port, answering=()) as floor:
        floor.watched = {FAN, SHED, "shop/gate/band_saw/set", "shop/gate/router/set"}
        with Process(tmp_path_factory.mktemp("daemon"), SHOP.format(port=broker.port)) as daemon:
            wait_until(lambda: {(FAN, "0"), (SHED, "0")} <= set(floor.told()), what="both told off")
            floor.say("shop/fan/watts", '{"power": 2}')
            floor.say("shop/shed/air", "still")
            yield daemon, floor


def test_each_tool_is_served_by_its_own_signal_and_shown_with_it(shop: tuple[Process, Shopfloor]) -> None:
    daemon, floor = shop
    floor.say("shop/band_saw/amps", "0.1")
    router = Router(floor)
    router.says(0.004)
    floor.say("shop/lathe/state", '{"output": false}', retain=True)
    for name in ("band_saw", "router", "lathe"):
        wait_until(lambda name=name: (floor.shown(f"tool/{name}") or {}).get("state") == "idle")  # type: ignore[misc]
    # A tool seen idle and then running starts its collector; what it drew is shown in its own unit.
    since = len(floor.commands)
    wait_until(lambda: router.says(1.2) and (FAN, "1") in floor.told(since), what="after a second it is believed")
    wait_until(lambda: floor.shown("tool/router").get("watts") == 1200)
    shown = floor.shown("tool/router")
    assert (shown["start_watts"], shown["stop_watts"]) == (180, 126)
    assert "amps" not in shown
    floor.say("shop/fan/watts", '{"power": 1100}')
    wait_until(lambda: daemon.events("collector_running"), what="its watts prove that it turns")
    router.says(0.12)
    wait_until(lambda: (FAN, "0") in floor.told(since))
    floor.say("shop/fan/watts", '{"power": 1}')
    (stopped,) = wait_until(lambda: daemon.events("tool_stopped"))
    assert (stopped["watts"], stopped["stop_watts"]) == (120, 126)


def test_a_contact_starts_its_collector_and_a_word_that_it_does_not_know_changes_nothing(
    shop: tuple[Process, Shopfloor],
) -> None:
    daemon, floor = shop
    daemon.mark()
    since = len(floor.commands)
    floor.say("shop/lathe/state", '{"output": true}')
    wait_until(lambda: (SHED, "1") in floor.told(since))
    wait_until(lambda: floor.shown("tool/lathe")["running"] is True)
    assert not {"start_amps", "start_watts", "amps", "watts"} & floor.shown("tool/lathe").keys()
    floor.say("shop/shed/air", "blows")
    wait_until(lambda: daemon.events("collector_running"), what="its contact says that it turns")
    floor.say("shop/lathe/state", '{"output": "maybe"}')
    (refused,) = wait_until(lambda: daemon.events("reading_rejected"))
    assert (refused["tool"], refused["rule"]) == ("lathe", "bad_value")
    assert "want 'true' or 'false'" in refused["why"]
    assert floor.shown("tool/lathe")["state"] == "running"
    floor.say("shop/lathe/state", '{"output": false}')
    wait_until(lambda: (SHED, "0") in floor.told(since))
    floor.say("shop/shed/air", "still")
    (started,) = daemon.events("tool_started")
    assert started["running"] is True
    assert floor.told(since) == [(SHED, "1"), (SHED, "0")]


def test_a_power_that_no_meter_means_is_refused_and_changes_nothing(shop: tuple[Process, Shopfloor]) -> None:
    daemon, floor = shop
    daemon.mark()
    Router(floor).says(400.1)
    (absurd,) = wait_until(lambda: daemon.events("reading_rejected"))
    assert (absurd["tool"], absurd["rule"]) == ("router", "bad_value")
    assert "within 400,000 either way" in absurd["why"]
    assert floor.shown("tool/router")["state"] == "idle"
