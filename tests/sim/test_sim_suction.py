"""Days with something wrong with the air: what the watcher of the suction comes to, and that it commands nothing.

A morning of a drawn shop in every run; `python -m tests.long suctions` plays whole days of fifty.
"""

import os
from dataclasses import replace
from functools import lru_cache
from random import Random
from typing import Any

import pytest
from sim_draw import CONFIG, Drawn, draw
from sim_happening import Happening
from sim_script import DAY, OPENS, script
from sim_world import World

from gatehand.air.suction_expected import DuctSuction, duct_suction
from gatehand.config import load_text
from gatehand.mqtt.transport import Outgoing
from gatehand.shell.engine import Engine
from gatehand.simshop.airway import Airway
from gatehand.simshop.collector import CollectorHabits
from gatehand.simshop.sim_shop import Habits
from gatehand.simshop.tool import ToolHabits

DAYS = int(os.environ.get("GATEHAND_SUCTION_DAYS", "0"))
SEED = os.environ.get("GATEHAND_SIM_SEED", "ci")
SENSOR = 'suction = { topic = "shop/fan/inlet", pointer = "/pa", unit = "Pa" }\n'
SHOP = """
[log]
folder = "log"
readings_limit_mb = 0

[collector.main]
command = { topic = "shop/fan/set", on = "1", off = "0" }
state = { topic = "shop/fan/state", on = "1", off = "0" }
spin_up = 3
coast_down = 4
SENSOR
[gate.band_saw]
command = { topic = "shop/gate/band_saw/set", open = "open", shut = "shut" }
state = { topic = "shop/gate/band_saw/state", open = "open", shut = "shut" }
relief = true

[gate.sweep]
command = { topic = "shop/gate/sweep/set", open = "open", shut = "shut" }
state = { topic = "shop/gate/sweep/state", open = "open", shut = "shut" }
button = { topic = "shop/gate/sweep/button", pressed = "1" }

[tool.band_saw]
gates = ["band_saw"]
current = { topic = "shop/band_saw/amps" }
start_amps = 2.5
silent_after = 120

[fan.main]
curve = [[0, 11.0], [400, 10.4], [800, 8.1], [1200, 3.9]]
filter_loss = { clean = 1.0, dirty = 3.0, at = 800 }

[duct.main]
diameter = 6
length = 14

[duct.band_saw_drop]
into = "main"
diameter = 4
length = 8
gate = "band_saw"
hood = { entry = "plain" }

[duct.sweep_drop]
into = "main"
diameter = 4
length = 6
gate = "sweep"
hood = { entry = "plain" }
"""


def drawn(text: str) -> Drawn:
    loaded = load_text(text, CONFIG, files=False)
    assert loaded.config is not None, loaded.problems
    habits = Habits(
        tools={"band_saw": ToolHabits(every=30.0, inrush=None)},
        collectors={"main": CollectorHabits(every=60.0, limit=0.0)},
    )
    return Drawn(loaded, loaded.config, habits)


class Day(World):
    """The shop at work from the start; `log` has the event log of all runs of the daemon."""

    def __init__(self, text: str = SHOP.replace("SENSOR\n", SENSOR)) -> None:
        self.status: dict[str, bytes] = {}
        super().__init__("suction", drawn(text))
        self.shown = self._note
        self.broker.latency = 0.001
        self.after(20)

    def _note(self, _engine: Engine, outgoing: Outgoing) -> None:
        self.status[outgoing.topic] = outgoing.payload

    @property
    def air(self) -> Airway:
        air = self.shop.collectors["main"].airway
        assert air is not None
        return air

    def after(self, seconds: float) -> "Day":
        self.step_to(self.clocks.now + seconds)
        assert not self.broken, self.broken
        return self

    def cut(self, lasts: float) -> "Day":
        """The band saw cuts from now on, so long; half a minute of it passes."""
        now = self.clocks.now - self.day
        self.happen(Happening(now, "cut", "band_saw", now + lasts))
        return self.after(30)

    @property
    def suctions(self) -> list[tuple[str, Any]]:
        """What was raised and what is over, in order."""
        lines = [line for line in reversed([*self.disk.lines_backwards()]) if "suction" in str(line.get("alarm"))]
        return [(str(line["event"]), str(line["alarm"]).rpartition(".")[2]) for line in lines]


HIGH, HIGH_OVER = ("alarm_raised", "suction_high"), ("alarm_cleared", "suction_high")
LOW, LOW_OVER = ("alarm_raised", "suction_low"), ("alarm_cleared", "suction_low")


def test_a_day_without_a_fault_has_no_alarm() -> None:
    day = Day()
    for clog in (0.0, 0.5, 1.0):
        day.air.clog = clog
        day.cut(60).after(60)
    assert day.suctions == []


def test_a_gate_stuck_shut_that_reports_open_is_too_much_suction() -> None:
    day = Day()
    day.air.blocked.add("band_saw")
    day.cut(40)
    assert day.suctions == [HIGH]
    day.after(60)
    assert day.suctions == [HIGH, HIGH_OVER]


def test_it_is_over_once_it_is_mended_while_the_fan_runs() -> None:
    day = Day()
    day.air.blocked.add("band_saw")
    day.cut(120)
    day.air.blocked.clear()
    day.after(15)
    assert day.suctions == [HIGH, HIGH_OVER]


@pytest.mark.parametrize("fault", ["main_off", "leaks", "clog"])
def test_a_hose_off_a_gate_that_stands_open_and_a_clogged_filter_are_too_little(fault: str) -> None:
    day = Day()
    match fault:
        case "main_off":
            day.air.main_off = True
        case "leaks":
            day.air.leaks.add("sweep")
        case "clog":
            day.air.clog = 4.0
    day.cut(40)
    assert day.suctions == [LOW]


def test_a_hose_that_comes_off_in_mid_cut_is_told_within_ten_seconds_and_a_reading() -> None:
    day = Day().cut(120)
    day.air.main_off = True
    day.after(13)
    assert day.suctions == [LOW]


def test_a_restart_in_the_middle_begins_anew_and_tells_again() -> None:
    day = Day()
    day.air.blocked.add("band_saw")
    day.cut(60)
    now = day.clocks.now - day.day
    day.happen(Happening(now, "daemon_killed", "", now + 5))
    day.after(90).cut(40)
    assert day.suctions == [HIGH, HIGH]


def test_a_broker_that_restarts_in_the_middle_ends_it_and_it_comes_again() -> None:
    day = Day()
    day.air.blocked.add("band_saw")
    day.cut(300)
    now = day.clocks.now - day.day
    day.happen(Happening(now, "broker_killed", "", now + 3))
    day.after(90)
    assert day.suctions == [HIGH, HIGH_OVER, HIGH]


@lru_cache
def commands(sensor: str, fault: str) -> tuple[tuple[str, str], ...]:
    day = Day(SHOP.replace("SENSOR\n", sensor))
    if sensor:
        getattr(day.air, fault).add("band_saw")
    day.cut(60).after(60)
    return tuple((topic, payload) for _, topic, payload in day.told)


@pytest.mark.parametrize("fault", ["blocked", "hose_off"])
def test_the_same_day_has_the_same_commands_without_the_sensor(fault: str) -> None:
    assert commands(SENSOR, fault) == commands("", fault)


def test_an_edit_in_the_middle_ends_it() -> None:
    day = Day()
    day.air.blocked.add("band_saw")
    day.cut(300)
    assert day.suctions == [HIGH]
    assert day.daemon is not None
    day.daemon.save(load_text(SHOP.replace("SENSOR\n", ""), CONFIG, files=False))
    day.after(30)
    assert day.suctions == [HIGH, HIGH_OVER]


def test_what_the_simulated_shop_gives_is_what_its_ducts_should_give() -> None:
    day = Day()
    found = duct_suction(day.config, "main", ("band_saw",))
    assert isinstance(found, DuctSuction)
    airway = Airway(day.config, "main", day.shop.gates, Random(1))
    assert airway.suction(day.clocks.now, 1.0) > found.high  # all shut
    day.cut(60)
    for clog, wanted in ((0.0, found.clean), (1.0, found.dirty)):
        airway.clog = clog
        assert airway.suction(day.clocks.now, 1.0) == pytest.approx(wanted, rel=1e-9)


def sensed(drawn: Drawn) -> Drawn:
    """The same shop with a sensor at each collector."""
    lines = []
    for text in drawn.loaded.text.splitlines():
        lines.append(text)
        if text.startswith("[collector."):
            name = text.removeprefix("[collector.").removesuffix("]")
            lines.append(f'suction = {{ topic = "shop/fan/{name}/inlet", unit = "in.w.g." }}')
    loaded = load_text("\n".join(lines), CONFIG, files=False)
    assert loaded.config is not None, loaded.problems
    fans = {name: replace(fan, suction_every=4.0) for name, fan in drawn.habits.collectors.items()}
    return Drawn(loaded, loaded.config, replace(drawn.habits, collectors=fans))


def test_whatever_breaks_in_a_drawn_shop_the_watcher_breaks_nothing() -> None:
    measured, until = 0, DAY if DAYS else OPENS + 1800
    for number in range(DAYS or 1):
        seed = f"{SEED}.suction.{number}"
        drawn = sensed(draw(Random(f"{seed}/config")))
        world = World(seed, drawn)
        for each in script(drawn.config, Random(f"{seed}/script")):
            world.scheduler.at(world.day + each.at, lambda each=each, world=world: world.happen(each))  # type: ignore[misc]
        world.step_to(world.day + until)
        assert not world.broken, (seed, world.broken)
        lines = [line for line in world.disk.lines_backwards() if "suction" in str(line["event"])]
        assert not [line for line in lines if "error inside" in str(line.get("why"))], seed
        measured += sum(line["event"] == "suction_measured" for line in lines)
    assert measured, "nothing was ever measured"
